// Keeps an open page true: puts new texts where they belong, and takes the rest of the page anew when an alarm changed.
// A list of fans is put in order again each minute, and tells the server which fans it shows.
// All words and figures come from the server; without this script a page is whole, only not live.
"use strict";
(() => {
  const stream = document.querySelector("[data-stream]");
  const AGE_EVERY_MS = 5000;
  const FOLD_EVERY_MS = 4000;
  const LIST_EVERY_MS = 10000;
  const ORDER_EVERY_MS = 60000;
  const HIDDEN_MS = 30000;
  const SILENT_MS = 50e3; // the service says something each 20 s

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
  let ahead = Date.parse(document.documentElement.dataset.now) - Date.now();
  // As exact as a page is old when it comes; a kept one may be days old, and its readings are as old as it says.
  if (Math.abs(ahead) < 5e3 || Number.isNaN(ahead) || "kept" in document.documentElement.dataset) ahead = 0;
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
  const unsure = (so) => document.documentElement.classList.toggle("unsure", so); // how it is now is not known
  const fold = () => {
    if (folding) return;
    folding = setTimeout(async () => {
      folding = null;
      folded = Date.now();
      let answer;
      try {
        answer = await fetch(location.pathname + location.search, { headers: { accept: "text/html" } });
      } catch { unsure(true); return; }
      unsure(!answer.ok);
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
      document.dispatchEvent(new Event("folded"));
      if (isList) list(fresh.querySelector("[data-list]"));
    }, Math.max(400, folded + (isList ? LIST_EVERY_MS : FOLD_EVERY_MS) - Date.now()));
  };

  // The list as it stands now, with its order; what it wants to hear of is another when other fans stand in it.
  const list = (fresh) => {
    if (!fresh) { location.reload(); return; }
    put = stream.contains(document.activeElement); // never under somebody's fingers: when they leave it
    if (put) return;
    const wants = (address) => new URL(address, location.href).searchParams.get("fans");
    const same = wants(fresh.dataset.stream) === wants(stream.dataset.stream);
    stream.replaceChildren(...fresh.childNodes);
    if (same) return;
    stream.dataset.stream = fresh.dataset.stream; // begins from before these rows were read
    last = "";
    source.close();
    source = listen();
  };

  if (!stream) return;
  const blocks = () => new Map([...document.querySelectorAll("[data-fan]")].map((one) => [one.dataset.fan, one]));
  const isList = "list" in stream.dataset;
  let last = "", put = false, lost = false, heardAt = Date.now();

  const listen = () => {
    const address = new URL(stream.dataset.stream, location.href);
    if (last) address.searchParams.set("after", last);
    const source = new EventSource(address);
    const heard = (event) => {
      if (event.lastEventId) last = event.lastEventId;
      heardAt = Date.now();
      document.dispatchEvent(new Event("heard"));
    };
    source.addEventListener("open", (event) => {
      if (!event.data) return; // the browser's own, before the service has said anything
      heard(event);
      ahead = Date.parse(JSON.parse(event.data).now) - Date.now();
      if (lost) fold(); // what changed meanwhile is told again; what only aged is not
      lost = false;
    });
    source.addEventListener("now", (event) => {
      heard(event);
      ahead = Date.parse(JSON.parse(event.data).now) - Date.now();
    });
    source.addEventListener("error", () => { lost = true; });
    const fans = (told) => {
      const here = blocks();
      for (const fan of told) {
        if (fan.now) ahead = Date.parse(fan.now) - Date.now();
        const block = here.get(`${fan.site}/${fan.fan}`);
        if (!block) continue;
        if (!block.querySelector("[data-live=strip]")) { location.reload(); return; } // its first reading ever
        if (show(block, fan.shown)) {
          say(`${fan.fan}: ${fan.shown.state}`);
          fold();
        }
        document.dispatchEvent(new CustomEvent("fan", { detail: fan }));
      }
    };
    const alarms = (told) => {
      const here = [...blocks().keys()];
      for (const alarm of told) {
        // One of a supply or of a whole site tells of fans too. A list hears of all that may come to stand in it.
        const ours = isList || (alarm.fan ? here.includes(`${alarm.site}/${alarm.fan}`) : here.some((one) => one.startsWith(`${alarm.site}/`)));
        if (!ours) continue;
        if (alarm.standing && !alarm.acknowledged) say(`Alarm: ${alarm.text || alarm.id}`);
        fold();
      }
    };
    for (const [name, take] of [["fan", fans], ["alarm", alarms]]) {
      source.addEventListener(name, (event) => { heard(event); take([JSON.parse(event.data)]); });
      source.addEventListener(`${name}s`, (event) => { heard(event); take(JSON.parse(event.data)); });
    }
    return source;
  };

  let source = listen();
  // A connection that broke without a sign, say while the phone slept, stays open for the browser.
  const again = () => {
    const silent = Date.now() - heardAt > SILENT_MS;
    if (document.visibilityState !== "visible" || (source.readyState !== EventSource.CLOSED && !silent)) return;
    lost = true;
    heardAt = Date.now(); // no sooner than that once more
    source.close();
    source = listen();
  };
  setInterval(() => { age(); again(); }, AGE_EVERY_MS);
  if (isList) {
    // Also where nothing moves: the watch itself may stand still, and what stands above the list must say so.
    setInterval(() => { if (!document.hidden) fold(); }, ORDER_EVERY_MS);
    document.addEventListener("focusout", () => { if (put) { put = false; fold(); } });
  }
  let asleep = null;
  addEventListener("pagehide", () => source.close());
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  document.addEventListener("visibilitychange", () => {
    // A page that nobody looks at costs no traffic. One that was away has missed much: begin from where we were, and
    // take the rest of the page anew.
    clearTimeout(asleep);
    if (document.hidden) asleep = setTimeout(() => source.close(), HIDDEN_MS);
    else {
      again();
      age();
      fold();
    }
  });
})();
