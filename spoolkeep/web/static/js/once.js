/* A form marked data-once is sent once: its buttons rest after the first submit. The key in the form protects the books anyway. */

const REST_MS = 15000;

function rest(form, resting) {
  form.toggleAttribute("data-sent", resting);
  for (const button of form.querySelectorAll("button[type=submit]")) button.disabled = resting;
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!form.matches("form[data-once]") || event.defaultPrevented) return;
  if (form.hasAttribute("data-sent")) {
    event.preventDefault();
    return;
  }
  form.toggleAttribute("data-sent", true);
  // after this turn, so that the pressed button's own name and value still go with the form
  setTimeout(() => rest(form, true));
  setTimeout(() => rest(form, false), REST_MS);
});

// a page brought back by the browser's Back is as fresh as a new one
window.addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll("form[data-sent]")) rest(form, false);
});
