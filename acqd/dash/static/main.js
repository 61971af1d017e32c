// The page as a whole: what is looked at, what is held of it, and when it is drawn.

import { Columns } from "./columns.js";
import { Alarm } from "./alarm.js";
import { by, make, say, show } from "./dom.js";
import { Link } from "./link.js";
import * as panels from "./panels.js";
import { Sheet } from "./sheet.js";
import { Tuning } from "./tune.js";
import { Wall } from "./wall.js";
import * as words from "./words.js";

const SPANS = [[600, "10 min"], [3600, "1 h"], [21600, "6 h"], [43200, "12 h"]];
const FINDINGS_KEPT = 200; // of each station
const TABLES_EVERY_MS = 2000;
const SPOKEN_EVERY_MS = 700;

const page = {
  state: null,
  nowS: Date.now() / 1000,
  have: { version: 0, finding: 0 },
  findings: [], // newest first
  newest: new Map(), // station/job -> its newest finding
  chosen: null, // {station, job}
  spanS: 3600,
  spanChosen: false, // Until somebody chooses: an hour, or less where less was heard.
  shortUntil: new Map(), // Stations of whose hour there is little, and how long that holds.
  view: null,
  columns: null,
  line: null,
  held: null,
  detail: {},
  detailHave: {},
  seq: 0,
  epoch: 0,
  mode: "sheet",
  hash: "", // As it was last read or written; another one is news.
};

const sheet = new Sheet(by("sheet-ground"), by("sheet-cursor"));
const tuning = new Tuning();
const alarm = new Alarm();
const link = new Link({ ask, onFrame, onChange: tellAlarms });
const wall = new Wall({ page, choose, link });

const stationOf = (name) => page.state && page.state.stations.find((one) => one.station === name);
const station = () => (page.chosen ? stationOf(page.chosen.station) : null);
const job = () => {
  const found = station();
  return found ? found.jobs.find((one) => one.job === page.chosen.job) : null;
};

// -- what is asked for -------------------------------------------------------------------------

function ask() {
  const { chosen, spanS, have, epoch, seq, detailHave } = page;
  const view = chosen && chosen.job ? { station: chosen.station, job: chosen.job, span_s: spanS } : null;
  return { ask: "frame", view, have: { ...have, epoch, seq, detail: detailHave } };
}

function forget() {
  Object.assign(page, { view: null, columns: null, line: null, held: null, detail: {}, detailHave: {}, seq: 0, epoch: 0 });
  sheet.at = null;
}

/** Ten minutes where little more was heard of a station, else an hour. */
function usualSpan(name) {
  const found = stationOf(name);
  if (page.nowS < (page.shortUntil.get(name) ?? 0)) return 600;
  if (!found || found.archive) return 3600;
  const heardS = page.nowS - Math.max(found.since_s ?? 0, page.state.broker.since_s ?? 0);
  return heardS < 1200 ? 600 : 3600;
}

function chooseSpan(spanS) {
  page.spanChosen = true;
  choose(page.chosen, { spanS });
}

function choose(next, { spanS = page.spanChosen || !next ? page.spanS : usualSpan(next.station) } = {}) {
  const same = page.chosen && next && page.chosen.station === next.station && page.chosen.job === next.job;
  if (same && spanS === page.spanS) return;
  page.chosen = next;
  page.spanS = spanS;
  for (const input of by("spans").querySelectorAll("input")) input.checked = Number(input.value) === spanS;
  forget();
  link.turn();
  draw();
}

/** #station/job?span=3600&look=tune; #wall; anything may be missing. */
function readHash() {
  page.hash = location.hash;
  const [path, query = ""] = location.hash.slice(1).split("?");
  const options = new URLSearchParams(query);
  const spanS = Number(options.get("span"));
  const parts = path.split("/").map((one) => {
    try {
      return decodeURIComponent(one);
    } catch {
      return "";
    }
  });
  setMode(options.get("look") === "tune" ? "tune" : "sheet");
  const isWall = parts[0] === "wall" || new URLSearchParams(location.search).has("wall");
  wall.set(isWall);
  if (SPANS.some(([one]) => one === spanS)) {
    page.spanChosen = true;
    page.spanS = spanS;
  }
  if (parts.length > 1 && parts[1]) choose({ station: parts[0], job: parts[1] });
}

function hash() {
  if (wall.on) return "#wall";
  if (!page.chosen) return "";
  const options = new URLSearchParams();
  if (page.spanChosen) options.set("span", page.spanS);
  if (page.mode === "tune") options.set("look", "tune");
  const path = [page.chosen.station, page.chosen.job].map(encodeURIComponent).join("/");
  return `#${path}${options.size ? `?${options}` : ""}`;
}

