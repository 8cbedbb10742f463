/*
 * The one field of the Bench and of a count: keeps it ready, sends each code once and in order, and shows the answer in words and sound.
 * What is not answered yet is shown, kept on the device, and sent again by itself, so that it outlasts a reload, an outage and an
 * ended sign-in; what was refused while it waited is kept for a person. Without this module the form posts by itself.
 * It must not know what a code means.
 */
import { follow, look } from "./board.js";
import { shelf } from "./kept.js";
import { sound } from "./sound.js";

const WAIT_MS = 8000;
const FRESH_MS = 3600000; // what was scanned longer ago is sent only when a person says so
const LATE_MS = 10000; // a refusal that comes later than this after the scan may be seen by nobody
const AGAIN_MS = [1000, 2000, 4000, 8000, 15000];
const form = document.querySelector("form[data-scan]");
const KEPT_AS = form.dataset.keptAs; // each page its own: a code means another thing elsewhere
const WORDS = JSON.parse(form.dataset.words || "{}");
const field = form.querySelector("[data-scan-field]");
const state = form.querySelector("[data-scan-state]");
const said = form.querySelector("[data-scan-said]");
const keys = form.querySelector("[data-scan-keys]");
const outbox = document.querySelector("[data-outbox]");
const drop = document.querySelector("[data-outbox-drop]");
const returned = document.querySelector("[data-returned]");
const touch = window.matchMedia("(pointer: coarse)").matches;
const LEFT_MS = 15000; // so long another tab of this device has to send what it put there, before this one does
const waiting = shelf(KEPT_AS, ["code", "key"]); // { code, key, at } in the order scanned; the first is being sent, or failed and is kept
const refused = shelf(`${KEPT_AS}-refused`, ["code", "key", "words"]); // { code, key, words, at }
const PAGE = freshKey();
let sending = false;
let tries = 0;
let timer = 0;

/* randomUUID is missing on a workshop's plain-http network, getRandomValues is there. */
function freshKey() {
  return Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, "0")).join("");
}

function say(name, words) {
  form.dataset.state = name;
  state.textContent = words;
}

/* A sentence in the workshop's own words, with what stands in its places; each is on the list of domain/sayings. */
function told(english, values = {}) {
  return (WORDS[english] ?? english).replace(/\{(\w+)\}/g, (hole, name) => values[name] ?? hole);
}

function ready() {
  say("ready", told("Ready to scan."));
}

function line(words, at) {
  const item = document.createElement("li");
  const time = document.createElement("small");
  const clock = new Date(at).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
  time.textContent = told("scanned {time}", { time: clock });
  item.append(words, " ", time);
  return item;
}

/* What waits is shown once it waits longer than a scan takes; what came back until a person has seen to it. */
function list(isAway) {
  const codes = waiting.all();
  const back = refused.all();
  drop.hidden = form.dataset.state !== "kept" || codes.length === 0;
  outbox.hidden = !isAway || codes.length === 0;
  const one = "1 scan waits here, and is sent once";
  const many = "{count} scans wait here, each sent once, in this order";
  outbox.querySelector("[data-outbox-words]").textContent = told(codes.length === 1 ? one : many, { count: codes.length });
  outbox.querySelector("[data-outbox-list]").replaceChildren(...codes.map((item) => line(item.code, item.at)));
  returned.hidden = back.length === 0;
  returned.querySelector("[data-returned-list]").replaceChildren(...back.map((item) => line(`${item.code}: ${item.words}`, item.at)));
}

function stationed(target) {
  return target instanceof Element && target !== document.body && target.closest("a, button, input, select, textarea, summary, [tabindex='0']");
}

function show(html) {
  const fresh = new DOMParser().parseFromString(html, "text/html");
  const answer = fresh.querySelector("#scan-live");
  if (!answer) return null;
  const old = document.querySelector("#scan-live");
  const lostFocus = old.contains(document.activeElement);
  old.replaceWith(document.importNode(answer, true));
  document.querySelectorAll(".said .message").forEach((one) => one.remove());
  const message = document.querySelector("#scan-live .message");
  const spoken = message?.querySelectorAll(".stamp, .message-words") ?? [];
  said.textContent = Array.from(spoken, (part) => part.textContent.trim()).join(": ");
  if (message) sound(message.dataset.kind);
  if (lostFocus) field.focus();
  look();
  return { refused: message?.dataset.kind === "refused", words: message?.querySelector(".message-words")?.textContent.trim() ?? "" };
}

/* How long a scan has waited: by the page's own clock, which nobody sets; by the device's only after a reload. */
function waitedMs(item) {
  return item.page === PAGE ? performance.now() - item.tick : Date.now() - item.at;
}

function body(item) {
  const data = new FormData(form);
  data.set(field.name, item.code);
  data.set("key", item.key);
  data.set("waited", String(Math.max(0, Math.round(waitedMs(item) / 1000)) || 0));
  return new URLSearchParams(data);
}

