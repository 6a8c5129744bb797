// Keeps a page at the latest state: changes by server-sent events, the page's own fragment fetched
// again on each.  Without a beat for two and a half seconds the connection counts as lost; so does
// a change that was heard of and could not be fetched in that time.

const LOST_AFTER_MS = 2500;
const AGAIN_AFTER_MS = 1000;
const PATIENCE_MS = 10_000;
const main = document.querySelector("main[data-live]");
let lastBeat = performance.now();
let shownAt = performance.now();
let newest = 0;
let wanted = 0;
let behindSince = Infinity;
let fetching = 0;

const isCurrent = () => Number(document.getElementById("live").dataset.seen) >= wanted;

function ageText(seconds) {
  const whole = Math.max(0, Math.floor(seconds));
  const two = (n) => String(n).padStart(2, "0");
  const hours = Math.floor(whole / 3600);
  const minutes = Math.floor(whole / 60) % 60;
  return hours ? `${hours}:${two(minutes)}:${two(whole % 60)}` : `${minutes}:${two(whole % 60)}`;
}

function tick() {
  const now = performance.now();
  const behind = isCurrent() ? 0 : now - behindSince;
  if (behind > AGAIN_AFTER_MS && !fetching) refresh().catch(() => {});
  const lost = now - lastBeat > LOST_AFTER_MS || behind > LOST_AFTER_MS;
  document.body.dataset.connection = lost ? "lost" : "live";
  for (const element of document.querySelectorAll("[data-age]")) {
    const age = Number(element.dataset.age) + (performance.now() - shownAt) / 1000;
    element.textContent = ageText(age);
    document.getElementById("live").toggleAttribute("data-stale", age >= 60);
  }
  // The traction clock: it runs on, its marks are reached, and Glance shows it from an hour on.
  for (const element of document.querySelectorAll("[data-running]")) {
    const running = Number(element.dataset.running) + (performance.now() - shownAt) / 1000;
    element.textContent = ageText(running);
    const shown = element.closest("[data-shown-from]");
    if (shown) shown.hidden = running < Number(shown.dataset.shownFrom);
    for (const mark of document.querySelectorAll("[data-reached-after]"))
      mark.classList.toggle("is-reached", running >= Number(mark.dataset.reachedAfter));
  }
}

// Fetches the fragment and lets the page become it, part by part: what is the same stays the same
// element, so that a key pressed, a file dialog opened or a handle held meanwhile is not lost.
export async function refresh(how) {
  fetching += 1;
  try {
    await renew(how);
  } finally {
    fetching -= 1;
  }
}

async function renew({ force = false } = {}) {
  const turn = ++newest;
  const asked = new URLSearchParams(location.search);
  asked.set("part", "live");
  const answer = await fetch(`${main.dataset.live}?${asked}`, { cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS) });
  if (!answer.ok || turn !== newest) return;
  const holder = document.createElement("template");
  holder.innerHTML = await answer.text();
  const fresh = holder.content.querySelector("#live");
  if (!fresh) return;
  const ready = await picturesReady(document.getElementById("live"), fresh);
  if (turn !== newest) return;
  const live = document.getElementById("live");
  const back = placeOf(live.contains(document.activeElement) ? document.activeElement : null);
  become(live, fresh, { force, ready });
  // Only what is gone can have taken the focus with it.
  if (back && !live.contains(document.activeElement)) document.querySelector(back)?.focus({ preventScroll: true });
  live.querySelector(".picture")?.classList.add("is-new");
  shownAt = performance.now();
  tick();
  document.dispatchEvent(new CustomEvent("fresh"));
}

// What a hand has made of the page since it came: never undone by a renewal.
const BY_HAND = new Set(["is-bare", "is-new"]);

// Two elements are the same thing when they are of one kind and answer to one name.
function nameOf(element) {
  const { key, keep, hold, over } = element.dataset;
  const is = (name) => element.getAttribute(name) || "";
  const part = key ?? keep ?? hold ?? over ?? (element.id || is("name") || (is("action") && is("action") + is("class")) || is("aria-labelledby"));
  return `${element.localName} ${part} ${element.localName === "button" ? element.value : ""}`;
}

