// Turning a screw while looking at it from three metres: one big number, what it does, the best so
// far, and the curve with its limits.

import { by, keep, make, say, show } from "./dom.js";
import { ink } from "./sheet.js";
import * as words from "./words.js";

const READINGS = 40;
const TREND_READINGS = 8;

let plotter = null; // The library is fetched when the view is opened first.

function fetchPlotter() {
  plotter ??= new Promise((resolve, reject) => {
    const script = make("script");
    script.src = "/vendor/uplot.js";
    script.addEventListener("load", () => resolve(window.uPlot));
    script.addEventListener("error", () => {
      plotter = null;
      reject(new Error("the plotter did not come"));
    });
    document.head.append(script);
  });
  return plotter;
}

/** "falls", "rises", "steady", or nothing yet, from the last readings: [{atS, value}]. */
export function trend(readings) {
  const last = readings.slice(-TREND_READINGS);
  if (last.length < 4) return "";
  const n = last.length, middle = (n - 1) / 2;
  const mean = last.reduce((sum, one) => sum + one.value, 0) / n;
  let xy = 0, xx = 0;
  last.forEach((one, at) => {
    xy += (at - middle) * (one.value - mean);
    xx += (at - middle) ** 2;
  });
  const slope = xy / xx;
  const rest = Math.sqrt(last.reduce((sum, one, at) => sum + (one.value - mean - slope * (at - middle)) ** 2, 0) / (n - 2));
  const error = rest / Math.sqrt(xx);
  const moved = Math.abs(slope) * (n - 1);
  // Two and a half standard errors, and more than the last digit that is shown.
  if (Math.abs(slope) < 2.5 * error || moved < Math.max(0.05, 1e-7 * Math.abs(mean))) return "steady";
  return slope < 0 ? "falls" : "rises";
}

/** (n,) the straight line through ``values`` at rising ``x``, read at rising ``onto``; beyond the ends
 * the nearest, null where a neighbour is missing. */
function along(x, values, onto) {
  let at = 0;
  return onto.map((wanted) => {
    while (at < x.length - 2 && x[at + 1] <= wanted) at += 1;
    const share = Math.max(0, Math.min(1, (wanted - x[at]) / (x[at + 1] - x[at] || 1)));
    const [low, high] = [values[at], values[at + 1]];
    if (share === 0) return low;
    if (share === 1) return high;
    return low === null || high === null ? null : low + share * (high - low);
  });
}

/** Several figures of a job may have one key: a filter has a loss at each named frequency. */
const nameOf = (figure) => figure.label || figure.key;

/** A hand on a screw wants to see hundredths move. */
function fineText(value, unit) {
  return unit.startsWith("dB") && Math.abs(value) < 10 ? `${words.number(value, 2)} ${unit}` : words.valueText(value, unit);
}

/** Whether two boxes of letters lie on one another. */
function meet(one, other) {
  return one.x < other.x + other.wide && other.x < one.x + one.wide && one.y < other.y + other.high && other.y < one.y + one.high;
}

