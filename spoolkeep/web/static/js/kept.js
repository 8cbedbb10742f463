/* Lists that outlast a reload, on this device. Codes, keys and words only; a device that keeps nothing still scans. */

export function kept(name, fields) {
  try {
    const found = JSON.parse(localStorage.getItem(name) ?? "[]");
    return Array.isArray(found) ? found.filter((item) => fields.every((field) => typeof item?.[field] === "string")) : [];
  } catch {
    return [];
  }
}

export function keep(name, items) {
  try {
    localStorage.setItem(name, JSON.stringify(items));
  } catch {
    // the page itself still holds them
  }
}
