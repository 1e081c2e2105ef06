// The one choice that all figures and tables share, kept in the address behind the #.
const FIRST_LAP = document.querySelector("#lap-pick option[selected]")?.value;
const START = {
  lap: FIRST_LAP === undefined ? null : Number(FIRST_LAP), // drawn heavy, chosen everywhere
  other: null, // second lap, drawn dotted
  corner: null,
  all: false, // whether all counted laps lie thin behind, in the chosen corner
  at: null, // marked place [m]
  range: null, // stretch of road shown [m]
};
const choice = { ...START, lap: null };
const listeners = [];

function whenChosen(listener) {
  listeners.push(listener);
}

// Takes the changed parts, e.g. choose({ lap: 4 }); a corner brings its own stretch of road.
function choose(changes) {
  const changed = {};
  const next = { ...changes };
  if ("corner" in next && !("range" in next)) next.range = cornerRange(next.corner);
  if ("corner" in next && next.corner === null) next.all = false;
  if ((next.other ?? choice.other) === (next.lap ?? choice.lap)) next.other = null;
  for (const [name, value] of Object.entries(next)) {
    if (JSON.stringify(choice[name]) === JSON.stringify(value)) continue;
    choice[name] = value;
    changed[name] = true;
  }
  if (Object.keys(changed).length === 0) return;
  for (const listener of listeners) listener(changed);
  if (addressFollows) writeAddressSoon(Object.keys(changed).some((name) => name !== "at"));
}

function cornerRange(number) {
  const corner = page.corners.find((one) => one.number === number);
  if (!corner) return null;
  const room = Math.max(40, 0.35 * (corner.end - corner.start));
  return [Math.max(0, corner.start - room), Math.min(page.length, corner.end + room)];
}

// The address is left as it was until somebody chooses something. What was chosen makes a step that
// "back" undoes; moving the mark makes none.
let addressFollows = false;
let addressTimer = 0;
let stepWaits = false;
function writeAddressSoon(step) {
  stepWaits ||= step;
  clearTimeout(addressTimer);
  addressTimer = setTimeout(() => writeAddress(stepWaits), 250);
}

function writeAddress(step, place = "") {
  const parts = [];
  if (choice.lap !== null) parts.push(`lap=${choice.lap}`);
  if (choice.other !== null) parts.push(`with=${choice.other}`);
  if (choice.corner !== null) parts.push(`corner=${choice.corner}`);
  else if (choice.range !== null) parts.push(`from=${choice.range.map(Math.round).join("&to=")}`);
  if (choice.all) parts.push("all=1");
  if (choice.at !== null) parts.push(`at=${Math.round(choice.at)}`);
  if (place) parts.push(`place=${encodeURIComponent(place)}`);
  clearTimeout(addressTimer);
  stepWaits = false;
  const address = `#${parts.join("&")}`;
  if (address === location.hash) return;
  try {
    history[step ? "pushState" : "replaceState"](null, "", address);
  } catch {
    // A browser may forbid this for files; the page works without it.
  }
}

function readAddress() {
  const fields = new URLSearchParams(location.hash.slice(1));
  const whole = (name) => (/^\d{1,7}$/.test(fields.get(name) ?? "") ? Number(fields.get(name)) : null);
  const lapOf = (name) => (Object.hasOwn(page.laps, whole(name)) ? whole(name) : null);
  const corner = page.corners.some((one) => one.number === whole("corner")) ? whole("corner") : null;
  const [at, from, to] = ["at", "from", "to"].map(whole);
  const stretch = from !== null && to !== null && from < to && to <= page.length ? [from, to] : null;
  return {
    lap: lapOf("lap") ?? START.lap,
    other: lapOf("with"),
    corner,
    all: corner !== null && fields.get("all") === "1",
    at: at !== null && at <= page.length ? at : null,
    range: corner === null ? stretch : cornerRange(corner),
  };
}

function followAddress() {
  clearTimeout(addressTimer);
  addressFollows = false;
  choose(readAddress());
  addressFollows = true;
  const fields = new URLSearchParams(location.hash.slice(1));
  const place = document.getElementById(fields.get("place") ?? location.hash.slice(1));
  if (place) openFolds(place);
  return place;
}

function openFolds(place) {
  for (let fold = place.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
}
