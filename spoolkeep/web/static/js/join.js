/*
 * A one-time link's secret stands behind the #, which no browser sends: put it into the form, and out of the address
 * and the history. Without this module a person copies it. It must not know what the link is for.
 */

function take() {
  const field = document.querySelector("form[data-join] [name=secret]");
  const secret = location.hash.slice(1);
  if (!field || !secret || secret === "main") return;
  field.value = secret;
  field.closest(".field").hidden = true;
  history.replaceState(null, "", location.pathname);
  field.form.querySelector("button[type=submit]").focus();
}

window.addEventListener("hashchange", take);
take();
