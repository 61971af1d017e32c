// What was swept, as the server sent it: one byte a cell, 0 where nothing was swept.

const MOST_COLUMNS = 8192;
let made = 0;

/** Columns of one job by the number of their time bin, in a ring that never grows. */
export class Columns {
  constructor(rows, binS, spanS) {
    this.number = made += 1;
    this.rows = rows;
    this.binS = binS;
    this.size = Math.min(MOST_COLUMNS, Math.ceil(spanS / binS) + 2);
    this.codes = new Uint8Array(rows * this.size); // Row by row: a picture is read along time.
    this.at = new Int32Array(this.size).fill(-1); // The bin in each place, −1 where there is none.
    this.base = null; // Bins are counted from the first one seen: they pass 2³¹ else.
    this.newest = null;
    this.middles = new Float32Array(this.size);
    this.oldest = null;
    this.changed = -Infinity; // The oldest bin that changed since it was drawn.
    this.more = 0; // Columns that are still on their way: the newest come first.
  }

  put(bin, codes) {
    if (this.base === null) this.base = bin - this.size;
    const number = bin - this.base;
    if (number < 0 || (this.newest !== null && bin <= this.newest - this.size)) return;
    const place = number % this.size;
    this.at[place] = number;
    for (let row = 0; row < this.rows; row += 1) this.codes[row * this.size + place] = codes[row];
    this.middles[place] = middle(codes);
    if (bin < this.changed) this.changed = bin;
    if (this.newest === null || bin > this.newest) this.newest = bin;
    if (this.oldest === null || bin < this.oldest) this.oldest = bin;
  }

  /** Where a bin's codes stand, or −1. */
  place(bin) {
    if (this.base === null) return -1;
    const number = bin - this.base;
    if (number < 0) return -1;
    const place = number % this.size;
    return this.at[place] === number ? place : -1;
  }

  code(bin, row) {
    const place = this.place(bin);
    return place < 0 ? 0 : this.codes[row * this.size + place];
  }

  has(bin) {
    const place = this.place(bin);
    return place >= 0 && this.middles[place] > 0;
  }

  /** Bins that have something, rising, of those from first to last. */
  bins(first, last) {
    const found = [];
    for (let bin = Math.max(first, last - this.size + 1); bin <= last; bin += 1) {
      if (this.has(bin)) found.push(bin);
    }
    return found;
  }
}

const tally = new Uint32Array(256);

/** The middle one of the codes that were swept, 0 where none was. */
export function middle(codes) {
  tally.fill(0);
  for (const code of codes) tally[code] += 1;
  let half = (codes.length - tally[0]) / 2;
  if (half <= 0) return 0;
  for (let code = 1; code < 256; code += 1) {
    if (half <= tally[code]) return code + half / Math.max(1, tally[code]) - 0.5;
    half -= tally[code];
  }
  return 255;
}

/**
 * How many bins lie between two sweeps, as a rule: a job that sweeps every 20 s fills one bin in
 * many, and its columns reach to the next one. A gap is what is longer than that.
 */
export function stride(bins) {
  if (bins.length < 3) return 1;
  const steps = [];
  for (let at = Math.max(1, bins.length - 400); at < bins.length; at += 1) {
    steps.push(bins[at] - bins[at - 1]);
  }
  steps.sort((one, other) => one - other);
  const usual = steps[Math.floor(steps.length / 2)];
  return usual === 1 ? 1 : Math.ceil(usual * 1.5);
}

/** [first, last] of each run of bins in which nothing was swept, between first and last. */
export function gaps(bins, reach, first, last) {
  const found = [];
  let covered = first - 1;
  for (const bin of bins) {
    if (bin > covered + 1) found.push([covered + 1, bin - 1]);
    covered = Math.max(covered, Math.min(last, bin + reach - 1));
  }
  if (covered < last) found.push([covered + 1, last]);
  return found;
}
