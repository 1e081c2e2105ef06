// The figures: drawn when they come into view, redrawn when the choice changes.
const CONFIG = {
  displayModeBar: false, displaylogo: false, responsive: false, showTips: false,
  showSendToCloud: false, doubleClick: false, scrollZoom: false,
};
const coarse = window.matchMedia("(pointer: coarse)");
const dark = window.matchMedia("screen and (prefers-color-scheme: dark)");
const drawings = new Map();

for (const plot of document.querySelectorAll(".plot")) {
  const name = plot.dataset.figure;
  const along = plot.closest(".figure").dataset.along;
  const cursor = document.createElement("div");
  cursor.className = along === "map" ? "cursor spot" : "cursor";
  plot.parentElement.append(cursor);
  drawings.set(name, {
    name, along, plot, cursor, figure: figures[name], drawn: false, stale: true, near: false, width: 0,
  });
}

// Every colour of light paper has its partner on dark paper.
function coloured(value, onDark) {
  if (!onDark) return value;
  if (typeof value === "string") return page.darkByLight[value] ?? value;
  if (ArrayBuffer.isView(value) || value === null || typeof value !== "object") return value;
  if (Array.isArray(value)) return value.map((one) => coloured(one, true));
  return Object.fromEntries(Object.entries(value).map(([key, one]) => [key, coloured(one, true)]));
}

function withLap(trace, columns) {
  const bind = trace.meta?.bind;
  if (!bind) return trace;
  const bound = { ...trace };
  const values = bind === "all_samples" ? allSamples : columns[bind];
  for (const [path, column] of Object.entries(values ?? { x: [], y: [] })) {
    const [head, tail] = path.split(".");
    if (tail) bound[head] = { ...bound[head], [tail]: column };
    else bound[head] = column;
  }
  return bound;
}

function showStretch(drawing, layout) {
  layout.xaxis.range = choice.range ?? [0, page.length];
  if (choice.range === null) return;
  const lines = drawing.figure.data.filter(({ type }) => type !== "bar");
  for (const axis of ["y", "y2"]) {
    const reach = shownReach(lines, axis);
    if (reach) layout[axis.replace("y", "yaxis")].range = reach;
  }
}

function layoutOf(drawing, width, stretch = 1, letters = 0) {
  const layout = structuredClone(drawing.figure.layout);
  layout.width = width;
  layout.height = Math.round(layout.height * stretch);
  layout.font.family = getComputedStyle(document.body).fontFamily;
  if (drawing.along === "map") return mapLayout(layout, width);
  drawing.cloud ??= drawing.figure.data.filter(isCloud).map(cloudShape);
  layout.shapes = [...layout.shapes ?? [], ...drawing.cloud];
  if (coarse.matches) layout.dragmode = false;
  if (drawing.along === "distance") showStretch(drawing, layout);
  if (width < 480) {
    layout.margin = { ...layout.margin, l: 56, r: 6 };
    layout.font.size = 12;
  }
  if (letters) {
    layout.font.size = letters;
    for (const { font } of layout.annotations ?? []) font.size = Math.min(font.size ?? letters, letters - 1);
    layout.margin = { ...layout.margin, t: 0.8 * layout.margin.t, b: 0.75 * layout.margin.b };
  }
  return layout;
}

// Thousands of markers take the browser a tenth of a second at each drawing, one path of short
// strokes takes none that is felt.
function cloudShape(trace) {
  const { x, y } = withLap(trace, {});
  const half = 0.002 * (Math.max(...x) - Math.min(...x));
  const path = x.map((at, i) => `M${at - half},${y[i]}H${at + half}`).join("");
  return {
    type: "path", path, layer: "below", opacity: trace.marker.opacity,
    line: { color: trace.marker.color, width: trace.marker.size },
  };
}

const isCloud = (trace) => trace.meta?.bind === "all_samples";

