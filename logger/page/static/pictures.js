// The pictures of a run: temperature over time, carbon through the section, depth over time, tempering.

import { Chart, clockWords, colour, elapsedWords, stroke, timeAxis } from "./chart.js";
import { ask, fill, make, sign } from "./talk.js";

const ROLE_COLOURS = { "steel": "steel", "oven": "oven", "set point": "setpoint", "other": "other" };

export class Pictures {
  // ask(window) brings finer temperatures for a window of run time [s]
  constructor(host, ask = null) {
    this.host = host;
    this.ask = ask;
    this.charts = {};
  }

  clear() {
    for (const chart of Object.values(this.charts)) chart.remove();
    this.charts = {};
  }

  // Asks for a run and draws it; how long that took stands among the browser's own measures.
  async bring(path) {
    const asked = performance.now();
    const object = await ask(path);
    const came = performance.now();
    this.draw(object);
    await new Promise((painted) => requestAnimationFrame(() => setTimeout(painted)));
    const end = performance.now();
    for (const name of ["picture", "picture drawn"]) performance.clearMeasures(name);
    performance.measure("picture", { start: asked, end });
    performance.measure("picture drawn", { start: came, end });
  }

  draw(object) {
    if (typeof uPlot === "undefined") return;
    const { temperature, length } = object.units;
    const lines = object.temperature.traces.map((one) => one.label).join("|");
    const shape = [temperature, length, lines, Boolean(object.depth), (object.profile?.curves || []).map((one) => one.label).join("|"), Boolean(object.temper), object.temper?.hardness_HRC ? 1 : 0].join("/");
    if (shape !== this.shape) this.clear();
    this.shape = shape;
    this.object = object;
    this.dated = object.start_utc_s != null;
    const [[, offset], ...later] = object.utc_offsets || [[0, 0]];
    this.base = this.dated ? object.start_utc_s + offset : 0;
    this.changes = this.dated ? later.map(([from, other]) => [this.local(from), other - offset]) : null;
    this.finer = null;
    this.drawTemperature();
    this.drawDepth();
    this.drawProfile();
    this.drawTemper();
  }

  local(time_s) { return this.base + time_s; }

  sayTime = (local_s) => this.dated ? `${clockWords(local_s, this.changes)} (${elapsedWords(local_s - this.base)})` : elapsedWords(local_s);

  span(least = null) {
    const traces = this.object.temperature.traces;
    let from = Infinity, to = -Infinity;
    for (const { time_s } of traces) if (time_s.length) { from = Math.min(from, time_s[0]); to = Math.max(to, time_s[time_s.length - 1]); }
    if (!(to > from)) { from = from === Infinity ? 0 : from; to = from + 600; }
    if (least != null) to = Math.max(to, least);
    return [this.local(from), this.local(to)];
  }

  // --- temperature ---

  drawTemperature() {
    const { temperature: object, units } = this.object;
    const traces = [...object.traces].sort((one, other) => order(one.role) - order(other.role));
    if (!traces.length) return;
    const finer = new Map((this.finer || []).map((one) => [one.label, one]));
    const tables = traces.map((one) => {
      const shown = finer.get(one.label) ? spliced(one, finer.get(one.label)) : one;
      return [shown.time_s.map((time_s) => this.local(time_s)), shown.value];
    });
    const chart = this.charts.temperature ??= new Chart(this.host, {
      title: "Temperature", unit: `°${units.temperature}`, about: `Temperature over time, °${units.temperature}. Arrow keys read off, plus and minus zoom.`,
      series: traces.map((one) => ({ label: one.label, colour: ROLE_COLOURS[one.role] || "other", ...stroke(one.role) })),
      axis: timeAxis(this.dated && (() => this.changes)), sayX: this.sayTime, say: (value) => `${Math.round(value)} ${units.temperature}`,
      limits: (low, high) => this.temperatureLimits(low, high),
      under: (plot) => this.underTemperature(plot), over: (plot) => this.overTemperature(plot),
      detail: (window) => this.bringDetail(window), height: 320,
    });
    chart.set(joined(tables), this.span());
    const marks = object.marks.slice(-9);
    fill(chart.after,
      object.soaks.length || object.soak_band ? make("p", { class: "hint" }, soakWords(object, units)) : "",
      object.gaps.length ? make("p", { class: "hint" }, `Hatched: ${object.gaps.length > 2 ? `${object.gaps.length} times no readings, the last: ` : ""}${object.gaps.slice(object.gaps.length > 2 ? -1 : 0).map((gap) => gap.words).join("; ")}.`) : "",
      make("ul", { class: "marks" }, marks.map((mark, index) => {
        const shape = sign(mark.severity, index + 1);
        shape.style.color = colour(mark.severity);
        return make("li", {}, shape, make("span", {}, `${this.dated ? clockWords(this.local(mark.time_s), this.changes) : elapsedWords(mark.time_s)} ${mark.words}`));
      })),
    );
  }

