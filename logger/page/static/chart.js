// One chart: a figure with its name, its key, the plot, what is under the finger in words, and buttons that zoom and pan.
// One finger reads off, two fingers zoom and pan; with a mouse: drag to zoom, double click for the whole; keys do all of it.

import { drawn, make, themed } from "./talk.js";

const DASHES = { "steel": [], "oven": [], "set point": [8, 4], "other": [2, 3], "then": [7, 4], "melt": [2, 3] };
const WIDTHS = { "steel": 3, "oven": 2, "set point": 1.6, "other": 1.6, "then": 2, "melt": 2 };
const HOUR = 3600;
const HINT = "Touch or point at the picture to read it off.";

export const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

export function stroke(role) {
  return { width: WIDTHS[role] ?? 3, dash: DASHES[role] ?? [] };
}

const two = (number) => String(number).padStart(2, "0");

// Times on the axis are local seconds of the run's beginning: their UTC parts are the reader's clock as it was then. The
// clock may be changed meanwhile: changes are [from which time on the axis, by how many seconds since the beginning].
export function clockAt(axis_s, changes) {
  let by = 0;
  for (const [from, shift] of changes) if (axis_s >= from) by = shift;
  return axis_s + by;
}

export function clockWords(axis_s, changes) {
  const at = new Date(clockAt(axis_s, changes) * 1000);
  return `${two(at.getUTCHours())}:${two(at.getUTCMinutes())}`;
}

// Ticks on round times of the clock, before a change and after it; none so near to another that their words would touch.
function clockSplits(changes, low, high, step) {
  const ticks = [], pieces = [[-Infinity, 0], ...changes];
  pieces.forEach(([from, shift], index) => {
    const to = index + 1 < pieces.length ? pieces[index + 1][0] : Infinity;
    for (let at = Math.ceil((Math.max(low, from) + shift) / step) * step - shift; at <= high && at < to; at += step) {
      if (!ticks.length || at - ticks[ticks.length - 1] >= 0.6 * step) ticks.push(at);
    }
  });
  return ticks;
}

export function elapsedWords(time_s) {
  const minutes = Math.round(Math.abs(time_s) / 60);
  const words = `${Math.floor(minutes / 60)} h ${two(minutes % 60)}`;
  return time_s < 0 ? `−${words}` : words;
}

// changes: asked for those of the clock along the run; false where only the time since its beginning is known.
export function timeAxis(changes) {
  return {
    ...(changes && { splits: (plot, axis, low, high, step) => clockSplits(changes(), low, high, step) }),
    values: (plot, splits) => splits.map((at, index) => {
      if (!changes) return elapsedWords(at).replace(/ h 00$/, " h");
      const clock = clockAt(at, changes()), midnight = clock % 86400 === 0 && index > 0;
      return midnight ? new Date(clock * 1000).toLocaleDateString([], { day: "numeric", month: "short", timeZone: "UTC" }) : clockWords(at, changes());
    }),
    incrs: [1, 5, 15, 60, 300, 600, 900, 1800, HOUR, 2 * HOUR, 3 * HOUR, 6 * HOUR, 12 * HOUR, 24 * HOUR],
    space: 60,
  };
}

// names: {title, unit, label}; series: [{label, role, colour, width, dash, fill, band, shown}]; x: {axis, say}
export class Chart {
  constructor(host, { title, unit, about, height = 290, series, axis, say, sayX, limits, under, over, detail }) {
    this.series = series;
    this.say = say;
    this.sayX = sayX;
    this.limits = limits;
    this.detail = detail;
    this.window = null;
    this.plotHost = make("div", { class: "plot", tabindex: "0", role: "application", "aria-roledescription": "chart", "aria-label": about });
    // How much is shown, for whoever looks from outside.
    this.plotHost.span = () => this.plot.scales.x.max - this.plot.scales.x.min;
    this.readout = make("p", { class: "readout hint", role: "status", "aria-live": "polite" }, HINT);
    this.key = make("p", { class: "key" });
    this.unit = make("span", { class: "hint" }, unit);
    const tool = (words, name, act) => make("button", { type: "button", class: "small", "aria-label": `${title}: ${name}`, on: { click: act } }, words);
    this.tools = make("div", { class: "tools" },
      tool("+", "zoom in", () => this.zoom(0.5)), tool("−", "zoom out", () => this.zoom(2)),
      tool("◀", "earlier", () => this.pan(-0.4)), tool("▶", "later", () => this.pan(0.4)),
      tool("all", "show all", () => this.show(null)));
    this.figure = make("figure", {}, make("figcaption", {}, make("strong", {}, title), this.unit), this.key, this.plotHost, this.readout, this.tools);
    this.after = make("div", {});
    this.figure.append(this.after);
    host.append(this.figure);
    this.options = { axis, under, over, height };
    this.resized = new ResizeObserver(() => this.fit());
    this.resized.observe(this.plotHost);
    this.dress = () => { if (this.plot) this.build(this.data); };
    themed.add(this.dress);
    this.touch();
    this.plotHost.addEventListener("keydown", (event) => this.onKey(event));
  }

