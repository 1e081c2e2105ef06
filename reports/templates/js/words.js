// Words that show their meaning where they stand: by pointer, touch and keys.
const meaning = document.createElement("span");
meaning.className = "meaning";
meaning.setAttribute("role", "status");
meaning.popover = "manual"; // above all else, cut off by nothing
let explained = null;
let shownAt = 0;

function hideMeaning() {
  if (!explained) return;
  explained.removeAttribute("aria-expanded");
  explained = null;
  meaning.hidePopover?.();
  meaning.remove();
}

function showMeaning(term) {
  hideMeaning();
  explained = term;
  term.setAttribute("aria-expanded", "true");
  term.after(meaning);
  meaning.showPopover?.();
  meaning.textContent = term.dataset.means;
  shownAt = term.getBoundingClientRect().top;
  const [at, size] = [term.getBoundingClientRect(), meaning.getBoundingClientRect()];
  const below = at.bottom + 6 + size.height < window.innerHeight;
  const left = Math.min(Math.max(at.left - 12, 8), window.innerWidth - size.width - 8);
  meaning.style.left = `${left}px`;
  meaning.style.top = `${below ? at.bottom + 6 : at.top - 6 - size.height}px`;
}

function wireWords() {
  document.addEventListener("click", (event) => {
    const term = event.target.closest?.(".term");
    if (term && term !== explained) showMeaning(term);
    else if (!meaning.contains(event.target)) hideMeaning();
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") hideMeaning();
  });
  document.addEventListener("focusin", (event) => {
    if (event.target !== explained) hideMeaning();
  });
  addEventListener("scroll", () => {
    if (explained && Math.abs(explained.getBoundingClientRect().top - shownAt) > 4) hideMeaning();
  }, { passive: true, capture: true });
}
