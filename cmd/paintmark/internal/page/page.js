"use strict";
// Nothing of what a plan or a book says is ever read as HTML: it is set as text.
(() => {
const root = document.documentElement, $ = id => document.getElementById(id);
const started = performance.now();
root.dataset.errors = 0;
const failed = () => { root.dataset.errors = +root.dataset.errors + 1; };
addEventListener("error", failed);
addEventListener("unhandledrejection", failed);
document.addEventListener("securitypolicyviolation", failed);

const doc = JSON.parse($("data").textContent);
const pulls = doc.pulls || [], joints = doc.joints || [];
const css = getComputedStyle(root), colour = name => css.getPropertyValue("--" + name).trim();
const INK = "#1A1A1A", PLAIN = "#6E7B85", ODD = colour("vermilion"), WINDOW = "#00724F";
const PALETTE = ["blue", "vermilion", "bluish-green", "reddish-purple", "black", "sky-blue", "orange"].map(colour);
const DASHES = [[], [9, 4], [3, 3], [10, 3, 2, 3], [16, 4], [2, 5], [6, 2, 2, 2, 2, 2]];
const MINUS = "\u2212";

// Channels: exact integers, kept as such; numbers of them are for drawing only.
function open(s) {
  if (s.text) return { n: s.text.length, at: i => BigInt(s.text[i]), number: i => Number(s.text[i]) };
  const steps = s.steps || [], v = new Float64Array(steps.length);
  let sum = 0;
  for (let i = 0; i < v.length; i++) v[i] = sum += steps[i];
  return { n: v.length, at: i => BigInt(v[i]), number: i => v[i] };
}
// written is value·10^exponent, digit by digit.
function written(value, exponent) {
  const sign = value < 0n ? MINUS : "", digits = (value < 0n ? -value : value).toString();
  if (exponent >= 0) return sign + digits + (value ? "0".repeat(exponent) : "");
  const all = digits.padStart(1 - exponent, "0");
  return sign + all.slice(0, exponent) + "." + all.slice(exponent);
}
for (const [i, p] of pulls.entries()) {
  const s = p.samples, scale = c => Math.pow(10, c.exponent);
  p.index = i;
  p.times = open(s.times);
  p.torque = open(s.torque);
  p.angle = s.angle.steps || s.angle.text ? open(s.angle) : null;
  p.n = p.torque.n;
  p.seconds = k => p.times.number(k) * s.tick / 1e9;
  p.torqueAt = k => p.torque.number(k) * scale(s.torque);
  p.angleAt = k => p.angle.number(k) * scale(s.angle);
  if (p.curve) {
    const at = open(p.curve.samples), turns = open(p.curve.turns);
    p.onCurve = new Int32Array(at.n); p.turns = new Float64Array(at.n);
    for (let k = 0; k < at.n; k++) { p.onCurve[k] = at.number(k); p.turns[k] = turns.number(k) / 1000; }
  }
  p.odd = p.odd || [];
}
// turnAt is the turn at a sample, where it is one of the curve; its samples rise.
function turnAt(p, sample) {
  if (!p.curve) return null;
  let a = 0, b = p.onCurve.length;
  while (a < b) { const m = (a + b) >> 1; if (p.onCurve[m] < sample) a = m + 1; else b = m; }
  return p.onCurve[a] === sample ? p.turns[a] : null;
}
const timeText = (p, k) => written(p.times.at(k) * BigInt(p.samples.tick), -9).replace(/0+$/, "").replace(/\.$/, "");
const torqueText = (p, k) => written(p.torque.at(k), p.samples.torque.exponent) + " " + p.samples.torque.unit;
const angleText = (p, k) => written(p.angle.at(k), p.samples.angle.exponent) + p.samples.angle.unit;

const AXES = {
  snug: { label: "turn from the snug point, °", off: p => p.snug, why: p => p.why.turn || p.why.snug, mark: "snug point" },
  origin: { label: "turn from the elastic origin, °", off: p => p.origin, why: p => p.why.turn || p.why.origin, mark: "elastic origin" },
  turn: { label: "turn, flex taken out, °", off: () => 0, why: p => p.why.turn },
  angle: { label: "angle as sent, °" },
  time: { label: "time from the first sample, s" },
};
// curveOf is what of a pull is drawn over an axis: xs, and the samples they belong to;
// null where it cannot be told.
function curveOf(p, axis) {
  const key = "c-" + axis;
  if (key in p) return p[key];
  let c = null;
  if (axis == "time" || axis == "angle") {
    if (axis == "time" || p.angle) {
      const x = new Float64Array(p.n), at = new Int32Array(p.n);
      for (let k = 0; k < p.n; k++) { x[k] = axis == "time" ? p.seconds(k) : p.angleAt(k); at[k] = k; }
      c = { x, at };
    }
  } else if (p.curve && AXES[axis].off(p) != null) {
    const off = AXES[axis].off(p);
    c = { x: p.turns.map(t => t - off), at: p.onCurve };
  }
  if (c) { c.y = new Float64Array(c.x.length); for (let k = 0; k < c.x.length; k++) c.y[k] = p.torqueAt(c.at[k]); }
  return p[key] = c;
}

if (!pulls.length) { root.dataset.drawn = 0; return; }

const S = { joint: pulls[0].joint, pass: "", bolt: "", verdict: "", odd: false, axis: "turn", pull: null, sample: null };
const jointOf = key => joints.find(j => j.key == key);
const passName = p => { const f = jointOf(p.joint).passes.find(q => q.key == p.pass); return f ? f.name : p.pass; };
const inJoint = () => pulls.filter(p => p.joint == S.joint);
const shownNow = () => inJoint().filter(p => (!S.pass || p.pass == S.pass) && (!S.bolt || p.place == S.bolt) &&
  (!S.verdict || p.mark.word == S.verdict) && (!S.odd || p.odd.length));
const passesHere = () => jointOf(S.joint).passes.filter(q => inJoint().some(p => p.pass == q.key));

function fill(select, options, value) {
  select.replaceChildren(...options.map(([v, text]) => { const o = document.createElement("option"); o.value = v; o.textContent = text; return o; }));
  select.value = value;
}
function controls() {
  const here = passesHere();
  if (S.pass && !here.some(q => q.key == S.pass)) S.pass = here.length ? here[here.length - 1].key : "";
  if (S.bolt && !jointOf(S.joint).bolts.some(b => b.place == S.bolt)) S.bolt = "";
  $("joint").value = S.joint;
  fill($("pass"), [["", "all"], ...here.map(q => [q.key, q.name])], S.pass);
  fill($("bolt"), [["", "all"], ...jointOf(S.joint).bolts.map(b => [b.place, b.place])], S.bolt);
  const words = [...new Set(inJoint().map(p => p.mark.word))];
  if (!words.includes(S.verdict)) S.verdict = "";
  fill($("verdict"), [["", "all"], ...words.map(w => [w, w])], S.verdict);
  $("odd").checked = S.odd;
  for (const r of document.querySelectorAll("#axis input")) r.checked = r.value == S.axis;
}

// The plot.
let plot = null, drawn = [], unit = null, view = null, dot = null;
const factor = p => p.samples.torque.factor / unit.factor;
function styles(list) {
  const few = list.length <= PALETTE.length;
  let n = 0;
  return list.map((p, i) => {
    const chosen = S.pull == p.index, odd = p.odd.length > 0;
    const s = { p, width: 1.2, stroke: PLAIN, alpha: .75, dash: [], label: "" };
    if (few) Object.assign(s, { stroke: PALETTE[i], dash: DASHES[i], alpha: 1, width: 1.6, label: name(p) });
    else if (odd) Object.assign(s, { stroke: ODD, dash: DASHES[n++ % DASHES.length], alpha: 1, width: 1.8, label: name(p) });
    if (odd) s.label = "! " + name(p) + ": " + p.odd[0].kind;
    if (chosen) Object.assign(s, { stroke: few ? s.stroke : odd ? ODD : INK, width: 3.2, alpha: 1, label: s.label || name(p) });
    return s;
  });
}
const name = p => S.bolt && !S.pass ? passName(p) : S.pass ? "bolt " + p.place : p.place + ", " + passName(p);

// The lines, thinned: a sample is left out that lies within half a pixel, across and
// up, of the last one drawn; along time, and back and forth along an angle alike.
function thinned(c, f, toX, toY, path, box) {
  let px = NaN, py = NaN, lastOut = true, ox = 0, oy = 0, points = 0;
  for (let k = 0; k < c.x.length; k++) {
    const x = toX(c.x[k]), y = toY(c.y[k] * f);
    const out = x < box.l || x > box.r || y < box.t || y > box.b;
    if (k == 0) path.moveTo(x, y);
    else if (out && lastOut && ((x < box.l && ox < box.l) || (x > box.r && ox > box.r) || (y < box.t && oy < box.t) || (y > box.b && oy > box.b))) path.moveTo(x, y);
    else if (k < c.x.length - 1 && !lastOut && Math.abs(x - px) < .5 && Math.abs(y - py) < .5) { ox = x; oy = y; continue; }
    else { if (lastOut && out) path.moveTo(ox, oy); path.lineTo(x, y); points++; }
    px = ox = x; py = oy = y; lastOut = out;
  }
  return points;
}
function linesOf(s, axis) {
  return (u, i) => {
    const path = new Path2D(), b = u.bbox, c = curveOf(s.p, axis);
    const box = { l: b.left - 4, r: b.left + b.width + 4, t: b.top - 4, b: b.top + b.height + 4 };
    const x0 = u.scales.x.min, kx = b.width / (u.scales.x.max - x0), y1 = u.scales.y.max, ky = b.height / (y1 - u.scales.y.min);
    thinned(c, factor(s.p), v => b.left + (v - x0) * kx, v => b.top + (y1 - v) * ky, path, box);
    return { stroke: path, fill: null, clip: null, band: null, gaps: null, flags: 0 };
  };
}
function extent(list, axis) {
  let a = Infinity, b = -Infinity, c = Infinity, d = -Infinity;
  for (const s of list) {
    const q = curveOf(s.p, axis), f = factor(s.p);
    for (let k = 0; k < q.x.length; k++) {
      const x = q.x[k], y = q.y[k] * f;
      if (x < a) a = x; if (x > b) b = x; if (y < c) c = y; if (y > d) d = y;
    }
  }
  for (const w of windows(list)) for (const v of [w.least, w.most]) if (v != null && !w.turn) { c = Math.min(c, v); d = Math.max(d, v); }
  if (!(b > a)) { a = (isFinite(a) ? a : 0) - 1; b = a + 2; }
  if (!(d > c)) { c = (isFinite(c) ? c : 0) - 1; d = c + 2; }
  return { x: [a - (b - a) * .02, b + (b - a) * .14], y: [c - (d - c) * .03, d + (d - c) * .08] };
}
// windows are what the passes shown ask for, in the unit of the plot.
function windows(list, axis) {
  const seen = new Map();
  for (const s of list) {
    const q = jointOf(s.p.joint).passes.find(q => q.key == s.p.pass);
    if (!q || seen.has(q)) continue;
    seen.set(q, 1);
  }
  const out = [];
  for (const q of seen.keys()) {
    const to = (w, v) => v == null ? null : v * w.factor / unit.factor;
    if (q.window) out.push({ least: to(q.window, q.window.least), most: to(q.window, q.window.most), text: (seen.size > 1 ? q.name + ": " : "") + q.window.text });
    if (q.turn && axis == "turn") out.push({ turn: true, least: q.turn.least, most: q.turn.most, text: q.turn.text });
  }
  return out;
}
function decorate(u, list, axis, small) {
  const ctx = u.ctx, b = u.bbox, k = (small || 1) * (devicePixelRatio || 1);
  ctx.save();
  ctx.beginPath(); ctx.rect(b.left, b.top, b.width, b.height); ctx.clip();
  ctx.font = `${11 * k}px system-ui, "Liberation Sans", Arial, sans-serif`;
  for (const w of windows(list, axis)) {
    ctx.fillStyle = "rgba(0,158,115,.13)"; ctx.strokeStyle = WINDOW; ctx.lineWidth = k; ctx.setLineDash([5 * k, 3 * k]);
    const scale = w.turn ? "x" : "y", end = v => Math.round(u.valToPos(v, scale, true));
    const lo = w.least == null ? (w.turn ? b.left : b.top + b.height) : end(w.least), hi = w.most == null ? (w.turn ? b.left + b.width : b.top) : end(w.most);
    if (w.turn) ctx.fillRect(lo, b.top, hi - lo, b.height); else ctx.fillRect(b.left, hi, b.width, lo - hi);
    ctx.beginPath();
    for (const [v, at] of [[w.least, lo], [w.most, hi]]) if (v != null) {
      if (w.turn) { ctx.moveTo(at, b.top); ctx.lineTo(at, b.top + b.height); } else { ctx.moveTo(b.left, at); ctx.lineTo(b.left + b.width, at); }
    }
    ctx.stroke();
    ctx.fillStyle = WINDOW; ctx.textBaseline = "bottom"; ctx.textAlign = "left"; ctx.setLineDash([]);
    if (small) continue;
    if (w.turn) ctx.fillText("window " + w.text, lo + 4 * k, b.top + b.height - 4 * k); else ctx.fillText("window " + w.text, b.left + 6 * k, hi - 3 * k);
  }
  if (AXES[axis].mark && u.scales.x.min < 0 && u.scales.x.max > 0) {
    const x = Math.round(u.valToPos(0, "x", true)) + .5;
    ctx.strokeStyle = "#7A7A7A"; ctx.lineWidth = k; ctx.setLineDash([2 * k, 3 * k]); ctx.beginPath(); ctx.moveTo(x, b.top); ctx.lineTo(x, b.top + b.height); ctx.stroke(); ctx.setLineDash([]);
    ctx.fillStyle = "#595959"; ctx.textAlign = "left"; ctx.textBaseline = "top"; if (!small) ctx.fillText(AXES[axis].mark, x + 4 * k, b.top + 4 * k);
  }
  ctx.restore();
}
// names stand at the peaks of the curves, none on another.
function labels(u, list, axis, k) {
  const ctx = u.ctx, b = u.bbox, size = 11.5 * k;
  ctx.save();
  ctx.font = `600 ${size}px system-ui, "Liberation Sans", Arial, sans-serif`;
  const tags = [];
  for (const s of list) if (s.label) {
    const c = curveOf(s.p, axis), f = factor(s.p);
    let best = -1;
    for (let i = 0; i < c.x.length; i++) if (best < 0 || c.y[i] > c.y[best]) best = i;
    if (best < 0) continue;
    const x = u.valToPos(c.x[best], "x", true), y = u.valToPos(c.y[best] * f, "y", true);
    if (x < b.left || x > b.left + b.width || y < b.top || y > b.top + b.height) continue;
    tags.push({ s, x, y, wide: ctx.measureText(s.label).width });
  }
  tags.sort((a, c) => a.y - c.y);
  const placed = [], step = size * 1.3;
  for (const t of tags) {
    t.tx = t.x + 12 * k; t.right = true;
    if (t.tx + t.wide > b.left + b.width) { t.tx = t.x - 12 * k - t.wide; t.right = false; }
    t.tx = Math.max(t.tx, b.left + 2 * k);
    t.ty = Math.max(t.y, b.top + step / 2);
    for (let again = true, n = 0; again && n < 60; n++) {
      again = false;
      for (const o of placed) if (Math.abs(o.ty - t.ty) < step - .5 && t.tx < o.tx + o.wide + 6 * k && o.tx < t.tx + t.wide + 6 * k) { t.ty = o.ty + step; again = true; }
    }
    placed.push(t);
    const ink = t.s.stroke;
    ctx.strokeStyle = ink; ctx.lineWidth = k; ctx.beginPath(); ctx.moveTo(t.x, t.y); ctx.lineTo(t.right ? t.tx - 2 * k : t.tx + t.wide + 2 * k, t.ty); ctx.stroke();
    shape(ctx, t.x, t.y, 4.5 * k, ink, t.s.p.odd.length > 0);
    ctx.textBaseline = "middle"; ctx.textAlign = "left"; ctx.lineJoin = "round";
    ctx.strokeStyle = "rgba(255,255,255,.92)"; ctx.lineWidth = 4 * k; ctx.strokeText(t.s.label, t.tx, t.ty);
    ctx.fillStyle = INK; ctx.fillText(t.s.label, t.tx, t.ty);
  }
  ctx.restore();
}
// A lozenge is what stands out, a dot is what does not.
function shape(ctx, x, y, r, ink, odd) {
  ctx.beginPath();
  if (odd) { r *= 1.35; ctx.moveTo(x, y - r); ctx.lineTo(x + r, y); ctx.lineTo(x, y + r); ctx.lineTo(x - r, y); ctx.closePath(); } else ctx.arc(x, y, r * .8, 0, 7);
  ctx.fillStyle = ink; ctx.strokeStyle = "#FFF"; ctx.lineWidth = r / 4; ctx.fill(); ctx.stroke();
}
// Features of the chosen pull, each a letter at its place, with its uncertainty.
function placeOf(p, f, axis) {
  if (!f.letter) return null;
  if (axis == "time" || axis == "angle") {
    if (f.sample < 0) return null;
    return { x: axis == "time" ? p.seconds(f.sample) : p.angle ? p.angleAt(f.sample) : null, y: p.torqueAt(f.sample), around: 0 };
  }
  if (f.x == null || f.y == null) return null;
  return { x: f.x - AXES[axis].off(p), y: f.y, around: f.around || 0 };
}
function points(u, list, axis, k) {
  const s = list.find(s => s.p.index == S.pull);
  if (!s) return;
  const ctx = u.ctx, b = u.bbox, f = factor(s.p);
  ctx.save();
  ctx.beginPath(); ctx.rect(b.left, b.top, b.width, b.height); ctx.clip();
  const taken = [];
  for (const feature of s.p.features) {
    const at = placeOf(s.p, feature, axis);
    if (!at || at.x == null) continue;
    const x = u.valToPos(at.x, "x", true), y = u.valToPos(at.y * f, "y", true);
    const e = at.around ? Math.abs(u.valToPos(at.x + at.around, "x", true) - x) : 0;
    ctx.strokeStyle = INK; ctx.lineWidth = 1.5 * k; ctx.setLineDash([]);
    ctx.beginPath();
    if (e > 3 * k) { ctx.moveTo(x - e, y); ctx.lineTo(x + e, y); ctx.moveTo(x - e, y - 4 * k); ctx.lineTo(x - e, y + 4 * k); ctx.moveTo(x + e, y - 4 * k); ctx.lineTo(x + e, y + 4 * k); }
    let tx = x - 16 * k, ty = y - 16 * k;
    while (taken.some(t => Math.hypot(t[0] - tx, t[1] - ty) < 19 * k)) tx -= 19 * k;
    taken.push([tx, ty]);
    ctx.moveTo(x, y); ctx.lineTo(tx, ty); ctx.stroke();
    ctx.beginPath(); ctx.arc(x, y, 3 * k, 0, 7); ctx.fillStyle = INK; ctx.fill();
    ctx.beginPath(); ctx.arc(tx, ty, 8.5 * k, 0, 7); ctx.fillStyle = "#FFF"; ctx.fill(); ctx.stroke();
    ctx.fillStyle = INK; ctx.font = `700 ${11 * k}px system-ui, "Liberation Sans", Arial, sans-serif`; ctx.textAlign = "center"; ctx.textBaseline = "middle";
    ctx.fillText(feature.letter, tx, ty + .5 * k);
  }
  ctx.restore();
}
function axes(axis, size) {
  const font = `${size}px system-ui, "Liberation Sans", Arial, sans-serif`;
  const values = (u, splits) => splits.map(v => v == null ? "" : String(+v.toPrecision(8)).replace("-", MINUS));
  const one = { stroke: INK, font, labelFont: `600 ${size}px system-ui, "Liberation Sans", Arial, sans-serif`, grid: { stroke: "#E3E3E0", width: 1 }, ticks: { stroke: "#BDBDBD", width: 1, size: 5 }, values };
  return [{ ...one, label: AXES[axis].label, labelSize: size * 1.7, size: size * 2.4, space: size * 4.5 }, { ...one, label: "torque, " + unit.name, labelSize: size * 1.7, size: size * 4, space: size * 2.6 }];
}
function make(list, axis, host, width, height, ratio, range) {
  const u = new uPlot({
    mode: 2, width, height, pxAlign: false, legend: { show: false }, padding: [6, 8, 0, 0],
    scales: { x: { time: false, auto: false, min: range.x[0], max: range.x[1] }, y: { auto: false, min: range.y[0], max: range.y[1] } },
    axes: axes(axis, ratio ? 10 * ratio : 12),
    series: [null, ...list.map(s => ({ stroke: s.stroke, width: s.width * (ratio || 1), dash: s.dash.map(d => d * (ratio || 1)), alpha: s.alpha, paths: linesOf(s, axis), points: { show: false }, facets: [{ scale: "x", auto: false }, { scale: "y", auto: false }] }))],
    cursor: ratio ? { show: false } : { points: { show: false }, drag: { x: true, y: true, uni: 12, setScale: false }, bind: { dblclick: () => () => whole() } },
    select: { show: !ratio, left: 0, top: 0, width: 0, height: 0 },
    hooks: {
      drawClear: [u => decorate(u, list, axis, ratio)],
      draw: [u => { labels(u, list, axis, (ratio || 1) * (devicePixelRatio || 1)); if (!ratio) points(u, list, axis, devicePixelRatio || 1); }],
      setSelect: ratio ? [] : [u => { const s = u.select; if (s.width > 4 && s.height > 4) { zoom([u.posToVal(s.left, "x"), u.posToVal(s.left + s.width, "x")], [u.posToVal(s.top + s.height, "y"), u.posToVal(s.top, "y")]); u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false); } }],
      setCursor: ratio ? [] : [hover],
    },
  }, [null, ...list.map(s => { const c = curveOf(s.p, axis), f = factor(s.p); return [c.x, f == 1 ? c.y : c.y.map(v => v * f)]; })], host);
  return u;
}
function zoom(x, y) {
  if (!plot || !(x[1] > x[0]) || !(y[1] > y[0])) return;
  view = { x, y };
  plot.batch(() => { plot.setScale("x", { min: x[0], max: x[1] }); plot.setScale("y", { min: y[0], max: y[1] }); });
  plot.redraw(true, true);
  place();
}
function about(by, cx, cy) {
  const x = [plot.scales.x.min, plot.scales.x.max], y = [plot.scales.y.min, plot.scales.y.max];
  cx = cx ?? (x[0] + x[1]) / 2; cy = cy ?? (y[0] + y[1]) / 2;
  zoom(x.map(v => cx + (v - cx) * by), y.map(v => cy + (v - cy) * by));
}
function whole() { if (plot) { const r = extent(drawn, S.axis); zoom(r.x, r.y); view = null; } }

function draw(keep) {
  const began = performance.now();
  const list = shownNow(), able = list.filter(p => curveOf(p, S.axis));
  unit = { name: (list[0] || pulls[0]).samples.torque.unit, factor: (list[0] || pulls[0]).samples.torque.factor };
  // The chosen one, and what stands out, lie on top.
  const rank = p => (S.pull == p.index ? 2 : 0) + (p.odd.length ? 1 : 0);
  drawn = styles(able).sort((a, b) => rank(a.p) - rank(b.p));
  if (plot) plot.destroy();
  plot = null;
  $("plot").replaceChildren(...(drawn.length ? [] : [el("p", list.length ? "None of these pulls can be drawn over this axis. Choose another one." : "No pull is shown. Choose other filters.", "empty")]));
  const host = $("plot"), range = keep && view ? view : extent(drawn, S.axis);
  if (!keep) view = null;
  if (drawn.length) {
    plot = make(drawn, S.axis, host, host.clientWidth, host.clientHeight, 0, range);
    dot = document.createElement("i"); dot.className = "dot"; dot.hidden = true; plot.over.append(dot);
    // What comes from the wheel within a sixtieth of a second is drawn once.
    let turned = 0;
    plot.over.addEventListener("wheel", e => {
      if (!e.ctrlKey && !e.metaKey) return; // the page is scrolled
      e.preventDefault();
      const u = plot, box = u.over.getBoundingClientRect(), first = !turned;
      turned += e.deltaY > 0 ? 1 : -1;
      if (first) setTimeout(() => { const by = Math.pow(1.2, turned); turned = 0; if (u == plot) about(by, u.posToVal(e.clientX - box.left, "x"), u.posToVal(e.clientY - box.top, "y")); }, 16);
    }, { passive: false });
    let from = null;
    plot.over.addEventListener("mousedown", e => { from = [e.clientX, e.clientY]; });
    plot.over.addEventListener("click", e => { if (from && Math.hypot(e.clientX - from[0], e.clientY - from[1]) < 4 && near) choose(near.p.index, near.k); });
  }
  const lost = list.filter(p => !curveOf(p, S.axis));
  const reasons = new Map();
  for (const p of lost) { const w = AXES[S.axis].why ? AXES[S.axis].why(p) : "the wrench gives no angle"; reasons.set(w, [...(reasons.get(w) || []), name(p)]); }
  $("absent").textContent = [...reasons].map(([w, who]) => `Not drawn over this axis, because ${w}: ${who.join(", ")}.`).join(" ");
  const j = jointOf(S.joint), pass = j.passes.find(q => q.key == S.pass);
  $("title").textContent = `${j.title}: ${pass ? pass.name : "all passes"}${S.bolt ? ", bolt " + S.bolt : ""}. ${list.length} ${list.length == 1 ? "pull" : "pulls"}${drawn.length < list.length ? ", " + drawn.length + " drawn" : ""}`;
  return performance.now() - began;
}
function table() {
  const shown = new Set(shownNow());
  let n = 0;
  for (const tr of document.querySelectorAll("#pulls tbody tr")) {
    const p = pulls[+tr.dataset.pull];
    tr.hidden = !shown.has(p);
    if (!tr.hidden) n++;
    tr.classList.toggle("chosen", S.pull == p.index);
    tr.setAttribute("aria-current", S.pull == p.index);
  }
  $("count").textContent = `${n} of ${pulls.length}`;
}
// latest is the pull of a bolt that stands for it in what is shown.
function latest(place) {
  const list = inJoint().filter(p => p.place == place && (!S.pass || p.pass == S.pass) && (!S.verdict || p.mark.word == S.verdict) && (!S.odd || p.odd.length));
  return list.filter(p => !p.void).pop() || list.pop();
}
function joint() {
  for (const f of document.querySelectorAll("figure.joint")) {
    f.hidden = f.dataset.joint != S.joint;
    if (f.hidden) continue;
    const chosen = S.pull == null ? S.bolt : pulls[S.pull].place;
    let first = true;
    for (const g of f.querySelectorAll(".bolt")) {
      const p = latest(g.dataset.place), is = g.dataset.place == chosen;
      g.classList.toggle("chosen", is);
      g.classList.toggle("none", !p);
      g.setAttribute("aria-pressed", is);
      g.tabIndex = is || (first && !chosen) ? 0 : -1;
      first = false;
      const disc = g.querySelector(".disc"), number = g.querySelector(".number");
      disc.style.fill = p ? colour(p.mark.class) : "#FFF";
      number.style.fill = p ? (["black", "blue", "vermilion", "bluish-green"].includes(p.mark.class) ? inkOn(p.mark.class) : "#000") : INK;
      g.querySelector(".word").textContent = p ? p.mark.symbol + (p.odd.length ? " !" : "") : "–";
      g.querySelector("title").textContent = "bolt " + g.dataset.place + (p ? ": " + p.mark.word + (p.odd.length ? ", stands out: " + p.odd.map(o => o.kind).join(", ") : "") : ": no trace here");
    }
  }
}
const inks = {};
function inkOn(name) {
  if (!inks[name]) { const e = document.createElement("i"); e.className = name; document.body.append(e); inks[name] = getComputedStyle(e).color; e.remove(); }
  return inks[name];
}
const el = (tag, text, cls) => { const e = document.createElement(tag); if (text != null) e.textContent = text; if (cls) e.className = cls; return e; };
function detail() {
  const box = $("detail");
  box.replaceChildren();
  if (S.pull == null) { box.append(el("p", "Choose a bolt in the drawing, a curve, or a pull in the list to see what is read from its trace.", "quiet")); return; }
  const p = pulls[S.pull];
  box.append(el("h3", `${p.point}, ${passName(p)}: ${p.spoken}`));
  const line = el("p"); const k = el("b", p.mark.symbol, "k " + p.mark.class);
  line.append(k, ` ${p.mark.word}; ${p.n} samples, ${p.entry}`);
  box.append(line);
  if (p.odd.length) { const ul = el("ul", null, "odds"); for (const o of p.odd) { const li = el("li"); li.append(el("b", "! " + o.kind + ": "), o.text); ul.append(li); } box.append(ul); }
  const t = el("table"), head = el("tr"), body = el("tbody");
  for (const h of ["", "Feature", "Value"]) head.append(el("th", h));
  t.append(el("thead")); t.firstChild.append(head); t.append(body);
  const reasons = new Map();
  for (const f of p.features) {
    if (f.why) { reasons.set(f.why, [...(reasons.get(f.why) || []), f.name]); continue; }
    const tr = el("tr");
    tr.append(el("td", f.letter || "", "place"), el("td", f.name), el("td", f.text));
    body.append(tr);
  }
  for (const [why, names] of reasons) {
    const tr = el("tr", null, "untold"), what = el("td", names.join("; "));
    tr.append(el("td", "?", "place"), what, el("td", "cannot be told, because " + why));
    body.append(tr);
  }
  box.append(t);
}

// What is under the cursor: the nearest sample of any curve shown, out of all samples.
let near = null;
function hover(u) {
  const { left, top } = u.cursor;
  if (left == null || left < 0) { near = null; place(); return; }
  const kx = u.over.clientWidth / (u.scales.x.max - u.scales.x.min), ky = u.over.clientHeight / (u.scales.y.max - u.scales.y.min);
  const x0 = u.posToVal(left, "x"), y0 = u.posToVal(top, "y");
  let best = 900, found = null;
  for (const s of drawn) {
    const c = curveOf(s.p, S.axis), f = factor(s.p), x = c.x, y = c.y, n = x.length;
    const bonus = s.p.index == S.pull ? .5 : 1;
    for (let k = 0; k < n; k++) {
      const dx = (x[k] - x0) * kx;
      if (dx > 30 || dx < -30) continue;
      const dy = (y[k] * f - y0) * ky, d = (dx * dx + dy * dy) * bonus;
      if (d < best) { best = d; found = { p: s.p, k: c.at[k], i: k }; }
    }
  }
  near = found;
  if (near) tell(near.p, near.k);
  place();
}
function tell(p, k) {
  const turn = turnAt(p, k), b = el("b", `${torqueText(p, k)}${p.angle ? ", " + angleText(p, k) : ""}`), out = $("readout");
  let more = ` at ${timeText(p, k)} s; sample ${k + 1} of ${p.n}`;
  if (turn != null) {
    more += `; turn ${turn.toFixed(3).replace("-", MINUS)}° computed`;
    if (p.snug != null) more += `, ${(turn - p.snug).toFixed(1).replace("-", MINUS)}° from snug`;
    if (p.origin != null) more += `, ${(turn - p.origin).toFixed(1).replace("-", MINUS)}° from the elastic origin`;
  }
  out.replaceChildren(`${p.point}, ${passName(p)} (${p.mark.symbol} ${p.mark.word}${p.odd.length ? "; ! " + p.odd.map(o => o.kind).join(", ") : ""}) `, el("br"), b, more);
  out.dataset.pull = p.index; out.dataset.sample = k;
}
// place puts the dot on the sample that is told.
function place() {
  if (!plot || !dot) return;
  let at = near;
  if (!at && S.pull != null && S.sample != null) at = { p: pulls[S.pull], k: S.sample };
  const c = at && drawn.some(s => s.p == at.p) ? curveOf(at.p, S.axis) : null;
  const i = c ? c.at.indexOf(at.k) : -1;
  dot.hidden = i < 0;
  if (i < 0) return;
  dot.style.left = plot.valToPos(c.x[i], "x") + "px";
  dot.style.top = plot.valToPos(c.y[i] * factor(at.p), "y") + "px";
}
function step(by) {
  if (S.pull == null) return;
  const p = pulls[S.pull], c = curveOf(p, S.axis);
  if (!c) return;
  let i = S.sample == null ? -1 : c.at.indexOf(S.sample);
  if (i < 0) { const peak = p.features[0].sample; i = c.at.indexOf(peak); if (i < 0) i = c.at.length - 1; } else i = Math.max(0, Math.min(c.at.length - 1, i + by));
  S.sample = c.at[i]; near = null;
  tell(p, S.sample); place();
}

function all(keep) { controls(); const took = draw(keep); table(); joint(); detail(); if (S.pull != null && S.sample != null) tell(pulls[S.pull], S.sample); place(); return took; }
// choose shows one pull, and lets go of the filters that hide it.
function choose(index, sample) {
  const p = index == null ? null : pulls[index];
  const moved = p && (p.joint != S.joint || (S.pass && p.pass != S.pass) || (S.bolt && p.place != S.bolt));
  S.pull = index; S.sample = sample ?? null;
  if (p) {
    S.joint = p.joint;
    if (S.pass && S.pass != p.pass) S.pass = p.pass;
    if (S.bolt && S.bolt != p.place) S.bolt = p.place;
    if (S.verdict && S.verdict != p.mark.word) S.verdict = "";
    if (S.odd && !p.odd.length) S.odd = false;
  }
  all(!moved);
  if (p && S.sample == null) { S.sample = p.features[0].sample >= 0 ? p.features[0].sample : 0; tell(p, S.sample); place(); }
}
function bolt(place) {
  if (S.bolt && !S.pass) S.bolt = place;
  const p = latest(place) || inJoint().filter(q => q.place == place).pop();
  if (p && latest(place)) choose(p.index);
  else { S.pull = null; if (S.bolt) S.bolt = place; all(false); $("readout").textContent = "Bolt " + place + " has no trace in what is shown."; }
}
function turnBolt(by) {
  const list = jointOf(S.joint).bolts.map(b => b.place), now = S.pull != null ? pulls[S.pull].place : S.bolt;
  let i = list.indexOf(now);
  for (let n = 0; n < list.length; n++) {
    i = i < 0 ? (by > 0 ? 0 : list.length - 1) : (i + by + list.length) % list.length;
    if (S.bolt && !S.pass ? inJoint().some(p => p.place == list[i]) : latest(list[i])) { bolt(list[i]); return; }
  }
}
function turnPass(by) {
  const list = passesHere().map(q => q.key), i = list.indexOf(S.pass);
  const to = list[Math.max(0, Math.min(list.length - 1, i < 0 ? (by > 0 ? 0 : list.length - 1) : i + by))];
  const place = S.pull != null ? pulls[S.pull].place : null;
  S.pass = to;
  const p = place && latest(place);
  S.pull = p ? p.index : null; S.sample = null;
  all(false);
  if (p) choose(p.index);
}
function follow() {
  const place = S.pull != null ? pulls[S.pull].place : S.bolt;
  if (S.bolt && !S.pass) { const p = S.pull != null ? pulls[S.pull] : inJoint().find(q => q.place == S.bolt); S.bolt = ""; S.pass = p.pass; }
  else if (place) { S.bolt = place; S.pass = ""; S.verdict = ""; S.odd = false; }
  else { $("readout").textContent = "Choose a bolt first."; return; }
  all(false);
}
function nextOdd() {
  const list = pulls.filter(p => p.odd.length);
  if (!list.length) { $("readout").textContent = "Nothing stands out."; return; }
  choose((list.find(p => S.pull == null || p.index > S.pull) || list[0]).index);
}
function nextAxis() { const list = Object.keys(AXES); S.axis = list[(list.indexOf(S.axis) + 1) % list.length]; all(false); }

const KEYS = {
  ArrowLeft: () => turnBolt(-1), ArrowRight: () => turnBolt(1), ArrowUp: () => turnPass(-1), ArrowDown: () => turnPass(1),
  n: nextOdd, f: follow, a: nextAxis, ",": () => step(-1), ".": () => step(1), "<": () => step(-10), ">": () => step(10), ";": () => step(-10), ":": () => step(10),
  "+": () => plot && about(1 / 1.5), "=": () => plot && about(1 / 1.5), "-": () => plot && about(1.5), 0: whole, Escape: () => choose(null),
};
addEventListener("keydown", e => {
  if (e.ctrlKey || e.metaKey || e.altKey || e.target.tagName == "SELECT") return;
  if (e.target.tagName == "INPUT" && (e.key == " " || e.key.startsWith("Arrow"))) return; // they are the field's own
  const g = e.target.closest && e.target.closest(".bolt");
  if (g && (e.key == "Enter" || e.key == " ")) { e.preventDefault(); bolt(g.dataset.place); return; }
  if (e.key.startsWith("Arrow") && e.target.closest && e.target.closest(".scroll")) return;
  const act = KEYS[e.key] || KEYS[e.key.toLowerCase()];
  if (!act) return;
  e.preventDefault();
  act();
  if (g) { const now = document.querySelector("figure.joint:not([hidden]) .bolt.chosen"); if (now) now.focus(); }
});
for (const g of document.querySelectorAll(".bolt")) g.addEventListener("click", () => bolt(g.dataset.place));
for (const b of document.querySelectorAll("button[data-pull]")) b.addEventListener("click", () => {
  choose(+b.dataset.pull);
  if (b.closest("#findings")) $("bench").scrollIntoView({ block: "start" });
});
$("joint").addEventListener("change", e => { S.joint = e.target.value; S.pull = null; S.bolt = ""; S.verdict = ""; const l = passesHere(); S.pass = l.length ? l[l.length - 1].key : ""; all(false); });
for (const id of ["pass", "bolt", "verdict"]) $(id).addEventListener("change", e => { S[id] = e.target.value; if (S.pull != null && !shownNow().includes(pulls[S.pull])) { S.pull = null; S.sample = null; } all(false); });
$("odd").addEventListener("change", e => { S.odd = e.target.checked; if (S.pull != null && !shownNow().includes(pulls[S.pull])) S.pull = null; all(false); });
for (const r of document.querySelectorAll("#axis input")) r.addEventListener("change", () => { S.axis = r.value; all(false); });
$("follow").addEventListener("click", follow);
$("whole").addEventListener("click", whole);
document.querySelector("form.tools").addEventListener("submit", e => e.preventDefault());
let waiting = 0;
addEventListener("resize", () => { cancelAnimationFrame(waiting); waiting = requestAnimationFrame(() => { if (plot && !matchMedia("print").matches) plot.setSize({ width: $("plot").clientWidth, height: $("plot").clientHeight }); place(); }); });

// On paper: every pass of every joint, small, over turn from the elastic origin where all
// of it has that, else over turn, angle or time.
const can = (list, axis) => list.filter(p => curveOf(p, axis)).length;
const FINE = 3; // times as fine as the screen
function paper() {
  const box = $("paper");
  if (box.firstChild) return;
  const kept = { ...S };
  box.append(el("h3", "Every pass"));
  const grid = el("div", null, "sheet");
  box.append(grid);
  for (const j of joints) for (const q of j.passes) {
    Object.assign(S, { joint: j.key, pass: q.key, bolt: "", pull: null });
    const list = pulls.filter(p => p.joint == j.key && p.pass == q.key);
    if (!list.length) continue;
    const axis = can(list, "origin") && can(list, "origin") == can(list, "turn") ? "origin" : ["turn", "angle"].find(a => can(list, a)) || "time";
    const able = list.filter(p => curveOf(p, axis)), lost = list.filter(p => !able.includes(p));
    unit = { name: list[0].samples.torque.unit, factor: list[0].samples.torque.factor };
    const fig = el("figure"), host = el("div");
    fig.append(el("p", `${j.title}: ${q.name}`), host);
    const odd = list.filter(p => p.odd.length);
    fig.append(el("figcaption", `${list.length} ${list.length == 1 ? "pull" : "pulls"}${q.window ? ", window " + q.window.text : ""}. ` +
      (odd.length ? "Stands out: " + odd.map(p => `bolt ${p.place} (${[...new Set(p.odd.map(o => o.kind))].join(", ")})`).join("; ") + "." : "Nothing stands out.") +
      (lost.length ? ` Not drawn over this axis: ${lost.map(p => "bolt " + p.place).join(", ")}.` : "")));
    grid.append(fig);
    const s = styles(able).sort((a, b) => (a.p.odd.length > 0) - (b.p.odd.length > 0));
    for (const one of s) if (one.label) one.label = (one.p.odd.length ? "! " : "") + one.p.place;
    make(s, axis, host, 330 * FINE, 215 * FINE, FINE, extent(s, axis)); // page.css makes it small again
  }
  Object.assign(S, kept);
  const first = shownNow()[0] || pulls[0];
  unit = { name: first.samples.torque.unit, factor: first.samples.torque.factor };
}
addEventListener("beforeprint", paper);
addEventListener("afterprint", () => $("paper").replaceChildren());

// It begins with the joint and pass that has most to say.
const begin = pulls.find(p => p.odd.length) || pulls[pulls.length - 1];
S.joint = begin.joint; S.pass = begin.pass;
const here = pulls.filter(p => p.joint == S.joint && p.pass == S.pass);
S.axis = ["snug", "origin", "turn", "angle"].find(a => here.every(p => curveOf(p, a))) || (here.some(p => curveOf(p, "turn")) ? "turn" : "time");
if (begin.odd.length) choose(begin.index); else all(false);
requestAnimationFrame(() => { root.dataset.drawn = Math.round(performance.now() - started); });
})();
