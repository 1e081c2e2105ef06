// The one choice that all figures and tables share, kept in the address behind the #.
const choice = { lap: null, corner: null, at: null, range: null };
const listeners = [];

function whenChosen(listener) {
  listeners.push(listener);
}

// Takes the changed parts, e.g. choose({ lap: 4 }); a corner brings its own stretch of road.
function choose(changes) {
  const changed = {};
  const next = { ...changes };
  if ("corner" in next && !("range" in next)) next.range = cornerRange(next.corner);
  for (const [name, value] of Object.entries(next)) {
    if (JSON.stringify(choice[name]) === JSON.stringify(value)) continue;
    choice[name] = value;
    changed[name] = true;
  }
  if (Object.keys(changed).length === 0) return;
  for (const listener of listeners) listener(changed);
  if (addressFollows) writeAddressSoon();
}

function cornerRange(number) {
  const corner = page.corners.find((one) => one.number === number);
  if (!corner) return null;
  const room = Math.max(40, 0.35 * (corner.end - corner.start));
  return [Math.max(0, corner.start - room), Math.min(page.length, corner.end + room)];
}

// The address is left as it was until somebody chooses something.
let addressFollows = false;
let addressTimer = 0;
function writeAddressSoon() {
  clearTimeout(addressTimer);
  addressTimer = setTimeout(() => {
    const parts = [];
    if (choice.lap !== null) parts.push(`lap=${choice.lap}`);
    if (choice.corner !== null) parts.push(`corner=${choice.corner}`);
    if (choice.at !== null) parts.push(`at=${Math.round(choice.at)}`);
    try {
      history.replaceState(null, "", `#${parts.join("&")}`);
    } catch {
      // A browser may forbid this for files; the page works without it.
    }
  }, 250);
}

function readAddress() {
  const fields = new URLSearchParams(location.hash.slice(1));
  const whole = (name) => (/^\d{1,7}$/.test(fields.get(name) ?? "") ? Number(fields.get(name)) : null);
  const found = {};
  const lap = whole("lap");
  if (lap !== null && page.laps[lap]) found.lap = lap;
  const corner = whole("corner");
  if (page.corners.some((one) => one.number === corner)) found.corner = corner;
  const at = whole("at");
  if (at !== null && at <= page.length) found.at = at;
  return found;
}
