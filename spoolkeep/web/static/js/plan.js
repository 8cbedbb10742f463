/*
 * Makes risk, days and sums of the order plan move with the numbers of spools. Without this module the page's button
 * asks the server the same. What each number does stands with its field, as the server reckoned it; between two of them
 * it lies on their line. It must not know why an item is ordered.
 */

const plan = document.getElementById("plan");

/** Read "1 0.5 3;2 0.1 9;" as rows of numbers. */
function rows(text) {
  return text.split(";").filter(Boolean).map((row) => row.trim().split(" ").map(Number));
}

function at(after, spools) {
  const low = after.filter(([many]) => many <= spools).at(-1) ?? after[0];
  const high = after.find(([many]) => many >= spools) ?? low;
  const part = high[0] === low[0] ? 0 : (spools - low[0]) / (high[0] - low[0]);
  return [1, 2].map((column) => low[column] + part * (high[column] - low[column]));
}

function reached(steps, spools, otherwise) {
  return steps.filter(([from]) => spools >= from).at(-1)?.[1] ?? otherwise;
}

function chanceWords(chance) {
  if (chance < 0.005) return "under 1 %";
  return chance > 0.995 ? "over 99 %" : `${Math.round(chance * 100)} %`;
}

function dayWords(days) {
  if (days >= 120) return "over 120 days";
  return Math.round(days) === 1 ? "1\u00a0day" : `${Math.round(days)}\u00a0days`;
}

/** A price less a share in millionths, half a minor unit up, in whole numbers. */
function lessOff(minor, off) {
  return Math.floor((minor * (1000000 - off) + 500000) / 1000000);
}

function show(row, what, words) {
  const cell = row.querySelector(`[data-shows="${what}"]`);
  if (cell) cell.textContent = words;
}

function wire(table) {
  const money = new Intl.NumberFormat(table.dataset.locale, { style: "currency", currency: table.dataset.currency });
  const units = 10 ** money.resolvedOptions().maximumFractionDigits;
  const shown = (minor) => money.format(minor / units);
  const fields = [...table.closest("form").querySelectorAll("input[data-after]")];
  const spoolsOf = (field) => Math.max(0, Math.floor(Number(field.value) || 0));

  function follow() {
    let all = 0;
    const off = new Map();
    for (const group of table.querySelectorAll("[data-seller]")) {
      const theirs = fields.filter((field) => field.dataset.supplier === group.dataset.seller);
      const spools = theirs.reduce((sum, field) => sum + spoolsOf(field), 0);
      off.set(group.dataset.seller, reached(rows(group.dataset.basket), spools, 0));
    }
    const goods = new Map();
    for (const field of fields) {
      const row = field.closest("tr");
      const spools = spoolsOf(field);
      const [chance, days] = at(rows(field.dataset.after), spools);
      const usual = reached(rows(field.dataset.price), Math.max(spools, 1), 0);
      const price = lessOff(usual, off.get(field.dataset.supplier) ?? 0);
      goods.set(field.dataset.supplier, (goods.get(field.dataset.supplier) ?? 0) + price * spools);
      show(row, "chance", chanceWords(chance));
      show(row, "days", dayWords(days));
      show(row, "price", shown(price));
      show(row, "sum", spools ? shown(price * spools) : "");
    }
    for (const group of table.querySelectorAll("[data-seller]")) {
      const worth = goods.get(group.dataset.seller) ?? 0;
      const free = group.dataset.free !== "" && worth >= Number(group.dataset.free);
      const parcel = worth && !free ? Number(group.dataset.parcel) : 0;
      show(group, "parcel", shown(parcel));
      show(group, "whole", shown(worth + parcel));
      all += worth + parcel;
    }
    show(table, "all", shown(all));
  }

  for (const field of fields) field.addEventListener("input", follow);
}

if (plan) wire(plan);
