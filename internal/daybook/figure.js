// A figure, to be looked at closely: zoom, pan, and what each curve is at the cursor. It draws from the numbers of the same figure that
// the server has drawn; that drawing stays for print, and in its place where this is closed.

// Ticks and numbers as elsewhere: a point, a true minus, thin spaces between thousands.
const tick = v => v === null ? "" : String(+v.toPrecision(6)).replace("-", "−").replace(/\B(?=(\d{3})+$)/g, "\u202f");
const number = v => v === 0 ? "0" : (Math.abs(v) >= 1000 ? v.toFixed(0) : Math.abs(v) < 1e-3 ? v.toExponential(2) : v.toPrecision(3)).replace("-", "−");

/** Opens a figure, whose drawing is in `figure`; returns what closes it. */
export default async function closely(figure) {
  const answer = await fetch(figure.dataset.figure);
  if (!answer.ok) throw new Error(answer.statusText);
  const {figure: f, x: X, y: Y, dashes} = await answer.json();
  const {default: uPlot} = await import(figure.dataset.uplot);
  const drawing = [...figure.querySelectorAll(":scope > div")];
  const box = document.createElement("div"), bar = document.createElement("div"), place = document.createElement("div"), words = document.createElement("p");
  box.className = "closely";
  bar.className = "bar";
  words.className = "under";
  words.setAttribute("role", "status");
  box.append(bar, place, words);
  drawing[0].before(box);
  figure.classList.add("open");

  const css = name => getComputedStyle(figure.querySelector(".drawing")).getPropertyValue(name).trim();
  const colour = i => css(`--k${i % 8}`).replace(/^var\((.*)\)$/, (_, name) => css(name));
  const sx = v => v === null ? null : v / X.factor, sy = v => v === null ? null : v / Y.factor;
  const lowX = sx(X.low), highX = sx(X.high), lowY = sy(Y.low), highY = sy(Y.high);
  let seen = {x: {min: lowX, max: highX}, y: {min: lowY, max: highY}};
  const lift = log => log ? Math.log : v => v, drop = log => log ? Math.exp : v => v;
  const up = {x: lift(X.log), y: lift(Y.log)}, down = {x: drop(X.log), y: drop(Y.log)};

  // One table for each line; where two points stand one above the other, the second is set a hair to the right.
  const hair = (highX - lowX) * 1e-9;
  const steps = xs => { const out = []; for (const x of xs.map(sx)) out.push(out.length && x <= out[out.length - 1] ? out[out.length - 1] + hair : x); return out; };
  const strokes = f.curves.map((_, i) => (dashes[i] || "").split(" ").filter(Boolean).map(Number));
  const tables = [], series = [{}], bands = [];
  f.shades.forEach(s => {
    tables.push([steps(s.x), s.low.map(sy), s.high.map(sy)]);
    const fill = (s.curve >= 0 ? colour(s.curve) : css("--quiet")) + "33";
    series.push({points: {show: false}}, {points: {show: false}});
    bands.push({series: [series.length - 1, series.length - 2], fill});
  });
  f.curves.forEach((c, i) => {
    tables.push([steps(c.x), c.y.map(sy)]);
    series.push({stroke: colour(i), width: 2, dash: strokes[i], points: {show: false}});
  });
  tables.push([[lowX, highX], [null, null]]); // so that there is an abscissa where there are points alone
  series.push({points: {show: false}});
  const data = uPlot.join(tables, tables.map(t => t.slice(1).map(() => 1).concat(1)));
  const curves = f.curves.map(c => ({label: c.label, x: c.x.map(sx), y: c.y.map(sy)}));

  /** What a curve is at x; null beside it. */
  function at(c, x) {
    for (let i = 1; i < c.x.length; i++) {
      const a = c.x[i - 1], b = c.x[i];
      if (x < a || x > b || c.y[i] === null || c.y[i - 1] === null) continue;
      if (a === b) return c.y[i];
      const t = (up.x(x) - up.x(a)) / (up.x(b) - up.x(a));
      const y = down.y(up.y(c.y[i - 1]) * (1 - t) + up.y(c.y[i]) * t);
      return Number.isFinite(y) ? y : c.y[i];
    }
    return null;
  }
  const withUnit = (v, axis) => number(v) + (axis.symbol ? "\u202f" + axis.symbol : "");
  const name = axis => axis.title.split(" / ")[0];

  let u = null;
  function readOut() {
    const {left, top} = u.cursor;
    if (left === null || left < 0) return;
    const x = u.posToVal(left, "x"), list = curves.map(c => [c.label, at(c, x)]).filter(e => e[1] !== null).map(([l, y]) => `${l ? l + " " : ""}${withUnit(y, Y)}`);
    let near = null, least = 18;
    f.points.forEach(p => p.x.forEach((px, i) => {
      if (px === null || p.y[i] === null) return;
      const d = Math.hypot(u.valToPos(sx(px), "x") - left, u.valToPos(sy(p.y[i]), "y") - top);
      if (d < least) { least = d; near = `${p.label}: ${withUnit(sx(px), X)}, ${withUnit(sy(p.y[i]), Y)}${p.yLow[i] != null && p.yHigh[i] != null ? ` (${withUnit(sy(p.yLow[i]), Y)} to ${withUnit(sy(p.yHigh[i]), Y)})` : ""}${p.excluded[i] ? ", left out" : ""}`; }
    }));
    words.textContent = [`${name(X)} ${withUnit(x, X)}`, ...list, ...(near ? [near] : [])].join(" · ");
  }

  /** Where a band lies in the plot, from its lower to its upper end; null where it does not show. */
  function span(u, b) {
    const {left, top, width, height} = u.bbox;
    const [axis, value, lo, hi] = b.vertical ? ["x", sx, left, left + width] : ["y", sy, top + height, top];
    const a = b.from === null ? lo : u.valToPos(value(b.from), axis, true), z = b.to === null ? hi : u.valToPos(value(b.to), axis, true);
    return Number.isFinite(a) && Number.isFinite(z) ? [a, z] : null;
  }

  /** Limits as bands, below the curves. */
  function limits(u) {
    const c = u.ctx, {left, top, width, height} = u.bbox;
    c.save();
    c.beginPath(); c.rect(left, top, width, height); c.clip();
    for (const b of f.bands) {
      const [a, z] = span(u, b) || [];
      if (a === undefined) continue;
      c.globalAlpha = b.good ? .13 : .07;
      c.fillStyle = b.good ? "#009e73" : css("--look");
      b.vertical ? c.fillRect(a, top, z - a, height) : c.fillRect(left, z, width, a - z);
      c.globalAlpha = 1;
    }
    c.restore();
  }

  /** Readings with their error bars, named places, and the names of the curves where they end. */
  function over(u) {
    const c = u.ctx, {left, top, width, height} = u.bbox, r = devicePixelRatio, ink = css("--ink"), paper = css("--paper");
    const px = v => u.valToPos(sx(v), "x", true), py = v => u.valToPos(sy(v), "y", true);
    const inside = (x, y) => x >= left - 1 && x <= left + width + 1 && y >= top - 1 && y <= top + height + 1;
    c.save();
    c.beginPath(); c.rect(left, top, width, height); c.clip();
    c.font = `${12 * r}px system-ui, sans-serif`;
    c.textAlign = "left";
    c.strokeStyle = ink;
    c.lineWidth = r;
    const named = [];
    const say = (text, x, y, right, more) => named.push({text, x, y, right, ...more});
    for (const m of f.marks) {
      const x = m.x === null ? null : px(m.x), y = m.y === null ? null : py(m.y);
      c.setLineDash(x === null || y === null ? [2 * r, 3 * r] : []);
      c.beginPath();
      if (x === null && y !== null) { c.moveTo(left, y); c.lineTo(left + width, y); } else if (y === null && x !== null) { c.moveTo(x, top); c.lineTo(x, top + height); } else if (x !== null) c.arc(x, y, 4 * r, 0, 7);
      c.stroke();
      say(m.label, x ?? left + 6 * r, y ?? top + 14 * r, false);
    }
    c.setLineDash([]);
    for (const p of f.points) {
      let last = null;
      p.x.forEach((vx, i) => {
        if (vx === null || p.y[i] === null) return;
        const x = px(vx), y = py(p.y[i]);
        const bar = (a, b, line) => { if (a != null && b != null) { c.beginPath(); line(a, b); c.stroke(); } };
        bar(p.yLow[i], p.yHigh[i], (a, b) => { c.moveTo(x, py(a)); c.lineTo(x, py(b)); });
        bar(p.xLow[i], p.xHigh[i], (a, b) => { c.moveTo(px(a), y); c.lineTo(px(b), y); });
        c.beginPath();
        c.arc(x, y, 4 * r, 0, 7);
        c.fillStyle = p.excluded[i] ? paper : ink;
        c.fill();
        c.stroke();
        if (inside(x, y)) last = [x, y];
      });
      if (last) say(p.label, last[0], last[1], false);
    }
    curves.forEach((k, i) => {
      for (let j = k.x.length - 1; j >= 0; j--) {
        if (k.x[j] > seen.x.max || k.y[j] === null) { // the curve goes on: its name stands at the edge
          const y = j === 0 || k.x[j - 1] <= seen.x.max ? at(k, seen.x.max) : null;
          if (y === null) continue;
          const py = u.valToPos(y, "y", true);
          if (py >= top && py <= top + height) { say(k.label, left + width - 4 * r, py, true, {curve: i}); break; }
          continue;
        }
        const x = u.valToPos(k.x[j], "x", true), y = u.valToPos(k.y[j], "y", true);
        if (inside(x, y)) { say(k.label, x - 4 * r, y, true, {curve: i}); break; }
      }
    });
    for (const k of f.shades) {
      const shown = k.x.map((v, i) => [v === null || k.low[i] === null ? NaN : px(v), k.high[i] === null ? NaN : py(k.high[i])]).filter(p => inside(...p));
      const p = shown[Math.floor(shown.length / 2)];
      if (p) say(k.label, p[0], p[1], true);
    }
    for (const b of f.bands) {
      const [a, z] = span(u, b) || [], edge = Math.max(Math.min(a, z), b.vertical ? left : top);
      if (a !== undefined && edge < (b.vertical ? left + width : top + height)) say(b.label, b.vertical ? edge : left, b.vertical ? top : edge + 20 * r, false, {quiet: true});
    }
    named.sort((a, b) => a.y - b.y);
    const taken = [], high = top + 13 * r, low = top + height - 4 * r;
    for (const n of named) {
      if (!n.text) continue;
      const sample = n.curve === undefined ? 0 : 22 * r; // of the curve's stroke, before its name
      const w = c.measureText(n.text).width + sample;
      const x = Math.min(Math.max(n.right ? n.x - w : n.x + 7 * r, left + 2 * r), left + width - w - 2 * r);
      const from = Math.min(Math.max(n.y - 7 * r, high), low);
      // Beside its place, or as near above or below as there is room.
      let y = from;
      for (let k = 0; k < 24; k++) {
        const at = from + (k % 2 ? 1 : -1) * Math.ceil(k / 2) * 14 * r;
        if (at >= high && at <= low && !taken.some(t => Math.abs(t.y - at) < 14 * r && t.x < x + w && x < t.x + t.w)) { y = at; break; }
      }
      taken.push({x, y, w});
      c.textBaseline = "alphabetic";
      c.lineJoin = "round";
      c.strokeStyle = paper;
      c.lineWidth = 3.5 * r;
      c.strokeText(n.text, x + sample, y);
      c.fillStyle = n.quiet ? css("--quiet") : ink;
      c.fillText(n.text, x + sample, y);
      if (sample) {
        const line = (stroke, width, dash) => { c.strokeStyle = stroke; c.lineWidth = width; c.setLineDash(dash); c.beginPath(); c.moveTo(x, y - 4 * r); c.lineTo(x + 18 * r, y - 4 * r); c.stroke(); };
        line(paper, 5 * r, []);
        line(colour(n.curve), 2 * r, strokes[n.curve].map(d => d * r));
        c.setLineDash([]);
      }
    }
    c.restore();
  }

  const width = () => Math.max(260, Math.min(box.clientWidth, 1000));
  function draw() {
    u?.destroy();
    const quiet = css("--quiet"), line = css("--line");
    // On a logarithmic axis the ends, which are no round numbers, have no tick.
    const round = v => { const m = v / 10 ** Math.floor(Math.log10(v) + 1e-9); return Math.abs(m - Math.round(m)) < 1e-6; };
    const axis = ({title, log}) => ({label: title, values: (_, splits) => splits.map(v => log && v !== null && !round(v) ? "" : tick(v)), labelSize: 22, labelFont: "italic 12px system-ui, sans-serif", font: "12px system-ui, sans-serif", stroke: quiet, grid: {stroke: line, width: 1}, ticks: {stroke: quiet, width: 1, size: 4}});
    u = new uPlot({
      width: width(), height: Math.max(260, Math.min(width() * .56, 420)),
      scales: {x: {time: false, distr: X.log ? 3 : 1, range: () => [seen.x.min, seen.x.max]}, y: {distr: Y.log ? 3 : 1, range: () => [seen.y.min, seen.y.max]}},
      axes: [axis(X), axis(Y)],
      legend: {show: false},
      cursor: {drag: {x: true, y: true, uni: 24}, points: {show: false}},
      series, bands,
      hooks: {drawClear: [limits], draw: [over], setCursor: [readOut],
        setSelect: [s => s.select.width > 2 && go(s.posToVal(s.select.left, "x"), s.posToVal(s.select.left + s.select.width, "x"), s.posToVal(s.select.top + s.select.height, "y"), s.posToVal(s.select.top, "y"))]},
    }, data, place);
    u.over.addEventListener("dblclick", whole);
    u.over.addEventListener("wheel", e => {
      if (!e.ctrlKey && document.activeElement !== place) return; // the page scrolls unless the plot has the focus
      e.preventDefault();
      zoom(Math.exp(Math.sign(e.deltaY) * .2), u.posToVal(e.offsetX, "x"), u.posToVal(e.offsetY, "y"));
    }, {passive: false});
    u.over.addEventListener("pointerdown", () => place.focus({preventScroll: true}));
  }

  function go(x0, x1, y0, y1) {
    if (!(x1 > x0) || !(y1 > y0)) return;
    seen = {x: {min: x0, max: x1}, y: {min: y0, max: y1}};
    u.setSelect({left: 0, top: 0, width: 0, height: 0}, false);
    u.batch(() => { u.setScale("x", seen.x); u.setScale("y", seen.y); });
  }
  const whole = () => go(lowX, highX, lowY, highY);
  const about = (axis, f, at) => { const {min, max} = seen[axis], l = up[axis], a = at === undefined ? (l(min) + l(max)) / 2 : l(at); return [down[axis](a - (a - l(min)) * f), down[axis](a + (l(max) - a) * f)]; };
  const zoom = (f, x, y) => go(...about("x", f, x), ...about("y", f, y));
  const shift = (dx, dy) => { const move = (axis, s) => { const {min, max} = seen[axis], l = up[axis], by = (l(max) - l(min)) * s; return [down[axis](l(min) + by), down[axis](l(max) + by)]; }; go(...move("x", dx), ...move("y", dy)); };
  const button = (text, title, act) => {
    const b = document.createElement("button");
    b.type = "button"; b.textContent = text; b.setAttribute("aria-label", title); b.title = title;
    b.addEventListener("click", act);
    bar.append(b);
  };
  button("closer", "closer", () => zoom(.6));
  button("wider", "wider", () => zoom(1.7));
  button("←", "to the left", () => shift(-.3, 0));
  button("→", "to the right", () => shift(.3, 0));
  button("whole", "the whole figure", whole);
  place.tabIndex = 0;
  place.setAttribute("role", "group");
  place.setAttribute("aria-label", `${f.title}: the arrows move the cursor, with Shift the picture; + and − come closer and go back, Home shows the whole`);
  place.addEventListener("keydown", e => {
    const way = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1]}[e.key];
    const act = {"+": () => zoom(.6), "-": () => zoom(1.7), Home: whole}[e.key];
    if (!way && !act || e.altKey || e.ctrlKey || e.metaKey) return;
    e.preventDefault();
    if (act) return act();
    if (e.shiftKey) return shift(way[0] * .2, -way[1] * .2);
    const w = u.over.clientWidth, h = u.over.clientHeight, from = u.cursor.left >= 0 && u.cursor.left !== null ? u.cursor : {left: w / 2, top: h / 2};
    u.setCursor({left: Math.min(Math.max(from.left + way[0] * w / 50, 0), w), top: Math.min(Math.max(from.top + way[1] * h / 30, 0), h)});
  });
  words.textContent = "Drag to come closer, double-click for the whole; the arrows move the cursor.";
  draw();
  const sizes = new ResizeObserver(() => u && u.width !== width() && draw()), dark = matchMedia("(prefers-color-scheme: dark)");
  sizes.observe(box);
  dark.addEventListener("change", draw);
  return () => { sizes.disconnect(); dark.removeEventListener("change", draw); u.destroy(); box.remove(); figure.classList.remove("open"); };
}
