// The sheet: time to the right, frequency upright, strips below on the same time axis, the newest
// spectrum leaning on the right edge on the same frequency axis. All on one canvas, so that what
// shares an axis shares its pixels.

import { gaps, stride } from "./columns.js";
import { Picture } from "./picture.js";
import * as words from "./words.js";

const LINES_MOST = 16; // Findings with a line through the picture; more would hide it.
const NARROW = 640; // CSS pixels; below, the spectrum stands under the sheet.

/** Where everything lies, in CSS pixels; ``type`` enlarges the letters and what holds them. */
export function layout(width, height, type = 1) {
  if (width < NARROW) {
    const left = 46, right = width - 4, top = 22;
    const under = Math.round(height * 0.27);
    const strip = 46;
    const bottom = height - under - 40 - strip - 38;
    return {
      narrow: true,
      sheet: box(left, top, right - left, bottom - top),
      strips: box(left, bottom + 12, right - left, strip),
      times: bottom + 12 + strip,
      spectrum: box(left, height - under - 24, right - left, under),
    };
  }
  const left = Math.round(62 * type), top = Math.round(40 * type);
  const side = Math.round(Math.min(300 * type, Math.max(190, width * 0.2)));
  const plot = width - left - side - 22;
  const floor = Math.round(Math.min(84 * type, Math.max(46, height * 0.13)));
  const times = height - Math.round(26 * type), kept = Math.round(18 * type);
  const bottom = times - kept - 16 - floor - 16;
  return {
    narrow: false,
    sheet: box(left, top, plot, bottom - top),
    floor: box(left, bottom + 16, plot, floor),
    kept: box(left, times - kept, plot, kept),
    times,
    spectrum: box(left + plot + 22, top, side, bottom - top),
  };
}

const box = (x, y, w, h) => ({ x, y, w, h, right: x + w, bottom: y + h });

/** Colours of the page as they are now. */
export function ink() {
  const style = getComputedStyle(document.documentElement);
  const found = {};
  for (const name of ["paper", "ink", "quiet", "rule", "sea", "rust", "held", "gap"]) {
    found[name] = style.getPropertyValue(`--${name}`).trim() || "#888888";
  }
  // What is drawn over the picture has to be the paler of the two.
  found.pale = parseInt(found.paper.slice(1, 3), 16) > 128 ? found.paper : found.ink;
  found.deep = found.pale === found.paper ? found.ink : found.paper;
  found.font = getComputedStyle(document.body).fontFamily;
  return found;
}

export class Sheet {
  constructor(ground, cursor) {
    this.ground = ground;
    this.over = cursor;
    this.colours = null; // (256, 3) of the levels
    this.scale = null; // levels at the ends of the colours
    this.axis = null; // levels at the ends of the spectrum
    this.at = null; // {bin, row} of the cursor
    this.type = 1; // Size of the letters: larger on the wall.
    this.lut = new Uint32Array(256);
    this.pen = ink();
    this.drawn = null;
    this.picture = new Picture();
  }

  restyle() {
    this.pen = ink();
  }

  size() {
    const dpr = Math.min(3, window.devicePixelRatio || 1);
    const { clientWidth: width, clientHeight: height } = this.ground.parentElement;
    for (const canvas of [this.ground, this.over]) {
      const w = Math.round(width * dpr), h = Math.round(height * dpr);
      if (canvas.width !== w || canvas.height !== h) [canvas.width, canvas.height] = [w, h];
    }
    return { dpr, width, height };
  }

