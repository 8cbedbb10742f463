/*
 * A wedge scanner types into whatever has the focus: a first printable key outside a control goes to the field that waits
 * for scans, whose keyboard stays closed on a phone until it is touched. Ctrl and Enter press the button that books, from
 * any field. Without this module the field has the focus when the page opens. It must not know what a code means.
 */
const field = document.querySelector("[data-wedge]");

if (window.matchMedia("(pointer: coarse)").matches) {
  field.inputMode = "none";
  field.addEventListener("click", () => {
    field.inputMode = "text";
    field.blur();
    field.focus();
  });
} else {
  document.querySelector("#f-scan-hint").append(" Ctrl and Enter book it in.");
}

document.addEventListener("keydown", (event) => {
  if (event.key === "Enter" && event.ctrlKey) {
    event.preventDefault();
    document.querySelector("[aria-keyshortcuts='Control+Enter']").click();
    return;
  }
  const plain = event.key.length === 1 && event.key !== " " && event.key !== "/" && !event.ctrlKey && !event.altKey && !event.metaKey;
  const typing = event.target instanceof Element && event.target.closest("input, select, textarea, dialog");
  if (plain && !typing && !event.defaultPrevented) field.focus();
});