  temperatureLimits(low, high) {
    const band = this.object.temperature.soak_band;
    if (low == null) return [0, 100];
    if (band && high > band[0] - 60) high = Math.max(high, band[1]);
    const room = Math.max(high - low, 20);
    return [low - 0.12 * room, high + 0.2 * room];
  }

  underTemperature(plot) {
    const { soaks, gaps } = this.object.temperature;
    for (const soak of soaks) {
      fillBox(plot, this.local(soak.from_s), this.local(soak.to_s), soak.band[0], soak.band[1], colour("soak"), colour("soak-edge"));
    }
    for (const gap of gaps) hatch(plot, this.local(gap.from_s), this.local(gap.to_s));
  }

  overTemperature(plot) {
    const { soaks, stages, marks } = this.object.temperature;
    const { ctx, bbox } = plot;
    const scale = devicePixelRatio;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top - 2 * scale, bbox.width, bbox.height + 2 * scale);
    ctx.clip();
    const lane = 20 * scale;
    stages.forEach((stage, number) => {
      const [from, to] = edges(plot, this.local(stage.from_s), this.local(stage.to_s));
      if (to <= from) return;
      ctx.fillStyle = colour(number % 2 ? "rule" : "press");
      ctx.fillRect(from, bbox.top, to - from, lane);
      label(ctx, stage.name, (from + to) / 2, bbox.top + lane / 2, { colour: colour("ink"), most: to - from - 6 * scale });
    });
    for (const soak of soaks) {
      const [from, to] = edges(plot, this.local(soak.from_s), this.local(soak.to_s));
      ctx.fillStyle = colour("soak-edge");
      ctx.fillRect(from, bbox.top + bbox.height - 8 * scale, to - from, 8 * scale);
      label(ctx, soak.words, (from + to) / 2, bbox.top + bbox.height - 20 * scale, { colour: colour("soak-edge"), most: Math.max(to - from, bbox.width * 0.6), bold: true, back: colour("sheet") });
    }
    marks.slice(-9).forEach((mark, index) => {
      const x = plot.valToPos(this.local(mark.time_s), "x", true), y = bbox.top + lane + 14 * scale;
      if (x < bbox.left || x > bbox.left + bbox.width) return;
      ctx.strokeStyle = ctx.fillStyle = colour(mark.severity);
      ctx.setLineDash([2 * scale, 3 * scale]);
      ctx.lineWidth = scale;
      ctx.beginPath(); ctx.moveTo(x, y); ctx.lineTo(x, bbox.top + bbox.height); ctx.stroke();
      ctx.setLineDash([]);
      shape(ctx, mark.severity, x, y, 10 * scale);
      label(ctx, String(index + 1), x, y + (mark.severity === "warning" ? 2 * scale : 0), { colour: colour("sheet"), bold: true });
    });
    ctx.restore();
  }

  async bringDetail(window) {
    const coarse = this.object.temperature.traces.some((one) => one.thinned);
    if (!window || !this.ask || !coarse) return;
    const object = await this.ask([window[0] - this.base, window[1] - this.base]).catch(() => null);
    if (!object) return;
    this.finer = object.traces;
    this.drawTemperature();
  }

  // A reading that just came: the lines grow without asking for everything again.
  append(time_s, point) {
    if (!this.object) return;
    const values = { "steel": point.steel, "oven": point.oven, "set point": point.set_point };
    for (const trace of this.object.temperature.traces) {
      const value = values[trace.role];
      if (value == null || (trace.role === "oven" && this.object.temperature.traces.filter((one) => one.role === "oven").length > 1)) continue;
      const last = trace.time_s[trace.time_s.length - 1];
      if (last == null || time_s > last) { trace.time_s.push(time_s); trace.value.push(value); }
    }
    for (const list of [this.object.temperature.stages, this.object.temperature.soaks]) {
      const last = list[list.length - 1];
      if (last && last.to_s > time_s - 900 && last.to_s < time_s) last.to_s = time_s;
    }
    const depth = this.object.depth;
    if (depth && point.depth != null && time_s > depth.time_s[depth.time_s.length - 1]) {
      depth.time_s.push(time_s); depth.value.push(point.depth);
      depth.low?.push(null); depth.high?.push(null);
      this.drawDepth();
    }
    this.drawTemperature();
  }

  // --- depth ---

  drawDepth() {
    const { depth, units } = this.object;
    if (!depth) return;
    const { length } = units, decimals = length === "mm" ? 2 : 3;
    const band = depth.low && depth.high;
    const chart = this.charts.depth ??= new Chart(this.host, {
      title: `Case depth ${depth.definition}`, unit: length, about: `Case depth over time, ${length}`,
      series: [
        { label: "case depth", colour: "carbon", ...stroke("steel") },
        ...(band ? [{ label: "at most", colour: "carbon", hidden: true, band: 3 }, { label: "at least", colour: "carbon", hidden: true }] : []),
      ],
      axis: timeAxis(this.dated && (() => this.changes)), sayX: this.sayTime, say: (value) => `${value.toFixed(decimals)} ${length}`,
      limits: (low, high) => {
        const most = Math.max(high || 0, this.object.depth.target || 0, length === "mm" ? 0.1 : 0.004);
        return [0, most * 1.18];
      },
      over: (plot) => this.overDepth(plot), height: 260,
    });
    const xs = depth.time_s.map((time_s) => this.local(time_s));
    const until = depth.expected_range_s ? depth.expected_range_s[1] : depth.expected_s;
    chart.set(band ? [xs, depth.value, depth.high, depth.low] : [xs, depth.value], this.span(until == null ? null : until));
    fill(chart.after, band ? make("p", { class: "hint" }, "Shaded: 5 to 95 % of the cases tried.") : "");
  }

  overDepth(plot) {
    const { depth } = this.object;
    const { ctx, bbox } = plot;
    ctx.save();
    ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
    if (depth.expected_range_s) {
      const [from, to] = edges(plot, this.local(depth.expected_range_s[0]), this.local(depth.expected_range_s[1]));
      ctx.fillStyle = `${colour("target")}2e`;
      ctx.fillRect(from, bbox.top, to - from, bbox.height);
    }
    if (depth.target != null) rule(plot, "y", depth.target, colour("target"), `wanted ${depth.target_words}`, "left");
    const at = depth.reached_s ?? depth.expected_s;
    if (at != null) {
      const words = `${depth.reached_s != null ? "reached" : "about"} ${this.dated ? clockWords(this.local(at), this.changes) : elapsedWords(at)}`;
      rule(plot, "x", this.local(at), colour("target"), words, "bottom");
    }
    ctx.restore();
  }

  // --- carbon through the section ---

  drawProfile() {
    const { profile, units } = this.object;
    if (!profile) return;
    const { length } = units, decimals = length === "mm" ? 2 : 3;
    const curves = profile.curves;
    const looks = { now: ["carbon", "steel"], target: ["target", "then"], worst: ["danger", "melt"] };
    const tables = [];
    const series = [];
    curves.forEach((curve) => {
      const [paint, line] = looks[curve.when] || looks.now;
      tables.push([curve.depth, curve.carbon_wt_pct]);
      series.push({ label: curve.label, colour: paint, ...stroke(line) });
    });
    const first = curves[0];
    if (first?.low_wt_pct) {
      tables.push([first.depth, first.high_wt_pct], [first.depth, first.low_wt_pct]);
      series.push({ label: "at most", colour: "carbon", hidden: true, band: series.length + 2 }, { label: "at least", colour: "carbon", hidden: true });
    }
    const chart = this.charts.profile ??= new Chart(this.host, {
      title: "Carbon through the section", unit: `wt% C over depth, ${length}, from the face to the ${profile.far_end}`,
      about: `Carbon in per cent by weight over depth in ${length}`, series,
      axis: {}, sayX: (x) => `${x.toFixed(decimals)} ${length} deep`, say: (value) => `${value.toFixed(2)} % C`,
      limits: (low, high) => this.profileLimits(low, high),
      under: (plot) => this.underProfile(plot), over: (plot) => this.overProfile(plot), height: 300,
    });
    const deepest = Math.max(...curves.map((curve) => curve.depth[curve.depth.length - 1]));
    chart.set(joined(tables), [0, deepest]);
    fill(chart.after,
      ...[...profile.limits].sort((one, other) => other.carbon_wt_pct - one.carbon_wt_pct).map((limit) => make("p", { class: "hint" }, `${limit.carbon_wt_pct.toFixed(2)} % C: ${limit.words}.`)),
      profile.melted > 0 ? make("p", { class: "fault" }, `The skin has melted to ${profile.melted.toFixed(decimals)} ${length}.`) : "",
      first?.low_wt_pct ? make("p", { class: "hint" }, "Shaded: 5 to 95 % of the cases tried.") : "",
    );
  }

  profileLimits(low, high) {
    const limits = this.object.profile.limits.map((one) => one.carbon_wt_pct).filter((value) => value < 1.7 * Math.max(high || 0, 0.5));
    return [0, Math.max(high || 0, this.object.profile.case_at_wt_pct || 0, 0.3, ...limits) * 1.12];
  }

  underProfile(plot) {
    const { profile } = this.object;
    const top = plot.scales.y.max;
    if (profile.skin > 0) fillBox(plot, 0, profile.skin, 0, top, colour("skin"), null);
    if (profile.melted > 0) hatch(plot, 0, profile.melted, colour("melt"));
  }

  overProfile(plot) {
    const { profile } = this.object;
    const { ctx, bbox } = plot;
    ctx.save();
    ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
    for (const limit of profile.limits) {
      if (limit.carbon_wt_pct < plot.scales.y.max) rule(plot, "y", limit.carbon_wt_pct, colour("danger"), `${limit.carbon_wt_pct.toFixed(2)} ${limit.words}`, "right");
    }
    for (const [depth, words] of [[profile.melted, "melted"], [profile.skin, "carbide"]]) {
      // At the foot: the limits' own words stand at the top, where the curve is.
      if (depth > 0) labelBeside(ctx, bbox, words, edges(plot, 0, depth)[1]);
      if (depth > 0) break;
    }
    if (profile.case_at_wt_pct != null && profile.case_depth > 0) {
      rule(plot, "y", profile.case_at_wt_pct, colour("target"), `${profile.case_at_wt_pct.toFixed(2)} % C`, "right");
      rule(plot, "x", profile.case_depth, colour("target"), profile.case_words, "bottom");
    }
    ctx.restore();
  }

  // --- tempering ---

  drawTemper() {
    const { temper } = this.object;
    if (!temper) return;
    const xs = temper.time_s.map((time_s) => this.local(time_s));
    const parameter = this.charts.parameter ??= new Chart(this.host, {
      title: "Tempering parameter", unit: `c = ${temper.constant.toPrecision(4)}, kelvin and hours`, about: "Tempering parameter over time",
      series: [{ label: "parameter", colour: "carbon", ...stroke("steel") }],
      axis: timeAxis(this.dated && (() => this.changes)), sayX: this.sayTime, say: (value) => Math.round(value).toLocaleString("en"),
      limits: (low, high) => around(low, high, this.object.temper.target_parameter),
      over: (plot) => this.object.temper.target_parameter != null && rule(plot, "y", this.object.temper.target_parameter, colour("target"), "wanted", "left"), height: 230,
    });
    parameter.set([xs, temper.parameter], this.span());
    if (!temper.hardness_HRC) return;
    const band = temper.hardness_low_HRC && temper.hardness_high_HRC;
    const hardness = this.charts.hardness ??= new Chart(this.host, {
      title: "Hardness expected", unit: "HRC", about: "Hardness over time, HRC",
      series: [{ label: "hardness", colour: "carbon", ...stroke("steel") }, ...(band ? [{ label: "at most", colour: "carbon", hidden: true, band: 3 }, { label: "at least", colour: "carbon", hidden: true }] : [])],
      axis: timeAxis(this.dated && (() => this.changes)), sayX: this.sayTime, say: (value) => `${value.toFixed(1)} HRC`,
      limits: (low, high) => around(low, high, this.object.temper.target_hardness_HRC),
      over: (plot) => this.object.temper.target_hardness_HRC != null && rule(plot, "y", this.object.temper.target_hardness_HRC, colour("target"), "wanted", "left"), height: 230,
    });
    hardness.set(band ? [xs, temper.hardness_HRC, temper.hardness_high_HRC, temper.hardness_low_HRC] : [xs, temper.hardness_HRC], this.span());
  }
}

