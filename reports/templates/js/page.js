// Ties the parts together: pickers, pointers, keys, printing, and the first drawing.
const lapPick = document.getElementById("lap-pick");
const cornerPick = document.getElementById("corner-pick");

const otherPick = document.getElementById("other-pick");
const allLapsBox = document.getElementById("all-laps");

function showChoice(changed) {
  const laps = changed.lap || changed.other || changed.all || (changed.range && choice.all);
  if (laps || changed.corner) {
    showPicks();
    for (const words of document.querySelectorAll(".of-lap")) {
      words.textContent = lapWords(words.closest(".figure").dataset.along === "distance");
    }
    markRows();
  }
  for (const drawing of drawings.values()) {
    const zoomed = changed.range && drawing.along === "distance";
    if (changed.lap || zoomed || (laps && drawing.along === "distance")) drawSoon(drawing);
    else if (changed.at) placeCursor(drawing);
  }
  if (laps || changed.at || changed.range) showReadouts();
}

function showPicks() {
  if (!lapPick) return;
  if (choice.lap !== null) lapPick.value = String(choice.lap);
  if (cornerPick) cornerPick.value = choice.corner === null ? "" : String(choice.corner);
  otherPick.value = choice.other === null ? "" : String(choice.other);
  allLapsBox.checked = choice.all;
  allLapsBox.closest("label").hidden = choice.corner === null;
  const reason = page.notCounted[choice.lap];
  document.getElementById("uncounted").textContent = reason === undefined ? "" : `This lap does not count: ${reason}`;
}

function stepLap(step) {
  const next = lapPick?.options[lapPick.selectedIndex + step];
  if (next) choose({ lap: Number(next.value) });
}

function stepCorner(step) {
  const numbers = [null, ...page.corners.map((one) => one.number)];
  const next = numbers.indexOf(choice.corner) + step;
  choose({ corner: numbers.at(next % numbers.length) });
}

// The quickest lap beside the chosen one, or beside the quickest the next; none when there was one.
function toggleOther() {
  const quickest = START.lap === choice.lap ? countedLaps.find((lap) => lap !== choice.lap) : START.lap;
  choose({ other: choice.other === null ? quickest ?? null : null });
}

const picked = (select) => (select.value === "" ? null : Number(select.value));

function wirePickers() {
  lapPick?.addEventListener("change", () => choose({ lap: picked(lapPick) }));
  otherPick?.addEventListener("change", () => choose({ other: picked(otherPick) }));
  cornerPick?.addEventListener("change", () => choose({ corner: picked(cornerPick) }));
  allLapsBox?.addEventListener("change", () => choose({ all: allLapsBox.checked }));
  document.getElementById("lap-before")?.addEventListener("click", () => stepLap(-1));
  document.getElementById("lap-after")?.addEventListener("click", () => stepLap(1));
  // A link to a place on the page moves there, opens what it is folded in and keeps the choice.
  document.addEventListener("click", (event) => {
    const target = event.target.closest?.("a[href^='#']")?.getAttribute("href").slice(1);
    const place = target && document.getElementById(target);
    if (!place) return;
    event.preventDefault();
    writeAddress(true, target);
    openFolds(place);
    place.scrollIntoView({ block: "start" });
    moveFocusTo(place);
  });
}

function moveFocusTo(place) {
  const inside = place.querySelector("[tabindex='0']") ?? place;
  if (inside.tabIndex < 0) inside.tabIndex = -1; // takes the focus, is no stop on the way
  inside.focus({ preventScroll: true });
}

function placeUnder(drawing, event) {
  const box = drawing.plot.getBoundingClientRect();
  const [px, py] = [event.clientX - box.left, event.clientY - box.top];
  return drawing.along === "map" ? nearestPlace(drawing, px, py, 40) : placeAt(drawing, px);
}

// The corner on the map, or the one whose number stands above the drawing.
function cornerUnder(drawing, event) {
  const box = drawing.plot.getBoundingClientRect();
  const [px, py] = [event.clientX - box.left, event.clientY - box.top];
  if (drawing.along === "map") return nearestCorner(drawing, px, py, 34);
  const at = py < plotBox(drawing).top ? placeAt(drawing, px) : null;
  return page.corners.find(({ start, end }) => at !== null && at >= start && at <= end)?.number ?? null;
}

