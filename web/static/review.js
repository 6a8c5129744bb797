// Review stays at the latest state, and steps through the pictures with the arrow keys.
import "./live.js";

addEventListener("keydown", (event) => {
  const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
  if (!step || event.target.closest("input, summary, table")) return;
  const entries = [...document.querySelectorAll(".entry")];
  const at = entries.findIndex((entry) => entry.getBoundingClientRect().top > -8);
  const here = at < 0 ? entries.length : at;
  const next = entries[Math.min(Math.max(here + (step > 0 && at >= 0 && entries[here].getBoundingClientRect().top > 40 ? 0 : step), 0), entries.length - 1)];
  if (next) { event.preventDefault(); next.scrollIntoView({ block: "start" }); }
});
