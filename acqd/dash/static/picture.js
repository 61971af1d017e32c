// The picture of the sheet, a pixel of the screen each. One pixel shows the highest of all cells that
// lie in it; nothing is smoothed.

export class Picture {
  constructor() {
    this.canvas = document.createElement("canvas");
    this.image = null;
    this.key = "";
  }

  /**
   * The picture as it is now. It is kept: as long as time has not moved on by a column, only what
   * changed is made anew. ``lut`` holds the colour of each code, ``colours`` says which they are.
   */
  of({ pixels: { w, h }, first, last, columns, reach }, lut, colours) {
    const count = last - first + 1;
    const key = [w, h, first, last, reach, colours, columns.number].join();
    let from = 0;
    if (key === this.key) {
      if (columns.changed > last) from = w;
      else from = Math.max(0, Math.floor(((columns.changed - first) * w) / count) - 1);
    } else if (this.canvas.width !== w || this.canvas.height !== h) {
      [this.canvas.width, this.canvas.height] = [w, h];
      this.image = new ImageData(w, h);
    }
    this.key = key;
    columns.changed = Infinity;
    if (from < w) {
      this.#cells(columns, lut, { first, count, reach, w, h, from });
      this.canvas.getContext("2d").putImageData(this.image, 0, 0, from, 0, w - from, h);
    }
    return this.canvas;
  }

  /** Colours of the pixels from ``from`` to the right edge. */
  #cells(columns, lut, { first, count, reach, w, h, from }) {
    const { rows, size, codes } = columns;
    const out = new Uint32Array(this.image.data.buffer);
    const starts = new Int32Array(w + 1);
    for (let pixel = 0; pixel <= w; pixel += 1) starts[pixel] = Math.floor((pixel * count) / w);
    const begin = starts[from];
    const places = this.#places(columns, first + begin, count - begin, reach);
    const highest = new Uint8Array(places.length);
    for (let row = 0; row < h;) {
      const high = rows - Math.floor((row * rows) / h); // Frequency rises upwards.
      let next = row + 1;
      while (next < h && rows - Math.floor((next * rows) / h) === high) next += 1;
      const low = Math.min(high - 1, next < h ? rows - Math.floor((next * rows) / h) : 0);
      for (let line = low; line < high; line += 1) {
        const base = line * size;
        for (let n = 0; n < places.length; n += 1) {
          const code = places[n] < 0 ? 0 : codes[base + places[n]];
          if (line === low || code > highest[n]) highest[n] = code;
        }
      }
      const start = row * w;
      for (let pixel = from; pixel < w; pixel += 1) {
        let code = highest[starts[pixel] - begin];
        for (let n = starts[pixel] + 1; n < starts[pixel + 1]; n += 1) if (highest[n - begin] > code) code = highest[n - begin];
        out[start + pixel] = lut[code];
      }
      for (let copy = row + 1; copy < next; copy += 1) out.copyWithin(copy * w + from, start + from, start + w);
      row = next;
    }
  }

  /** Where each bin's codes stand, −1 in gaps; a column reaches to where the next one is due. */
  #places(columns, first, count, reach) {
    const places = new Int32Array(count);
    let seen = -1, since = 0;
    for (let n = 1 - reach; n < count; n += 1) {
      since += 1;
      if (columns.has(first + n)) [seen, since] = [columns.place(first + n), 0];
      if (n >= 0) places[n] = seen >= 0 && since < reach ? seen : -1;
    }
    return places;
  }
}
