// How numbers, times and states are said. No markup is made here, only text.

export const NONE = "–";

const zoneName = Intl.DateTimeFormat().resolvedOptions().timeZone || "UTC";
const clocks = new Map();

/** The zone in which times are said: the viewer's own, unless the server names one. */
export let zone = zoneName;

export function useZone(name) {
  if (!name || name === zone) return;
  try {
    Intl.DateTimeFormat("en-GB", { timeZone: name });
  } catch {
    return;
  }
  zone = name;
  clocks.clear();
}

function formatter(key, options) {
  if (!clocks.has(key)) {
    clocks.set(key, new Intl.DateTimeFormat("en-GB", { hourCycle: "h23", timeZone: zone, ...options }));
  }
  return clocks.get(key);
}

const DEAF = [
  [1 << 20, "deaf"],
  [1024, "own transmitter keyed"],
  [2048, "set aside by the job's conditions"],
  [16, "input overloaded"],
  [4, "the same levels again, bit for bit"],
];

/** Sentences on what is shown and was no listening; ``runs`` of [first bin, last bin, flags]. */
export function deaf(runs, first, last, eachS) {
  return DEAF.flatMap(([flag, what]) => {
    let bins = 0;
    for (const [from, to, flags] of runs) {
      if (flags & flag) bins += Math.max(0, Math.min(to, last) - Math.max(from, first) + 1);
    }
    return bins ? [`Swept and not listened, ${what}: about ${duration(bins * eachS)} (barred)`] : [];
  });
}

/** "02:10", or "02:10:07". */
export function clock(atS, seconds = false) {
  const options = { hour: "2-digit", minute: "2-digit" };
  if (seconds) options.second = "2-digit";
  return formatter(`clock${seconds}`, options).format(atS * 1000);
}

/** "14 March". */
export function day(atS) {
  return formatter("day", { day: "numeric", month: "long" }).format(atS * 1000);
}

/** "02:10", with the day before it where it is not today's. */
export function when(atS, nowS, seconds = false) {
  if (!Number.isFinite(atS)) return NONE;
  const text = clock(atS, seconds);
  return day(atS) === day(nowS) ? text : `${day(atS)}, ${text}`;
}

/** Seconds that the zone's clock is ahead of UTC at that time. */
export function ahead(atS) {
  const parts = formatter("parts", {
    year: "numeric", month: "numeric", day: "numeric",
    hour: "numeric", minute: "numeric", second: "numeric",
  }).formatToParts(atS * 1000);
  const at = Object.fromEntries(parts.map((one) => [one.type, Number(one.value)]));
  const wall = Date.UTC(at.year, at.month - 1, at.day, at.hour, at.minute, at.second) / 1000;
  return wall - Math.floor(atS);
}

/** "1 h 20 min", "4 min 10 s", "2 s". */
export function duration(seconds) {
  if (!Number.isFinite(seconds)) return NONE;
  const whole = Math.max(0, Math.round(seconds));
  const parts = [
    [Math.floor(whole / 86400), "d"],
    [Math.floor(whole / 3600) % 24, "h"],
    [Math.floor(whole / 60) % 60, "min"],
    [whole % 60, "s"],
  ];
  const first = parts.findIndex(([count]) => count);
  if (first < 0) return "0 s";
  return parts.slice(first, first + 2).filter(([count]) => count)
    .map(([count, unit]) => `${count} ${unit}`).join(" ");
}

/** A number with a minus sign, or a dash where there is none. */
export function number(value, places = 1) {
  if (typeof value !== "number" || !Number.isFinite(value)) return NONE;
  const text = value.toFixed(places);
  return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", "−");
}

/** Thousands are parted by a narrow space. */
export function count(value) {
  if (!Number.isFinite(value)) return NONE;
  return String(Math.round(value)).replace(/\B(?=(\d{3})+$)/g, " ");
}

export function share(value, places = 1) {
  return typeof value === "number" ? `${number(100 * value, places)} %` : NONE;
}

export function bytes(value) {
  if (typeof value !== "number") return NONE;
  const steps = [[1e12, "TB"], [1e9, "GB"], [1e6, "MB"], [1e3, "kB"]];
  const [size, unit] = steps.find(([least]) => value >= least) || [1, "B"];
  return `${number(value / size, value / size < 10 ? 1 : 0)} ${unit}`;
}