function writeHash() {
  // A link was followed, and the event that tells of it is still to come: it is not written over.
  if (location.hash !== page.hash) return;
  const wanted = hash();
  if (wanted !== location.hash) history.replaceState(null, "", wanted || location.pathname + location.search);
  page.hash = location.hash;
}

// -- what comes --------------------------------------------------------------------------------

function onFrame({ header, parts }) {
  page.nowS = header.now_s;
  page.have.version = header.version;
  if (header.state) takeState(header.state);
  for (const one of header.findings || []) takeFinding(one);
  const view = header.view;
  const { chosen } = page;
  const isMine = view && chosen && view.station === chosen.station && view.job === chosen.job && view.span_s === page.spanS;
  if (isMine) takeView(view, parts, header.detail || {});
  page.fresh = { state: Boolean(header.state), findings: (header.findings || []).length > 0, view: isMine };
  return new Promise((resolve) => {
    requestAnimationFrame(() => {
      draw();
      // After the picture is on its way to the screen: only then the next frame is asked for.
      setTimeout(resolve);
    });
  });
}

function takeState(state) {
  page.state = state;
  words.useZone(state.zone);
  if (!page.chosen) {
    const first = state.stations.find((one) => one.jobs.length);
    if (first) choose({ station: first.station, job: (first.jobs.find((one) => one.has_sheet) || first.jobs[0]).job });
  }
  // What is gone from the state is not held on to.
  const known = new Set(state.stations.map((one) => one.station));
  if (page.findings.some((one) => !known.has(one.station))) page.findings = page.findings.filter((one) => known.has(one.station));
  if (!page.spanChosen && page.chosen) choose(page.chosen);
  tellAlarms();
}

function takeFinding(one) {
  page.have.finding = Math.max(page.have.finding, one.id);
  // A server that was started anew tells again what it finds in an archive, under other ids.
  const again = page.findings.findIndex((old) => old.station === one.station && old.job === one.job && old.number === one.number && old.what === one.what);
  if (again >= 0) page.findings.splice(again, 1);
  const at = page.findings.findIndex((old) => old.at_s < one.at_s || (old.at_s === one.at_s && old.id < one.id));
  page.findings.splice(at < 0 ? page.findings.length : at, 0, one);
  const mine = page.findings.filter((old) => old.station === one.station);
  if (mine.length > FINDINGS_KEPT) page.findings.splice(page.findings.lastIndexOf(mine.at(-1)), 1);
  if (one.job === null) return;
  const key = `${one.station}/${one.job}`;
  const newest = page.newest.get(key);
  if (!newest || newest.at_s <= one.at_s) page.newest.set(key, one);
  wall.found(one);
}

function takeView(view, parts, detail) {
  for (const [name, [version, value]] of Object.entries(detail)) {
    page.detail[name] = value;
    page.detailHave[name] = version;
  }
  page.view = view;
  if (view.rows && view.bin_s) {
    if (view.epoch !== page.epoch || !page.columns || page.columns.rows !== view.rows) {
      page.columns = new Columns(view.rows, view.bin_s, page.spanS);
      page.line = page.held = null;
      page.epoch = view.epoch;
    }
    const codes = parts.columns;
    if (codes) (view.bins || []).forEach((bin, at) => page.columns.put(bin, codes.subarray(at * view.rows, (at + 1) * view.rows)));
    page.columns.more = view.more || 0;
  }
  if (parts.line) page.line = parts.line;
  if (parts.held) page.held = parts.held;
  // Only a line that came is had: the next ask would else never bring it.
  if (parts.line || !view.rows) page.seq = view.seq ?? 0;
  const { columns } = page;
  if (page.spanChosen || page.spanS !== 3600 || !columns || columns.more || columns.oldest === null) return;
  if (columns.oldest * columns.binS > page.nowS - 1200) {
    page.shortUntil.set(view.station, page.nowS + 1200);
    choose(page.chosen);
  }
}

// -- what is shown -----------------------------------------------------------------------------

function shownOnSheet() {
  const { view, columns, line, held, nowS, spanS } = page;
  // A page may have columns of a job whose sheet the server has lost, or has not got yet.
  if (!view || !columns || !view.rows) return null;
  const names = (view.marks || []).filter((one) => Number.isFinite(one.at_hz) && one.label).map((one) => ({ hz: one.at_hz, text: one.label, value: one.value }));
  const findings = mine().filter((one) => one.job !== null);
  return { view, columns, line, held, nowS, spanS, findings, names, why, unit: view.unit || "" };
}

