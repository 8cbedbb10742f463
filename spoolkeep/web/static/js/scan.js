/*
 * The one field of the Bench and of a count: keeps it ready, sends each code once and in order, and shows the answer in words and sound.
 * What is not answered yet is kept on the device, so that it outlasts a reload, an outage and an ended sign-in.
 * Without this module the form posts by itself. It must not know what a code means.
 */
import { sound } from "./sound.js";

const WAIT_MS = 8000;
const FRESH_MS = 3600000; // what was scanned longer ago is sent only when a person says so
const form = document.querySelector("form[data-scan]");
const KEPT_AS = form.dataset.keptAs; // each page its own: a code means another thing elsewhere
const field = form.querySelector("[data-scan-field]");
const state = form.querySelector("[data-scan-state]");
const said = form.querySelector("[data-scan-said]");
const keys = form.querySelector("[data-scan-keys]");
const touch = window.matchMedia("(pointer: coarse)").matches;
const waiting = kept(); // { code, key, at } in the order scanned; the first is being sent, or failed and is kept
let sending = false;

/* Codes and keys only; a device that keeps nothing still scans. */
function kept() {
  try {
    const found = JSON.parse(localStorage.getItem(KEPT_AS) ?? "[]");
    return Array.isArray(found) ? found.filter((item) => typeof item?.code === "string" && typeof item.key === "string") : [];
  } catch {
    return [];
  }
}

function keepOnDevice() {
  try {
    localStorage.setItem(KEPT_AS, JSON.stringify(waiting));
  } catch {
    // the page itself still holds them
  }
}

/* randomUUID is missing on a workshop's plain-http network, getRandomValues is there. */
function freshKey() {
  return Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, "0")).join("");
}

function say(name, words) {
  form.dataset.state = name;
  state.textContent = words;
}

function ready() {
  say("ready", "Ready to scan.");
}

function stationed(target) {
  return target instanceof Element && target !== document.body && target.closest("a, button, input, select, textarea, summary, [tabindex='0']");
}

function show(html) {
  const fresh = new DOMParser().parseFromString(html, "text/html");
  const answer = fresh.querySelector("#scan-live");
  if (!answer) return false;
  const old = document.querySelector("#scan-live");
  const lostFocus = old.contains(document.activeElement);
  old.replaceWith(document.importNode(answer, true));
  document.querySelectorAll(".said .message").forEach((one) => one.remove());
  const message = document.querySelector("#scan-live .message");
  const spoken = message?.querySelectorAll(".stamp, .message-words") ?? [];
  said.textContent = Array.from(spoken, (part) => part.textContent.trim()).join(": ");
  if (message) sound(message.dataset.kind);
  if (lostFocus) field.focus();
  return true;
}

function body(item) {
  const data = new FormData(form);
  data.set(field.name, item.code);
  data.set("key", item.key);
  return data;
}

async function ask(address, data) {
  return fetch(address, {
    method: "POST",
    headers: { "X-Fragment": "1" },
    body: new URLSearchParams(data),
    credentials: "same-origin",
    signal: AbortSignal.timeout(WAIT_MS),
  });
}

/*
 * Says "answered" once the server has said yes or no to this code, "signed out" where it knows nobody here, else "lost".
 * A lost answer is asked for again under the same key.
 */
async function send(item) {
  const answer = await ask(form.action, body(item));
  if (answer.status === 401) return "signed out";
  if (answer.status >= 500) return "lost";
  return show(await answer.text()) ? "answered" : "lost";
}

function keep(why) {
  const codes = waiting.map((item) => item.code).join(", ");
  if (why === "signed out") {
    document.querySelectorAll("#scan-live .message").forEach((one) => one.remove());
    say("kept", "");
    const words = document.createElement("span");
    const link = Object.assign(document.createElement("a"), { href: form.dataset.signIn, textContent: "sign in" });
    words.append(`This device is signed out. Kept here, and sent once it is let in again: ${codes}. Open a new link from an owner, or `, link, ".");
    state.append(words);
  } else {
    say("kept", `Not sent yet, and kept here: ${codes}. Press Enter to send again, or scan on.`);
  }
  said.textContent = state.textContent;
  sound("refused");
}

async function drain() {
  if (sending) return;
  sending = true;
  while (waiting.length > 0) {
    say("busy", `Sending ${waiting[0].code}`);
    const came = await send(waiting[0]).catch(() => "lost");
    if (came !== "answered") {
      sending = false;
      keep(came);
      return;
    }
    waiting.shift();
    keepOnDevice();
  }
  sending = false;
  ready();
}

function closeKeyboard() {
  if (touch) field.inputMode = "none";
  keys.setAttribute("aria-pressed", "false");
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  const code = field.value.trim();
  field.value = "";
  if (code) waiting.push({ code, key: freshKey(), at: Date.now() });
  keepOnDevice();
  field.focus();
  drain();
});

/* Undo in the part that each scan brings anew: sent in place, so that the field keeps the focus. Its key lets it be sent again. */
document.addEventListener("submit", async (event) => {
  if (!event.target.matches("#scan-live form[data-live]")) return;
  event.preventDefault();
  const data = new FormData(event.target);
  const answer = await ask(event.target.action, data).catch(() => null);
  if (answer && answer.status < 500) show(await answer.text());
  else say("kept", "The undo did not get through. Press it again.");
  field.focus();
});

keys.addEventListener("click", () => {
  const open = keys.getAttribute("aria-pressed") !== "true";
  field.blur();
  field.inputMode = open ? "text" : "none";
  keys.setAttribute("aria-pressed", String(open));
  field.focus();
});

/* A wedge scanner types into whatever has the focus: a first printable key outside a control goes to the field. */
document.addEventListener("keydown", (event) => {
  const plain = event.key.length === 1 && event.key !== " " && !event.ctrlKey && !event.altKey && !event.metaKey;
  const typing = event.target instanceof Element && event.target.closest("input, select, textarea");
  if (plain && !typing && !event.defaultPrevented) field.focus();
});

document.addEventListener("click", (event) => {
  if (!stationed(event.target) && !String(window.getSelection())) field.focus();
});

window.addEventListener("focus", () => {
  if (!stationed(document.activeElement)) field.focus();
});

keys.hidden = !touch;
closeKeyboard();
field.focus();
ready();
if (waiting.length > 0) {
  if (waiting.every((item) => Date.now() - item.at < FRESH_MS)) drain();
  else keep("old");
}