  /**
   * Draws one moment. ``shown``: {view, columns, line, held, nowS, spanS, findings, names, unit}.
   * Gives what it drew: {bins, reach, gaps}, for the words beside it.
   */
  draw(shown) {
    const { dpr, width, height } = this.size();
    const at = layout(width, height, this.type);
    const context = this.ground.getContext("2d", { alpha: false });
    const pen = this.pen;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.fillStyle = pen.paper;
    context.fillRect(0, 0, this.ground.width, this.ground.height);
    this.drawn = null;
    if (!shown || !shown.view || !shown.columns) return this.mark();
    const { view, columns, nowS, spanS } = shown;
    const last = Math.floor(nowS / columns.binS);
    const count = Math.min(columns.size - 1, Math.max(1, Math.round(spanS / columns.binS)));
    const first = last - count + 1;
    const bins = columns.bins(first - 240, last);
    const reach = view.every_s ? Math.max(1, Math.ceil(1.5 * view.every_s / columns.binS)) : stride(bins);
    const drawn = {
      at, dpr, first, last, bins, reach, view, columns,
      fromS: first * columns.binS, toS: (last + 1) * columns.binS,
      missing: gaps(bins.filter((bin) => bin >= first - reach), reach, first, last),
      strip: null, deaf: view.deaf || [],
    };
    // What is still on its way is no gap.
    if (columns.more) drawn.missing = drawn.missing.filter(([, to]) => to >= columns.oldest);
    // Of the time before the first column that was ever heard of nobody here can tell.
    drawn.unheard = null;
    const lead = drawn.missing[0];
    if (lead && lead[0] === first && bins.length && columns.oldest >= first - reach) drawn.unheard = drawn.missing.shift();
    // The newest bin is not over yet, and the next sweep of a slow job not due: no gap before that.
    const open = drawn.missing.at(-1);
    if (open && open[1] === last && open[0] >= last - 1) drawn.missing.pop();
    this.drawn = drawn;
    this.#scales(shown, drawn);
    this.#raster(context, drawn);
    context.setTransform(dpr, 0, 0, dpr, 0, 0);
    context.textBaseline = "middle";
    this.#frequencies(context, drawn);
    this.#reasons(context, drawn, shown);
    this.#numbers(context, drawn, shown);
    if (at.narrow) {
      drawn.strip = this.#changedLast(drawn);
      if (drawn.strip === "kept") this.#kept(context, drawn, { ...at.strips, h: 20, y: at.strips.y + 26, bottom: at.strips.y + 46 });
      else this.#middles(context, drawn, at.strips);
    } else {
      this.#middles(context, drawn, at.floor);
      this.#kept(context, drawn, at.kept);
    }
    this.#times(context, drawn);
    if (at.narrow) this.#spectrumBelow(context, drawn, shown);
    else this.#spectrumBeside(context, drawn, shown);
    this.mark();
    return drawn;
  }

  // -- levels --------------------------------------------------------------------------------

  level(code) {
    const { view } = this.drawn;
    return view.low_db + (code - 1) * view.step_db;
  }

