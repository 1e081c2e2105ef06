// Ties the parts together: pickers, pointers, keys, printing, and the first drawing.
const lapPick = document.getElementById("lap-pick");
const cornerPick = document.getElementById("corner-pick");

function showChoice(changed) {
  if (changed.lap || changed.corner) {
    if (lapPick && choice.lap !== null) lapPick.value = String(choice.lap);
    if (cornerPick) cornerPick.value = choice.corner === null ? "" : String(choice.corner);
    const reason = page.notCounted[choice.lap];
    const note = document.getElementById("uncounted");
    if (note) note.textContent = reason === undefined ? "" : `This lap does not count: ${reason}`;
    for (const words of document.querySelectorAll(".of-lap")) {
      words.textContent = choice.lap === null ? "" : `lap ${choice.lap}`;
    }
    markRows();
  }
  for (const drawing of drawings.values()) {
    const zoomed = changed.range && drawing.along === "distance";
    if (changed.lap || zoomed) drawSoon(drawing);
    else if (changed.at) placeCursor(drawing);
  }
  if (changed.lap || changed.at) showReadouts();
}

function stepLap(step) {
  const next = lapPick?.options[lapPick.selectedIndex + step];
  if (next) choose({ lap: Number(next.value) });
}

function wirePickers() {
  lapPick?.addEventListener("change", () => choose({ lap: Number(lapPick.value) }));
  cornerPick?.addEventListener("change", () => {
    choose({ corner: cornerPick.value === "" ? null : Number(cornerPick.value) });
  });
  document.getElementById("lap-before")?.addEventListener("click", () => stepLap(-1));
  document.getElementById("lap-after")?.addEventListener("click", () => stepLap(1));
  // A link to a place on the page moves there and leaves the choice in the address alone.
  document.addEventListener("click", (event) => {
    const target = event.target.closest?.("a[href^='#']")?.getAttribute("href").slice(1);
    const place = target && document.getElementById(target);
    if (!place) return;
    event.preventDefault();
    for (let fold = place.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
    place.scrollIntoView({ block: "start" });
    place.querySelector("[tabindex='0']")?.focus({ preventScroll: true });
  });
}

function placeUnder(drawing, event) {
  const box = drawing.plot.getBoundingClientRect();
  const [px, py] = [event.clientX - box.left, event.clientY - box.top];
  return drawing.along === "map" ? nearestPlace(drawing, px, py, 40) : placeAt(drawing, px);
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
  if (drawing.along !== "map") return;
  drawing.plot.addEventListener("click", (event) => {
    const box = drawing.plot.getBoundingClientRect();
    const corner = nearestCorner(drawing, event.clientX - box.left, event.clientY - box.top, 34);
    if (corner !== null) choose({ corner: choice.corner === corner ? null : corner });
  });
}

function wireKeys(drawing) {
  drawing.plot.addEventListener("keydown", (event) => {
    const sign = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (event.key === "Escape") choose({ at: null, corner: null, range: null });
    else if (sign) {
      const [low, high] = choice.range ?? [0, page.length];
      const step = (event.shiftKey ? 0.05 : 0.005) * (high - low);
      choose({ at: Math.min(Math.max((choice.at ?? low) + sign * step, low), high) });
    } else if (event.key === "PageUp" || event.key === "PageDown") {
      stepLap(event.key === "PageUp" ? -1 : 1);
    } else return;
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
wirePrinting();
choose({ lap: lapPick ? Number(lapPick.value) : null, ...readAddress() });
addressFollows = true;
addEventListener("hashchange", () => choose(readAddress()));
watchView();
setTimeout(() => {
  const first = drawings.values().next().value;
  if (first?.stale) draw(first);
}, 0);