function labelBeside(ctx, bbox, words, edge) {
  const room = 4 * devicePixelRatio, within = edge > bbox.left + 0.75 * bbox.width;
  label(ctx, words, within ? edge - room : edge + room, bbox.top + bbox.height - 14 * devicePixelRatio, { colour: colour("ink"), align: within ? "right" : "left", bold: true, back: colour("sheet") });
}

const order = (role) => ["other", "oven", "set point", "steel"].indexOf(role);

function around(low, high, target) {
  if (low == null) return [0, 1];
  if (target != null) { low = Math.min(low, target); high = Math.max(high, target); }
  const room = Math.max(high - low, 1);
  return [low - 0.12 * room, high + 0.18 * room];
}

function soakWords(object, units) {
  if (object.soaks.length) return `Filled band: where a soak counts. ${object.soaks.map((soak) => soak.words).join("; ")}.`;
  return `No soak yet; it counts from ${Math.round(object.soak_band[0])} to ${Math.round(object.soak_band[1])} ${units.temperature}.`;
}

// A line with the finer piece in place of the coarse one where it was asked for.
function spliced(coarse, finer) {
  if (!finer.time_s.length) return coarse;
  const from = finer.time_s[0], to = finer.time_s[finer.time_s.length - 1];
  const before = coarse.time_s.findIndex((time_s) => time_s >= from);
  let after = coarse.time_s.findIndex((time_s) => time_s > to);
  if (after < 0) after = coarse.time_s.length;
  return {
    time_s: [...coarse.time_s.slice(0, before < 0 ? coarse.time_s.length : before), ...finer.time_s, ...coarse.time_s.slice(after)],
    value: [...coarse.value.slice(0, before < 0 ? coarse.value.length : before), ...finer.value, ...coarse.value.slice(after)],
  };
}

