// Further laps beside the chosen one: a second one dotted, or all counted ones thin in a corner.
const MOST_BEHIND = 40; // laps drawn behind a corner; more would only blacken the paper
const countedLaps = Object.keys(page.laps).filter((lap) => !Object.hasOwn(page.notCounted, lap)).map(Number);

function lapsBehind() {
  if (!choice.all || choice.range === null) return [];
  const every = Math.ceil(countedLaps.length / MOST_BEHIND);
  return countedLaps.filter((lap, i) => i % every === 0 && lap !== choice.lap);
}

// In a stretch of road the sums begin at zero, so that laps can be held against each other there.
const summed = new Set(Object.values(figures).flatMap(({ data }) => data)
  .filter(({ meta }) => meta?.sum).map(({ meta }) => meta.bind));

let shownRange = null;
const shown = new Map();
function shownColumns(lap) {
  if (choice.range === null || lap === null) return lapColumns(lap);
  if (shownRange !== choice.range) shown.clear();
  shownRange = choice.range;
  if (!shown.has(lap)) {
    const columns = { ...lapColumns(lap) };
    for (const name of summed) {
      if (!columns[name]) continue;
      const { x, y } = columns[name];
      const start = valueAt(x, y, Math.max(choice.range[0], x[0]));
      columns[name] = { x, y: y.map((value) => value - start) };
    }
    shown.set(lap, columns);
  }
  return shown.get(lap);
}

// Indices of a line's points that the shown stretch needs: those in it and one on either side.
function shownPart(line) {
  const [first, last] = choice.range.map((at) => lastNotAbove(line.x, at));
  return [first, last + 2];
}

// Lowest and highest value on one axis in the shown stretch, over the counted and the chosen laps.
function shownReach(traces, axis) {
  const every = Math.ceil(countedLaps.length / MOST_BEHIND);
  const laps = new Set([choice.lap, choice.other, ...countedLaps.filter((_, i) => i % every === 0)]);
  let [low, high] = [Infinity, -Infinity];
  for (const lap of laps) {
    const columns = shownColumns(lap);
    for (const { meta, yaxis = "y" } of traces) {
      const line = yaxis === axis ? columns[meta?.bind] : null;
      if (!line?.y) continue;
      for (const value of line.y.slice(...shownPart(line))) {
        if (value < low) low = value;
        if (value > high) high = value;
      }
    }
  }
  const pad = 0.06 * (high - low || 1);
  return low > high ? null : [low - pad, high + pad];
}

// Each line that has a twin, once more for the second lap; the states as a narrow row below.
function secondLap(traces) {
  if (choice.other === null) return [];
  const columns = shownColumns(choice.other);
  return traces.filter((trace) => trace.meta?.twin && columns[trace.meta.bind]).map((trace) => {
    const twin = withLap(trace, columns);
    if (trace.type === "bar") {
      return { ...twin, y: twin.y.map((row) => row - 0.3), width: 0.22, marker: { ...trace.marker, pattern: { shape: "" } } };
    }
    return { ...twin, fill: "none", line: { ...trace.line, color: page.second, width: 1.8, dash: "2px,3px" } };
  });
}

function raised(trace) {
  if (choice.other === null || trace.type !== "bar") return trace;
  return { ...trace, y: trace.y.map((row) => row + 0.12), width: 0.5 };
}

function allLaps(traces) {
  const laps = lapsBehind();
  if (laps.length === 0) return [];
  return traces.filter((trace) => trace.meta?.twin && trace.type !== "bar").map((trace) => {
    const [x, y] = [[], []];
    for (const lap of laps) {
      const line = shownColumns(lap)[trace.meta.bind];
      if (!line) continue;
      const part = shownPart(line);
      x.push(...line.x.slice(...part), NaN);
      y.push(...line.y.slice(...part), NaN);
    }
    return {
      ...trace, x, y, fill: "none", opacity: 0.7, zorder: -1,
      line: { color: page.behind, width: 0.8 },
    };
  });
}

// "lap 3", and what else is drawn in a figure along the lap.
function lapWords(along) {
  if (choice.lap === null) return "";
  if (!along) return `lap ${choice.lap}`;
  const other = choice.other === null ? "" : `, with lap ${choice.other} dotted`;
  const behind = lapsBehind().length;
  const skipped = behind + 1 < countedLaps.length ? `${behind} of ${countedLaps.length}` : "all";
  return `lap ${choice.lap}${other}${behind ? `, ${skipped} counted laps thin` : ""}`;
}
