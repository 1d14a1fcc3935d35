// Keeps the first view up to date. Without it, the page works by reloading.
const live = document.getElementById("live");
const lost = document.getElementById("lost");
const source = new EventSource("/live");

source.addEventListener("view", (event) => {
  lost.hidden = true;
  const focused = live.contains(document.activeElement) ? document.activeElement.id : "";
  live.innerHTML = event.data; // the server has escaped every text
  if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
});
source.addEventListener("gone", () => location.reload());
source.addEventListener("open", () => { lost.hidden = true; });
source.addEventListener("error", () => { lost.hidden = false; });
addEventListener("pagehide", () => source.close());
addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
