/*
 * Search from anywhere: the key / opens the dialog, results come while a person types, arrows and Enter choose.
 * Without this module the link in the head leads to the search page. It must not know what is found.
 */
const WAIT_MS = 120;
const link = document.querySelector("[data-find]");
const dialog = document.querySelector("[data-finder]");
const field = dialog.querySelector("input");
const form = dialog.querySelector("form");
const hits = dialog.querySelector("[data-finder-hits]");
const said = dialog.querySelector("[data-finder-said]");
let timer = 0;
let asking = null;

const plain = (text) => text.trim().split(/\s+/).join(" ");
const links = () => Array.from(hits.querySelectorAll("a"));

function open() {
  const here = document.querySelector("main .find-field");
  if (here) {
    here.focus();
    here.select();
    return;
  }
  dialog.showModal();
  field.select();
}

/* A scanner's or a person's text in a field is left alone; a slash in the Bench's empty field can begin no code. */
function busyTyping(target) {
  const control = target instanceof Element && target.closest("input, select, textarea, [contenteditable]");
  return control && !(control.matches("[data-scan-field]") && control.value === "");
}

document.addEventListener("keydown", (event) => {
  if (event.key !== "/" || event.ctrlKey || event.altKey || event.metaKey) return;
  if (event.defaultPrevented || dialog.open || busyTyping(event.target)) return;
  event.preventDefault();
  open();
});

link.addEventListener("click", (event) => {
  if (event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  open();
});

async function ask() {
  asking?.abort();
  asking = new AbortController();
  const q = plain(field.value);
  const address = `${form.action}?q=${encodeURIComponent(q)}`;
  try {
    const answer = await fetch(address, { headers: { "X-Fragment": "1" }, signal: asking.signal });
    if (!answer.ok) throw new Error(String(answer.status));
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector(".hits");
    hits.replaceChildren(document.importNode(fresh, true));
    const count = Number(fresh.dataset.count);
    said.textContent = q ? `${count === 0 ? "Nothing" : count} found.` : "";
  } catch (error) {
    if (error.name !== "AbortError") said.textContent = "The search did not get through. Press Enter to try again.";
  }
}

field.addEventListener("input", () => {
  clearTimeout(timer);
  timer = setTimeout(ask, WAIT_MS);
});

/* Enter takes the first that was found for this very text; text that was typed faster goes to the search page. */
form.addEventListener("submit", (event) => {
  const shown = hits.querySelector(".hits");
  const [first] = links();
  if (!first || !field.value.trim() || shown.dataset.q !== plain(field.value)) return;
  event.preventDefault();
  first.click();
});

function step(by) {
  const stops = [field, ...links()];
  const at = stops.indexOf(document.activeElement);
  stops[(Math.max(at, 0) + by + stops.length) % stops.length].focus();
}

dialog.addEventListener("keydown", (event) => {
  if (event.key === "ArrowDown" || event.key === "ArrowUp") {
    event.preventDefault();
    step(event.key === "ArrowDown" ? 1 : -1);
  } else if (event.target !== field && event.key.length === 1 && event.key !== " " && !event.ctrlKey && !event.metaKey) {
    field.focus(); // typing on while a result has the focus goes on in the field
  }
});

/* A press beside the dialog closes it, as Escape does by itself. A hit on this very page leaves nothing open. */
dialog.addEventListener("click", (event) => {
  if (event.target === dialog || event.target.closest("a.hit")) dialog.close();
});
