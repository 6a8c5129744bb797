// Review: the comparison follows its links without loading the page anew, and the keys.
// The address always says what is shown.
import { refresh } from "./live.js";

const BLINK_MS = 1500;
const calm = matchMedia("(prefers-reduced-motion: reduce)");
let timer = 0;
let wipeAt = 50;
const followed = new WeakSet();

async function go(link) {
  history.replaceState(null, "", link.href);
  await refresh({ force: true }).catch(() => location.assign(link.href));
}

function show(over, which) {
  over.dataset.shows = which;
}
const swap = (over) => show(over, over.dataset.shows === "under" ? "upper" : "under");

// Slow and of matched brightness; never by itself where motion is not wanted.
function blink(over, on) {
  clearInterval(timer);
  timer = on ? setInterval(() => swap(over), BLINK_MS) : 0;
  const button = over.querySelector("[data-blink]");
  if (button) button.textContent = on ? "Hold still" : "Blink by itself";
}

function wipe(over, percent) {
  wipeAt = Math.min(Math.max(percent, 0), 100);
  over.style.setProperty("--wipe", `${wipeAt}%`);
  over.querySelector("[data-wipe]").value = wipeAt;
}

function ready() {
  clearInterval(timer);
  timer = 0;
  const over = document.querySelector("[data-over]");
  if (!over) return;
  if (over.dataset.over === "blink") {
    show(over, "upper");
    blink(over, !calm.matches);
    return;
  }
  wipe(over, wipeAt);
  const layers = over.querySelector(".layers");
  if (followed.has(layers)) return;
  followed.add(layers);
  const follow = (event) => {
    const box = layers.getBoundingClientRect();
    wipe(over, (100 * (event.clientX - box.left)) / box.width);
  };
  layers.addEventListener("pointerdown", (event) => { layers.setPointerCapture(event.pointerId); follow(event); });
  layers.addEventListener("pointermove", (event) => { if (layers.hasPointerCapture(event.pointerId)) follow(event); });
}

// Keys may be quicker than the page: each step goes on from what was asked for last.
let asked = {};
function step(row, by) {
  const links = [...document.querySelectorAll(`[data-passes="${row}"] a`)];
  let at = links.findIndex((link) => link.dataset.key === asked[row]);
  if (at < 0) at = links.findIndex((link) => link.hasAttribute("aria-current"));
  const next = links[at + by];
  if (!next) return;
  asked[row] = next.dataset.key;
  const address = new URL(next.href);
  const part = next.dataset.key.split("-")[0];
  for (const [name, value] of new URLSearchParams(location.search))
    if (name !== part) address.searchParams.set(name, value);
  go(address);
}

document.addEventListener("click", (event) => {
  const link = event.target.closest("a[data-choice]");
  if (link && !event.ctrlKey && !event.metaKey && !event.shiftKey && event.button === 0) {
    event.preventDefault();
    go(link);
  }
  const button = event.target.closest("[data-blink]");
  if (button) blink(button.closest("[data-over]"), !timer);
});
document.addEventListener("input", (event) => {
  if (event.target.matches("[data-wipe]")) wipe(event.target.closest("[data-over]"), Number(event.target.value));
});
addEventListener("keydown", (event) => {
  if (event.altKey || event.ctrlKey || event.metaKey || event.target.closest("input, select, textarea, .scroll")) return;
  const by = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
  if (by) {
    event.preventDefault();
    step(event.shiftKey ? "from" : "to", by);
    return;
  }
  if (event.key !== " " || event.target.closest("button, summary")) return;
  event.preventDefault();
  const over = document.querySelector("[data-over='blink']");
  if (over) {
    blink(over, false);
    swap(over);
  } else {
    const link = document.querySelector("[data-key='mode-blink']");
    if (link) go(link);
  }
});

document.addEventListener("fresh", () => { asked = {}; ready(); });
ready();
