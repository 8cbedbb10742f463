/*
 * Things that outlast a reload, on this device: each lies by itself under its key, so that tabs of one device see the same ones, in the
 * same order, and none writes over another's. Codes, keys and words only; where a device keeps nothing, the page itself still holds them.
 */

export function shelf(name, fields) {
  const held = new Map();
  const place = (key) => `${name} ${key}`;

  function read(key) {
    try {
      const item = JSON.parse(localStorage.getItem(key));
      return fields.every((field) => typeof item?.[field] === "string") && typeof item.at === "number" ? item : null;
    } catch {
      return null;
    }
  }

  function lying() {
    try {
      return Object.keys(localStorage).filter((key) => key.startsWith(place("")));
    } catch {
      return [];
    }
  }

  /* All of them, in the order in which they were put there. */
  function all() {
    return [...lying().map(read).filter(Boolean), ...held.values()].sort((one, other) => one.at - other.at || (one.key < other.key ? -1 : 1));
  }

  function put(item) {
    const last = all().at(-1)?.at ?? 0;
    const kept = { ...item, at: Math.max(item.at, last + 1) }; // a clock that is set back changes no order
    try {
      localStorage.setItem(place(item.key), JSON.stringify(kept));
    } catch {
      held.set(item.key, kept);
    }
  }

  function drop(key) {
    held.delete(key);
    try {
      localStorage.removeItem(place(key));
    } catch {
      // it was never there
    }
  }

  /* What this device kept as one list under the bare name, before each lay by itself. */
  try {
    const old = JSON.parse(localStorage.getItem(name) ?? "[]");
    if (Array.isArray(old)) old.forEach((item) => put({ key: `${item.at} ${item.code}`, ...item }));
    localStorage.removeItem(name);
  } catch {
    // nothing was kept, or nothing that can be read
  }

  return { all, put, drop, clear: () => all().forEach((item) => drop(item.key)) };
}
