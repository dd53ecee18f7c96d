// Keeps an open page true: puts new texts where they belong, and takes the rest of the page anew when an alarm changed.
// All words and figures come from the server; without this script a page is whole, only not live.
"use strict";
(() => {
  const stream = document.querySelector("[data-stream]");
  const AGE_EVERY_MS = 5000;
  const FOLD_EVERY_MS = 4000;

  const ago = (seconds) => {
    if (seconds < 2) return "just now";
    const s = Math.floor(seconds);
    if (s < 60) return `${s} s ago`;
    const min = Math.floor(s / 60);
    if (min < 60) return `${min} min ago`;
    const h = Math.floor(min / 60);
    if (h < 24) return min % 60 ? `${h} h ${min % 60} min ago` : `${h} h ago`;
    const days = Math.floor(h / 24);
    return days === 1 ? "1 day ago" : `${days} days ago`;
  };

  // The server's clock, not the browser's, tells how old a reading is.
  let ahead = 0;
  const now = () => Date.now() + ahead;

  const age = () => {
    for (const place of document.querySelectorAll("[data-ago]")) {
      const at = Date.parse(place.dataset.ago);
      // A reading heard late is told with both times by the server; its age alone would mislead.
      if (!Number.isNaN(at) && /^reading /i.test(place.textContent) && !/^reading of/i.test(place.textContent)) {
        const text = `${place.textContent[0]}eading ${ago((now() - at) / 1000)}`;
        if (place.textContent !== text) place.textContent = text;
      }
    }
  };

  const show = (block, shown) => {
    for (const place of block.querySelectorAll("[data-live]")) {
      const name = place.dataset.live;
      if (name.startsWith("strip")) {
        if (place.getAttribute("width") !== shown[name]) place.setAttribute("width", shown[name]);
      } else if (name === "heard") {
        place.dataset.ago = shown.heard_at;
        const begins = /^\p{Lu}/u.test(place.textContent); // a sentence of its own on one page, not on the other
        place.textContent = (begins ? shown.heard[0].toUpperCase() : shown.heard[0]) + shown.heard.slice(1);
      } else if (name in shown && place.textContent !== shown[name]) {
        place.textContent = shown[name];
      }
    }
    if (block.dataset.tone !== shown.tone) {
      for (const one of [block, ...block.querySelectorAll("[data-toned]")]) {
        if (one === block && !block.classList.contains(block.dataset.tone)) continue;
        one.classList.remove(block.dataset.tone);
        one.classList.add(shown.tone);
      }
      block.dataset.tone = shown.tone;
      const drawn = document.querySelector(`#shapes [data-tone="${shown.tone}"] svg`);
      for (const place of block.querySelectorAll("[data-shape]")) place.replaceChildren(drawn.cloneNode(true));
      return true;
    }
    return false;
  };

  // Only changes of state are read out; figures change too often for that.
  const say = (text) => {
    const place = document.getElementById("news");
    if (place) place.textContent = text;
  };

  // Sections that a script cannot tell from one event are taken from the page as the server writes it now.
  let folding = null;
  let folded = 0;
  const fold = () => {
    if (folding) return;
    folding = setTimeout(async () => {
      folding = null;
      folded = Date.now();
      let answer;
      try {
        answer = await fetch(location.pathname + location.search, { headers: { accept: "text/html" } });
      } catch { return; }
      if (!answer.ok) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const place of document.querySelectorAll("[data-fold]")) {
        const other = fresh.querySelector(`[data-fold="${place.dataset.fold}"]`);
        const busy = place.contains(document.activeElement) && document.activeElement !== place;
        if (!other || busy || other.innerHTML === place.innerHTML) continue; // never under somebody's fingers
        const open = [...place.querySelectorAll("details")].map((one) => one.open);
        [...other.querySelectorAll("details")].forEach((one, at) => { one.open = Boolean(open[at]); });
        place.replaceChildren(...other.childNodes);
      }
      const list = document.querySelector("[data-list] tbody");
      const rows = fresh.querySelector("[data-list] tbody");
      if (list && rows && !list.contains(document.activeElement)) list.replaceChildren(...rows.childNodes);
      if (list && !rows) location.reload();
    }, Math.max(400, folded + FOLD_EVERY_MS - Date.now()));
  };

  if (!stream) return;
  const blocks = () => new Map([...document.querySelectorAll("[data-fan]")].map((one) => [one.dataset.fan, one]));
  const isWhole = stream.dataset.list === "whole";
  let last = "";

  const listen = () => {
    const address = new URL(stream.dataset.stream, location.href);
    if (last) address.searchParams.set("after", last);
    const source = new EventSource(address);
    const heard = (event) => { if (event.lastEventId) last = event.lastEventId; };
    source.addEventListener("open", heard);
    source.addEventListener("fan", (event) => {
      heard(event);
      const fan = JSON.parse(event.data);
      if (fan.now) ahead = Date.parse(fan.now) - Date.now();
      const block = blocks().get(`${fan.site}/${fan.fan}`);
      if (!block) { if (isWhole) fold(); return; } // a fan that is new in the register
      if (!block.querySelector("[data-live=strip]")) { location.reload(); return; } // its first reading ever
      if (show(block, fan.shown)) {
        say(`${fan.fan}: ${fan.shown.state}`);
        fold();
      }
      document.dispatchEvent(new CustomEvent("fan", { detail: fan }));
    });
    source.addEventListener("alarm", (event) => {
      heard(event);
      const alarm = JSON.parse(event.data);
      const here = [...blocks().keys()];
      // One of a supply or of a whole site tells of fans too.
      const ours = alarm.fan ? here.includes(`${alarm.site}/${alarm.fan}`) : here.some((one) => one.startsWith(`${alarm.site}/`));
      if (!ours) return;
      if (alarm.standing && !alarm.acknowledged) say(`Alarm: ${alarm.text || alarm.id}`);
      fold();
    });
    return source;
  };

  let source = listen();
  setInterval(age, AGE_EVERY_MS);
  addEventListener("pagehide", () => source.close());
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  document.addEventListener("visibilitychange", () => {
    // A phone that slept has missed much: begin from where we were, and take the rest of the page anew.
    if (document.visibilityState === "visible") {
      if (source.readyState === EventSource.CLOSED) source = listen();
      age();
      fold();
    }
  });
})();
