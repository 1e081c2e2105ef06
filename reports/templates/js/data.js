// What the page carries: the figures, and for each lap its columns in two-byte codes.
const figures = JSON.parse(document.getElementById("figure-data").textContent);
const page = JSON.parse(document.getElementById("page-data").textContent);
const GAP_CODE = -32768;

function decode(column) {
  if (Array.isArray(column)) return column;
  const text = atob(column.codes);
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i += 1) bytes[i] = text.charCodeAt(i);
  const view = new DataView(bytes.buffer);
  const values = new Float32Array(bytes.length / 2);
  for (let i = 0; i < values.length; i += 1) {
    const code = view.getInt16(2 * i, true);
    values[i] = code === GAP_CODE ? NaN : column.offset + column.step * code;
  }
  return values;
}

// Columns of one lap as { trace name: { attribute path: values } }, decoded once.
const decodedLaps = new Map();
function lapColumns(lap) {
  if (lap === null || !page.laps[lap]) return {};
  if (!decodedLaps.has(lap)) {
    const columns = {};
    for (const [name, attributes] of Object.entries(page.laps[lap])) {
      columns[name] = {};
      for (const [path, column] of Object.entries(attributes)) columns[name][path] = decode(column);
    }
    decodedLaps.set(lap, columns);
  }
  return decodedLaps.get(lap);
}

// Index of the last value not above the wanted one; the values rise.
function lastNotAbove(values, wanted) {
  let low = 0;
  let high = values.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (values[middle] <= wanted) low = middle;
    else high = middle - 1;
  }
  return low;
}

function valueAt(xs, ys, x) {
  if (!xs || xs.length === 0 || x < xs[0] || x > xs[xs.length - 1]) return NaN;
  const i = lastNotAbove(xs, x);
  const j = Math.min(i + 1, xs.length - 1);
  const span = xs[j] - xs[i];
  return span > 0 ? ys[i] + (ys[j] - ys[i]) * (x - xs[i]) / span : ys[i];
}
