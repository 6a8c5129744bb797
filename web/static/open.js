// Opening a case: what is typed is checked in place, and the button says which hip.
const form = document.querySelector(".open-case");
const button = form.querySelector("[data-open]");
const plain = button.textContent;

function check(input) {
  const [low, high] = input.dataset.usual.split(" ").map(Number);
  const typed = input.value.trim().replace(",", ".");
  const isUsual = typed === "" || (Number(typed) >= low && Number(typed) <= high);
  input.parentElement.querySelector("[data-says]").hidden = isUsual;
}

function name() {
  const side = form.querySelector("[name=side]:checked");
  button.textContent = side ? `Open the case: ${side.value.toUpperCase()} hip` : plain;
}

form.addEventListener("change", (event) => {
  if (event.target.matches("[data-usual]")) check(event.target);
  if (event.target.name === "side") name();
});
for (const input of form.querySelectorAll("[data-usual]")) check(input);
name();
