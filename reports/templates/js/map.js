// The map: equal scales both ways, and the way back from a place on it to a place in the lap.
const MAP_HEIGHTS = [260, 520];
const FULL_SIZE_FROM = 620; // narrower maps get smaller signs and discs

function mapLayout(layout, width) {
  const [west, east, south, north] = page.bounds;
  const wanted = width * (north - south) / (east - west);
  const highest = Math.min(MAP_HEIGHTS[1], layout.height);
  layout.height = Math.round(Math.min(Math.max(wanted, MAP_HEIGHTS[0]), highest));
  const across = width - layout.margin.l - layout.margin.r;
  const up = layout.height - layout.margin.t - layout.margin.b;
  const scale = Math.max((east - west) / across, (north - south) / up);
  const middle = [0.5 * (west + east), 0.5 * (south + north)];
  layout.xaxis.range = [middle[0] - 0.5 * scale * across, middle[0] + 0.5 * scale * across];
  layout.yaxis.range = [middle[1] - 0.5 * scale * up, middle[1] + 0.5 * scale * up];
  return layout;
}

function mapData(data, width) {
  if (width >= FULL_SIZE_FROM) return data;
  const share = Math.max(0.55, width / FULL_SIZE_FROM);
  return data.map((trace) => {
    const { marker } = trace;
    if (marker?.sizemode === "area") {
      return { ...trace, marker: { ...marker, sizeref: marker.sizeref / share ** 2 } };
    }
    if (!String(trace.meta?.bind).startsWith("events_")) return trace;
    const textfont = { ...trace.textfont, size: 8 };
    return { ...trace, textfont, marker: { ...marker, size: Math.round(marker.size * 0.75) } };
  });
}

function toPixel(drawing, x, y) {
  const { xaxis, yaxis, margin, height } = drawing.layout;
  const scale = (drawing.width - margin.l - margin.r) / (xaxis.range[1] - xaxis.range[0]);
  return [margin.l + scale * (x - xaxis.range[0]), height - margin.b - scale * (y - yaxis.range[0])];
}

function mapPixel(drawing, at) {
  const path = lapColumns(choice.lap).path;
  if (!path) return null;
  const x = valueAt(path.customdata, path.x, at);
  const y = valueAt(path.customdata, path.y, at);
  return Number.isFinite(x) ? toPixel(drawing, x, y) : null;
}

// Distance of the lap's nearest point within reach of the pointer, or null.
function nearestPlace(drawing, px, py, reach) {
  const path = lapColumns(choice.lap).path;
  if (!path) return null;
  let best = reach * reach;
  let at = null;
  for (let i = 0; i < path.x.length; i += 1) {
    const [x, y] = toPixel(drawing, path.x[i], path.y[i]);
    const square = (x - px) ** 2 + (y - py) ** 2;
    if (square < best) [best, at] = [square, path.customdata[i]];
  }
  return at;
}

function nearestCorner(drawing, px, py, reach) {
  let best = reach * reach;
  let number = null;
  for (const corner of page.corners) {
    if (!corner.place) continue;
    const [x, y] = toPixel(drawing, corner.place[0], corner.place[1]);
    const square = (x - px) ** 2 + (y - py) ** 2;
    if (square < best) [best, number] = [square, corner.number];
  }
  return number;
}