  /** Ends of colours and axes: round, and slow to change, so that nothing flickers. */
  #scales(shown, { columns, bins, view }) {
    const key = `${view.station}/${view.job}/${view.epoch}`;
    if (this.scaled !== key) [this.scaled, this.scale, this.axis] = [key, null, null];
    const recent = bins.slice(-300).map((bin) => columns.middles[columns.place(bin)]);
    const middles = recent.filter((one) => one > 0).sort((a, b) => a - b);
    const level = (code) => view.low_db + (code - 1) * view.step_db;
    let low = middles.length ? level(middles[Math.floor(middles.length * 0.05)]) : view.low_db;
    let high = low + 20;
    let least = Infinity;
    for (const line of [shown.held, shown.line]) {
      for (const one of line || []) if (Number.isFinite(one)) high = Math.max(high, one);
    }
    for (const one of shown.line || []) if (Number.isFinite(one)) least = Math.min(least, one);
    // What a filter stops, or a bridge finds matched, is what is looked for, and lies deepest.
    if ((view.kind === "transmission" || view.kind === "reflection") && least < low) low = least;
    if (Number.isFinite(view.threshold)) high = Math.max(high, view.threshold + 3);
    const wanted = [Math.floor((low - 3) / 2) * 2, Math.ceil((high - 4) / 10) * 10];
    if (wanted[1] - wanted[0] < 30) wanted[1] = wanted[0] + 30;
    if (!this.scale || wanted[0] < this.scale[0] || wanted[1] > this.scale[1]
      || wanted[0] > this.scale[0] + 10 || wanted[1] < this.scale[1] - 20) this.scale = wanted;
    if (!Number.isFinite(least)) least = low - 6;
    const ends = [Math.floor((Math.max(least, low - 14) - 1) / 5) * 5, Math.ceil((high + 3) / 5) * 5];
    if (!this.axis || ends[0] < this.axis[0] || ends[1] > this.axis[1]
      || ends[0] > this.axis[0] + 10 || ends[1] < this.axis[1] - 20) this.axis = ends;
    this.#paint(level);
  }

  #paint(level) {
    const gap = parseInt(this.pen.gap.slice(1), 16);
    this.lut[0] = 0xff000000 | ((gap & 255) << 16) | (gap & 0xff00) | (gap >> 16);
    const [low, high] = this.scale;
    for (let code = 1; code < 256; code += 1) {
      const along = Math.max(0, Math.min(255, Math.round(255 * (level(code) - low) / (high - low))));
      const [r, g, b] = this.colours ? this.colours[along] : [along, along, along];
      this.lut[code] = (0xff000000 | (b << 16) | (g << 8) | r) >>> 0;
    }
  }

  /** The colour of a code as #rrggbb: what a test looks for in the picture. */
  colourOf(code) {
    const one = this.lut[code];
    return `#${[one & 255, (one >> 8) & 255, (one >> 16) & 255].map((part) => part.toString(16).padStart(2, "0")).join("")}`;
  }

  // -- the picture ---------------------------------------------------------------------------

  #raster(context, drawn) {
    const { at, dpr, first, last } = drawn;
    const x = Math.round(at.sheet.x * dpr), y = Math.round(at.sheet.y * dpr);
    const w = Math.round(at.sheet.w * dpr), h = Math.round(at.sheet.h * dpr);
    if (w < 1 || h < 1) return;
    drawn.pixels = { x, y, w, h };
    const colours = [this.scale, this.pen.gap, Boolean(this.colours)].join();
    context.drawImage(this.picture.of(drawn, this.lut, colours), x, y);
    if (!drawn.unheard) return;
    const until = Math.floor(((drawn.unheard[1] + 1 - first) * w) / (last - first + 1));
    context.fillStyle = this.pen.paper;
    context.fillRect(x, y, until, h);
    context.fillStyle = this.pen.rule;
    context.fillRect(x, y, until, 1);
    context.fillRect(x, y + h - 1, until, 1);
  }

  #text(context, text, x, y, { colour, align = "left", size = 11, weight = "" } = {}) {
    context.font = `${weight} ${size * this.type}px ${this.pen.font}`;
    context.textAlign = align;
    context.fillStyle = colour || this.pen.quiet;
    context.fillText(text, x, y);
  }

  #frequencies(context, { at, view }) {
    const [size, unit] = words.frequencyUnit(view.stop_hz);
    const { sheet } = at;
    const most = Math.max(2, Math.floor(sheet.h / 48));
    for (const [value, text] of words.roundMarks(view.start_hz / size, view.stop_hz / size, most)) {
      const y = sheet.bottom - (value * size - view.start_hz) / (view.stop_hz - view.start_hz) * sheet.h;
      const within = Math.min(sheet.bottom - 5, Math.max(sheet.y + 5, y));
      this.#text(context, text, sheet.x - 9, within, { align: "right" });
      context.fillStyle = this.pen.quiet;
      context.fillRect(sheet.x - 5, Math.round(y), 5, 1);
      if (!at.narrow) context.fillRect(at.spectrum.x - 5, Math.round(y), 5, 1);
    }
    this.#text(context, unit, at.narrow ? 4 : sheet.x - 9, at.sheet.y - 12 * this.type, { align: at.narrow ? "left" : "right" });
  }

  #x(drawn, atS) {
    const { sheet } = drawn.at;
    return sheet.x + (atS - drawn.fromS) / (drawn.toS - drawn.fromS) * sheet.w;
  }

  /** Findings where they happened: a number and a line, or only a tick where they are many. */
  #numbers(context, drawn, shown) {
    const { sheet } = drawn.at;
    const { pen } = this;
    const places = (shown.findings || []).map((one) => [this.#x(drawn, one.at_s), String(one.number)])
      .filter(([x]) => x >= sheet.x && x <= sheet.right + 1);
    let free = Infinity;
    for (const [x, text] of places) { // newest first
      const at = Math.min(sheet.right - 1, Math.round(x));
      context.fillStyle = pen.rust;
      context.fillRect(at, sheet.y - 4, 1, 4);
      if (places.length <= LINES_MOST) {
        context.fillStyle = pen.pale;
        context.globalAlpha = 0.5;
        context.fillRect(at, sheet.y, 1, sheet.h);
        context.globalAlpha = 1;
      }
      const half = 4 + text.length * 3.6 * this.type;
      if (x + half > free) continue;
      free = x - half;
      this.#text(context, text, Math.min(x, sheet.right - half + 4), sheet.y - 11 * this.type, { colour: pen.rust, align: "center", size: 12, weight: "bold" });
    }
  }

  /** In a gap that is wide enough: why, where it was told, and how long. */
  #reasons(context, drawn, shown) {
    const { sheet } = drawn.at;
    const { binS } = drawn.columns;
    const wide = sheet.w / (drawn.last - drawn.first + 1);
    const all = drawn.unheard ? [drawn.unheard, ...drawn.missing] : drawn.missing;
    for (const [from, to] of all) {
      if ((to - from + 1) * wide < 15 * this.type || to === drawn.last && from === drawn.first) continue;
      const x = sheet.x + ((from + to + 1) / 2 - drawn.first) * wide;
      context.save();
      context.translate(x, sheet.y + sheet.h / 2);
      context.rotate(-Math.PI / 2);
      const why = shown.why ? shown.why(from * binS, (to + 1) * binS) : "";
      const long = from === drawn.first ? "" : ` ${words.duration((to - from + 1) * binS)}`;
      const text = all[0] === drawn.unheard && from === drawn.first ? "not heard of here" : `${why || "nothing swept"}${long}`;
      this.#text(context, text, 0, 0, { align: "center" });
      context.restore();
    }
  }

  #times(context, drawn) {
    const { at, fromS, toS } = drawn;
    const { sheet } = at;
    const most = Math.max(2, Math.floor(sheet.w / (84 * this.type)));
    let free = -Infinity;
    for (const [seconds, text] of words.timeMarks(fromS, toS, most)) {
      const x = this.#x(drawn, seconds);
      const half = text.length * 3.4 * this.type;
      context.fillStyle = this.pen.quiet;
      context.fillRect(Math.round(x), at.times, 1, 5);
      if (x - half < sheet.x - 30 || x - half < free || x + half > sheet.right - 30 * this.type) continue;
      this.#text(context, text, x, at.times + 14 * this.type, { align: "center" });
      free = x + half + 12;
    }
    this.#text(context, "now", sheet.right, at.times + 14 * this.type, { align: "right", colour: this.pen.sea, weight: "bold" });
  }

  // -- strips --------------------------------------------------------------------------------

  #kept(context, drawn, rect) {
    const { pen } = this;
    this.#text(context, "kept", rect.x - 9, rect.y + rect.h / 2, { align: "right" });
    context.fillStyle = pen.sea;
    context.fillRect(rect.x, rect.y, rect.w, rect.h);
    const wide = rect.w / (drawn.last - drawn.first + 1);
    if (drawn.unheard) {
      const w = (drawn.unheard[1] + 1 - drawn.first) * wide;
      context.fillStyle = pen.paper;
      context.fillRect(rect.x, rect.y, w, rect.h);
      context.fillStyle = pen.rule;
      context.fillRect(rect.x, rect.bottom - 1, w, 1);
    }
    for (const [from, to] of drawn.missing) {
      const x = rect.x + (from - drawn.first) * wide, w = Math.max(1, (to - from + 1) * wide);
      context.save();
      context.beginPath();
      context.rect(x, rect.y, w, rect.h);
      context.clip();
      context.fillStyle = pen.paper;
      context.fillRect(x, rect.y, w, rect.h);
      context.strokeStyle = pen.quiet;
      context.lineWidth = 1;
      context.beginPath();
      // Strokes stand still on the page's own grid while the gap moves by.
      for (let at = Math.floor((x - rect.h) / 6) * 6; at < x + w; at += 6) {
        context.moveTo(at, rect.bottom);
        context.lineTo(at + rect.h, rect.y);
      }
      context.stroke();
      context.restore();
    }
    this.#deaf(context, drawn, rect, wide);
  }

  /** Swept, and no listening: bars over the strip, and a line on top of the sheet. */
  #deaf(context, drawn, rect, wide) {
    const { pen } = this;
    const { sheet } = drawn.at;
    // A sweep of a slow job stands until the next one is due.
    const lasts = Math.max(1, Math.round((drawn.view.every_s || 0) / drawn.columns.binS)) - 1;
    for (const [from, to] of drawn.deaf) {
      const left = Math.max(from, drawn.first), right = Math.min(to + lasts, drawn.last);
      if (right < left) continue;
      const x = rect.x + (left - drawn.first) * wide, w = Math.max(2, (right - left + 1) * wide);
      context.fillStyle = pen.paper;
      context.fillRect(x, rect.y, w, rect.h);
      context.fillStyle = pen.rust;
      for (let at = Math.ceil(x / 4) * 4; at < x + w; at += 4) context.fillRect(at, rect.y, 2, rect.h);
      context.fillRect(x, rect.bottom - 2, w, 2);
      context.fillRect(x, sheet.y, w, 3);
    }
  }

  #middles(context, drawn, rect) {
    const { columns, bins, first, last, reach, view } = drawn;
    const { pen } = this;
    // The newest column is not full yet, and the highest of fewer sweeps is lower.
    const seen = bins.filter((bin) => bin >= first && bin < last);
    const level = (bin) => view.low_db + (columns.middles[columns.place(bin)] - 1) * view.step_db;
    let low = Infinity, high = -Infinity;
    for (const bin of seen) {
      const one = level(bin);
      if (one < low) low = one;
      if (one > high) high = one;
    }
    this.#text(context, `middle${view.unit ? `, ${view.unit}` : ""}`, rect.x + 6, rect.y + 3);
    context.fillStyle = pen.rule;
    context.fillRect(rect.x, rect.y, 1, rect.h);
    context.fillRect(rect.x, rect.bottom, rect.w, 1);
    if (!(high >= low)) return;
    const pad = Math.max(0.5, (3 - (high - low)) / 2);
    [low, high] = [low - pad, high + pad];
    const y = (one) => rect.bottom - (one - low) / (high - low) * rect.h;
    for (const [value, text] of words.roundMarks(low, high, Math.max(2, Math.floor(rect.h / (15 * this.type))))) {
      if (y(value) < rect.y + 4 || y(value) > rect.bottom - 3) continue;
      this.#text(context, text, rect.x - 9, y(value), { align: "right" });
      context.fillStyle = pen.rule;
      context.fillRect(rect.x - 4, Math.round(y(value)), 4, 1);
    }
    const wide = rect.w / (last - first + 1);
    context.strokeStyle = pen.sea;
    context.lineWidth = 1.4;
    context.lineJoin = "round";
    context.beginPath();
    let before = -Infinity;
    for (const bin of seen) {
      const x = rect.x + (bin - first + 0.5) * wide;
      if (bin - before > Math.max(reach, 1)) context.moveTo(x - 0.5, y(level(bin)));
      context.lineTo(x, y(level(bin)));
      before = bin;
    }
    context.stroke();
  }

  /** On a narrow page there is room for one strip: that which changed last. */
  #changedLast({ missing, bins, columns, view, first }) {
    const gap = missing.length ? missing.at(-1)[1] : -1;
    const seen = bins.filter((bin) => bin >= first);
    if (!seen.length) return "kept";
    const level = (bin) => columns.middles[columns.place(bin)] * view.step_db;
    const now = level(seen.at(-1));
    let moved = -1;
    for (let at = seen.length - 1; at >= 0; at -= 1) {
      if (Math.abs(level(seen[at]) - now) > 1.5) {
        moved = seen[at];
        break;
      }
    }
    return gap > moved ? "kept" : "middle";
  }

  // -- the spectrum --------------------------------------------------------------------------

  /** Lowest and highest of a line in each of n pixels. */
  #runs(line, n) {
    const rows = line.length, found = [];
    for (let pixel = 0; pixel < n; pixel += 1) {
      const from = Math.floor((pixel * rows) / n);
      const to = Math.max(from + 1, Math.floor(((pixel + 1) * rows) / n));
      let low = Infinity, high = -Infinity;
      for (let row = from; row < to; row += 1) {
        const one = line[row];
        if (!Number.isFinite(one)) continue;
        if (one < low) low = one;
        if (one > high) high = one;
      }
      found.push(high >= low ? [low, high] : null);
    }
    return found;
  }

  #curves(context, rect, shown, view, along, across, n) {
    const { pen } = this;
    // Of (position along frequency, position across level) a point of the page.
    const to = (f, l) => (rect.upright ? [across(l), along(f)] : [along(f), across(l)]);
    const line = (values, filled) => {
      context.beginPath();
      let open = false;
      const runs = this.#runs(values, n);
      const edge = this.axis[0];
      runs.forEach((run, pixel) => {
        if (!run) {
          open = false;
          return;
        }
        const here = filled ? [run[1]] : open === run[0] ? run : [run[0], run[1]];
        if (filled) {
          context.moveTo(...to(pixel, edge));
          context.lineTo(...to(pixel, run[1]));
        } else {
          for (const one of here) {
            const point = to(pixel + 0.5, one);
            if (open === false) context.moveTo(...point);
            else context.lineTo(...point);
            open = true;
          }
        }
      });
      context.stroke();
    };
    if (shown.held) {
      context.strokeStyle = pen.held;
      context.globalAlpha = 0.38;
      context.lineWidth = 1.05;
      line(shown.held, true);
      context.globalAlpha = 1;
    }
    if (Number.isFinite(view.threshold)) {
      context.strokeStyle = pen.rust;
      context.lineWidth = 1.3;
      context.setLineDash([5, 4]);
      context.beginPath();
      context.moveTo(...to(0, view.threshold));
      context.lineTo(...to(n, view.threshold));
      context.stroke();
      context.setLineDash([]);
    }
    if (shown.line) {
      context.strokeStyle = pen.ink;
      context.lineWidth = 1.1;
      context.lineJoin = "round";
      line(shown.line, false);
    }
  }

  #spectrumBeside(context, { at, view }, shown) {
    const rect = { ...at.spectrum, upright: true };
    const [low, high] = this.axis;
    const across = (one) => rect.x + Math.max(0, Math.min(1, (one - low) / (high - low))) * rect.w;
    const along = (pixel) => rect.bottom - pixel;
    for (const [value, text] of words.roundMarks(low, high, Math.max(2, Math.floor(rect.w / (52 * this.type))))) {
      const x = across(value);
      context.fillStyle = this.pen.rule;
      context.fillRect(Math.round(x), rect.y, 1, rect.h);
      if (x > rect.x + 12 && x < rect.right - 34 * this.type) this.#text(context, text, x, rect.y - 9 * this.type, { align: "center" });
    }
    this.#text(context, shown.unit, rect.right, rect.y - 9 * this.type, { align: "right" });
    context.fillStyle = this.pen.quiet;
    context.fillRect(rect.x, rect.y, 1, rect.h);
    this.#curves(context, rect, shown, view, along, across, Math.round(rect.h));
    this.#names(context, rect, view, shown.names || []);
  }

  /** The strongest by name; those that find no place near their own are left out. */
  #names(context, rect, view, names) {
    const high = 13 * this.type;
    const taken = [];
    const within = names.filter((one) => one.hz >= view.start_hz && one.hz <= view.stop_hz);
    within.sort((one, other) => (other.value ?? -Infinity) - (one.value ?? -Infinity));
    for (const one of within) {
      const wanted = rect.bottom - (one.hz - view.start_hz) / (view.stop_hz - view.start_hz) * rect.h;
      const y = [0, -1, 1].map((way) => wanted + way * high)
        .find((at) => at > rect.y - 2 && at < rect.bottom + 2 && taken.every((old) => Math.abs(old - at) >= high - 1));
      if (y === undefined) continue;
      taken.push(y);
      context.font = `${12 * this.type}px ${this.pen.font}`;
      const width = context.measureText(one.text).width;
      context.fillStyle = this.pen.paper;
      context.globalAlpha = 0.85;
      context.fillRect(rect.right - width - 5, y - high / 2, width + 5, high);
      context.globalAlpha = 1;
      this.#text(context, one.text, rect.right, y, { colour: this.pen.sea, align: "right", size: 12 });
    }
  }

  #spectrumBelow(context, { at, view }, shown) {
    const rect = { ...at.spectrum, upright: false };
    const [low, high] = this.axis;
    const across = (one) => rect.bottom - Math.max(0, Math.min(1, (one - low) / (high - low))) * rect.h;
    const along = (pixel) => rect.x + pixel;
    for (const [value, text] of words.roundMarks(low, high, 4)) {
      context.fillStyle = this.pen.rule;
      context.fillRect(rect.x, Math.round(across(value)), rect.w, 1);
      if (across(value) > rect.y + 10) this.#text(context, text, rect.x - 7, across(value), { align: "right" });
    }
    this.#text(context, shown.unit, rect.x - 7, rect.y + 2, { align: "right" });
    const [size, unit] = words.frequencyUnit(view.stop_hz);
    for (const [value, text] of words.roundMarks(view.start_hz / size, view.stop_hz / size, 5)) {
      const x = rect.x + (value * size - view.start_hz) / (view.stop_hz - view.start_hz) * rect.w;
      context.fillStyle = this.pen.quiet;
      context.fillRect(Math.round(x), rect.bottom, 1, 4);
      if (x < rect.right - 40) this.#text(context, text, x, rect.bottom + 13, { align: x < rect.x + 8 ? "left" : "center" });
    }
    this.#text(context, unit, rect.right, rect.bottom + 13, { align: "right" });
    this.#curves(context, rect, shown, view, along, across, Math.round(rect.w));
  }

  // -- the cursor ----------------------------------------------------------------------------

  /** The cell under a point of the page, in CSS pixels of the canvas; null outside the picture. */
  cell(x, y) {
    if (!this.drawn) return null;
    const { at: { sheet, spectrum, narrow }, first, last, view } = this.drawn;
    const beside = !narrow && x >= spectrum.x && x <= spectrum.right;
    if (y < sheet.y || y > sheet.bottom || (!beside && (x < sheet.x || x > sheet.right))) return null;
    const row = Math.min(view.rows - 1, Math.max(0, Math.floor((sheet.bottom - y) / sheet.h * view.rows)));
    const along = beside ? 0.999999 : Math.min(0.999999, (x - sheet.x) / sheet.w);
    return { bin: first + Math.floor(along * (last - first + 1)), row };
  }

  /** What the cursor reads: {atS, hz, level or null, gap}. */
  read(at = this.at) {
    if (!at || !this.drawn) return null;
    const { columns, view, reach } = this.drawn;
    let bin = at.bin;
    for (let back = 0; back < reach; back += 1) {
      if (columns.has(at.bin - back)) {
        bin = at.bin - back;
        break;
      }
    }
    const code = columns.code(bin, at.row);
    return {
      atS: bin * columns.binS,
      hz: view.start_hz + (at.row + 0.5) * (view.stop_hz - view.start_hz) / view.rows,
      stepHz: (view.stop_hz - view.start_hz) / view.rows,
      code,
      level: code ? this.level(code) : null,
    };
  }

  /** Draws the cursor alone; the picture stays. */
  mark() {
    const context = this.over.getContext("2d");
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, this.over.width, this.over.height);
    if (!this.at || !this.drawn) return this.drawn;
    const { at: { sheet, spectrum, narrow }, dpr, first, last, view } = this.drawn;
    if (this.at.bin < first) this.at.bin = first;
    if (this.at.bin > last) this.at.bin = last;
    const x = sheet.x + (this.at.bin - first + 0.5) / (last - first + 1) * sheet.w;
    const y = sheet.bottom - (this.at.row + 0.5) / view.rows * sheet.h;
    context.setTransform(dpr, 0, 0, dpr, 0, 0);
    for (const [colour, wide] of [[this.pen.deep, 3], [this.pen.pale, 1]]) {
      context.globalAlpha = wide === 3 ? 0.35 : 1;
      context.fillStyle = colour;
      context.fillRect(Math.round(x) - (wide - 1) / 2, sheet.y, wide, sheet.h);
      context.fillRect(sheet.x, Math.round(y) - (wide - 1) / 2, sheet.w, wide);
    }
    context.globalAlpha = 1;
    context.fillStyle = this.pen.rust;
    if (!narrow) context.fillRect(spectrum.x, Math.round(y), spectrum.w, 1);
    context.strokeStyle = this.pen.rust;
    context.lineWidth = 2;
    context.strokeRect(Math.round(x) - 5, Math.round(y) - 5, 10, 10);
    return this.drawn;
  }
}