/** Why nothing was swept from one time to another, where a finding of the station told it. */
function why(fromS, toS) {
  const now = job();
  const margin = 5 + 2 * ((page.view && page.view.every_s) || 0);
  const told = page.findings.find((one) => one.station === page.chosen.station && one.job === null
    && one.at_s > fromS - margin && one.at_s < toS
    && ["sweeper_lost", "cannot_keep", "host_asleep"].includes(one.what)
    && (one.what !== "sweeper_lost" || (now && one.text.includes(now.sweeper))));
  if (!told) return "";
  return { sweeper_lost: `${now.sweeper} away`, cannot_keep: "no room to keep sweeps", host_asleep: "host asleep" }[told.what];
}

const mine = () => page.findings.filter((one) => page.chosen && one.station === page.chosen.station && (one.job === page.chosen.job || one.job === null));

let drawnTablesMs = 0;

function draw() {
  const { state, nowS, view, detail } = page;
  say(by("clock"), words.clock(nowS, true));
  say(by("zone"), words.zone.replaceAll("_", " "));
  if (!state) {
    sheet.draw(null);
    return;
  }
  const here = station(), now = job();
  panels.stations(state, nowS);
  panels.jobs(state, page.chosen, page.newest, nowS);
  panels.title({ station: here, job: now, view, expanded: expanded(now) }, nowS);
  panels.findings(page.findings, page.chosen, nowS);
  panels.channels(detail, nowS);
  panels.verdict(now, detail, nowS);
  panels.sweepers(here, nowS);
  if (page.mode === "tune") tuning.update({ station: here, job: now, view, line: page.line, nowS });
  else drawSheet();
  if (!by("tables").hidden && performance.now() - drawnTablesMs > TABLES_EVERY_MS) drawTables();
  writeHash();
}

/** U of a level of the spectrum, k = 2, where it is known. */
function expanded(now) {
  // A half-width, spread evenly: its standard uncertainty is a / √3.
  const accuracy = page.detail.summary && page.detail.summary.level_accuracy_db;
  if (Number.isFinite(accuracy)) return 2 * accuracy / Math.sqrt(3);
  const level = now && (now.figures || []).find((one) => /^(level|fundamental)/.test(one.key) && one.unit.startsWith("dB") && Number.isFinite(one.expanded));
  return level ? level.expanded : null;
}

function drawTables() {
  drawnTablesMs = performance.now();
  panels.tables({ state: page.state, station: station(), job: job(), view: page.view, detail: page.detail, found: mine(), nowS: page.nowS });
}

function drawSheet() {
  sheet.type = wall.on ? 1.5 : 1;
  const drawn = sheet.draw(shownOnSheet());
  const { view, columns } = page;
  const isBare = !columns || !drawn || !drawn.bins.length;
  const unknown = page.chosen && !job() ? `nothing was heard of ${page.chosen.job} at ${page.chosen.station}: choose another job` : "";
  const empty = unknown ? unknown : !view ? "waiting for the first frame" : isBare ? view.problem || "nothing was swept in the time shown" : "";
  const trouble = isBare || !view.problem ? "" : view.problem;
  say(by("trouble"), trouble);
  show(by("trouble"), Boolean(trouble));
  say(by("sheet-empty"), empty);
  show(by("sheet-empty"), Boolean(empty));
  show(by("key"), Boolean(drawn));
  if (!drawn) {
    say(by("statement"), "");
    return;
  }
  say(by("held-since"), `of ${SPANS.find(([one]) => one === page.spanS)[1]}`);
  show(by("threshold-words").parentElement, Number.isFinite(view.threshold));
  say(by("threshold-words"), Number.isFinite(view.threshold) ? `threshold ${words.number(view.threshold, 1)} ${view.unit || ""}` : "");
  drawScale();
  say(by("statement"), statement(drawn));
  readout(false);
}

function statement(drawn) {
  const { view, columns } = page;
  const gaps = drawn.missing.length;
  const missingS = drawn.missing.reduce((sum, [from, to]) => sum + (to - from + 1) * columns.binS, 0);
  const parts = [`Middle: half of ${words.range(view.start_hz, view.stop_hz)} lies below, in each column`];
  if (view.more) parts.push(`${words.count(view.more)} older columns are on their way`);
  else if (drawn.unheard) parts.push(`Heard of here since ${words.clock((drawn.unheard[1] + 1) * columns.binS)}`);
  if (gaps) parts.push(`Nothing was swept, or heard of here, in ${words.duration(missingS)} (hatched)`);
  else if (!view.more && !drawn.unheard) parts.push("No gap");
  parts.push(...words.deaf(drawn.deaf, drawn.first, drawn.last, Math.max(columns.binS, view.every_s || 0)));
  if (view.skipped > 0) parts.push(`${words.count(view.skipped)} sweeps went by between the last two lines; their columns are in the sheet`);
  return `${parts.join(". ")}.`;
}

