/*
 * A button that copies a field's text. Without this module it stays hidden, and the text is selected and copied by hand.
 * On a workshop's plain-http network browsers keep the clipboard's own door shut: there the field is selected and the
 * old command copies. It must not know what the text is.
 */

async function copied(field) {
  field.focus();
  field.select();
  try {
    await navigator.clipboard.writeText(field.value);
    return true;
  } catch {
    return document.execCommand("copy");
  }
}

for (const button of document.querySelectorAll("button[data-copy]")) {
  const field = document.getElementById(button.dataset.copy);
  const said = document.querySelector(`[data-copy-said="${button.dataset.copy}"]`);
  button.hidden = false;
  button.addEventListener("click", async () => {
    said.textContent = (await copied(field)) ? "Copied." : "Not copied: it is selected now, press Ctrl and C.";
  });
}
