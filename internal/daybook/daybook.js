// The pages are whole without this. With it they follow the build: a change, made here or in an editor, is fetched and set in
// piece by piece, and what is being typed stays.

const doc = document, body = doc.body;
doc.documentElement.classList.add("live");

/** The pieces that follow the build, by name. */
const pieces = root => new Map([...root.querySelectorAll("[data-live]")].map(e => [e.dataset.live, e]));
const typed = e => e.matches("select") ? [...e.options].some(o => o.selected !== o.defaultSelected) && e.selectedIndex !== [...e.options].findIndex(o => o.defaultSelected)
  && !(e.selectedIndex === 0 && ![...e.options].some(o => o.defaultSelected)) : e.type === "checkbox" ? e.checked !== e.defaultChecked : e.value !== e.defaultValue;
const fields = root => root.querySelectorAll("input:not([type=hidden]):not([type=file]),select,textarea");
const key = e => e.id || e.name || e.getAttribute("href") || e.textContent;

/** Sets a new piece in place of an old one: open workings, typed text and the focus are carried over. */
function exchange(old, fresh) {
  const mark = e => `${e.className}|${e.closest("tr,.row,li,form,section")?.id}|${e.querySelector("summary")?.textContent}`;
  const open = new Set([...old.querySelectorAll("details[open]")].map(mark));
  const kept = new Map();
  for (const e of fields(old)) if (typed(e)) kept.set(e.id, e);
  const active = old.contains(doc.activeElement) ? doc.activeElement : null;
  const at = active && "selectionStart" in active ? [active.selectionStart, active.selectionEnd] : null;
  for (const d of fresh.querySelectorAll("details")) if (open.has(mark(d))) d.open = true;
  for (const e of fields(fresh)) {
    const was = kept.get(e.id);
    if (!was) continue;
    e.value = was.value;
    e.checked = was.checked;
    e.classList.add("typed");
    const base = e.form?.elements.base, old = was.form?.elements.base;
    if (base && old) base.value = old.value; // it was typed on that revision: a clash must be seen
    const box = doc.getElementById(e.id + "-w"), words = fresh.querySelector("#" + CSS.escape(e.id + "-w"));
    if (box && words && !box.hidden) { words.hidden = false; words.textContent = box.textContent; e.setAttribute("aria-invalid", "true"); }
  }
  old.replaceWith(fresh);
  if (active) {
    const same = [...fresh.querySelectorAll("a,button,input,select,textarea,summary")].find(e => key(e) === key(active) && e.getClientRects().length);
    same?.focus({preventScroll: true});
    if (same && at && at[0] !== null) try { same.setSelectionRange(...at); } catch { /* not a text */ }
  }
}

/** The pieces as the server sent them: what script adds to one is no change of it. */
const was = new WeakMap();
for (const e of pieces(doc).values()) was.set(e, e.outerHTML);

let shown = body.dataset.revision, asked = 0, coming = null, late = 0;

/** Fetches this page again, for a revision, and sets in what has changed. */
async function follow(id) {
  if (id === coming) return;
  coming = id;
  const turn = ++asked;
  let text, at;
  try {
    const r = await fetch(location.href, {headers: {"X-Fettle": "follow"}});
    text = await r.text();
    at = r;
  } catch { if (turn === asked) coming = null; return; }
  if (turn !== asked) return;
  coming = null;
  clearTimeout(late);
  busy("");
  if (at.headers.has("Refresh")) setTimeout(() => { if (turn === asked) follow(id); }, 1000); // what it shows is being worked out
  const page = new DOMParser().parseFromString(text, "text/html");
  const now = pieces(doc), next = pieces(page);
  const same = at.ok && [...now.keys()].join("\n") === [...next.keys()].join("\n");
  const main = doc.importNode(page.querySelector("main"), true);
  if (!same && [...fields(doc)].filter(typed).every(e => main.querySelector("#" + CSS.escape(e.id)))) { // the page has other parts than before, and a place for what is typed
    for (const e of pieces(main).values()) was.set(e, e.outerHTML);
    exchange(doc.querySelector("main"), main);
  }
  for (const [name, e] of next) {
    const old = pieces(doc).get(name);
    const html = e.outerHTML;
    if (old && was.get(old) !== html) {
      const fresh = doc.importNode(e, true);
      exchange(old, fresh);
      was.set(fresh, html);
      if (name !== "order" && name !== "order-short" && name !== "block") fresh.classList.add("fresh");
    }
  }
  shown = page.body.dataset.revision;
  body.dataset.revision = shown;
  if (!("waiting" in page.body.dataset)) delete body.dataset.waiting;
  doc.documentElement.classList.remove("stale");
  doc.dispatchEvent(new Event("fettle:followed"));
}

