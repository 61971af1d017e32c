// The screen on the wall: nobody touches it. It goes from job to job and stays where something is
// wrong or something has just happened.

import { by, show } from "./dom.js";

const STAY_S = 20;
const STAY_FOR_FINDING_S = 60;
const SHIFT_S = 120; // So often all is moved by a few pixels, which spares the screen.

export class Wall {
  constructor({ page, choose, link }) {
    Object.assign(this, { page, choose, link, on: false, sinceMs: 0, stayMs: 0, stayS: STAY_S });
    setInterval(() => this.#step(), 1000);
  }

  set(on) {
    if (on === this.on) return;
    this.on = on;
    document.body.classList.toggle("wall", on);
    by("tool-wall").setAttribute("aria-pressed", String(on));
    this.sinceMs = performance.now();
    this.stayMs = 0;
    if (on) show(by("tables"), false);
    if (!on) document.body.style.removeProperty("transform");
  }

  /** A finding came: the wall goes there, if nothing holds it elsewhere. */
  found(one) {
    if (!this.on || this.page.nowS - one.at_s > STAY_FOR_FINDING_S || performance.now() < this.stayMs) return;
    this.stayMs = performance.now() + 1000 * STAY_FOR_FINDING_S;
    this.sinceMs = performance.now();
    this.choose({ station: one.station, job: one.job });
  }

  #step() {
    const { page } = this;
    if (!this.on || !page.state) return;
    const shift = Math.floor(performance.now() / 1000 / SHIFT_S) % 4;
    document.body.style.transform = `translate(${[0, 3, 3, 0][shift]}px, ${[0, 0, 3, 3][shift]}px)`;
    const all = page.state.stations.flatMap((station) => station.jobs
      .filter((job) => job.has_sheet || (job.figures || []).length)
      .map((job) => ({ station: station.station, job: job.job, alarm: Boolean(station.alarm) })));
    if (!all.length || performance.now() < this.stayMs) return;
    const wrong = all.filter((one) => one.alarm);
    const turn = wrong.length ? wrong : all;
    const at = turn.findIndex((one) => page.chosen && one.station === page.chosen.station && one.job === page.chosen.job);
    if (at >= 0 && (wrong.length || turn.length === 1)) return;
    if (at >= 0 && performance.now() - this.sinceMs < 1000 * this.stayS) return;
    this.sinceMs = performance.now();
    const next = turn[(at + 1) % turn.length];
    this.choose({ station: next.station, job: next.job });
  }
}