  remove() {
    themed.delete(this.dress);
    this.resized.disconnect();
    this.plot?.destroy();
    this.figure.remove();
  }

  width() { return Math.max(this.plotHost.clientWidth, 200); }

  fit() {
    if (this.plot && Math.abs(this.plot.width - this.width()) > 1) this.plot.setSize({ width: this.width(), height: this.options.height });
  }

  build(data) {
    const { axis, under, over, height } = this.options;
    const ink = colour("faint"), rule = colour("rule");
    const font = "14px system-ui, sans-serif";
    const look = { stroke: ink, font, grid: { stroke: rule, width: 1 }, ticks: { stroke: rule, width: 1, size: 5 } };
    this.plot?.destroy();
    this.data = data;
    const bands = [];
    this.series.forEach((one, index) => { if (one.band) bands.push({ series: [index + 1, one.band], fill: `${colour(one.colour)}38` }); });
    this.plot = new uPlot({
      width: this.width(), height, padding: [12, 24, 0, 0],
      legend: { show: false },
      cursor: { drag: { x: true, y: false, dist: 8, setScale: false }, bind: { dblclick: () => () => { this.show(null); return null; } }, points: { size: 9 }, focus: { prox: -1 } },
      scales: { x: { time: false, range: (plot, low, high) => this.xRange(low, high) }, y: { range: (plot, low, high) => this.limits(low, high) } },
      axes: [{ ...look, ...axis, size: 34 }, { ...look, size: 52, space: 34 }],
      series: [{}, ...this.series.map((one) => ({
        label: one.label, stroke: one.hidden ? undefined : colour(one.colour), width: one.hidden ? 0 : one.width ?? 3, dash: one.dash?.length ? one.dash : undefined,
        points: { show: false }, spanGaps: false,
      }))],
      bands,
      hooks: {
        drawClear: [(plot) => under?.(plot, this)],
        draw: [(plot) => over?.(plot, this)],
        setCursor: [(plot) => this.read(plot.cursor.idx)],
        setSelect: [(plot) => this.dragged(plot)],
      },
    }, data, this.plotHost);
    this.keyed();
  }

  xRange(low, high) {
    if (this.whole) { const [from, to] = this.whole; low = this.window ? this.window[0] : from; high = this.window ? this.window[1] : to; }
    return high > low ? [low, high] : [low - 1, low + 1];
  }

  keyed() {
    this.key.replaceChildren(...this.series.filter((one) => !one.hidden).map((one) => {
      const line = drawn([{ d: "M0 5H26", stroke: colour(one.colour), "stroke-width": one.width ?? 3, "stroke-dasharray": (one.dash || []).join(" ") || "none", fill: "none" }], "0 0 26 10");
      return make("span", {}, line, one.label);
    }));
  }

  // New data; the window that is looked at stays, unless it is the whole, which grows.
  set(data, whole) {
    this.whole = whole;
    if (!this.plot) this.build(data);
    else { this.data = data; this.plot.setData(data, true); }
    if (this.plot && this.at !== undefined) this.read(this.at);
  }

  show(window) {
    if (!this.plot) return;
    const [from, to] = this.whole;
    if (window) {
      const span = Math.min(window[1] - window[0], to - from);
      const start = Math.min(Math.max(window[0], from), to - span);
      window = span >= (to - from) * 0.999 ? null : [start, start + span];
    }
    this.window = window;
    this.plot.setScale("x", { min: window ? window[0] : from, max: window ? window[1] : to });
    clearTimeout(this.asking);
    this.asking = setTimeout(() => this.detail?.(this.window), 250);
  }

  zoom(factor, around = null) {
    const [low, high] = this.window || this.whole;
    const middle = around ?? (this.at != null && this.data[0][this.at] >= low && this.data[0][this.at] <= high ? this.data[0][this.at] : (low + high) / 2);
    const share = (middle - low) / (high - low), span = Math.max((high - low) * factor, (this.whole[1] - this.whole[0]) / 5000);
    this.show([middle - share * span, middle + (1 - share) * span]);
  }

