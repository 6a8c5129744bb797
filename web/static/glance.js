// Glance updates itself; a reloaded or woken page asks again before it shows anything old.
import { refresh } from "./live.js";

addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible") refresh().catch(() => {});
});