export class Tuning {
  constructor() {
    this.key = null;
    this.picked = new Map(); // job -> figure
    this.name = null; // The figure that best, range and readings are of.
    this.kept = new Map(); // figure -> those of it, for when it comes back
    this.plot = null;
    this.plotted = null;
    this.spokenMs = 0;
    by("tune-pick").addEventListener("change", (event) => {
      this.picked.set(this.key, event.target.value);
      this.reset();
    });
    by("tune-reset").addEventListener("click", () => this.reset());
    by("tune-curve").addEventListener("keydown", (event) => this.#steer(event));
    new ResizeObserver(() => this.plot && this.#resize()).observe(by("tune-curve"));
  }

  reset() {
    this.best = null;
    this.range = null;
    this.readings = [];
    this.kept.clear();
    this.bestCurve = null;
    if (this.shown) this.update(this.shown, true);
  }

  restyle() {
    if (this.plot) this.plot.destroy();
    this.plot = null;
    if (this.shown) this.update(this.shown, true);
  }

  /** ``shown``: {station, job, view, line, nowS}. */
  update(shown, again = false) {
    this.shown = shown;
    const { station, job, view } = shown;
    const key = job ? `${station.station}/${job.job}` : null;
    if (key !== this.key) {
      this.key = key;
      this.best = this.range = this.bestCurve = null;
      this.readings = [];
      this.name = null;
      this.kept.clear();
      this.seq = null;
    }
    const figures = ((view && view.figures) || (job && job.figures) || []);
    keep(by("tune-pick"), figures, nameOf, (one) => {
      const option = make("option");
      option.value = nameOf(one);
      return option;
    }, (node, one) => say(node, nameOf(one)));
    const wanted = this.picked.get(key);
    const figure = figures.find((one) => nameOf(one) === wanted) || figures.find((one) => Number.isFinite(one.value)) || figures[0];
    if (figure && by("tune-pick").value !== nameOf(figure)) by("tune-pick").value = nameOf(figure);
    if (figure && this.name !== nameOf(figure)) this.#turnTo(nameOf(figure));
    const isNew = !view || view.seq === null || view.seq !== this.seq;
    if (view) this.seq = view.seq;
    if (figure && Number.isFinite(figure.value) && (isNew || again)) this.#take(figure, shown.nowS, again);
    this.#number(figure, view, job);
    if (isNew || again) this.#curve(shown);
  }

  /** Another figure is shown, since somebody chose it or the one before has no value now. */
  #turnTo(name) {
    if (this.name !== null) this.kept.set(this.name, { best: this.best, range: this.range, readings: this.readings });
    const known = this.kept.get(name) || { best: null, range: null, readings: [] };
    [this.name, this.best, this.range, this.readings] = [name, known.best, known.range, known.readings];
  }

  #take(figure, nowS, again) {
    if (again && this.readings.length) return;
    const way = words.sense(figure.key);
    this.readings.push({ atS: nowS, value: figure.value });
    if (this.readings.length > READINGS) this.readings.shift();
    if (way && !figure.bound && (!this.best || way * (figure.value - this.best.value) > 0)) this.best = { value: figure.value, atS: nowS };
    this.range = this.range
      ? [Math.min(this.range[0], figure.value), Math.max(this.range[1], figure.value)]
      : [figure.value, figure.value];
  }