const anythingTyped = () => [...fields(doc)].some(typed);

/** The line in the title block that says what is being done. */
function busy(words) {
  const line = doc.querySelector(".busy");
  if (!line) return;
  line.hidden = !words;
  line.querySelector("p").textContent = words || "";
}

let stream = null;
function listen() {
  if (stream || !body.dataset.events) return;
  stream = new EventSource(body.dataset.events);
  const on = (kind, f) => stream.addEventListener(kind, e => f(JSON.parse(e.data)));
  on("revision", e => {
    if (e.id === shown) return;
    doc.documentElement.classList.add("stale");
    clearTimeout(late);
    late = setTimeout(() => busy((e.words ? e.words + ": " : e.by === "outside" ? "changed in another place: " : "") + "being proved again"), 150);
    follow(e.id); // the answer comes when the proof is there
  });
  on("progress", e => { clearTimeout(late); busy(`${e.question}: ${e.done} of ${e.total}`); });
  on("verdict", e => { clearTimeout(late); busy(""); if (e.id !== shown || e.again || "waiting" in body.dataset) follow(e.id); });
  on("trouble", e => { clearTimeout(late); busy(""); if (e.id !== shown) anythingTyped() ? busy("The file cannot be read as a build now; what you typed is kept here. " + (e.words || "")) : location.reload(); });
  on("stopped", () => { clearTimeout(late); busy("Stopped before its end. Open the page again to have it done."); });
  stream.addEventListener("closing", () => { stream.close(); stream = null; busy("The daybook was closed where it was started."); });
  stream.onerror = () => { if (stream?.readyState === EventSource.CLOSED) stream = null; };
}
const hush = () => { stream?.close(); stream = null; };
doc.addEventListener("visibilitychange", () => doc.hidden ? hush() : listen());
addEventListener("pagehide", hush);
addEventListener("pageshow", () => { if (!doc.hidden) listen(); });
listen();

/** Words beside a field or a form; none take them away. */
function wrong(form, field, words) {
  const box = (field && doc.getElementById(field.id + "-w")) || form.querySelector(":scope > .wrong") || form.querySelector(".wrong");
  if (!box) { if (words) alert(words); return; }
  box.hidden = !words;
  box.textContent = words || "";
  field?.toggleAttribute("aria-invalid", Boolean(words));
}

function inWords(a) {
  if (a.conflict?.length) return "Changed by another hand meanwhile; nothing was written.\n" +
    a.conflict.map(c => `${c.where}: in the file now ${c.theirs || "not written"}, yours ${c.mine || "not written"}`).join("\n") + "\nWrite it once more to have yours.";
  if (a.problems?.length) return a.problems.map(p => (p.line ? `line ${p.line}: ` : "") + p.message + (p.mend ? "\n" + p.mend : "")).join("\n");
  return a.words || "Nothing was written.";
}

/** Sends fields; the page follows by itself. */
async function send(form, data, field) {
  let r, a;
  try {
    r = await fetch(form.action, {method: "POST", headers: {Accept: "application/json"}, body: new URLSearchParams(data)});
    a = await r.json();
  } catch { wrong(form, field, "The daybook does not answer: nothing was written. What you typed is kept here."); return false; }
  if (!r.ok) {
    wrong(form, field, inWords(a));
    if (a.kind === "conflict" && a.theirs && form.elements.base) form.elements.base.value = a.theirs;
    return false;
  }
  wrong(form, field, "");
  if (a.to) { location.href = a.to; return true; }
  if (a.id && a.id !== shown) doc.documentElement.classList.add("stale");
  return a;
}

