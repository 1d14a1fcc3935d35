// Keeps the first view up to date. Without it, the page works by reloading.
const live = document.getElementById("live");
const lost = document.getElementById("lost");
const CLOCKS_APART_MS = 180000;
const source = new EventSource("/live");

let pressed = false;
let next = null;

function compareClocks() {
  const minute = live.querySelector("[data-minute]")?.dataset.minute ?? Date.now();
  document.getElementById("clock").hidden = Math.abs(Date.now() - minute) < CLOCKS_APART_MS;
}

// The server has written beside each view how it reads once nobody knows whether it still holds.
function age(part) {
  part.classList.add("stale");
  const state = part.querySelector(".state");
  state.className = "state unwell";
  state.textContent = state.querySelector("[data-stale]").dataset.stale;
  part.querySelectorAll(".old").forEach((each) => { each.hidden = false; });
}

function show(view) {
  next = pressed ? view : null; // a button that goes away while it is pressed does nothing
  if (pressed) return;
  lost.hidden = true;
  live.classList.remove("stale");
  const focused = live.contains(document.activeElement) ? document.activeElement.id : "";
  const open = [...live.querySelectorAll("details")].map((each) => each.open);
  live.innerHTML = view; // the server has escaped every text
  live.querySelectorAll("details").forEach((each, place) => { each.open = open[place] ?? false; });
  compareClocks();
  if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
  keep();
}

// Over TLS a worker keeps what is shown, without anything to press, for when the page is out of reach.
const notice = document.getElementById("kept");
const workers = notice && navigator.serviceWorker;
if (workers) {
  workers.addEventListener("controllerchange", keep);
  workers.register("/worker.js");
}

function keep() {
  const worker = workers && workers.controller;
  if (!worker) return;
  const page = document.documentElement.cloneNode(true);
  for (const each of page.querySelectorAll("form, script, noscript, footer, .actions, .corrections, .notice, #lost")) {
    each.remove();
  }
  age(page.querySelector("#live"));
  page.querySelector("#kept").hidden = false;
  worker.postMessage({ page: `<!DOCTYPE html>${page.outerHTML}`, language: document.documentElement.lang, at: Date.now() });
}

function released() {
  pressed = false;
  if (next !== null) show(next);
}

addEventListener("pointerdown", () => { pressed = true; });
for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => setTimeout(released));
source.addEventListener("view", (event) => show(event.data));
source.addEventListener("gone", () => {
  if (workers && workers.controller) workers.controller.postMessage("forget");
  location.reload();
});
source.addEventListener("error", () => {
  next = null;
  lost.hidden = false;
  age(live);
});
addEventListener("pagehide", () => source.close());
addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