  #number(figure, view, job) {
    if (!figure) {
      say(by("tune-name"), job ? `${job.job} has no figure yet` : "no job");
      for (const id of ["tune-value", "tune-unit", "tune-expanded", "tune-trend", "tune-best"]) say(by(id), "");
      say(by("tune-words"), (view && view.problem) || "A figure comes with the next sweep; a filter or a bridge needs its reference first.");
      return;
    }
    const unit = figure.unit || "";
    const text = fineText(figure.value, unit);
    const space = text.lastIndexOf(" ");
    const [value, said] = unit && space > 0 ? [text.slice(0, space), text.slice(space + 1)] : [text, ""];
    const at = figure.at_hz ? ` at ${words.frequency(figure.at_hz)}` : "";
    say(by("tune-name"), `${nameOf(figure)}${at}${figure.bound ? `, ${figure.bound}` : ""}`);
    say(by("tune-value"), value);
    say(by("tune-unit"), said === "1" ? "" : said);
    const size = unit === "Hz" ? words.frequency(figure.expanded ?? NaN) : `${words.number(figure.expanded ?? NaN, 2)} ${unit === "1" ? "" : unit}`;
    const ends = Number.isFinite(figure.low) && Number.isFinite(figure.high);
    const stated = ends ? `${fineText(figure.low, unit)} to ${fineText(figure.high, unit)}` : `± ${size}`;
    say(by("tune-expanded"), Number.isFinite(figure.expanded) ? `${stated} (k = 2)` : "no uncertainty is stated");
    const way = words.sense(figure.key);
    const moves = trend(this.readings);
    const good = moves === "falls" ? -way : moves === "rises" ? way : 0;
    const arrow = { falls: "↓ ", rises: "↑ ", steady: "→ " }[moves] || "";
    say(by("tune-trend"), moves ? `${arrow}${moves}${good > 0 ? ", better" : good < 0 ? ", worse" : ""}` : "");
    by("tune-trend").classList.toggle("wants-a-look", good < 0);
    const best = this.best
      ? `best ${fineText(this.best.value, unit)} at ${words.clock(this.best.atS, true)}`
      : this.range ? `between ${fineText(this.range[0], unit)} and ${fineText(this.range[1], unit)}` : "";
    say(by("tune-best"), best);
    say(by("tune-words"), [figure.verdict ? `against its limit: ${figure.verdict}` : "", (view && view.problem) || ""].filter(Boolean).join("; "));
    if (performance.now() - this.spokenMs > 6000 && !by("tuning").hidden) {
      this.spokenMs = performance.now();
      say(by("tune-spoken"), `${nameOf(figure)} ${text}${moves ? `, ${moves}` : ""}`);
    }
  }

  // -- the curve -----------------------------------------------------------------------------

  #data({ view, line }) {
    if (!view) return null;
    const curve = view.curve;
    if (curve && curve.frequency_hz && curve.frequency_hz.length > 1) {
      return { what: curve.what, unit: curve.unit, hz: curve.frequency_hz, values: curve.value, way: words.sense(curve.what.replaceAll(" ", "_")) };
    }
    if (!line || !view.stop_hz) return null;
    const step = (view.stop_hz - view.start_hz) / view.rows;
    const hz = Array.from(line, (_, row) => view.start_hz + (row + 0.5) * step);
    return { what: "level", unit: view.unit || "", hz, values: Array.from(line, (one) => (Number.isFinite(one) ? one : null)), way: 0 };
  }

  async #curve(shown) {
    const data = this.#data(shown);
    show(by("tune-curve"), Boolean(data));
    if (!data) return;
    const [size, unit] = words.frequencyUnit(data.hz.at(-1));
    const x = data.hz.map((one) => one / size);
    const ends = [shown.view.start_hz / size, shown.view.stop_hz / size];
    const grid = `${ends}/${data.what}`;
    // A reduced curve has its points elsewhere in each sweep, so the best is held at points of its own.
    if (!this.bestCurve || this.bestCurve.grid !== grid) {
      const step = (ends[1] - ends[0]) / (x.length - 1);
      const even = x.map((_, at) => ends[0] + at * step);
      this.bestCurve = { grid, x: data.what === "level" ? x : even, values: x.map(() => null) };
    }
    const best = this.bestCurve;
    const pick = data.way < 0 ? Math.min : Math.max;
    best.values = along(x, data.values, best.x).map((one, at) => {
      const held = best.values[at];
      return one === null ? held : held === null ? one : pick(held, one);
    });
    // A limit in dB of loss says nothing beside a curve of levels in dBm.
    const fits = (one) => !one.unit || one.unit === data.unit;
    this.mask = (shown.view.mask || []).filter(fits).map((one) => ({ ...one, from: one.start_hz / size, to: one.stop_hz / size }));
    this.marks = (shown.view.marks || []).filter((one) => Number.isFinite(one.at_hz)).map((one) => ({ ...one, x: one.at_hz / size }));
    this.plotWords = { unit, what: data.what, valueUnit: data.unit };
    const columns = [x, along(best.x, best.values, x), data.values];
    this.ends = ends;
    if (this.plot && this.plotted === grid) {
      this.plot.setData(columns);
      return;
    }
    let uPlot;
    try {
      uPlot = await fetchPlotter();
    } catch (error) {
      say(by("tune-words"), `No curve: ${error.message}; it is fetched anew with the next sweep.`);
      return;
    }
    if (this.plot && this.plotted === grid) return;
    if (this.plot) this.plot.destroy();
    this.plotted = grid;
    this.plot = new uPlot(this.#options(data, unit, grid), columns, by("tune-curve"));
  }

  #options(data, unit) {
    const pen = ink();
    const upsideDown = data.what.includes("loss") && data.way < 0;
    const axis = { stroke: pen.quiet, grid: { stroke: pen.rule, width: 1 }, ticks: { stroke: pen.rule, width: 1 }, font: `12px ${pen.font}`, labelFont: `12px ${pen.font}` };
    const held = data.way < 0 ? "lowest so far" : "highest so far";
    return {
      ...this.#size(),
      padding: [12, 22, 0, 0],
      cursor: { points: { size: 8 }, drag: { x: false, y: false } },
      legend: { live: true },
      scales: {
        x: { time: false, range: () => this.ends },
        y: { dir: upsideDown ? -1 : 1, range: (_, low, high) => this.#ends(low, high, data.unit) },
      },
      axes: [
        { ...axis, label: unit, labelSize: 16, size: 30, labelGap: 0, values: (_, ticks) => ticks.map((one) => words.number(one, Math.max(0, 2 - Math.floor(Math.log10(Math.abs(ticks.at(-1) - ticks[0]) || 1)))) ) },
        { ...axis, label: `${data.what}${data.unit && data.unit !== "1" ? `, ${data.unit}` : ""}`, labelSize: 18, size: 56, values: (_, ticks) => ticks.map((one) => words.number(one, Number.isInteger(one) ? 0 : 1)) },
      ],
      series: [
        { label: unit, value: (_, one) => (one === null || one === undefined ? words.NONE : words.number(one, 3)) },
        { label: held, stroke: pen.held, width: 1.5, dash: [4, 3], points: { show: false }, value: (_, one) => words.number(one ?? NaN, 2) },
        { label: "newest", stroke: pen.sea, width: 2, points: { show: false }, value: (_, one) => words.number(one ?? NaN, 2) },
      ],
      hooks: { draw: [(plot) => this.#limits(plot, pen)] },
    };
  }

  /** The axis holds the limits as well, and never less than 3 dB. */
  #ends(low, high, unit) {
    let [from, to] = [low ?? 0, high ?? 1];
    for (const one of this.mask || []) {
      for (const limit of [one.at_most, one.at_least]) if (Number.isFinite(limit)) [from, to] = [Math.min(from, limit), Math.max(to, limit)];
    }
    const least = unit.startsWith("dB") ? 3 : 0.2;
    const pad = Math.max((least - (to - from)) / 2, (to - from) * 0.12);
    return [from - pad, to + pad];
  }

  /** Limits as lines with a hatch on the side that is forbidden; computed points by name. */
  #limits(plot, pen) {
    const context = plot.ctx, dpr = window.devicePixelRatio || 1;
    const { left, top, width, height } = plot.bbox;
    context.save();
    context.beginPath();
    context.rect(left, top, width, height);
    context.clip();
    context.font = `${12 * dpr}px ${pen.font}`;
    const taken = []; // Where there are letters already.
    for (const one of this.mask || []) {
      // A limit at one frequency is seen as well.
      const thin = one.to > one.from ? 0 : 7 * dpr;
      const from = Math.max(left, plot.valToPos(one.from, "x", true) - thin);
      const to = Math.min(left + width, plot.valToPos(one.to, "x", true) + thin);
      for (const [limit, more] of [[one.at_most, 1], [one.at_least, -1]]) {
        if (!Number.isFinite(limit) || to <= from) continue;
        const y = plot.valToPos(limit, "y", true);
        // Towards larger values the page may go up or down, as the axis says.
        const up = plot.valToPos(limit + more, "y", true) < y ? -1 : 1;
        context.strokeStyle = context.fillStyle = pen.rust;
        context.lineWidth = 2 * dpr;
        context.beginPath();
        context.moveTo(from, y);
        context.lineTo(to, y);
        context.stroke();
        context.lineWidth = dpr;
        context.globalAlpha = 0.5;
        context.beginPath();
        for (let x = from; x < to; x += 8 * dpr) {
          context.moveTo(x, y);
          context.lineTo(Math.min(to, x + 6 * dpr), y + up * 6 * dpr);
        }
        context.stroke();
        context.globalAlpha = 1;
        // Where it holds is what the line shows.
        const text = `${(one.label || "limit").replace(/ \([^()]*\)$/, "")}${one.verdict ? `: ${one.verdict}` : ""}`;
        const long = context.measureText(text).width;
        const over = long > left + width - from - 8 * dpr;
        const place = { x: over ? to - long : from + 2 * dpr, y: up < 0 ? y + 4 * dpr : y - 18 * dpr, wide: long, high: 14 * dpr };
        // One beside the other where limits lie together, as far as there is room; the verdict has all.
        for (let tries = 0; tries < 4 && taken.some((old) => meet(old, place)); tries += 1) place.y -= up * place.high;
        if (taken.some((old) => meet(old, place)) || place.y < top || place.y + place.high > top + height) continue;
        taken.push(place);
        context.textAlign = "left";
        context.textBaseline = "top";
        context.fillText(text, place.x, place.y);
      }
    }
    context.fillStyle = pen.ink;
    const [, , series] = plot.data;
    for (const one of this.marks || []) {
      const x = plot.valToPos(one.x, "x", true);
      if (x < left || x > left + width) continue;
      const index = plot.valToIdx(one.x);
      const value = series[index];
      if (value === null || value === undefined) continue;
      const y = plot.valToPos(value, "y", true);
      context.beginPath();
      context.arc(x, y, 3.5 * dpr, 0, 2 * Math.PI);
      context.fill();
      // Beside a flank the free side is the outer one.
      const falls = plot.valToPos(series[index + 1] ?? value, "y", true) - plot.valToPos(series[index - 1] ?? value, "y", true);
      const right = x > left + width * 0.8 || falls > 2 * dpr;
      const wide = context.measureText(one.label || "").width;
      const at = { x: right ? x - 8 * dpr - wide : x + 8 * dpr, y: y + 4 * dpr, wide, high: 14 * dpr };
      // A label that would lie on another one, or be cut, is left out; the tables have all.
      if (at.x < left || at.x + wide > left + width) continue;
      if (taken.some((old) => meet(old, at))) continue;
      taken.push(at);
      context.textAlign = "left";
      context.textBaseline = "top";
      context.fillText(one.label || "", at.x, at.y);
    }
    context.restore();
  }

  /** The arrow keys read the curve: the legend follows, and a reader says it. */
  #steer(event) {
    const way = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (!way || !this.plot || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    const [x, , values] = this.plot.data;
    const from = this.plot.cursor.idx ?? Math.floor(x.length / 2);
    const at = Math.max(0, Math.min(x.length - 1, from + way * (event.shiftKey ? 10 : 1)));
    const { width, height } = this.plot.over.getBoundingClientRect();
    this.plot.setCursor({ left: Math.min(width - 1, Math.max(0, this.plot.valToPos(x[at], "x"))), top: height / 2 });
    const { unit, what, valueUnit } = this.plotWords;
    this.spokenMs = performance.now();
    say(by("tune-spoken"), `${words.number(x[at], 3)} ${unit}: ${what} ${words.number(values[at] ?? NaN, 2)} ${valueUnit}`);
  }

  #size() {
    const { clientWidth, clientHeight } = by("tune-curve");
    return { width: Math.max(200, clientWidth), height: Math.max(140, clientHeight - 30) };
  }

  #resize() {
    this.plot.setSize(this.#size());
  }
}