  pan(share) {
    const [low, high] = this.window || this.whole;
    this.show([low + share * (high - low), high + share * (high - low)]);
  }

  // A stretch was drawn with the mouse: that is what shall be seen.
  dragged(plot) {
    const { left, width } = plot.select;
    if (width < 8) return;
    const window = [plot.posToVal(left, "x"), plot.posToVal(left + width, "x")];
    plot.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    this.show(window);
  }

  read(index) {
    this.at = index ?? undefined;
    this.readout.classList.toggle("hint", index == null);
    if (index == null) { this.readout.textContent = HINT; return; }
    const x = this.data[0][index];
    const parts = this.series.map((one, number) => {
      if (one.silent) return null;
      const value = near(this.data[0], this.data[number + 1], index, this.plot);
      return value == null ? null : `${one.label} ${this.say(value, one)}`;
    }).filter(Boolean);
    this.readout.textContent = [this.sayX(x), ...parts].join(" · ");
  }

  step(by) {
    const length = this.data[0].length;
    const [low, high] = this.window || this.whole;
    let index = this.at;
    if (index == null) index = this.data[0].findIndex((x) => x >= (low + high) / 2);
    const jump = Math.max(1, Math.round(length / 100));
    index = Math.min(Math.max(index + by * jump, 0), length - 1);
    this.at = index;
    const x = this.data[0][index];
    if (x < low || x > high) this.show([x - (high - low) / 2, x + (high - low) / 2]);
    this.plot.setCursor({ left: this.plot.valToPos(x, "x"), top: this.plot.over.clientHeight / 2 });
  }

  onKey(event) {
    const acts = { ArrowLeft: () => this.step(-1), ArrowRight: () => this.step(1), "+": () => this.zoom(0.5), "-": () => this.zoom(2), "0": () => this.show(null), Home: () => this.step(-1e6), End: () => this.step(1e6) };
    const act = acts[event.key];
    if (!act || !this.plot || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
  }

  touch() {
    const fingers = new Map();
    let begun = null;
    const host = this.plotHost;
    const at = (event) => event.clientX - this.plot.over.getBoundingClientRect().left;
    host.addEventListener("pointerdown", (event) => {
      if (event.pointerType === "mouse" || !this.plot) return;
      fingers.set(event.pointerId, at(event));
      if (fingers.size === 2) begun = { xs: [...fingers.values()], window: this.window || this.whole };
      else this.follow(at(event));
    });
    host.addEventListener("pointermove", (event) => {
      if (!fingers.has(event.pointerId) || !this.plot) return;
      fingers.set(event.pointerId, at(event));
      if (fingers.size === 1 && !begun) this.follow(at(event));
      if (fingers.size === 2 && begun) {
        const [a, b] = [...fingers.values()].sort((one, other) => one - other);
        const [c, d] = [...begun.xs].sort((one, other) => one - other);
        const [low, high] = begun.window, width = this.plot.over.clientWidth;
        const per = (high - low) / width;
        const span = Math.max(per * (d - c) / Math.max(b - a, 10) * width, (this.whole[1] - this.whole[0]) / 5000);
        const held = low + per * (c + d) / 2;
        const start = held - ((a + b) / 2) / width * span;
        this.show([start, start + span]);
      }
    });
    const lift = (event) => { fingers.delete(event.pointerId); if (!fingers.size) begun = null; };
    for (const kind of ["pointerup", "pointercancel"]) host.addEventListener(kind, lift);
    host.addEventListener("touchmove", (event) => { if (event.touches.length > 1) event.preventDefault(); }, { passive: false });
  }

  follow(left) { this.plot.setCursor({ left, top: this.plot.over.clientHeight / 2 }); }
}

// The value of a line at an index of the common axis, or at its own nearest point close by: lines have their own times.
function near(xs, values, index, plot) {
  if (values[index] != null) return values[index];
  if (values[index] === null) return null;
  const close = 0.03 * (plot.scales.x.max - plot.scales.x.min);
  for (let by = 1; by < xs.length; by += 1) {
    const before = xs[index] - xs[index - by] <= close, after = xs[index + by] - xs[index] <= close;
    if (before && values[index - by] != null) return values[index - by];
    if (after && values[index + by] != null) return values[index + by];
    if (!before && !after) return null;
  }
  return null;
}