function wirePointer(drawing) {
  let waiting = null;
  const mark = (event) => {
    if (!drawing.drawn) return;
    if (waiting === null) {
      requestAnimationFrame(() => {
        const at = placeUnder(drawing, waiting);
        waiting = null;
        if (at !== null) choose({ at });
      });
    }
    waiting = event;
  };
  drawing.plot.addEventListener("pointermove", mark);
  drawing.plot.addEventListener("pointerdown", mark);
  drawing.plot.addEventListener("click", (event) => {
    const corner = cornerUnder(drawing, event);
    if (corner !== null) choose({ corner: choice.corner === corner ? null : corner });
  });
}

const FIGURE_KEYS = {
  Escape: () => choose({ at: null, corner: null, range: null, other: null }),
  ArrowLeft: (event) => moveMark(event.shiftKey ? -0.05 : -0.005),
  ArrowRight: (event) => moveMark(event.shiftKey ? 0.05 : 0.005),
  PageUp: () => stepLap(-1),
  PageDown: () => stepLap(1),
  c: () => stepCorner(1),
  C: () => stepCorner(-1),
  w: toggleOther,
  a: () => choice.corner !== null && choose({ all: !choice.all }),
};

function moveMark(share) {
  const [low, high] = choice.range ?? [0, page.length];
  choose({ at: Math.min(Math.max((choice.at ?? low) + share * (high - low), low), high) });
}

function wireKeys(drawing) {
  drawing.plot.addEventListener("keydown", (event) => {
    const act = FIGURE_KEYS[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    act(event);
    event.preventDefault();
  });
}

function watchView() {
  const watcher = new IntersectionObserver((entries) => {
    for (const entry of entries) {
      const drawing = drawings.get(entry.target.dataset.figure);
      drawing.near = entry.isIntersecting;
      if (drawing.near && drawing.stale) draw(drawing);
    }
  }, { rootMargin: "300px 0px" });
  for (const drawing of drawings.values()) watcher.observe(drawing.plot);
  const sizes = new ResizeObserver((entries) => {
    for (const entry of entries) {
      const drawing = drawings.get(entry.target.dataset.figure);
      if (drawing.drawn && !printing && Math.abs(drawing.plot.clientWidth - drawing.width) > 1) {
        drawSoon(drawing);
      }
    }
  });
  for (const drawing of drawings.values()) sizes.observe(drawing.plot);
  dark.addEventListener("change", () => drawings.forEach(drawSoon));
}

let printing = false;
// A4 less its margins is 700 wide; what does not run along the lap has its words beside it.
const ON_PAPER = {
  distance: { width: 700, onDark: false, stretch: 0.5, letters: 10 },
  map: { width: 340, onDark: false, letters: 10 },
  other: { width: 460, onDark: false, stretch: 0.56, letters: 10 },
};
function wirePrinting() {
  addEventListener("beforeprint", () => {
    printing = true;
    for (const drawing of drawings.values()) draw(drawing, ON_PAPER[drawing.along]);
  });
  addEventListener("afterprint", () => {
    printing = false;
    for (const drawing of drawings.values()) drawSoon(drawing);
  });
}

// Each figure's room is kept from the start: nothing moves under the pointer when it is drawn.
for (const drawing of drawings.values()) {
  drawing.plot.style.minHeight = `${layoutOf(drawing, drawing.plot.clientWidth).height}px`;
}
whenChosen(showChoice);
tables.forEach(wireTable);
wirePickers();
for (const drawing of drawings.values()) {
  wireKeys(drawing);
  if (drawing.along !== "other") wirePointer(drawing);
}
for (const button of document.querySelectorAll(".save")) {
  button.addEventListener("click", () => savePicture(button.dataset.saves));
}
wireNumbers();
watchScrolling();
wireWords();
wirePrinting();
followAddress()?.scrollIntoView();
addEventListener("hashchange", followAddress);
watchView();
setTimeout(() => {
  const first = drawings.values().next().value;
  if (first?.stale) draw(first);
}, 0);
