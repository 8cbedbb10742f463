/* Lists that outlast a reload, on this device. Codes, keys and words only; a device that keeps nothing still scans. */

export function kept(name, fields) {
  try {
    const found = JSON.parse(localStorage.getItem(name) ?? "[]");
    return Array.isArray(found) ? found.filter((item) => fields.every((field) => typeof item?.[field] === "string")) : [];
  } catch {
    return [];
  }
}

/* What this page holds beside what other tabs of the device hold: `mine` are the keys that it ever held. */
export function keepBeside(name, items, mine) {
  items.forEach((item) => mine.add(item.key));
  keep(name, [...kept(name, ["code", "key"]).filter((item) => !mine.has(item.key)), ...items]);
}

export function keep(name, items) {
  try {
    localStorage.setItem(name, JSON.stringify(items));
  } catch {
    // the page itself still holds them
  }
}