async function ask(address, data, wait = WAIT_MS) {
  return fetch(address, {
    method: "POST",
    headers: { "X-Fragment": "1" },
    body: data,
    credentials: "same-origin",
    signal: AbortSignal.timeout(wait),
  });
}

/*
 * Says "answered" once the server has said yes or no to this code, "signed out" where it knows nobody here, else "lost".
 * A lost answer is asked for again under the same key.
 */
async function send(item) {
  const answer = await ask(form.action, body(item));
  if (answer.status === 401) return "signed out";
  if (answer.status >= 500 || answer.status === 429) return "lost";
  const shown = show(await answer.text()) ?? (answer.status >= 400 ? { refused: true, words: told("not taken ({status}). Open the page again.", { status: answer.status }), unseen: true } : null);
  if (!shown) return "lost";
  if (shown.refused && (shown.unseen || Date.now() - item.at > LATE_MS)) refused.put({ code: item.code, key: item.key, words: shown.words, at: item.at });
  return "answered";
}

function holdBack(why) {
  const codes = waiting
    .all()
    .map((item) => item.code)
    .join(", ");
  if (why === "signed out") {
    document.querySelectorAll("#scan-live .message").forEach((one) => one.remove());
    const link = Object.assign(document.createElement("a"), { href: form.dataset.signIn, textContent: told("Sign in") });
    say("kept", told("This device is signed out. Kept here, and sent once it is let in again: {codes}.", { codes }));
    state.append(" ", told("Open a new link from an owner, or:"), " ", link);
  } else if (why === "old") {
    say("kept", told("Not sent yet, and kept here since long: {codes}.", { codes }));
    state.append(" ", told("Enter or the next scan sends them first; throw them away where they no longer hold."));
  } else {
    say("kept", told("Spoolkeep does not answer. Scan on: everything is kept here and sent by itself. Enter tries at once."));
    clearTimeout(timer);
    timer = setTimeout(drain, AGAIN_MS[Math.min(tries, AGAIN_MS.length - 1)]);
    tries += 1;
  }
  if (tries <= 1) {
    said.textContent = state.textContent;
    sound("refused");
  }
  list(true);
}

async function drain() {
  if (sending) return;
  clearTimeout(timer);
  sending = true;
  const isAway = tries > 0;
  for (let item = waiting.all()[0]; item; item = waiting.all()[0]) {
    if (!isAway) say("busy", told("Sending {code}", { code: item.code }));
    const came = await send(item).catch(() => "lost");
    if (came !== "answered") {
      sending = false;
      holdBack(came);
      return;
    }
    tries = 0;
    waiting.drop(item.key);
    list(isAway);
  }
  sending = false;
  list(false);
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
  if (code) waiting.put({ code, key: freshKey(), at: Date.now(), page: PAGE, tick: performance.now() });
  field.focus();
  if (tries > 0) list(true);
  drain();
});

/* Undo and keeping on, in the parts that come anew: sent in place, so that the field keeps the focus. Their key lets them be sent again. */
document.addEventListener("submit", async (event) => {
  if (!event.target.matches("form[data-live]")) return;
  event.preventDefault();
  const data = new URLSearchParams(new FormData(event.target, event.submitter));
  const answer = await ask(event.target.action, data).catch(() => null);
  const details = event.target.closest("details");
  if (answer && answer.status < 500 && show(await answer.text())) {
    details?.removeAttribute("open");
  } else {
    say("kept", told("That did not get through. Press it again."));
  }
  field.focus();
});

/* A photo is decoded by the server; it is not kept where that is away. */
const photo = document.querySelector("form[data-photo]");
photo?.querySelector("[data-photo-send]").setAttribute("hidden", "");
photo?.querySelector("input[type=file]").addEventListener("change", async (event) => {
  if (!event.target.files.length) return;
  const data = new FormData(photo);
  data.set("key", freshKey());
  say("busy", told("Reading the photo"));
  const answer = await ask(photo.action, data, 4 * WAIT_MS).catch(() => null);
  const shown = answer && answer.status < 500 && show(await answer.text());
  event.target.value = "";
  if (shown) ready();
  else say("kept", told("The photo did not get through. Take it again."));
  field.focus();
});

drop.addEventListener("click", () => {
  waiting.clear();
  tries = 0;
  clearTimeout(timer);
  list(false);
  ready();
  field.focus();
});

returned.querySelector("[data-returned-done]").addEventListener("click", () => {
  refused.clear();
  list(tries > 0);
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
if (form.dataset.board) follow(form.dataset.board);
list(false);
const found = waiting.all();
if (found.length > 0) {
  if (found.every((item) => Date.now() - item.at < FRESH_MS)) drain();
  else holdBack("old");
}

/* Another tab of this device put something there, or took it: it is sent from here only where that tab leaves it lying. */
let left = 0;
window.addEventListener("storage", () => {
  list(tries > 0);
  clearTimeout(left);
  left = setTimeout(() => tries === 0 && form.dataset.state === "ready" && waiting.all().length > 0 && drain(), LEFT_MS);
});
