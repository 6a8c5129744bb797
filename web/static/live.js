// Keeps a page at the latest state: changes by server-sent events, the page's own fragment fetched
// again on each.  Without a beat for two and a half seconds the connection counts as lost.

const LOST_AFTER_MS = 2500;
const AGAIN_AFTER_MS = 1000;
const main = document.querySelector("main[data-live]");
let lastBeat = performance.now();
let shownAt = performance.now();
let newest = 0;

function ageText(seconds) {
  const whole = Math.max(0, Math.floor(seconds));
  const two = (n) => String(n).padStart(2, "0");
  const hours = Math.floor(whole / 3600);
  const minutes = Math.floor(whole / 60) % 60;
  return hours ? `${hours}:${two(minutes)}:${two(whole % 60)}` : `${minutes}:${two(whole % 60)}`;
}

function tick() {
  const lost = performance.now() - lastBeat > LOST_AFTER_MS;
  document.body.dataset.connection = lost ? "lost" : "live";
  for (const element of document.querySelectorAll("[data-age]")) {
    const age = Number(element.dataset.age) + (performance.now() - shownAt) / 1000;
    element.textContent = ageText(age);
    document.getElementById("live").toggleAttribute("data-stale", age >= 60);
  }
}

// Fetches the fragment; a page that is being worked on (data-hold) keeps what is under the hand.
export async function refresh({ force = false } = {}) {
  const turn = ++newest;
  const asked = new URLSearchParams(location.search);
  asked.set("part", "live");
  const answer = await fetch(`${main.dataset.live}?${asked}`, { cache: "no-store" });
  if (!answer.ok || turn !== newest) return;
  const holder = document.createElement("template");
  holder.innerHTML = await answer.text();
  const fresh = holder.content.querySelector("#live");
  const old = document.getElementById("live");
  if (!fresh || turn !== newest) return;
  const held = old.querySelector("[data-hold]") && fresh.querySelector("[data-hold]");
  if (held && !force) return;
  await pictureReady(fresh);
  if (turn !== newest) return;
  const back = placeOf(old.contains(document.activeElement) ? document.activeElement : null);
  carry(old, fresh);
  old.replaceWith(fresh);
  if (back) document.querySelector(back)?.focus({ preventScroll: true });
  fresh.querySelector(".picture")?.classList.add("is-new");
  shownAt = performance.now();
  tick();
  document.dispatchEvent(new CustomEvent("fresh"));
}

// What is in somebody's hand stays the same thing: an open file dialog, a note half written, an
// opened budget.
function carry(old, fresh) {
  for (const kept of old.querySelectorAll("[data-keep]")) {
    fresh.querySelector(`[data-keep="${kept.dataset.keep}"]`)?.replaceWith(kept);
  }
  const name = (details) => details.querySelector("summary").textContent.split(":")[0];
  const open = new Set([...old.querySelectorAll("details[open]")].map(name));
  for (const details of fresh.querySelectorAll("details")) if (open.has(name(details))) details.open = true;
}

// How to find the element that had the focus once its page has been renewed.
function placeOf(element) {
  if (!element) return "";
  if (element.dataset.key) return `[data-key="${element.dataset.key}"]`;
  const name = element.getAttribute("name");
  if (!name) return "";
  return element.tagName === "BUTTON" ? `button[name="${name}"][value="${element.value}"]` : `[name="${name}"]`;
}

// The new lines never lie over the old picture: wait until the new one is decoded.
async function pictureReady(fresh) {
  const picture = fresh.querySelector(".picture img");
  if (!picture) return;
  const waiting = new Image();
  waiting.src = picture.getAttribute("src");
  try {
    await waiting.decode();
    picture.replaceWith(waiting);
    for (const name of ["width", "height", "alt"]) waiting.setAttribute(name, picture.getAttribute(name));
  } catch {
    // The picture can't be had; its numbers still can.
  }
}

function listen() {
  const seen = document.getElementById("live").dataset.seen;
  const source = new EventSource(`${main.dataset.events}?after=${seen}`);
  const beat = () => { lastBeat = performance.now(); tick(); };
  source.addEventListener("beat", beat);
  source.addEventListener("changed", (event) => {
    beat();
    if (event.lastEventId !== document.getElementById("live").dataset.seen) refresh().catch(() => {});
  });
  // A browser gives up after an answer that is no stream (a service that is just starting): go on.
  source.addEventListener("error", () => {
    if (source.readyState === EventSource.CLOSED) setTimeout(listen, AGAIN_AFTER_MS);
  });
  addEventListener("pagehide", () => source.close());
}

// One key, or a press on the picture, shows it without lines.
function bare(on) {
  for (const picture of document.querySelectorAll("[data-bare]")) picture.classList.toggle("is-bare", on);
}
const typing = (event) => event.target.closest("input, textarea, select");
addEventListener("keydown", (event) => { if (event.key.toLowerCase() === "b" && !typing(event)) bare(true); });
addEventListener("keyup", (event) => { if (event.key.toLowerCase() === "b") bare(false); });
addEventListener("pointerdown", (event) => {
  event.target.closest("[data-bare]")?.classList.add("is-bare");
});
for (const end of ["pointerup", "pointercancel", "blur"]) addEventListener(end, () => bare(false));

// A press on a picture is a press, not the start of carrying its file away.
document.addEventListener("dragstart", (event) => { if (event.target.closest?.(".picture")) event.preventDefault(); });

listen();
setInterval(tick, 250);
