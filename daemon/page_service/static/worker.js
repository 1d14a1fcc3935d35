// Keeps the last view of a paired device, over TLS only, and shows it with its age while the page
// can't be reached. It forgets it when the device signs out, or is seen to be removed.
const CACHE = "page";
const COPY = "/kept";
const PARTS = ["/style.css", "/icon.svg"];
const PATIENCE = 6000; // ms; far from home an address may never answer
const MINUTE = 60000;

async function keep(copy) {
  await (await caches.open(CACHE)).put(COPY, new Response(JSON.stringify(copy)));
}

async function kept() {
  const found = await caches.match(COPY);
  if (!found) return null;
  const { page, language, at } = await found.json();
  const minutes = Math.max(0, Math.floor((Date.now() - at) / MINUTE));
  const [count, unit] = minutes < 120 ? [minutes, "minute"]
    : minutes < 2880 ? [Math.floor(minutes / 60), "hour"] : [Math.floor(minutes / 1440), "day"];
  const age = new Intl.RelativeTimeFormat(language).format(-count, unit);
  return new Response(page.replace("%AGE%", age), {
    headers: {
      "Content-Type": "text/html; charset=utf-8",
      "Content-Security-Policy": "default-src 'none'; style-src 'self'; img-src 'self'",
    },
  });
}

async function open(request, path) {
  const copy = await kept();
  const late = new Promise((_, reject) => { if (copy) setTimeout(reject, PATIENCE); });
  try {
    const answer = await Promise.race([fetch(request), late]);
    const isOut = path === "/" && answer.type === "opaqueredirect"; // only to the form for pairing
    if (isOut || path === "/pair") await caches.delete(CACHE);
    return answer;
  } catch {
    return copy ?? Response.error();
  }
}

async function part(request) {
  try {
    const answer = await fetch(request);
    if (answer.ok) await (await caches.open(CACHE)).put(request.url, answer.clone());
    return answer;
  } catch {
    return (await caches.match(request.url)) ?? Response.error();
  }
}

addEventListener("install", (event) => {
  skipWaiting();
  event.waitUntil(caches.open(CACHE).then((cache) => cache.addAll(PARTS)));
});
addEventListener("activate", (event) => event.waitUntil(clients.claim()));
addEventListener("message", (event) => {
  event.waitUntil(event.data === "forget" ? caches.delete(CACHE) : keep(event.data));
});
addEventListener("fetch", (event) => {
  const { method, mode, url } = event.request;
  const path = new URL(url).pathname;
  if (method !== "GET") return;
  if (mode === "navigate") event.respondWith(open(event.request, path));
  else if (PARTS.includes(path)) event.respondWith(part(event.request));
});
