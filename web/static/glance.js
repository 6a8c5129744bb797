// Glance updates itself; a reloaded or woken page asks again before it shows anything old.
import { refresh } from "./live.js";

addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible") refresh().catch(() => {});
});

// Start and now take turns by themselves; held still they do so only while S is held.
// The choice outlives a reload of this screen.
function hold(still) {
  document.body.classList.toggle("holds-still", still);
  sessionStorage.setItem("holds-still", still ? "yes" : "");
  for (const button of document.querySelectorAll("[data-still]")) {
    button.textContent = still ? "Start and now take turns" : "Hold still";
  }
}
const held = () => hold(sessionStorage.getItem("holds-still") === "yes");
document.addEventListener("fresh", held);
held();

const showStart = (on) => document.body.classList.toggle("shows-start", on);
const typing = (event) => event.target.closest("input, textarea, select");
addEventListener("keydown", (event) => {
  if (typing(event) || event.ctrlKey || event.metaKey || event.altKey) return;
  const key = event.key.toLowerCase();
  if (key === "s") showStart(true);
  if (key === "f" && !event.repeat) full();
});
addEventListener("keyup", (event) => { if (event.key.toLowerCase() === "s") showStart(false); });
addEventListener("blur", () => showStart(false));

function full() {
  if (document.fullscreenElement) document.exitFullscreen();
  else document.documentElement.requestFullscreen().catch(() => {});
}
document.addEventListener("click", (event) => {
  if (event.target.closest("[data-full]")) full();
  const button = event.target.closest("[data-still]");
  if (button) hold(!document.body.classList.contains("holds-still"));
});
