// Opening a case: what is typed is checked in place, and the button says which hip.
const form = document.querySelector(".open-case");
const button = form?.querySelector("[data-open]");
const plain = button?.textContent;
const NARROW_DEG = 2.5;

const number = (name) => {
  const typed = form.querySelector(`[name=${name}]`).value.trim().replace(",", ".");
  return typed === "" ? NaN : Number(typed);
};

function check(input) {
  const [low, high] = input.dataset.usual.split(" ").map(Number);
  const typed = number(input.name);
  const isUsual = input.value.trim() === "" || (typed >= low && typed <= high);
  input.parentElement.querySelector("[data-says]").hidden = isUsual;
}

function name() {
  const side = form.querySelector("[name=side]:checked");
  button.textContent = side ? `Open the case: ${side.value.toUpperCase()} hip` : plain;
}

// Only what is asked for in this case is shown; the service refuses the rest in any case.
function shape() {
  const views = [...form.querySelectorAll("[name=views]:checked")].map((view) => view.value);
  const angles = (views.includes("AP") || views.length === 0) && !form.querySelector("[name=traction_on]").checked;
  for (const part of form.querySelectorAll("[data-angle]")) {
    part.hidden = !angles;
    for (const input of part.querySelectorAll("input")) input.disabled = !angles;
  }
  form.querySelector("[name=floor_lcea_deg]").required = angles;
  form.querySelector("[name=depth_mm]").required = !angles;
  form.querySelector("[data-with-angles]").hidden = !angles;
  form.querySelector("[data-without-angles]").hidden = angles;
  form.querySelector("[data-at-edge]").hidden = !views.includes("AP") && views.length > 0;
  form.querySelector("[data-others]").hidden = views.length < 2;
  const gap = number("target_lcea_deg") - number("floor_lcea_deg");
  form.querySelector("[data-gap]").hidden = !(angles && gap > 0 && gap < NARROW_DEG);
}

if (form) {
  form.addEventListener("change", (event) => {
    if (event.target.matches("[data-usual]")) check(event.target);
    if (event.target.name === "side") name();
    shape();
  });
  for (const input of form.querySelectorAll("[data-usual]")) check(input);
  name();
  shape();
}