function dataOf(drawing, width) {
  const columns = drawing.along === "distance" ? shownColumns(choice.lap) : lapColumns(choice.lap);
  const zoomed = drawing.along === "distance" && choice.range !== null;
  // The band of whole laps says nothing of a stretch.
  const traces = drawing.figure.data.filter((trace) => !isCloud(trace) && !(zoomed && trace.fill === "toself"));
  const data = traces.map((trace) => raised(withLap(trace, columns)));
  if (drawing.along === "map") return mapData(data, width);
  return [...data, ...secondLap(traces), ...allLaps(traces)];
}

// Draws at once, on paper colours and at a given width when printing.
function draw(drawing, { width = drawing.plot.clientWidth, onDark = dark.matches, stretch = 1, letters = 0 } = {}) {
  if (width < 50) return;
  const layout = coloured(layoutOf(drawing, width, stretch, letters), onDark);
  const data = coloured(dataOf(drawing, width), onDark);
  drawing.layout = layout;
  drawing.width = width;
  Plotly.react(drawing.plot, data, layout, CONFIG);
  if (!drawing.drawn) {
    drawing.drawn = true;
    listen(drawing);
    if (performance.getEntriesByName("first-figure").length === 0) performance.mark("first-figure");
  }
  drawing.stale = false;
  drawing.plot.style.minHeight = "";
  placeCursor(drawing);
}

// What is on the screen is drawn at once, what is just off it when there is time.
function drawSoon(drawing) {
  drawing.stale = true;
  if (!drawing.near) return;
  const box = drawing.plot.getBoundingClientRect();
  if (box.bottom > 0 && box.top < window.innerHeight) draw(drawing);
  else {
    setTimeout(() => {
      if (drawing.stale && drawing.near) draw(drawing);
    }, 60);
  }
}

// Zooming one distance figure by hand zooms all of them.
function listen(drawing) {
  drawing.plot.on("plotly_relayout", (change) => {
    if (drawing.along !== "distance") return;
    const low = change["xaxis.range[0]"];
    const high = change["xaxis.range[1]"];
    if (Number.isFinite(low) && Number.isFinite(high)) choose({ corner: null, range: [low, high] });
  });
  drawing.plot.on("plotly_doubleclick", () => choose({ corner: null, range: null }));
}

// Pixels of the drawing ↔ metres of the lap, from the margins and ranges set here.
function plotBox(drawing) {
  const { margin, height } = drawing.layout;
  return {
    left: margin.l, top: margin.t, width: drawing.width - margin.l - margin.r,
    height: height - margin.t - margin.b,
  };
}

function pixelOf(drawing, at) {
  const box = plotBox(drawing);
  const [low, high] = choice.range ?? [0, page.length];
  return box.left + box.width * (at - low) / (high - low);
}

function placeAt(drawing, pixel) {
  const box = plotBox(drawing);
  const [low, high] = choice.range ?? [0, page.length];
  const share = (pixel - box.left) / box.width;
  return share < 0 || share > 1 ? null : low + share * (high - low);
}

function placeCursor(drawing) {
  if (!drawing.drawn || drawing.along === "other") return;
  const spot = choice.at === null ? null
    : drawing.along === "map" ? mapPixel(drawing, choice.at)
      : [pixelOf(drawing, choice.at), plotBox(drawing).top];
  const box = plotBox(drawing);
  const inside = spot && spot[0] >= box.left - 1 && spot[0] <= box.left + box.width + 1;
  drawing.cursor.style.visibility = inside ? "visible" : "hidden";
  if (!inside) return;
  drawing.cursor.style.transform = `translate(${spot[0]}px, ${spot[1]}px)`;
  if (drawing.along === "distance") drawing.cursor.style.height = `${box.height}px`;
}

// The picture carries its title, on paper, whatever the screen shows.
function savePicture(name) {
  const drawing = drawings.get(name);
  const layout = layoutOf(drawing, 1100);
  const title = { text: drawing.plot.dataset.title, x: 0.01, xanchor: "left", font: { size: 18 } };
  const margin = { ...layout.margin, t: layout.margin.t + 44 };
  const data = dataOf(drawing, 1100);
  return Plotly.downloadImage(
    { data, layout: { ...layout, title, margin, paper_bgcolor: "#ffffff", height: layout.height + 44 } },
    { format: "png", filename: fileName(name), width: 1100, height: layout.height + 44, scale: 2 },
  );
}
