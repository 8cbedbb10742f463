/* While a long sheet is booked, the line marked data-progress says how many of its rows were read. */

const EVERY_MS = 400;
const line = document.querySelector("[data-progress]");

async function look() {
  const answer = await fetch(line.dataset.progress, { headers: { Accept: "application/json" } });
  if (!answer.ok) return;
  const { read_rows: read, rows } = await answer.json();
  const bar = line.querySelector("progress");
  if (rows) bar.max = rows;
  bar.value = read;
  line.querySelector("span").textContent =
    rows && read >= rows ? "All rows are read. They are being booked." : `${read} of ${bar.max} rows are read.`;
}

document.addEventListener("submit", (event) => {
  if (!line || event.submitter?.value !== "book") return;
  line.hidden = false;
  setInterval(() => look().catch(() => {}), EVERY_MS);
});
