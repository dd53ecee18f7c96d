// Keeps the last known Fans, one fan, Alarms and This morning for when there is no connection, each marked with its time.
//
// What it never keeps: what was sent (POST), the API, pages about people, loggers, notices, reviews, and anything of
// another account: each page says for whom it was made (data-reader), all are dropped as soon as one comes for somebody
// else, and before anybody signs in or out. VERSION, put in front of this file by the service, changes with every file
// that pages are made of: a newer worker fetches them anew and drops what an older one kept.
"use strict";

const FILES = `files-${VERSION}`;
const PAGES = `pages-${VERSION}`;
const KEPT = [/^\/$/, /^\/fans\/[^/]+\/[^/]+$/, /^\/alarms$/, /^\/morning$/];
const ENDS = ["/sign-in", "/sign-out", "/account/sign-out-everywhere", "/people/first"]; // sent there: somebody else from now on
const AT_MOST = 60; // pages; the oldest goes
const DAYS = 7; // older is of no use and only a risk
const PATIENCE_MS = 10e3; // then what is kept is shown, if there is something

let turn = 0; // counts what emptied the pages: an answer that was asked for before is kept no more

const empty = () => {
  turn += 1;
  return caches.delete(PAGES);
};

const readerOf = (text) => (/<html[^>]* data-reader="([0-9a-f]+)"/.exec(text.slice(0, 2000)) || [])[1];

const keep = async (request, answer, asked) => {
  if (answer.type === "opaqueredirect" || answer.redirected || answer.status === 401 || answer.status === 403) {
    await empty(); // whoever this browser was signed in as is so no more
    return;
  }
  if (answer.status === 404) { // gone, or no longer the reader's
    await (await caches.open(PAGES)).delete(request.url);
    return;
  }
  if (answer.status !== 200 || !(answer.headers.get("content-type") || "").startsWith("text/html")) return;
  const text = await answer.text();
  const reader = readerOf(text);
  if (!reader || asked !== turn) return;
  let pages = await caches.open(PAGES);
  const [one] = await pages.keys();
  if (one && (await pages.match(one)).headers.get("x-reader") !== reader) {
    await empty();
    asked = turn;
    pages = await caches.open(PAGES);
  }
  if (asked !== turn) return;
  await pages.delete(request.url);
  await pages.put(request.url, new Response(text, {
    headers: { "content-type": "text/html; charset=utf-8", "x-reader": reader, "x-kept": String(Date.now()), ...guards(answer) },
  }));
  const all = await pages.keys();
  for (const old of all.slice(0, Math.max(0, all.length - AT_MOST))) await pages.delete(old);
};

const guards = (answer) => {
  const names = ["content-security-policy", "x-content-type-options", "x-frame-options", "referrer-policy", "cross-origin-opener-policy"];
  return Object.fromEntries(names.filter((name) => answer.headers.has(name)).map((name) => [name, answer.headers.get(name)]));
};

const kept = async (request) => {
  const page = await (await caches.open(PAGES)).match(request.url);
  if (!page) return null;
  const at = Number(page.headers.get("x-kept"));
  if (Date.now() - at > DAYS * 86400e3) return null;
  const text = (await page.text()).replace("<html ", `<html data-kept="${at}" class="old kept" `);
  return new Response(text, { headers: page.headers });
};

const nothing = async () => {
  const files = await caches.open(FILES);
  const page = await (await files.match("/static/no-connection.html")).text();
  const found = await (await caches.open(PAGES)).keys();
  const escaped = (text) => text.replace(/[&<>"]/g, (one) => `&#${one.charCodeAt(0)};`);
  const name = (url) => {
    const path = decodeURI(url.pathname + url.search);
    if (url.pathname === "/") return `Fans${decodeURI(url.search)}`;
    return path.startsWith("/fans/") ? path.slice(6) : `${path[1].toUpperCase()}${path.slice(2)}`;
  };
  const links = found.reverse().map((one) => new URL(one.url))
    .map((url) => `<li><a class="jump" href="${escaped(url.pathname + url.search)}">${escaped(name(url))}</a></li>`);
  const text = page.replace("<!-- kept -->", links.length ? `<h2>Kept from before</h2><ul class="plain">${links.join("")}</ul>` : "");
  return new Response(text, { status: 503, headers: { "content-type": "text/html; charset=utf-8", "content-security-policy": "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; base-uri 'none'" } });
};

const page = async (event) => {
  const asked = turn;
  const isKept = KEPT.some((one) => one.test(new URL(event.request.url).pathname));
  const answer = fetch(event.request);
  const settled = answer.then((got) => {
    if (isKept) event.waitUntil(keep(event.request, got.clone(), asked).catch(() => {}));
    return got;
  });
  if (event.request.mode !== "navigate") return settled;
  const before = isKept ? kept(event.request) : Promise.resolve(null);
  const late = new Promise((done) => { setTimeout(done, PATIENCE_MS); }).then(async () => (await before) || settled);
  try {
    return await Promise.race([settled, late]);
  } catch {
    return (await before) || nothing();
  }
};

const file = async (request) => {
  try {
    return await fetch(request);
  } catch (trouble) {
    const found = await (await caches.open(FILES)).match(request.url);
    if (found) return found;
    throw trouble;
  }
};

self.addEventListener("install", (event) => {
  // All or nothing: while one of them cannot be had the older worker stays, with the files that its pages need.
  event.waitUntil(caches.open(FILES)
    .then((files) => files.addAll(STATIC.map((path) => new Request(path, { cache: "reload" }))))
    .then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) if (name !== FILES && name !== PAGES) await caches.delete(name);
    await self.clients.claim();
    // Pages that were open before are known too, not only those that are opened from now on.
    for (const client of await self.clients.matchAll({ type: "window" })) {
      const url = new URL(client.url);
      url.hash = "";
      if (!KEPT.some((one) => one.test(url.pathname))) continue;
      const asked = turn;
      const answer = await fetch(url, { headers: { accept: "text/html" } }).catch(() => null);
      if (answer) await keep({ url: url.href }, answer, asked);
    }
  })());
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== self.location.origin) return;
  if (request.method !== "GET") {
    if (ENDS.includes(url.pathname)) event.waitUntil(empty());
    return;
  }
  if (request.cache === "no-store") return; // a page that tries whether there is a connection
  if (url.pathname.startsWith("/static/")) event.respondWith(file(request));
  else if (url.pathname.startsWith("/api/")) return;
  else if ((request.headers.get("accept") || "").startsWith("text/html")) event.respondWith(page(event));
});
