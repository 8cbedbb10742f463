/*
 * A form marked data-once is sent once: its buttons rest after the first submit. The key in the form protects the books
 * anyway. Whatever takes longer than a second, a form or a file, says so beside the button that was pressed.
 */

const REST_MS = 15000;
const SAY_AFTER_MS = 1000;
const FILE_MS = 8000; // a browser does not tell when a file has come

function rest(form, resting) {
  form.toggleAttribute("data-sent", resting);
  for (const button of form.querySelectorAll("button[type=submit]")) button.disabled = resting;
}

function quieten() {
  for (const said of document.querySelectorAll("[data-working]")) said.remove();
}

function work(beside, words) {
  const said = document.createElement("span");
  said.setAttribute("role", "status");
  said.setAttribute("data-working", "");
  said.className = "working";
  beside.after(said);
  return setTimeout(() => { said.textContent = words; }, SAY_AFTER_MS);
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (event.defaultPrevented) return;
  if (form.hasAttribute("data-sent")) {
    event.preventDefault();
    return;
  }
  const opensBeside = form.target === "_blank";
  if (event.submitter && !form.hasAttribute("data-live") && !document.querySelector("[data-progress]")) {
    const timer = work(event.submitter, form.enctype === "multipart/form-data" ? "Being sent and read …" : "At work …");
    if (opensBeside) setTimeout(() => { clearTimeout(timer); quieten(); }, FILE_MS);
  }
  if (!form.matches("form[data-once]")) return;
  form.toggleAttribute("data-sent", true);
  // after this turn, so that the pressed button's own name and value still go with the form
  setTimeout(() => rest(form, true));
  setTimeout(() => rest(form, false), REST_MS);
});

// a link to a file leaves the page where it is
document.addEventListener("click", (event) => {
  const link = event.target.closest?.("a[download]");
  if (!link || event.defaultPrevented) return;
  quieten();
  const timer = work(link, "Being made …");
  setTimeout(() => { clearTimeout(timer); quieten(); }, FILE_MS);
});

// a page brought back by the browser's Back is as fresh as a new one
window.addEventListener("pageshow", () => {
  quieten();
  for (const form of document.querySelectorAll("form[data-sent]")) rest(form, false);
});
