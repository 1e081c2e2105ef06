// Further laps beside the chosen one: a second one dotted, or all counted ones thin in a corner.
const MOST_BEHIND = 40; // laps drawn behind a corner; more would only blacken the paper
const countedLaps = Object.keys(page.laps).filter((lap) => !Object.hasOwn(page.notCounted, lap)).map(Number);

function lapsBehind() {
  if (!choice.all || choice.range === null) return [];
  const every = Math.ceil(countedLaps.length / MOST_BEHIND);
  return countedLaps.filter((lap, i) => i % every === 0 && lap !== choice.lap);
}

// Each line that has a twin, once more for the second lap; the states as a narrow row below.
function secondLap(traces) {
  if (choice.other === null) return [];
  const columns = lapColumns(choice.other);
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
      const line = lapColumns(lap)[trace.meta.bind];
      if (!line) continue;
      const [first, last] = choice.range.map((at) => lastNotAbove(line.x, at));
      x.push(...line.x.slice(first, last + 2), NaN);
      y.push(...line.y.slice(first, last + 2), NaN);
    }
    return {
      ...trace, x, y, fill: "none", opacity: 0.7, zorder: -1,
      line: { color: page.behind, width: 0.8 },
    };
  });
}

// "lap 3", and what else is drawn.
function lapWords() {
  if (choice.lap === null) return "";
  const other = choice.other === null ? "" : `, with lap ${choice.other} dotted`;
  const behind = lapsBehind().length;
  const skipped = behind + 1 < countedLaps.length ? `${behind} of ${countedLaps.length}` : "all";
  return `lap ${choice.lap}${other}${behind ? `, ${skipped} counted laps thin` : ""}`;
}
