// What must not be missed: a station that fell silent, a broker or a server that is away.

import { by, keep, make, say } from "./dom.js";
import * as words from "./words.js";

const TITLE = "acqd: live";
const still = matchMedia("(prefers-reduced-motion: reduce)");

export class Alarm {
  constructor() {
    this.on = false;
    this.short = "";
    this.texts = [];
    this.audio = null;
    setInterval(() => this.#beat(), 1000);
    this.beats = 0;
  }

  /** All that is wrong now; the words change only where something else is wrong. */
  tell({ state, lostSinceS, nowS }) {
    const found = [];
    if (lostSinceS !== null) {
      found.push({ key: "link", short: "no link", text: `This page has lost its server since ${words.when(lostSinceS, Date.now() / 1000, true)}: what it shows is old. It tries again by itself.` });
    } else if (state) {
      const { broker } = state;
      if (broker && !broker.up) {
        const since = broker.since_s ? ` since ${words.when(broker.since_s, nowS, true)}` : "";
        found.push({ key: "broker", short: "no broker", text: `The server has lost the broker${broker.address ? ` at ${broker.address}` : ""}${since}: nothing new can be heard.${broker.problem ? ` ${broker.problem}` : ""}` });
      }
      for (const one of state.stations) {
        if (!one.alarm) continue;
        const since = one.alarm_since_s ? `, since ${words.when(one.alarm_since_s, nowS, true)}` : "";
        found.push({ key: one.station, short: `silent: ${one.station}`, text: `${one.station} is ${one.alarm}${since}` });
      }
    }
    this.texts = found;
    this.short = found.map((one) => one.short).join(", ");
    this.on = found.length > 0;
    keep(by("alarm"), found, (one) => one.key, () => make("p"), (node, one) => say(node, one.text));
    by("alarm").classList.toggle("shown", this.on);
    this.#title();
  }

  /** Turns the tone on or off; a browser lets a page sound only after a key or a click. */
  sound() {
    if (this.audio) {
      this.audio.close();
      this.audio = null;
      return false;
    }
    this.audio = new AudioContext();
    this.#tone(0.12);
    return true;
  }

  #beat() {
    this.beats += 1;
    if (this.on && this.audio && this.beats % 10 === 0) this.#tone(0.5);
    this.#title();
  }

  #title() {
    const isLit = this.on && (still.matches || this.beats % 2 === 0);
    const title = isLit ? this.short : TITLE;
    if (document.title !== title) document.title = title;
  }

  #tone(seconds) {
    const now = this.audio.currentTime;
    const tone = this.audio.createOscillator(), loudness = this.audio.createGain();
    tone.frequency.value = 660;
    loudness.gain.setValueAtTime(0, now);
    loudness.gain.linearRampToValueAtTime(0.2, now + 0.03);
    loudness.gain.linearRampToValueAtTime(0, now + seconds);
    tone.connect(loudness).connect(this.audio.destination);
    tone.start(now);
    tone.stop(now + seconds);
  }
}