/** Size and unit in which frequencies up to ``hz`` are said. */
export function frequencyUnit(hz) {
  if (Math.abs(hz) >= 3e9) return [1e9, "GHz"];
  if (Math.abs(hz) >= 1e6) return [1e6, "MHz"];
  if (Math.abs(hz) >= 1e3) return [1e3, "kHz"];
  return [1, "Hz"];
}

/** "156.800 MHz"; the step of the sweep says how many decimals mean something. */
export function frequency(hz, stepHz = 0) {
  if (typeof hz !== "number" || !Number.isFinite(hz)) return NONE;
  const [size, unit] = frequencyUnit(hz);
  const places = stepHz > 0
    ? Math.min(6, Math.max(0, Math.ceil(Math.log10(size / stepHz))))
    : (size === 1 ? 0 : 3);
  return `${number(hz / size, places)} ${unit}`;
}

export function range(startHz, stopHz) {
  const [size, unit] = frequencyUnit(stopHz);
  return `${number(startHz / size, 3)} to ${number(stopHz / size, 3)} ${unit}`;
}

const UNITS = {
  dbm: "dBm", dbuv: "dBµV", dbfs: "dBFS", db: "dB", hz: "Hz", s: "s", ppm: "ppm", w: "W",
  digit: "", c: "°C",
};
const NAMES = {
  least_loss_db: "least loss", centre_hz: "centre", width_3db_hz: "width at 3 dB",
  lower_edge_hz: "lower edge", upper_edge_hz: "upper edge", ripple_db: "ripple in the passband",
  notch_depth_db: "depth of the notch", rejection_db: "rejection", pad_db: "the pad's loss",
  flatness_db: "flatness", delay_s: "group delay", return_loss_db: "return loss of the best match",
  swr: "SWR of the best match", match_hz: "best match", worst_return_loss_db: "worst return loss",
  worst_swr: "worst SWR", over_floor_db: "over the floor", signals: "signals",
};
/** +1 where more is better, −1 where less is, nothing where neither can be said. */
const SENSES = [
  [/^least|loss/, -1], [/return_loss|^best$|^match$/, 1], [/swr|^worst$/, -1],
  [/rejection|notch|separation|margin/, 1], [/ripple|flatness|magnitude/, -1],
];

/** What a bare figure is called, and its unit; the name of a figure ends in its unit. */
export function figure(name) {
  const tail = name.match(/_([a-z]+)$/);
  const unit = tail && tail[1] in UNITS ? UNITS[tail[1]] : "";
  const stem = tail && tail[1] in UNITS ? name.slice(0, tail.index) : name;
  return { name: NAMES[name] || stem.replaceAll("_", " "), unit };
}

export function sense(name) {
  let found = 0;
  for (const [pattern, way] of SENSES) if (pattern.test(name)) found = way;
  return found;
}

/** A figure with its unit, as it is read: frequencies in MHz, levels to a tenth. */
export function valueText(value, unit) {
  if (unit === "Hz") return frequency(value, Math.abs(value) >= 1e6 ? 1e3 : 1);
  if (unit === "s" && Math.abs(value) < 1e-3) return `${number(value * 1e9, 1)} ns`;
  const places = unit.startsWith("dB") ? 1 : Number.isInteger(value) ? 0 : 2;
  return unit ? `${number(value, places)} ${unit}` : number(value, places);
}

/** [seconds, text] of the marks of a time axis, on round times of the zone's clock. */
export function timeMarks(fromS, toS, most) {
  const steps = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200];
  const step = steps.find((one) => (toS - fromS) / one <= most) || 86400;
  const found = [];
  const shift = ahead(fromS);
  for (let at = Math.ceil((fromS + shift) / step) * step - shift; at <= toS; at += step) {
    found.push([at, clock(at, step < 60)]);
  }
  return found;
}

/** Round values for an axis from low to high. */
export function roundMarks(low, high, most) {
  const raw = (high - low) / Math.max(1, most);
  if (!(raw > 0)) return [];
  const size = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((one) => one * size).find((one) => one >= raw * 0.999);
  const places = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const found = [];
  for (let at = Math.ceil(low / step - 1e-9); at * step <= high * (1 + 1e-12) + 1e-9; at += 1) {
    found.push([at * step, number(at * step, places)]);
  }
  return found;
}