let scaleDrawn = "";

function drawScale() {
  const [low, high] = sheet.scale;
  const key = `${low}/${high}/${sheet.pen.paper}/${Boolean(sheet.colours)}`;
  say(by("scale-low"), `${words.number(low, 0)} ${page.view.unit || ""} and less`);
  say(by("scale-high"), `${words.number(high, 0)} and more`);
  if (key === scaleDrawn || !sheet.colours) return;
  scaleDrawn = key;
  const canvas = by("scale");
  [canvas.width, canvas.height] = [256, 1];
  const context = canvas.getContext("2d");
  const image = context.createImageData(256, 1);
  sheet.colours.forEach(([r, g, b], at) => image.data.set([r, g, b, 255], 4 * at));
  context.putImageData(image, 0, 0);
}

// -- the cursor --------------------------------------------------------------------------------

const touches = matchMedia("(pointer: coarse)");
let spoken = { ms: 0, timer: null };

function readingText() {
  const read = sheet.read();
  if (!read) return "";
  const near = nearest(read.hz, read.stepHz);
  const level = read.level === null ? "nothing swept" : `${words.number(read.level, 1)} ${page.view.unit || ""}`;
  return `${words.clock(read.atS, true)}, ${words.frequency(read.hz, read.stepHz)}${near}: ${level}`;
}

/** The name of what is marked within a channel's reach of a frequency. */
function nearest(hz, stepHz) {
  let found = null;
  for (const one of page.view.marks || []) {
    const away = Math.abs(one.at_hz - hz);
    if (one.label && away <= Math.max(12500, 2 * stepHz) && (!found || away < found.away)) found = { away, label: one.label };
  }
  return found ? ` (${found.label})` : "";
}

function readout(aloud) {
  const text = sheet.at ? readingText() : "";
  say(by("readout"), text || (touches.matches ? "Touch the sheet to read it." : "Point at the sheet, or use the arrow keys, to read it."));
  if (!aloud) return;
  clearTimeout(spoken.timer);
  const wait = Math.max(0, spoken.ms + SPOKEN_EVERY_MS - performance.now());
  spoken.timer = setTimeout(() => {
    spoken.ms = performance.now();
    say(by("spoken"), sheet.at ? readingText() : "");
  }, wait);
}

function point(event) {
  const box = by("sheet-ground").getBoundingClientRect();
  const cell = sheet.cell(event.clientX - box.left, event.clientY - box.top);
  if (!cell && event.pointerType !== "mouse") return;
  sheet.at = cell;
  sheet.mark();
  readout(false);
}

function steer(event) {
  const drawn = sheet.drawn;
  if (!drawn || event.ctrlKey || event.altKey || event.metaKey) return;
  const { first, last, view, columns, bins } = drawn;
  const at = sheet.at ? { ...sheet.at } : { bin: bins.at(-1) ?? last, row: Math.floor(view.rows / 2) };
  const many = event.shiftKey ? 10 : 1;
  const wide = Math.max(1, Math.round((last - first + 1) / Math.max(1, drawn.at.sheet.w)));
  const keys = {
    ArrowLeft: () => { at.bin -= many * Math.max(wide, drawn.reach > 1 ? 1 : 0); },
    ArrowRight: () => { at.bin += many * Math.max(wide, drawn.reach > 1 ? 1 : 0); },
    ArrowUp: () => { at.row += many; },
    ArrowDown: () => { at.row -= many; },
    Home: () => { at.bin = bins.find((bin) => bin >= first) ?? first; },
    End: () => { at.bin = bins.at(-1) ?? last; },
    p: () => {
      let best = 0;
      for (let row = 0; row < view.rows; row += 1) if (columns.code(at.bin, row) > best) [best, at.row] = [columns.code(at.bin, row), row];
    },
  };
  if (event.key === "Escape" && sheet.at) {
    sheet.at = null;
    sheet.mark();
    readout(true);
    event.preventDefault();
    return;
  }
  const move = keys[event.key] || keys[event.key.toLowerCase()];
  if (!move) return;
  event.preventDefault();
  event.stopPropagation();
  if (sheet.at) move();
  else if (!event.key.startsWith("Arrow")) move();
  at.bin = Math.max(first, Math.min(last, at.bin));
  at.row = Math.max(0, Math.min(view.rows - 1, at.row));
  sheet.at = at;
  sheet.mark();
  readout(true);
}

