// Tables: sorting by a heading, choosing by a row, both by pointer and by keyboard.
const tables = Array.from(document.querySelectorAll("table"));

function sortTable(table, column) {
  const headings = Array.from(table.tHead.rows[0].cells);
  const up = headings[column].getAttribute("aria-sort") !== "ascending";
  headings.forEach((heading, index) => {
    if (heading.hasAttribute("aria-sort")) {
      heading.setAttribute("aria-sort", index !== column ? "none" : up ? "ascending" : "descending");
    }
  });
  const rows = Array.from(table.tBodies[0].rows);
  const keyed = rows.map((row) => ({ row, value: row.cells[column]?.dataset.sort }));
  keyed.sort((a, b) => compare(a, b) * (up ? 1 : -1) || 0);
  const known = keyed.filter((one) => one.value !== undefined);
  const unknown = keyed.filter((one) => one.value === undefined);
  table.tBodies[0].append(...[...known, ...unknown].map((one) => one.row));
  showSome(table, 0);
}

// Of a long table the rows around the chosen one, or the first ones once it is sorted.
const LONG_TABLE = 60;
const ROWS_SHOWN = 25;

function showSome(table, first) {
  const rows = Array.from(table.tBodies[0].rows);
  const all = rows.length <= LONG_TABLE || table.dataset.all === "true";
  const from = all ? 0 : Math.min(Math.max(first, 0), rows.length - ROWS_SHOWN);
  const to = all ? rows.length : from + ROWS_SHOWN;
  rows.forEach((row, i) => {
    row.hidden = i < from || i >= to;
  });
  const note = table.closest(".table").querySelector(".shown-rows");
  if (note) note.textContent = all ? `All ${rows.length} rows. ` : `Rows ${from + 1} to ${to} of ${rows.length}. `;
}

function showAround(table) {
  const rows = Array.from(table.tBodies[0].rows);
  const chosen = rows.findIndex((row) => row.classList.contains("chosen"));
  if (chosen < 0 || rows[chosen].hidden || rows.every((row) => !row.hidden)) showSome(table, chosen - (ROWS_SHOWN >> 1));
}

function wireLongTable(table) {
  if (table.tBodies[0].rows.length <= LONG_TABLE) return;
  const line = document.createElement("p");
  line.className = "caption";
  const note = document.createElement("span");
  note.className = "shown-rows";
  const button = document.createElement("button");
  button.type = "button";
  button.className = "show-all";
  button.textContent = "Show all";
  button.addEventListener("click", () => {
    const all = table.dataset.all !== "true";
    table.dataset.all = String(all);
    button.textContent = all ? "Show fewer" : "Show all";
    showSome(table, 0);
    showAround(table);
  });
  line.append(note, button);
  table.closest(".scroll").after(line);
  showSome(table, 0);
}

function compare(a, b) {
  if (a.value === undefined || b.value === undefined) return 0;
  const difference = Number(a.value) - Number(b.value);
  return Number.isNaN(difference) ? a.value.localeCompare(b.value) : difference;
}

function chosenKey(kind) {
  return kind === "lap" ? choice.lap : choice.corner;
}

function chooseRow(kind, row, second = false) {
  const key = Number(row.dataset.key);
  if (kind === "lap" && page.laps[key]) choose(second ? { other: key } : { lap: key });
  if (kind === "corner") choose({ corner: choice.corner === key ? null : key });
}

function moveFocus(row, step) {
  const rows = Array.from(row.parentElement.rows);
  const next = rows[rows.indexOf(row) + step];
  if (!next) return;
  if (next.hidden) showSome(row.closest("table"), rows.indexOf(next) - (ROWS_SHOWN >> 1));
  next.focus();
  const kind = row.closest("table").dataset.chooses;
  if (kind === "lap") chooseRow(kind, next);
}

function wireTable(table) {
  table.tHead.addEventListener("click", (event) => {
    const heading = event.target.closest("th");
    if (event.target.closest(".sort")) sortTable(table, heading.cellIndex);
  });
  wireLongTable(table);
  const kind = table.dataset.chooses;
  if (kind === "nothing") return;
  for (const row of table.tBodies[0].rows) row.tabIndex = -1;
  table.tBodies[0].rows[0].tabIndex = 0;
  table.tBodies[0].addEventListener("click", (event) => {
    if (!getSelection().isCollapsed) return;
    const row = event.target.closest("tr");
    if (row) chooseRow(kind, row, event.shiftKey);
  });
  table.tBodies[0].addEventListener("keydown", (event) => {
    const row = event.target.closest("tr");
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (step) moveFocus(row, step);
    else if (event.key === "w") chooseRow(kind, row, true);
    else if (event.key === "Enter" || event.key === " ") chooseRow(kind, row);
    else return;
    event.preventDefault();
  });
}

function markRows() {
  for (const table of tables) {
    const kind = table.dataset.chooses;
    if (kind === "nothing") continue;
    const key = chosenKey(kind);
    for (const row of table.tBodies[0].rows) {
      const mine = key !== null && Number(row.dataset.key) === key;
      row.classList.toggle("chosen", mine);
      row.classList.toggle("second", kind === "lap" && Number(row.dataset.key) === choice.other);
      row.setAttribute("aria-selected", String(mine));
      if (mine) {
        for (const other of table.tBodies[0].rows) other.tabIndex = -1;
        row.tabIndex = 0;
      }
    }
    if (table.tBodies[0].rows.length > LONG_TABLE) showAround(table);
  }
}

// A table that fits needs no stop on the keyboard's way to scroll it.
function watchScrolling() {
  const regions = document.querySelectorAll(".scroll");
  const sizes = new ResizeObserver((entries) => {
    for (const { target } of entries) {
      const scrolls = target.scrollWidth > target.clientWidth || target.scrollHeight > target.clientHeight;
      target.tabIndex = scrolls ? 0 : -1;
    }
  });
  for (const region of regions) sizes.observe(region);
}
