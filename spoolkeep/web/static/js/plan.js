/*
 * Makes risk, days and sums of the order plan move with the numbers of spools. Without this module the page's button
 * asks the server the same. What each number does stands with its field, as the server reckoned it; between two of them
 * it lies on their line. Numbers are taken in whole packs, as the server takes them. It must not know why an item is
 * ordered.
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

/** The spools that are bought where so many are asked for: whole packs, from the least number on, or none. */
function bought({ value, max, dataset }) {
  const asked = Math.min(Number(max), Math.max(0, Math.floor(Number(value) || 0)));
  const pack = Number(dataset.pack);
  return asked ? Math.ceil(Math.max(asked, Number(dataset.first)) / pack) * pack : 0;
}

/** A limit as the page has it; without one nothing passes it. */
function limit(words) {
  return words === "" ? Infinity : Number(words);
}

function show(row, what, words) {
  const cell = row.querySelector(`[data-shows="${what}"]`);
  if (cell) cell.textContent = words;
}

/** The terms of each supplier, by its number. */
function sellersOf(plan) {
  return new Map(
    [...plan.querySelectorAll("[data-seller]")].map(({ dataset }) => [
      dataset.seller,
      { parcel: Number(dataset.parcel), free: limit(dataset.free), basket: rows(dataset.basket) },
    ]),
  );
}

function wire(plan) {
  const money = new Intl.NumberFormat(plan.dataset.locale, { style: "currency", currency: plan.dataset.currency });
  const units = 10 ** money.resolvedOptions().maximumFractionDigits;
  const shown = (minor) => money.format(minor / units);
  const sellers = sellersOf(plan);
  const fields = [...plan.querySelectorAll("input[data-after]")];
  const [budget, room] = [limit(plan.dataset.budget), limit(plan.dataset.room)];

  function showField(field, off) {
    const row = field.closest("tr");
    const spools = bought(field);
    const [chance, days] = at(rows(field.dataset.after), spools);
    const price = lessOff(reached(rows(field.dataset.price), Math.max(spools, 1), 0), off);
    show(row, "chance", chanceWords(chance));
    show(row, "days", dayWords(days));
    show(row, "price", shown(price));
    show(row, "sum", spools ? shown(price * spools) : "");
    return price * spools;
  }

  function follow() {
    let all = 0;
    for (const [number, terms] of sellers) {
      const theirs = fields.filter((field) => field.dataset.supplier === number);
      const off = reached(terms.basket, theirs.reduce((sum, field) => sum + bought(field), 0), 0);
      const goods = theirs.reduce((sum, field) => sum + showField(field, off), 0);
      const parcel = goods && goods < terms.free ? terms.parcel : 0;
      all += goods + parcel;
      const order = plan.querySelector(`[data-order="${number}"]`);
      if (!order) continue;
      show(order, "off", off ? `prices less ${off / 10000} %, for the number of spools` : "");
      show(order, "parcel", shown(parcel));
      show(order, "whole", shown(goods + parcel));
    }
    show(plan, "all", shown(all));
    warn("budget", all - budget, shown);
    warn("room", fields.reduce((sum, field) => sum + bought(field), 0) - room, String);
  }

  /** Say by how much a limit is passed; hide it where it is not. */
  function warn(what, over, worded) {
    const words = plan.querySelector(`[data-over="${what}"]`);
    if (!words) return;
    words.hidden = over <= 0;
    show(words, `over-${what}`, worded(Math.max(0, over)));
  }

  /** Say what a number is taken as; once it is left, it stands in the field. */
  function take(field) {
    const spools = bought(field);
    const isTaken = !spools || spools === Number(field.value);
    show(field.closest("tr"), "taken", isTaken ? "" : `${field.value} asked for: ${spools}, as it is sold`);
  }

  for (const field of fields) {
    field.addEventListener("input", () => {
      take(field);
      follow();
    });
    field.addEventListener("change", () => {
      if (field.value !== "") field.value = bought(field);
    });
  }
}

if (plan) wire(plan);
