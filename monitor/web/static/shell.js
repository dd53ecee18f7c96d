// What every page has: says when what it shows has grown old, keeps the last known pages for when there is no connection
// (service-worker.js), and folds the links away. Without this script a page is whole.
"use strict";
(() => {
  const root = document.documentElement;
  const stale = document.getElementById("stale");
  const live = document.querySelector("[data-stream]") !== null;
  const keptAt = Number(root.dataset.kept); // by the service worker, which had no answer; NaN: it is of now
  const kept = !Number.isNaN(keptAt);
  const AGES = ["alarms", "loggers", "notices", "morning", "jobs"]; // show what changes, and are not live
  const LIVE_OLD_MS = 50e3; // the service says something each 20 s
  const OLD_MS = 15 * 60e3;
  const LOOK_MS = 5e3;
  const TRY_MS = 15e3;

  const clock = new Intl.DateTimeFormat("en-US", { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  const day = new Intl.DateTimeFormat("en-US", { month: "short", day: "numeric" });
  const words = (at) => {
    const [then, today] = [day.format(at), day.format(Date.now())];
    return then === today ? clock.format(at) : `${then}, ${clock.format(at)}`;
  };

  let asOf = kept ? keptAt : Date.now();
  let shown = "";
  const say = (text, load = false) => {
    if (text === shown) return;
    shown = text;
    stale.textContent = text;
    if (load) {
      const link = document.createElement("a");
      link.href = "";
      link.textContent = "Load again";
      stale.append(" ", link);
    }
  };

  // Whether the service answers is tried: a browser that says it is offline may run on the very computer.
  let gone = kept;
  let trying = false;
  const probe = async () => {
    if (trying || document.visibilityState !== "visible") return;
    trying = true;
    try {
      if (kept) { // it gives way to the page of now
        const answer = await fetch(location.href, { headers: { accept: "text/html" } });
        if (answer.status < 500) location.reload();
      } else {
        await fetch("/static/mark.svg", { cache: "no-store" }); // which the service worker leaves alone
        gone = false;
      }
    } catch {
      gone = true;
    }
    trying = false;
    look();
  };
  const look = () => {
    const age = Date.now() - asOf;
    const old = gone || (live ? age > LIVE_OLD_MS : age > OLD_MS && AGES.includes(root.dataset.here));
    root.classList.toggle("old", old);
    root.classList.toggle("kept", kept);
    if (!old) say("");
    else if (gone) say(`Shown as of ${words(asOf)}, no connection`);
    else say(`Shown as of ${words(asOf)}.`, true);
  };

  document.addEventListener("heard", () => {
    if (kept) { probe(); return; }
    asOf = Date.now();
    gone = false;
    look();
  });
  for (const event of ["online", "offline"]) addEventListener(event, probe);
  document.addEventListener("visibilitychange", () => { look(); probe(); }); // a phone that slept says at once what it does not know
  setInterval(look, LOOK_MS);
  setInterval(() => { if (gone || root.classList.contains("old")) probe(); }, TRY_MS);
  look();

  // What is sent without a connection would be lost with all that was typed.
  document.addEventListener("submit", (event) => {
    if (!gone) return;
    event.preventDefault();
    probe();
    say("No connection: nothing was sent. Press once more when it is back.");
  });

  // Where there are no accounts each entry asks for a name: what was last entered here stands in the field, to be changed
  // or emptied. It stays in this browser.
  const NAME = "name";
  const names = () => document.querySelectorAll('input[name="by"]');
  const remembered = () => { try { return localStorage.getItem(NAME) || ""; } catch { return ""; } };
  const remember = (name) => {
    try {
      if (name) localStorage.setItem(NAME, name);
      else localStorage.removeItem(NAME);
    } catch { /* a browser that keeps nothing: the name is asked again */ }
  };
  const fill = () => {
    const name = remembered();
    for (const field of names()) {
      if (!name || field.value || field.dataset.filled !== undefined) continue; // one that was emptied stays so
      field.value = name.slice(0, field.maxLength > 0 ? field.maxLength : undefined);
      field.dataset.filled = "";
    }
  };
  document.addEventListener("submit", (event) => {
    const field = event.target.querySelector('input[name="by"]');
    if (field && !event.defaultPrevented) remember(field.value.trim());
  });
  document.addEventListener("folded", fill);
  addEventListener("pageshow", fill);
  fill();

  const links = document.querySelector(".by-thumb details");
  if (links) {
    document.addEventListener("click", (event) => { if (!links.contains(event.target)) links.open = false; });
    document.addEventListener("keydown", (event) => {
      if (event.key !== "Escape" || !links.open) return;
      links.open = false;
      links.querySelector("summary").focus();
    });
  }

  // By https, or on the computer itself: browsers allow it nowhere else.
  if ("serviceWorker" in navigator && !kept) navigator.serviceWorker.register("/service-worker.js").catch(() => {});
})();
