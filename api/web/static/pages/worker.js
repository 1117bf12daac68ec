// Keeps the parts and the pages that were looked at, so that they open where there is no signal.
"use strict";

const STAMP = "STAMP";
const KEPT = [`parts ${STAMP}`, `pages ${STAMP}`];
const PATIENCE = 15000;
const ROOT = new URL(".", self.location).pathname.slice(0, -1); // what a proxy puts before all addresses

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(KEPT[0]).then((cache) => cache.addAll(["PARTS"].map((path) => ROOT + path))).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) if (!KEPT.includes(name)) await caches.delete(name);
    await self.clients.claim();
  })());
});

self.addEventListener("message", (event) => {
  event.waitUntil(Promise.allSettled(event.data.map(async (path) => keep(path, await fetch(path)))));
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (url.pathname.startsWith(`${ROOT}/parts/`)) event.respondWith(part(request));
  else if (request.mode === "navigate" && url.pathname.startsWith(`${ROOT}/`) && !url.pathname.startsWith(`${ROOT}/docs`)) event.respondWith(page(request));
});

async function part(request) {
  return (await caches.match(request)) || fetch(request);
}

async function keep(path, answer) {
  const kind = answer.headers.get("content-type") || "";
  if (!answer.ok || answer.redirected || !kind.startsWith("text/html")) return;
  const headers = new Headers(answer.headers);
  headers.set("x-kept", String(Date.now()));
  const copy = new Response(await answer.clone().blob(), { status: 200, headers });
  await (await caches.open(KEPT[1])).put(path, copy);
}

async function page(request) {
  const { pathname: path, search } = new URL(request.url);
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), PATIENCE);
  try {
    const answer = await fetch(request, { signal: stop.signal });
    if (answer.status === 502 || answer.status === 504) throw new Error("a proxy answers, the service does not");
    if (!search) await keep(path, answer.clone());
    return answer;
  } catch {
    const cache = await caches.open(KEPT[1]);
    const asked = new URLSearchParams(search);  // no list of everything in the place of what was looked for
    return (!asked.has("name") && !asked.has("leaf") && marked(await cache.match(path))) || nothing();
  } finally {
    clearTimeout(timer);
  }
}

function marked(copy) {
  if (!copy) return null;
  const when = copy.headers.get("x-kept");
  return copy.text().then((html) =>
    new Response(html.replace("<html ", `<html data-copy="${when}" `), { headers: copy.headers }));
}

function nothing() {
  const html = '<!doctype html><html lang="en"><meta charset="utf-8">' +
    '<meta name="viewport" content="width=device-width, initial-scale=1"><title>No connection</title>' +
    "<h1>The service cannot be reached</h1><p>No copy of this page is kept. Nothing that you typed is lost.</p>" +
    `<p><a href="${ROOT}/installations">All engines</a></p>`;
  return new Response(html, { status: 503, headers: { "content-type": "text/html; charset=utf-8" } });
}
