// Numbers: those of a figure as a table in place, and every table as a file for a spreadsheet.
const STEPS = [0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000]; // [m]
const SHOWN_ROWS = 50;
const FILED_ROWS = 4000;
const NUMBER = /^-?\d+(\.\d+)?$/;

const fileName = (name) => {
  const laps = [choice.lap, choice.other].filter((lap) => lap !== null).join("-and-");
  const place = choice.corner === null ? "" : `-corner-${choice.corner}`;
  const words = document.title.replace(/[^\p{L}\p{N}]+/gu, "-").replace(/^-|-$/g, "").slice(0, 80);
  return `${words || "session"}-${name}${laps && `-lap-${laps}`}${place}`;
};

// One cell as RFC 4180 has it. A text that a spreadsheet would take for a formula gets an apostrophe.
function csvCell(text) {
  const plain = text.replaceAll("\u202f", "").replace(/^\u2212/, "-");
  if (NUMBER.test(plain)) return plain;
  const safe = /^\s*[=+\-@\u2212]|^[\t\r]/.test(text) ? `'${text}` : text;
  return /[",\r\n;]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
}

// Two columns where values stand with an interval, and one more for what is written small.
function columnCells(rows, index, label) {
  const cells = rows.map((row) => cellParts(row, index));
  const split = cells.map(({ text }) => /^(\S+) (± .*|\(.*\))$/.exec(text) ?? [text, text, ""]);
  const columns = [[label, ...split.map(([, value]) => value)]];
  if (split.some(([, , interval]) => interval)) {
    columns.push([`${label}, interval`, ...split.map(([, , interval]) => interval.replace(/^\((.*)\)$/, "$1"))]);
  }
  if (cells.some(({ small }) => small)) columns.push([`${label}, note`, ...cells.map(({ small }) => small)]);
  return columns;
}

function cellParts(row, index) {
  let place = 0;
  for (const cell of row.cells) {
    if (place === index) {
      const copy = cell.cloneNode(true);
      const small = Array.from(copy.querySelectorAll("small"), (one) => one.textContent.trim()).join("; ");
      for (const aside of copy.querySelectorAll("small, sup")) aside.remove();
      return { text: copy.textContent.trim().replace(/\s*\n\s*/g, " "), small };
    }
    place += cell.colSpan;
  }
  return { text: "", small: "" };
}

function headingText(heading) {
  const small = (heading.querySelector("small .term") ?? heading.querySelector("small"))?.textContent ?? "";
  const label = (heading.querySelector(".sort") ?? heading.firstChild)?.textContent.trim() ?? "";
  return small && small !== "?" ? `${label} [${small}]` : label;
}

function tableColumns(table) {
  const rows = Array.from(table.tBodies).flatMap((body) => Array.from(body.rows));
  return Array.from(table.tHead.rows[0].cells).flatMap((heading, i) => columnCells(rows, i, headingText(heading)));
}

// With a mark of its encoding in front, for spreadsheets that would guess another.
function saveCsv(name, columns) {
  const lines = columns[0].map((_, i) => columns.map((column) => csvCell(String(column[i]))).join(","));
  const file = new Blob(["\ufeff", lines.join("\r\n"), "\r\n"], { type: "text/csv;charset=utf-8" });
  const link = document.createElement("a");
  link.href = URL.createObjectURL(file);
  link.download = `${fileName(name)}.csv`;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}

// The lines of a figure at even steps along the shown stretch, one column for each lap.
function figureColumns(name, mostRows, behind = []) {
  const [low, high] = choice.range ?? [0, page.length];
  const step = STEPS.find((one) => (high - low) / one <= mostRows) ?? STEPS.at(-1);
  const places = [];
  for (let at = Math.ceil(low / step) * step; at <= high; at += step) places.push(at);
  const columns = [["distance [m]", ...places.map((at) => written(at, step < 1 ? 1 : 0))]];
  const laps = [...new Set([choice.lap, choice.other, ...behind])].filter((lap) => lap !== null);
  const of = (lap) => (laps.length > 1 ? `, lap ${lap}` : "");
  for (const { dataset } of document.querySelectorAll(`#figure-${name} [data-reads]`)) {
    for (const lap of laps) {
      const line = shownColumns(lap)[dataset.reads];
      const values = places.map((at) => (line ? valueAt(line.x, line.y, at) : NaN));
      columns.push([`${dataset.label}${of(lap)} [${dataset.unit}]`, ...values.map((one) => written(one, Number(dataset.decimals)))]);
    }
  }
  if (document.querySelector(`#figure-${name} .legend .letter`)) {
    for (const lap of laps) {
      const states = places.map((at) => page.states[stateAt(lapColumns(lap), at)] ?? "–");
      columns.push([`axle state${of(lap)}`, ...states]);
    }
  }
  return { columns, step };
}

function mapColumns() {
  const laps = [choice.lap, choice.other].filter((lap) => lap !== null);
  const columns = [["corner", ...page.corners.map(({ number }) => String(number))]];
  for (const [label, key] of [["from [m]", "start"], ["apex [m]", "apex"], ["to [m]", "end"]]) {
    columns.push([label, ...page.corners.map((corner) => written(corner[key], 0))]);
  }
  for (const lap of laps) {
    const energies = lapColumns(lap).corner_energy["marker.size"];
    columns.push([`energy, lap ${lap} [kJ]`, ...energies.map((energy) => written(energy / 1e3, 2))]);
  }
  return { columns, step: 0 };
}

function plainValues(values) {
  if (!values?.bdata) return Array.from(values ?? []);
  const bytes = Uint8Array.from(atob(values.bdata), (letter) => letter.charCodeAt(0));
  return Array.from(new Float32Array(bytes.buffer));
}

// Every point of a named trace, with the band of its name: rows of { x, y, low, high, text }.
function tracePoints(data, name) {
  const rows = [];
  const bands = new Map();
  for (const trace of data) {
    const [x, y] = [plainValues(trace.x), plainValues(trace.y)];
    if (trace.meta?.band === name) {
      for (let i = 0; i < x.length / 2; i += 1) bands.set(x[i], { x: x[i], low: y[i], high: y[x.length - 1 - i] });
    } else if (trace.name === name) {
      const { array, arrayminus } = trace.error_y ?? {};
      const ends = (i) => (array ? { low: y[i] - arrayminus[i], high: y[i] + array[i] } : {});
      rows.push(...x.map((place, i) => ({ x: place, y: y[i], text: trace.text?.[i], ...ends(i) })));
    }
  }
  const joined = rows.map((row) => ({ ...bands.get(row.x), ...row }));
  for (const { x } of rows) bands.delete(x);
  return [...joined, ...bands.values()].sort((a, b) => a.x - b.x);
}

// Every named trace of a figure that has no lap, one below the other.
function tracesColumns({ figure }, mostRows) {
  const names = figure.data.map(({ name }) => name).filter(Boolean);
  const { xaxis, yaxis } = figure.layout;
  const columns = [["what"], [xaxis.title.text], [yaxis.title.text], ["from"], ["to"], ["note"]];
  for (const name of names) {
    const points = tracePoints(figure.data, name);
    const every = Math.ceil(points.length * names.length / mostRows);
    points.filter((_, i) => i % every === 0).forEach(({ x, y, low, high, text }) => {
      [name, significant(x), significant(y), significant(low), significant(high), text ?? ""].forEach(
        (cell, i) => columns[i].push(cell),
      );
    });
  }
  return { columns: columns.filter((column) => column.some((cell, i) => i > 0 && cell !== "")), step: 0 };
}

function significant(value) {
  if (!Number.isFinite(value)) return "";
  const decimals = Math.min(Math.max(3 - Math.floor(Math.log10(Math.abs(value) || 1)), 0), 8);
  return written(value, decimals);
}

function numbersOf(drawing, mostRows, behind) {
  if (drawing.along === "map") return mapColumns();
  return drawing.along === "distance" ? figureColumns(drawing.name, mostRows, behind) : tracesColumns(drawing, mostRows);
}

function tableOf(columns, caption) {
  const table = document.createElement("table");
  table.createCaption().textContent = caption;
  const head = table.createTHead().insertRow();
  for (const [label] of columns) {
    const heading = document.createElement("th");
    heading.scope = "col";
    const [, words, unit] = /^(.*) \[(.*)\]$/.exec(label) ?? [null, label, ""];
    const small = document.createElement("small");
    small.textContent = unit;
    heading.append(words, small);
    if (unit) heading.className = "number";
    head.append(heading);
  }
  const body = table.createTBody();
  for (let i = 1; i < columns[0].length; i += 1) {
    const row = body.insertRow();
    for (const column of columns) {
      const cell = row.insertCell();
      cell.textContent = column[i];
      if (/^[\d\u2212–]/.test(column[i])) cell.className = "number";
    }
  }
  return table;
}

function numbersCaption(drawing, step) {
  if (drawing.along === "map") return "Every corner with the energy of the chosen laps.";
  if (drawing.along === "other") return "What is drawn, at most fifty rows of it; the file has all.";
  const stretch = choice.corner === null ? "" : `, corner ${choice.corner}`;
  const finer = figureColumns(drawing.name, FILED_ROWS).step;
  return `${lapWords(true)}${stretch}: every ${step} m, read off the drawn line, which no logged sample leaves by `
    + `more than ${written(100 * page.off, 1)} % of the figure's height. The file has every ${finer} m${choice.all ? " of all the laps drawn" : ""}.`;
}

function showNumbers(fold) {
  if (!fold.open) return;
  const drawing = drawings.get(fold.dataset.numbers);
  const { columns, step } = numbersOf(drawing, SHOWN_ROWS);
  fold.querySelector(".scroll").replaceChildren(tableOf(columns, numbersCaption(drawing, step)));
}

const numberFolds = Array.from(document.querySelectorAll("[data-numbers]"));

function wireNumbers() {
  for (const fold of numberFolds) fold.addEventListener("toggle", () => showNumbers(fold));
  whenChosen((changed) => {
    if (changed.lap || changed.other || changed.all || changed.range) numberFolds.forEach(showNumbers);
  });
  document.addEventListener("click", (event) => {
    const button = event.target.closest?.(".csv");
    if (!button) return;
    const fold = button.closest("[data-numbers]");
    const name = button.dataset.names;
    if (fold) saveCsv(name, numbersOf(drawings.get(name), FILED_ROWS, lapsBehind()).columns);
    else saveCsv(name, tableColumns(button.closest(".table").querySelector("table")));
  });
}
