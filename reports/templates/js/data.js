// What the page carries: the figures, and for each lap its lines as packed strokes.
const figures = JSON.parse(document.getElementById("figure-data").textContent);
const page = JSON.parse(document.getElementById("page-data").textContent);
const VALUE_CODES = 8192;
const GAP_CODE = VALUE_CODES - 1;
const PATH_POINTS = 600;

// Strokes of one line as { at: sample numbers, y: values }; see `packed` in reports/thin.py.
function decode([offset, step, text], size) {
  const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const count = bytes.length / 2;
  const at = new Uint32Array(count);
  const y = new Float32Array(count);
  for (let i = 0, sample = 0; i < count; i += 1) {
    const code = bytes[2 * i] + 256 * bytes[2 * i + 1];
    const value = code % VALUE_CODES;
    at[i] = Math.min(sample, size - 1);
    y[i] = value === GAP_CODE ? NaN : offset + step * value;
    sample += 2 ** (code >> 13);
  }
  return { at, y };
}

// The value of a line at every sample of the lap.
function spread({ at, y }, size) {
  const values = new Float32Array(size).fill(y[0]);
  for (let i = 1; i < at.length; i += 1) {
    const span = at[i] - at[i - 1];
    for (let k = 1; k <= span; k += 1) values[at[i - 1] + k] = y[i - 1] + (y[i] - y[i - 1]) * k / span;
  }
  return values;
}

function unpack({ size, lines, states, events, samples, corner_energy }) {
  const columns = { samples: { x: samples[0], y: samples[1] }, corner_energy: { "marker.size": corner_energy } };
  const strokes = Object.fromEntries(Object.entries(lines).map(([name, line]) => [name, decode(line, size)]));
  const { distance, east, north, ...drawn } = strokes;
  const metres = spread(distance, size);
  for (const [name, { at, y }] of Object.entries(drawn)) columns[name] = { x: Float32Array.from(at, (i) => metres[i]), y };
  states.forEach(([base, x], code) => {
    columns[`state_${code}`] = { base, x, y: base.map(() => states.length - 1 - code) };
  });
  events.forEach(([x, y], i) => {
    columns[`events_${i + 1}`] = { x, y };
  });
  if (east && north) {
    const [x, y] = [spread(east, size), spread(north, size)];
    const every = Math.ceil(size / PATH_POINTS);
    const thin = (values) => values.filter((_, i) => i % every === 0 || i === size - 1);
    columns.path = { x: thin(x), y: thin(y), customdata: thin(metres) };
  }
  return columns;
}

// Columns of one lap as { trace name: { attribute path: values } }, unpacked once.
const unpacked = new Map();
function lapColumns(lap) {
  if (lap === null || !page.laps[lap]) return {};
  if (!unpacked.has(lap)) unpacked.set(lap, unpack(page.laps[lap]));
  return unpacked.get(lap);
}

// The sliding samples of all laps, for the cloud behind those of the chosen one.
const allSamples = { x: [], y: [] };
for (const { samples } of Object.values(page.laps)) {
  allSamples.x.push(...samples[0]);
  allSamples.y.push(...samples[1]);
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
