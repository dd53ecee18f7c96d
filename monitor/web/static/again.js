// Of a page about something that goes on: looks again each so many seconds and puts in what is new, so that nothing jumps
// and what is read aloud is not begun anew. Without this script the page loads itself again.
"use strict";
(() => {
  const wait = Number(document.currentScript.dataset.again) * 1000;
  const look = async () => {
    let fresh;
    try {
      const answer = await fetch(location.href, { headers: { accept: "text/html" } });
      fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    } catch {
      setTimeout(look, wait); // no way to the service just now
      return;
    }
    if (!fresh.querySelector("script[data-again]")) { location.reload(); return; } // it is over
    const [now, then] = [document.getElementById("main"), fresh.getElementById("main")];
    if (now.innerHTML !== then.innerHTML && !now.contains(document.activeElement)) now.replaceChildren(...then.childNodes);
    setTimeout(look, wait);
  };
  setTimeout(look, wait);
})();