function become(old, fresh, hand) {
  // A page that is being worked on keeps what is under the hand; an entry half written as well.
  if (old.dataset.hold !== undefined && !hand.force) return;
  if (old.localName === "svg" || old.localName === "img") {
    if (!old.isEqualNode(fresh)) old.replaceWith(hand.ready.get(fresh) ?? fresh);
    return;
  }
  attributes(old, fresh);
  if (old.dataset.keep !== undefined) return;
  const free = new Map();
  for (const child of old.children) free.set(nameOf(child), [...(free.get(nameOf(child)) ?? []), child]);
  const pairs = [...fresh.childNodes].map((wanted) => [wanted, wanted.nodeType === Node.ELEMENT_NODE ? free.get(nameOf(wanted))?.shift() : null]);
  const stays = new Set(pairs.map(([, same]) => same));
  for (const child of [...old.children]) if (!stays.has(child)) child.remove();
  let at = old.firstChild;
  for (const [wanted, same] of pairs) {
    if (wanted.nodeType !== Node.ELEMENT_NODE) {
      if (at?.nodeType === wanted.nodeType) {
        if (at.data !== wanted.data) at.data = wanted.data;
        at = at.nextSibling;
      } else old.insertBefore(wanted, at);
    } else if (!same) {
      for (const image of wanted.querySelectorAll("img")) if (hand.ready.has(image)) image.replaceWith(hand.ready.get(image));
      old.insertBefore(hand.ready.get(wanted) ?? wanted, at);
    } else {
      at = passTo(old, at, same);
      become(same, wanted, hand);
    }
  }
  while (at) {
    const next = at.nextSibling;
    at.remove();
    at = next;
  }
}

// Brings the element to its place and returns what follows it.  What has the focus is never moved
// itself: whatever stands before it is.
function passTo(parent, at, same) {
  while (at && at !== same && at.nodeType !== Node.ELEMENT_NODE) {
    const next = at.nextSibling;
    at.remove();
    at = next;
  }
  if (at !== same && !same.contains(document.activeElement)) {
    parent.insertBefore(same, at);
    return at;
  }
  while (at !== same) {
    const next = at.nextSibling;
    parent.append(at);
    at = next;
  }
  return same.nextSibling;
}

function attributes(old, fresh) {
  for (const { name } of [...old.attributes]) {
    const byHand = name === "open" && old.localName === "details";
    if (!fresh.hasAttribute(name) && !byHand) old.removeAttribute(name);
  }
  for (const { name, value } of fresh.attributes) {
    if (old.getAttribute(name) === value) continue;
    const kept = name === "class" ? [...old.classList].filter((one) => BY_HAND.has(one)) : [];
    old.setAttribute(name, [value, ...kept].join(" "));
  }
}

// How to find the element that had the focus once its page has been renewed.
function placeOf(element) {
  if (!element) return "";
  if (element.dataset.key) return `[data-key="${element.dataset.key}"]`;
  const name = element.getAttribute("name");
  if (!name) return "";
  return element.tagName === "BUTTON" ? `button[name="${name}"][value="${element.value}"]` : `[name="${name}"]`;
}

// The new lines never lie over the old picture: wait until each new one is decoded.
async function picturesReady(old, fresh) {
  const shown = new Set([...old.querySelectorAll("img")].map((image) => image.getAttribute("src")));
  const ready = new Map();
  await Promise.all([...fresh.querySelectorAll(".picture img")].map(async (image) => {
    if (shown.has(image.getAttribute("src"))) return;
    const waiting = new Image();
    for (const { name, value } of image.attributes) waiting.setAttribute(name, value);
    try {
      await waiting.decode();
      ready.set(image, waiting);
    } catch {
      // The picture can't be had; its numbers still can.
    }
  }));
  return ready;
}

function listen() {
  const seen = document.getElementById("live").dataset.seen;
  const source = new EventSource(`${main.dataset.events}?after=${seen}`);
  const beat = () => { lastBeat = performance.now(); tick(); };
  source.addEventListener("beat", beat);
  // This device was sent away: the page on which a code is typed takes the number's place.
  source.addEventListener("ended", () => location.reload());
  source.addEventListener("changed", (event) => {
    beat();
    if (isCurrent()) behindSince = performance.now();
    wanted = Number(event.lastEventId);
    if (!isCurrent()) refresh().catch(() => {});
  });
  // What is wrong with the record stands on the page too.
  source.addEventListener("trouble", () => { beat(); refresh().catch(() => {}); });
  // A browser gives up after an answer that is no stream (a service that is just starting): go on.
  source.addEventListener("error", () => {
    if (source.readyState !== EventSource.CLOSED) return;
    setTimeout(listen, AGAIN_AFTER_MS);
    fetch(`${main.dataset.live}?part=live`, { cache: "no-store" }).then((answer) => {
      if (answer.status === 401) location.reload();
    }, () => {});
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
