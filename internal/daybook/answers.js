// A schematic answers without this: each part and each net of it is a link to its page. With it a card stands beside the part that is
// pointed at or reached by keyboard, the arrows go from part to part, and a working is fetched when it is opened.

const doc = document;

/** A piece of a page, by the address of the page. */
async function piece(address, kind) {
  const r = await fetch(address, {headers: {"X-Fettle": kind}});
  if (!r.ok) return null;
  return doc.importNode(new DOMParser().parseFromString(await r.text(), "text/html").body.firstElementChild, true);
}

// A working, and the table of what holds, is fetched once.
doc.addEventListener("toggle", async e => {
  const d = e.target, from = d.dataset?.from;
  if (!from || !d.open) return;
  delete d.dataset.from;
  const kind = d.matches(".held") ? "held" : "working", got = await piece(from, kind).catch(() => null);
  const what = kind === "held" ? got : got?.querySelector(".derivation");
  if (what) d.querySelector(":scope > p")?.replaceWith(what); else d.dataset.from = from; // the link stays
}, true);

let card = null, of = null, turn = 0, wait = 0;

function hide() {
  turn++;
  clearTimeout(wait);
  card?.remove();
  of?.classList.remove("shown");
  card = of = null;
}

/** Shows the card of a part, after a moment that keeps passing over the drawing quiet. */
function show(link, after) {
  if (of === link) { clearTimeout(wait); return; }
  const mine = ++turn;
  clearTimeout(wait);
  wait = setTimeout(async () => {
    const got = await piece(link.getAttribute("href"), "card").catch(() => null);
    if (mine !== turn) return;
    hide();
    const svg = link.ownerSVGElement, box = svg?.parentElement;
    if (!got || !box?.isConnected) return;
    of = link;
    of.classList.add("shown");
    card = got;
    card.classList.add("beside");
    box.append(card);
    const a = link.getBoundingClientRect(), b = box.getBoundingClientRect(), w = card.offsetWidth, h = card.offsetHeight;
    const block = doc.querySelector(".block")?.getBoundingClientRect().top ?? innerHeight; // the title block lies over the page's end
    const below = a.bottom + h + 8 <= (block > a.bottom ? Math.min(block, innerHeight) : innerHeight) || a.top < h + 8;
    // A tall symbol, the chip, has its card beside it.
    const right = a.height > 160 ? a.right + 8 : a.left;
    card.style.left = Math.max(0, Math.min(right - b.left, b.width - w)) + "px";
    card.style.top = (a.height > 160 ? Math.max(a.top, 8) - b.top : below ? a.bottom - b.top + 6 : a.top - b.top - h - 6) + "px";
  }, after);
}

const later = () => { turn++; clearTimeout(wait); wait = setTimeout(hide, 280); };
const inCard = e => card?.contains(e);

doc.addEventListener("pointerover", e => {
  if (e.pointerType === "touch") return;
  const link = e.target.closest?.("a.answer");
  if (link) show(link, 140);
  else if (inCard(e.target)) clearTimeout(wait);
  else if ((card || wait) && !of?.matches(":focus-visible") && !inCard(doc.activeElement)) later();
});
doc.addEventListener("focusin", e => {
  const link = e.target.closest?.("a.answer");
  if (link) { if (link.matches(":focus-visible")) { rove(link); show(link, 0); } }
  else if (card && !inCard(e.target)) hide();
});
// A finger has no pointing: the first touch shows the card, whose link leads on.
let touched = false;
doc.addEventListener("pointerdown", e => {
  touched = e.pointerType === "touch";
  if (card && !inCard(e.target) && !e.target.closest?.("a.answer")) hide();
});
doc.addEventListener("click", e => {
  const link = e.target.closest?.("a.answer");
  if (!link || !touched || of === link) return;
  e.preventDefault();
  show(link, 0);
});

/** One part of a drawing is in the order of the keyboard; the arrows lead to the others. */
function rove(link) {
  for (const a of link.ownerSVGElement.querySelectorAll("a.answer")) a.setAttribute("tabindex", a === link ? "0" : "-1");
}
function begin() {
  for (const svg of doc.querySelectorAll("svg.circuit")) {
    const first = svg.querySelector("a.answer");
    if (first && !svg.querySelector("a.answer[tabindex='0']")) rove(first);
  }
}
begin();
doc.addEventListener("fettle:followed", begin);

// A figure whose numbers are there can be looked at closely, by a module of its own that is fetched then.
const closers = new Map(), opened = new Set();
async function closely(figure, button) {
  const address = figure.dataset.figure;
  if (closers.has(figure)) {
    closers.get(figure)();
    closers.delete(figure);
    opened.delete(address);
  } else {
    button.disabled = true;
    try {
      closers.set(figure, await (await import(figure.dataset.module)).default(figure));
      opened.add(address);
    } catch { /* the drawing stays */ }
    button.disabled = false;
  }
  button.setAttribute("aria-pressed", String(closers.has(figure)));
}
function offer() {
  for (const figure of closers.keys()) if (!figure.isConnected) { closers.get(figure)(); closers.delete(figure); }
  for (const figure of doc.querySelectorAll("figure[data-figure]")) {
    const line = figure.querySelector(".save");
    if (!line || line.querySelector("button")) continue;
    const button = doc.createElement("button");
    button.type = "button";
    button.textContent = "look closely";
    button.setAttribute("aria-pressed", "false");
    button.setAttribute("aria-label", "look closely at " + (figure.querySelector("figcaption b")?.textContent || "it").replace(/\.$/, "").toLowerCase());
    button.addEventListener("click", () => closely(figure, button));
    line.append(" ", button);
    if ("open" in figure.dataset || opened.has(figure.dataset.figure)) closely(figure, button);
  }
}
offer();
doc.addEventListener("fettle:followed", offer);

const ways = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1]};
doc.addEventListener("keydown", e => {
  if (e.key === "Escape" && card) {
    if (inCard(doc.activeElement)) of?.focus();
    hide();
    return;
  }
  const way = ways[e.key], link = doc.activeElement?.closest?.("a.answer");
  if (!way || !link || e.altKey || e.ctrlKey || e.metaKey) return;
  e.preventDefault();
  const middle = a => { const r = a.firstElementChild.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; };
  const [x, y] = middle(link);
  let best = null, least = Infinity;
  for (const a of link.ownerSVGElement.querySelectorAll("a.answer")) {
    const [u, v] = middle(a), along = (u - x) * way[0] + (v - y) * way[1], across = Math.abs((u - x) * way[1]) + Math.abs((v - y) * way[0]);
    if (a !== link && along > 1 && along + 2.5 * across < least) { best = a; least = along + 2.5 * across; }
  }
  best?.focus();
});
