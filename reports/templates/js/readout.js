// The values at the marked place, written into the legends.
const readouts = Array.from(document.querySelectorAll("[data-reads]"));
const stateKeys = Array.from(document.querySelectorAll("#figure-slip .swatch[class*='s-state-']"));
const THIN_SPACE = "\u202f";

function written(value, decimals) {
  if (!Number.isFinite(value)) return "–";
  const [whole, rest] = Math.abs(value).toFixed(decimals).split(".");
  const grouped = whole.replace(/\B(?=(\d{3})+$)/g, THIN_SPACE);
  const text = rest ? `${grouped}.${rest}` : grouped;
  return value < 0 && Number(text.replaceAll(THIN_SPACE, "")) !== 0 ? `\u2212${text}` : text;
}

function stateAt(columns, at) {
  for (let code = 0; code < page.states.length; code += 1) {
    const bars = columns[`state_${code}`];
    if (!bars) continue;
    for (let i = 0; i < bars.base.length; i += 1) {
      if (at >= bars.base[i] && at < bars.base[i] + bars.x[i]) return code;
    }
  }
  return -1;
}

function showReadouts() {
  const columns = shownColumns(choice.lap);
  const marked = choice.at !== null;
  const laps = choice.other === null ? [columns] : [columns, shownColumns(choice.other)];
  for (const place of readouts) {
    const { reads, decimals, unit } = place.dataset;
    const values = laps.map(({ [reads]: line }) => (line ? valueAt(line.x, line.y, choice.at) : NaN));
    const text = values.map((value) => written(value, Number(decimals))).join(" : ");
    place.textContent = marked ? `${text} ${unit}` : "";
  }
  const code = marked ? stateAt(columns, choice.at) : -1;
  stateKeys.forEach((swatch, index) => {
    swatch.closest("dt").classList.toggle("here", index === code);
  });
  const mark = document.getElementById("mark");
  if (!mark) return;
  const state = code < 0 ? "" : `, ${page.states[code]}`;
  mark.textContent = marked ? `at ${written(choice.at, 0)} m${state}` : "";
}
