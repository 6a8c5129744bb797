// The marks on the first picture: handles to drag, with a lens that keeps clear of the finger.
// What they mean is asked of the service; nothing is measured here.

const SVG = "http://www.w3.org/2000/svg";
const GRIP_PX = 24;
const LENS_ZOOM = 3;

const make = (name, parent, attributes = {}) => {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  parent.append(element);
  return element;
};

export function handleMarks() {
  const form = document.querySelector("[data-marks]");
  if (!form || form.dataset.ready) return;
  form.dataset.ready = "yes";
  const svg = form.querySelector(".handles");
  const image = form.querySelector("img");
  const lens = form.querySelector(".lens");
  const inputs = (name) => [...form.querySelectorAll(`input[name="${name}"]`)];
  const pairs = (name) => inputs(`${name}_x`).map((x, k) => ({ x, y: inputs(`${name}_y`)[k] }));
  const head = pairs("head");
  const edge = pairs("edge");
  const level = pairs("horizontal");
  const object = pairs("object");
  const at = ({ x, y }) => [Number(x.value), Number(y.value)];
  const put = ({ x, y }, [px, py]) => {
    x.value = Math.min(Math.max(px, 0), image.width - 1).toFixed(1);
    y.value = Math.min(Math.max(py, 0), image.height - 1).toFixed(1);
  };
  let circle = null;
  let asking = 0;
  let saidYesTo = "";

  // Drawn once; moved with the marks.
  const ringCasing = make("circle", svg, { class: "casing" });
  const ring = make("circle", svg, { class: "ring" });
  const spans = [level, object].filter((ends) => ends.length === 2).map((ends) => [
    ends, [make("line", svg, { class: "casing" }), make("line", svg, { class: "level" })],
  ]);
  const handles = [];
  const add = (label, where, move, short) => {
    const group = make("g", svg, { tabindex: 0, role: "button", "aria-label": label });
    make("circle", group, { class: "grip" });
    const shape = short === "cross" ? "path" : "circle";
    make(shape, group, { class: "dot-casing" });
    make(shape, group, { class: "dot" });
    const text = short === "cross" ? null : make("text", group);
    if (text) text.textContent = short;
    handles.push({ group, where, move, shape, text });
    return handles.at(-1);
  };
  add("Middle of the head: moves the whole ring", () => circle ?? middle(), (to) => {
    const from = circle ?? middle();
    for (const point of head) {
      const [x, y] = at(point);
      put(point, [x + to[0] - from[0], y + to[1] - from[1]]);
    }
    if (circle) circle = [to[0], to[1], circle[2]];
  }, "cross");
  head.forEach((point, k) => add(`Head, point ${k + 1}`, () => at(point), (to) => put(point, to), k ? "" : "head"));
  level.forEach((point, k) => add(`Level, ${k ? "right" : "left"} point`, () => at(point), (to) => put(point, to), "level"));
  object.forEach((point, k) => add(`Object of known size, end ${k + 1}`, () => at(point), (to) => put(point, to), k ? "" : "object"));
  add("Lateral edge of the roof", () => at(edge[0]), (to) => put(edge[0], to), "edge");

  function middle() {
    const places = head.map(at);
    return [0, 1].map((axis) => places.reduce((sum, place) => sum + place[axis], 0) / places.length);
  }

  function draw() {
    const box = svg.getBoundingClientRect();
    const unit = image.width / Math.max(box.width, 1);
    for (const ringPart of [ring, ringCasing]) {
      ringPart.setAttribute("visibility", circle ? "visible" : "hidden");
      if (circle) ["cx", "cy", "r"].forEach((name, k) => ringPart.setAttribute(name, circle[k] + (k < 2 ? 0.5 : 0)));
    }
    for (const [ends, parts] of spans) {
      const [[x1, y1], [x2, y2]] = ends.map(at);
      for (const part of parts)
        Object.entries({ x1, y1, x2, y2 }).forEach(([name, value]) => part.setAttribute(name, value + 0.5));
    }
    for (const { group, where, shape, text } of handles) {
      const [x, y] = where();
      group.setAttribute("transform", `translate(${x + 0.5} ${y + 0.5}) scale(${unit})`);
      const [grip, ...dots] = group.querySelectorAll("circle, path");
      grip.setAttribute("r", GRIP_PX);
      for (const dot of dots) {
        if (shape === "path") dot.setAttribute("d", "M-12 0H12M0 -12V12");
        else dot.setAttribute("r", 8);
      }
      if (text) { text.setAttribute("x", 14); text.setAttribute("y", -12); }
    }
  }

  async function ask() {
    const turn = ++asking;
    const body = new FormData(form);
    let said = null;
    try {
      const answer = await fetch(form.dataset.marks, { method: "POST", body, headers: { Accept: "application/json" } });
      said = await answer.json();
      if (!answer.ok) said = { usable: false, problem: said.error.message, lcea: "", diameter: "", scale: "", plausible: "", circle: null };
    } catch {
      said = { usable: false, problem: "Connection lost.", lcea: "", diameter: "", scale: "", plausible: "", circle: null };
    }
    if (turn !== asking) return;
    circle = said.circle ?? null;
    for (const name of ["lcea", "diameter", "scale"]) form.querySelector(`[data-${name}]`).textContent = said[name] || "–";
    form.querySelector("[data-problem]").textContent = said.problem || said.plausible;
    form.querySelector("[data-agree]").disabled = !said.usable;
    for (const name of ["plan", "quality"]) {
      form.querySelector(`[data-${name}]`).replaceChildren(...(said[name] ?? []).map((text) => {
        const item = document.createElement("li");
        item.textContent = text;
        return item;
      }));
    }
    const yes = form.querySelector("[data-confirm]");
    const box = yes.querySelector("input");
    yes.hidden = !said.confirm;
    box.required = Boolean(said.confirm);
    // A yes is to what was read: other marks ask again.
    if (JSON.stringify(said.plan) !== saidYesTo) box.checked = false;
    saidYesTo = JSON.stringify(said.plan);
    draw();
  }

  function changed() {
    form.querySelector("[data-as-proposed]")?.remove();
    const button = form.querySelector("[data-agree]");
    button.textContent = button.dataset.agree;
    draw();
    ask();
  }

  function look([x, y], pointerX) {
    const width = lens.width;
    const context = lens.getContext("2d");
    const scale = (image.width / svg.getBoundingClientRect().width) / LENS_ZOOM;
    const span = width * scale;
    context.fillStyle = "#000";
    context.fillRect(0, 0, width, width);
    context.imageSmoothingQuality = "high";
    context.drawImage(image, x + 0.5 - span / 2, y + 0.5 - span / 2, span, span, 0, 0, width, width);
    for (const [colour, thick] of [["#000", 3], ["#fff", 1]]) {
      context.strokeStyle = colour;
      context.lineWidth = thick;
      context.beginPath();
      for (const [a, b] of [[0.3, 0.46], [0.54, 0.7]]) {
        context.moveTo(a * width, width / 2); context.lineTo(b * width, width / 2);
        context.moveTo(width / 2, a * width); context.lineTo(width / 2, b * width);
      }
      context.stroke();
    }
    const box = svg.getBoundingClientRect();
    const onRight = pointerX - box.left < box.width / 2;
    lens.classList.toggle("on-right", onRight);
    lens.classList.toggle("on-left", !onRight);
    lens.hidden = false;
  }

  const place = (event) => {
    const spot = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return [spot.x - 0.5, spot.y - 0.5];
  };
  for (const handle of handles) {
    const { group, where, move } = handle;
    group.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      group.focus();
      group.setPointerCapture(event.pointerId);
      group.classList.add("is-held");
      const [x, y] = place(event);
      const [hx, hy] = where();
      handle.grip = [hx - x, hy - y];
      look(where(), event.clientX);
    });
    group.addEventListener("pointermove", (event) => {
      if (!handle.grip) return;
      const [x, y] = place(event);
      move([x + handle.grip[0], y + handle.grip[1]]);
      changed();
      look(where(), event.clientX);
    });
    for (const end of ["pointerup", "pointercancel"]) group.addEventListener(end, () => {
      handle.grip = null;
      group.classList.remove("is-held");
      lens.hidden = true;
    });
    group.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!step) return;
      event.preventDefault();
      const reach = event.shiftKey ? 10 : 1;
      const [x, y] = where();
      move([x + step[0] * reach, y + step[1] * reach]);
      changed();
      look(where(), svg.getBoundingClientRect().left + (x / image.width) * svg.getBoundingClientRect().width);
    });
    group.addEventListener("blur", () => { lens.hidden = true; });
  }
  form.addEventListener("input", (event) => { if (event.target.type === "number") changed(); });
  addEventListener("resize", draw);
  draw();
  ask();
}