// -- alarms, modes and tools -------------------------------------------------------------------

function tellAlarms() {
  alarm.tell({ state: page.state, lostSinceS: link.lostSinceS, nowS: page.nowS });
}

function setMode(mode) {
  page.mode = mode;
  const isTuning = mode === "tune";
  show(by("tuning"), isTuning);
  show(by("look"), !isTuning);
  by("tool-tune").setAttribute("aria-pressed", String(isTuning));
  document.body.classList.toggle("tunes", isTuning);
  draw();
}

function setTables(shown) {
  show(by("tables"), shown);
  by("tool-table").setAttribute("aria-pressed", String(shown));
  if (!shown || !page.state) return;
  drawTables();
  by("tables-head").focus();
  by("tables").scrollIntoView();
}

/** Dark or light, whatever the system says. */
function setDark(dark) {
  document.documentElement.dataset.look = dark ? "dark" : "light";
  by("tool-dark").setAttribute("aria-pressed", String(dark));
  page.dark = dark;
  restyle();
}

function restyle() {
  sheet.restyle();
  tuning.restyle();
  draw();
}

function openPhone() {
  const code = by("phone-code");
  code.replaceChildren();
  const picture = make("img");
  picture.alt = "A QR code of this page's address";
  picture.src = `/qr.svg${location.search}`;
  picture.addEventListener("error", () => {
    picture.remove();
    say(by("phone-words"), "There is no address that a phone could reach: the server listens on this machine alone. Start it with --listen and an address of the network.");
  });
  say(by("phone-words"), "Point the phone's camera at it. The code holds all that is needed to get in: whoever sees it can look, too, and nothing else.");
  code.append(picture);
  by("phone").showModal();
}

const TOOLS = {
  n: ["tool-tune", () => setMode(page.mode === "tune" ? "sheet" : "tune")],
  t: ["tool-table", () => setTables(by("tables").hidden)],
  w: ["tool-wall", () => { wall.set(!wall.on); writeHash(); draw(); }],
  s: ["tool-sound", () => by("tool-sound").setAttribute("aria-pressed", String(alarm.sound()))],
  d: ["tool-dark", () => setDark(!page.dark)],
  q: ["tool-phone", openPhone],
};

function build() {
  for (const [spanS, text] of SPANS) {
    const input = make("input");
    Object.assign(input, { type: "radio", name: "span", value: String(spanS), checked: spanS === page.spanS });
    input.addEventListener("change", () => chooseSpan(spanS));
    by("spans").append(make("label", "", input, make("span", "", text)));
  }
  for (const [id, act] of Object.values(TOOLS)) by(id).addEventListener("click", act);
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || by("phone").open) return;
    if (/^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName)) return;
    if (event.key === "Escape" && wall.on) {
      wall.set(false);
      writeHash();
      draw();
    } else if (event.key === "r" && page.mode === "tune") tuning.reset();
    else if (TOOLS[event.key]) TOOLS[event.key][1]();
  });
  const area = by("sheet");
  area.addEventListener("pointermove", point);
  area.addEventListener("pointerdown", point);
  area.addEventListener("pointerleave", (event) => {
    if (event.pointerType !== "mouse" || document.activeElement === area) return;
    sheet.at = null;
    sheet.mark();
    readout(false);
  });
  area.addEventListener("keydown", steer);
  by("skip").addEventListener("click", (event) => {
    event.preventDefault(); // The address names the job, and is left alone.
    by("what-happened").focus();
    by("what-happened").scrollIntoView();
  });
  new ResizeObserver(() => page.mode === "sheet" && draw()).observe(area);
  const scheme = matchMedia("(prefers-color-scheme: dark)");
  scheme.addEventListener("change", () => setDark(scheme.matches));
  page.dark = scheme.matches;
  by("tool-dark").setAttribute("aria-pressed", String(page.dark));
  const narrow = matchMedia("(max-width: 860px)");
  const fold = () => { by("jobs-fold").open = !narrow.matches; };
  narrow.addEventListener("change", fold);
  fold();
  by("jobs").addEventListener("click", () => { if (narrow.matches) by("jobs-fold").open = false; });
  window.addEventListener("hashchange", readHash);
}

async function fetchColours() {
  try {
    sheet.colours = (await (await fetch("/colours.json")).json()).levels;
    draw();
  } catch {
    setTimeout(fetchColours, 2000);
  }
}

build();
readHash();
fetchColours();
link.start();
// For those who look into the page from a console, and for its tests.
window.acqd = { page, sheet, link, wall, tuning, draw };