/** The fields of one attribute: several where it is a list. */
const same = (form, name) => [...fields(form)].filter(f => f.name === name);

/** What they say: of boxes, those that are ticked; none is an empty list. */
function said(list) {
  const values = list.filter(f => f.type !== "checkbox" || f.checked).map(f => [f.name, f.value]);
  return values.length ? values : [[list[0].name, ""]];
}

/** What was sent is no longer typed: it is what stands there. */
function settle(e) {
  e.classList.remove("typed");
  e.defaultChecked = e.checked;
  if (e.matches("select")) for (const o of e.options) o.defaultSelected = o.selected; else e.defaultValue = e.value;
}

// One value is written as soon as it is left or Enter is pressed.
doc.addEventListener("input", e => { if (e.target.closest(".record,.plain")) e.target.classList.toggle("typed", typed(e.target)); });
doc.addEventListener("change", async e => {
  const form = e.target.form;
  if (!form?.matches(".record:not(.reading)") || !e.target.name.startsWith("/") || !typed(e.target)) return;
  const sent = e.target.value;
  if (await send(form, [["base", form.elements.base.value], ...(form.elements.make ? [["make", "1"]] : []), ...said(same(form, e.target.name))], e.target) && e.target.value === sent) settle(e.target);
});
// A reading of the bench that was written down is told at once, and the next box is at hand, unless the hand has gone elsewhere.
let ask = null, left = null;
function tell(words) {
  const line = doc.getElementById("told");
  if (line) line.textContent = words || "";
}
doc.addEventListener("fettle:followed", () => {
  if (ask && (doc.activeElement === body || doc.activeElement?.id === left)) doc.getElementById(ask)?.focus();
  ask = null;
});
doc.addEventListener("submit", async e => {
  const form = e.target;
  if (form.method !== "post" || form.enctype === "multipart/form-data" || form.matches("[data-plain]")) return;
  e.preventDefault();
  if (form.matches(".record:not(.reading)") && doc.activeElement?.form === form && doc.activeElement.name?.startsWith("/")) doc.activeElement.dispatchEvent(new Event("change", {bubbles: true}));
  else {
    const data = new FormData(form);
    if (e.submitter?.name) data.append(e.submitter.name, e.submitter.value);
    if (form.matches(".box")) {
      ask = form.dataset.then;
      left = doc.activeElement?.id;
      if (form.closest("#front")) history.replaceState(null, "", form.elements.back.value); // what comes after this one is in front then
    }
    if (form.matches(".record:not(.reading)")) for (const f of fields(form)) if (!same(form, f.name).some(typed)) data.delete(f.name);
    const done = await send(form, data);
    if (done) for (const f of fields(form)) form.matches(".reading,.box") ? (f.value = f.matches("select") ? f.options[0].value : f.type === "checkbox" ? f.value : "", f.checked = f.defaultChecked, f.classList.remove("typed")) : settle(f);
    if (done && form.action.endsWith("/text")) location.reload();
    if (form.matches(".box")) done ? tell(done.words) : ask = null;
  }
});
doc.addEventListener("keydown", e => {
  if (e.key === "Escape" && e.target.matches?.(".typed") && !e.target.matches("select,textarea")) { e.target.value = e.target.defaultValue; e.target.classList.remove("typed"); wrong(e.target.form, e.target, ""); }
});

// A recording that is dropped anywhere on its page is brought.
const bring = doc.querySelector("form.bring");
if (bring) {
  const files = e => [...e.dataTransfer?.types ?? []].includes("Files");
  const over = yes => bring.classList.toggle("over", yes);
  addEventListener("dragover", e => { if (files(e)) { e.preventDefault(); over(true); } });
  addEventListener("dragleave", e => { if (!e.relatedTarget) over(false); });
  addEventListener("drop", e => {
    if (!files(e)) return;
    e.preventDefault();
    over(false);
    const one = new DataTransfer();
    one.items.add(e.dataTransfer.files[0]);
    bring.elements.file.files = one.files;
    bring.requestSubmit();
  });
}

// What is looked at closely is drawn by a module of its own, fetched where it is wanted.
for (const box of doc.querySelectorAll("[data-plot]")) import(box.dataset.module).then(m => m.default(box));