// Lines with times of their own on one axis; where a line has no point it is left open, where it is broken it breaks.
export function joined(tables) {
  if (tables.length === 1) return tables[0];
  return uPlot.join(tables, tables.map(() => [1, 2]));
}

// --- drawing on the canvas ---

function edges(plot, from, to) {
  const { left, width } = plot.bbox;
  const clamp = (x) => Math.min(Math.max(x, left), left + width);
  return [clamp(plot.valToPos(from, "x", true)), clamp(plot.valToPos(to, "x", true))];
}

function fillBox(plot, from, to, low, high, fill, edge) {
  const { ctx, bbox } = plot;
  const [x, right] = edges(plot, from, to);
  const clamp = (y) => Math.min(Math.max(y, bbox.top), bbox.top + bbox.height);
  const top = clamp(plot.valToPos(high, "y", true)), bottom = clamp(plot.valToPos(low, "y", true));
  ctx.save();
  ctx.fillStyle = fill;
  ctx.fillRect(x, top, right - x, bottom - top);
  if (edge) {
    ctx.strokeStyle = edge;
    ctx.lineWidth = devicePixelRatio;
    for (const y of [top, bottom]) { ctx.beginPath(); ctx.moveTo(x, y); ctx.lineTo(right, y); ctx.stroke(); }
  }
  ctx.restore();
}

