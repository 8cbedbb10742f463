/*
 * Keeps the machines on the page as they are in the books: asks every moment whether anything was booked anywhere, and is
 * answered with nothing where nothing was. A part that a person is in is left alone. It must not know scans.
 */

const EVERY_MS = 1500;
const AWAY_MS = 5000;
const LEFT_ALONE_MS = 60000; // what somebody opened and left is closed again by the next board
let touched = 0;
let address = "";
let seen = "";
let asking = false;
let timer = 0;

function isInUse(board) {
  const inside = board.contains(document.activeElement) && document.activeElement.matches("input, textarea");
  const isOpen = board.querySelector("details[open]") !== null && Date.now() - touched < LEFT_ALONE_MS;
  return inside || isOpen;
}

for (const act of ["pointerdown", "keydown"]) {
  document.addEventListener(act, (event) => {
    if (event.target instanceof Element && event.target.closest("#bench-board")) touched = Date.now();
  });
}

function put(html) {
  const fresh = new DOMParser().parseFromString(html, "text/html").querySelector("#bench-board");
  const board = document.querySelector("#bench-board");
  if (!fresh || !board) return;
  const lostFocus = board.contains(document.activeElement);
  board.replaceWith(document.importNode(fresh, true));
  if (lostFocus) document.querySelector("[data-scan-field]")?.focus();
}

async function once() {
  const headers = seen ? { "If-None-Match": seen } : {};
  const answer = await fetch(address, { headers, credentials: "same-origin", cache: "no-store", signal: AbortSignal.timeout(8000) });
  if (answer.status === 200) {
    const html = await answer.text();
    if (isInUse(document.querySelector("#bench-board"))) return;
    put(html);
    seen = answer.headers.get("ETag") ?? "";
  }
}

async function turn() {
  clearTimeout(timer);
  if (asking) return;
  asking = true;
  const came = document.hidden ? "unseen" : await once().catch(() => "away");
  asking = false;
  timer = setTimeout(turn, came === "away" ? AWAY_MS : EVERY_MS);
}

/* Look now: something was just booked here. */
export function look() {
  if (address) turn();
}

export function follow(where) {
  address = where;
  document.addEventListener("visibilitychange", turn);
  timer = setTimeout(turn, EVERY_MS);
}
