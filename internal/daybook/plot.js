// Half-bits of a recording, to be looked at closely: the server sends for each piece of time the shortest and the longest, as many
// pieces as the plot is wide, and anew for every window of time.

const SPAN = [30, 130]; // µs shown at first: ones and zeros

export default async function plot(box) {
  const {default: uPlot} = await import(box.dataset.uplot);
  const limits = JSON.parse(box.dataset.limits || "[]") || [];
  const css = name => getComputedStyle(box).getPropertyValue(name).trim();
  const bar = document.createElement("div"), place = document.createElement("div"), words = document.createElement("p");
  bar.className = "bar";
  words.className = "under";
  words.setAttribute("role", "status");
  const width = () => Math.max(280, Math.min(box.clientWidth, 1400));
  const get = async (from, to) => (await fetch(`${box.dataset.plot}&pieces=${width()}${from === undefined ? "" : `&from=${from}&to=${to}`}`)).json();
  box.hidden = false;
  const whole = await get();
  if (!whole.time?.length) { box.hidden = true; return; }
  const rows = d => [d.time, d.short, d.long];
  let u = null, turn = 0, now = whole, y = SPAN, seen = {min: whole.from, max: whole.to};

  function bands(u) {
    const c = u.ctx, {left, top, width, height} = u.bbox;
    c.save();
    c.beginPath(); c.rect(left, top, width, height); c.clip();
    for (const b of limits) {
      const a = u.valToPos(b.From, "y", true), z = u.valToPos(b.To, "y", true);
      c.globalAlpha = b.Good ? .16 : .07;
      c.fillStyle = b.Good ? "#009e73" : css("--look");
      c.fillRect(left, z, width, a - z);
      c.globalAlpha = 1;
      if (Math.min(a, top + height) - Math.max(z, top) > 14 * devicePixelRatio) {
        c.fillStyle = css("--quiet");
        c.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
        c.textBaseline = "top";
        c.fillText(b.Label, left + 6 * devicePixelRatio, Math.max(z, top) + 3 * devicePixelRatio);
      }
    }
    c.restore();
  }

  function draw() {
    u?.destroy();
    const ink = css("--ink"), quiet = css("--quiet"), line = css("--line");
    const axis = label => ({label, labelSize: 22, labelFont: "italic 12px system-ui, sans-serif", font: "12px system-ui, sans-serif", stroke: quiet, grid: {stroke: line, width: 1}, ticks: {stroke: quiet, width: 1, size: 4}});
    u = new uPlot({
      width: width(), height: 300,
      scales: {x: {time: false, ...seen}, y: {range: () => y}},
      axes: [axis("time in the recording / s"), axis("half-bit / µs")],
      cursor: {drag: {x: true, y: false}, points: {size: 7}},
      series: [
        {label: "time / s", value: (_, v) => v == null ? "–" : v.toFixed(6)},
        {label: "shortest / µs", stroke: ink, width: 1.2, points: {show: false}, value: (_, v) => v == null ? "–" : v.toFixed(2)},
        {label: "longest / µs", stroke: ink, width: 1.2, dash: [5, 3], points: {show: false}, value: (_, v) => v == null ? "–" : v.toFixed(2)},
      ],
      bands: [{series: [2, 1], fill: ink + "40"}],
      hooks: {drawClear: [bands], setSelect: [s => s.select.width > 2 && go(s.posToVal(s.select.left, "x"), s.posToVal(s.select.left + s.select.width, "x"))]},
    }, rows(now), place);
    u.over.addEventListener("dblclick", () => go(whole.from, whole.to));
    u.over.addEventListener("wheel", e => {
      e.preventDefault();
      const t = u.posToVal(e.offsetX, "x"), f = Math.exp(Math.sign(e.deltaY) * .25), {min, max} = seen;
      e.shiftKey ? shift(Math.sign(e.deltaY || e.deltaX) * .15) : go(t - (t - min) * f, t + (max - t) * f);
    }, {passive: false});
  }

  /** Shows a window of time: at once with what is there, then with what the server sends for it. */
  async function go(from, to) {
    const least = 20e-6, span = Math.min(Math.max(to - from, least), whole.to - whole.from), mid = (from + to) / 2;
    from = Math.min(Math.max(mid - span / 2, whole.from), whole.to - span);
    to = from + span;
    seen = {min: from, max: to};
    u.setSelect({left: 0, top: 0, width: 0, height: 0}, false);
    u.setScale("x", {min: from, max: to});
    const mine = ++turn, d = await get(from, to);
    if (mine !== turn || !d.time) return;
    now = d;
    u.batch(() => { u.setData(rows(d), false); u.setScale("x", {min: from, max: to}); });
    words.textContent = `${from.toFixed(6)} s to ${to.toFixed(6)} s, ` + (d.each ? `${d.time.length} half-bits, each drawn` : "of each piece of time the shortest and the longest half-bit") + (whole.cut ? "; the recording goes on, its beginning is held" : "");
  }
  const shift = share => { const {min, max} = seen, by = (max - min) * share; go(min + by, max + by); };
  const zoom = f => { const {min, max} = seen, m = (min + max) / 2, h = (max - min) / 2 * f; go(m - h, m + h); };
  const button = (text, name, f) => {
    const b = document.createElement("button");
    b.type = "button"; b.textContent = text; b.setAttribute("aria-label", name); b.title = name;
    b.addEventListener("click", f);
    bar.append(b);
  };
  button("←", "earlier", () => shift(-.5));
  button("→", "later", () => shift(.5));
  button("closer", "closer", () => zoom(.4));
  button("wider", "wider", () => zoom(2.5));
  button("whole", "the whole recording", () => go(whole.from, whole.to));
  button("all lengths", "all lengths, or ones and zeros alone", () => {
    y = y === SPAN ? [0, 1.05 * Math.max(...now.long.filter(v => v !== null))] : SPAN;
    draw();
  });
  place.tabIndex = 0;
  place.setAttribute("role", "group");
  place.setAttribute("aria-label", "Half-bits against time: arrows move, + and − come closer and go back, Home shows the whole");
  place.addEventListener("keydown", e => {
    const f = {ArrowLeft: () => shift(-.2), ArrowRight: () => shift(.2), "+": () => zoom(.6), "-": () => zoom(1.7), Home: () => go(whole.from, whole.to)}[e.key];
    if (f) { e.preventDefault(); f(); }
  });
  const kept = document.createElement("p");
  kept.className = "save";
  kept.append("keep what is shown as");
  for (const [as, name] of [["svg", "SVG"], ["csv", "CSV"]]) {
    const a = document.createElement("a");
    a.textContent = name; a.download = "";
    a.setAttribute("aria-label", `the half-bits shown as ${name}`);
    a.href = `${box.dataset.plot}&as=${as}`;
    a.addEventListener("click", () => { a.href = `${box.dataset.plot}&as=${as}&pieces=${width()}&from=${seen.min}&to=${seen.max}`; });
    kept.append(" ", a);
  }
  box.append(bar, place, words, kept);
  words.textContent = "Drag to come closer, double-click for the whole; the wheel comes closer, with Shift it moves.";
  draw();
  new ResizeObserver(() => u.width !== width() && u.setSize({width: width(), height: 300})).observe(box);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
}