function hatch(plot, from, to, fill = colour("gap")) {
  const { ctx, bbox } = plot;
  const [x, right] = edges(plot, from, to);
  const step = 9 * devicePixelRatio;
  ctx.save();
  ctx.beginPath(); ctx.rect(x, bbox.top, right - x, bbox.height); ctx.clip();
  ctx.fillStyle = fill;
  ctx.fillRect(x, bbox.top, right - x, bbox.height);
  ctx.strokeStyle = colour("gap-lines");
  ctx.lineWidth = devicePixelRatio;
  for (let at = x - bbox.height; at < right; at += step) {
    ctx.beginPath(); ctx.moveTo(at, bbox.top + bbox.height); ctx.lineTo(at + bbox.height, bbox.top); ctx.stroke();
  }
  ctx.restore();
}

function rule(plot, axis, value, paint, words, side) {
  const { ctx, bbox } = plot;
  const scale = devicePixelRatio;
  const at = plot.valToPos(value, axis, true);
  ctx.save();
  ctx.strokeStyle = paint;
  ctx.lineWidth = 1.8 * scale;
  ctx.setLineDash([9 * scale, 4 * scale, 2 * scale, 4 * scale]);
  ctx.beginPath();
  if (axis === "y") { ctx.moveTo(bbox.left, at); ctx.lineTo(bbox.left + bbox.width, at); }
  else { ctx.moveTo(at, bbox.top); ctx.lineTo(at, bbox.top + bbox.height); }
  ctx.stroke();
  ctx.setLineDash([]);
  const most = bbox.width * 0.7;
  if (axis === "y") {
    const x = side === "right" ? bbox.left + bbox.width - 4 * scale : bbox.left + 4 * scale;
    label(ctx, words, x, at - 10 * scale, { colour: paint, most, align: side, back: colour("sheet"), bold: true });
  } else {
    const left = at < bbox.left + bbox.width * 0.6;
    label(ctx, words, at + (left ? 5 : -5) * scale, bbox.top + bbox.height - 11 * scale, { colour: paint, most, align: left ? "left" : "right", back: colour("sheet"), bold: true });
  }
  ctx.restore();
}

