// Pictures come in by drop, paste or choice, anywhere on the page, one after another.
import { refresh } from "./live.js";
import { handleMarks } from "./marks.js";

document.body.classList.add("scripted");
let queue = Promise.resolve();

function say(text, isProblem = false) {
  const place = document.querySelector("[data-says]");
  if (!place) return;
  place.textContent = text;
  place.classList.toggle("is-problem", isProblem);
}

async function send(file) {
  const form = document.querySelector("[data-add]");
  if (!form) return say("The case is closed. Open it again to add a picture.", true);
  document.body.classList.add("is-sending");
  say(`Measuring ${file.name}`);
  const body = new FormData();
  const token = form.querySelector("[name=form_token]");
  if (token) body.append("form_token", token.value);
  body.append("picture", file, file.name);
  // Said beside the button: this picture is brought as the zero picture.
  if (form.querySelector("[name=as_zero]")) body.append("as_zero", "true");
  let told = ["", false];
  try {
    const answer = await fetch(form.action, { method: "POST", body, headers: { Accept: "application/json" } });
    const said = await answer.json();
    if (!answer.ok) told = [`${said.error.message} ${said.error.hint}`, true];
    else if (said.rehearsed) told = [`${file.name} is the rehearsal's picture. It is no picture of the case.`, false];
    else if (!said.is_new) told = [`${file.name} is already in the case as picture ${said.number}. Nothing was added.`, false];
  } catch {
    told = [`${file.name} did not arrive: the connection is lost. Bring it again.`, true];
  }
  document.body.classList.remove("is-sending");
  await refresh().catch(() => {});
  say(...told);
}

function take(files) {
  const inOrder = [...files].sort((a, b) => a.name.localeCompare(b.name, "en", { numeric: true }));
  for (const file of inOrder) queue = queue.then(() => send(file));
}

const carriesFiles = (event) => event.dataTransfer?.types.includes("Files");
addEventListener("dragover", (event) => {
  if (!carriesFiles(event)) return;
  event.preventDefault();
  document.body.classList.add("is-dropping");
});
addEventListener("dragleave", (event) => { if (!event.relatedTarget) document.body.classList.remove("is-dropping"); });
addEventListener("drop", (event) => {
  if (!carriesFiles(event)) return;
  event.preventDefault();
  document.body.classList.remove("is-dropping");
  take(event.dataTransfer.files);
});
addEventListener("paste", (event) => { if (event.clipboardData?.files.length) take(event.clipboardData.files); });
document.addEventListener("change", (event) => {
  if (event.target.matches("[data-add] input[type=file]") && event.target.files.length) {
    take(event.target.files);
    event.target.value = "";
  }
});

handleMarks();
document.addEventListener("fresh", handleMarks);
