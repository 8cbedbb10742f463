/*
 * Keeps the wall as it is in the books: the machines by the board's own watch, what ends first every few minutes. What
 * cannot be asked just now stays as it stands, with the moment of which it is. It must not know scans.
 */

import { follow } from "./board.js";

const EVERY_MS = 300000;
const AGAIN_MS = 30000;
const wall = document.querySelector("[data-wall]");

async function fresh() {
  const answer = await fetch(wall.dataset.wall, { credentials: "same-origin", cache: "no-store", signal: AbortSignal.timeout(60000) });
  if (!answer.ok) return false;
  const came = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("#wall-stock");
  if (came) document.querySelector("#wall-stock").replaceWith(document.importNode(came, true));
  return came !== null;
}

async function turn() {
  const came = !document.hidden && (await fresh().catch(() => false));
  setTimeout(turn, came ? EVERY_MS : AGAIN_MS);
}

follow(wall.dataset.board);
setTimeout(turn, EVERY_MS);