function label(ctx, words, x, y, { colour: paint, most = Infinity, align = "center", bold = false, back = null }) {
  const size = 13 * devicePixelRatio;
  ctx.font = `${bold ? "650 " : ""}${size}px system-ui, sans-serif`;
  const width = ctx.measureText(words).width;
  if (width > most) return;
  ctx.textAlign = align;
  ctx.textBaseline = "middle";
  if (back) {
    ctx.globalAlpha = 0.85;
    ctx.fillStyle = back;
    const from = align === "left" ? x : align === "right" ? x - width : x - width / 2;
    ctx.fillRect(from - 3, y - 0.62 * size, width + 6, 1.24 * size);
    ctx.globalAlpha = 1;
  }
  ctx.fillStyle = paint;
  ctx.fillText(words, x, y);
}

function shape(ctx, severity, x, y, half) {
  ctx.beginPath();
  if (severity === "danger") { ctx.moveTo(x, y - 1.25 * half); ctx.lineTo(x + 1.25 * half, y); ctx.lineTo(x, y + 1.25 * half); ctx.lineTo(x - 1.25 * half, y); }
  else if (severity === "warning") { ctx.moveTo(x, y - 1.1 * half); ctx.lineTo(x + 1.15 * half, y + half); ctx.lineTo(x - 1.15 * half, y + half); }
  else ctx.arc(x, y, half, 0, 2 * Math.PI);
  ctx.closePath();
  ctx.fill();
}
