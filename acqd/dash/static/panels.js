// What stands around the sheet: stations, jobs, findings, channels, verdicts, sweepers, tables.

import { by, keep, make, say, show, table } from "./dom.js";
import * as words from "./words.js";

const FINDINGS_SHOWN = 40;
const CHANNELS_SHOWN = 14;

// -- stations and jobs -------------------------------------------------------------------------

export function stationWords(one, nowS) {
  if (one.silent) return `silent, last heard ${words.when(one.heard_s, nowS)}`;
  if (one.status === "online") return `on watch since ${words.when(one.since_s, nowS)}`;
  if (one.status === "offline") {
    const how = one.alarm ? "offline" : one.reason || "offline";
    return one.alarm_since_s ? `${how} since ${words.when(one.alarm_since_s, nowS)}` : how;
  }
  return "not heard yet";
}

export function stations(state, nowS) {
  const more = state.more_stations || 0;
  show(by("more-stations"), more > 0);
  say(by("more-stations"), `${words.count(more)} more ${more === 1 ? "station is" : "stations are"} not shown`);
  keep(by("stations"), state.stations, (one) => one.station,
    () => make("li", "", make("b"), " ", make("span")),
    (node, one) => {
      node.classList.toggle("wants-a-look", Boolean(one.alarm));
      say(node.children[0], one.station);
      say(node.children[1], stationWords(one, nowS));
    });
}

const jobHash = (station, job) => `#${encodeURIComponent(station)}/${encodeURIComponent(job)}`;

function jobState(one, nowS) {
  if (one.state === "listening") return "listening";
  const since = one.since_s ? ` since ${words.when(one.since_s, nowS)}` : "";
  return `${one.state || "not heard yet"}${since}`;
}

export function jobs(state, chosen, last, nowS) {
  keep(by("jobs"), state.stations, (one) => one.station,
    () => make("section", "", make("h2"), make("ul")),
    (node, station) => {
      say(node.children[0], station.station);
      keep(node.children[1], station.jobs, (one) => one.job,
        (one) => {
          const link = make("a", "job", make("b"), make("em"), make("span"), make("small"));
          link.href = jobHash(station.station, one.job);
          return make("li", "", link);
        },
        (item, one) => {
          const [name, verdict, what, found] = item.firstChild.children;
          const isChosen = chosen && chosen.station === station.station && chosen.job === one.job;
          if (isChosen) item.firstChild.setAttribute("aria-current", "page");
          else item.firstChild.removeAttribute("aria-current");
          say(name, one.job);
          const word = one.verdict ? one.verdict.verdict : one.soak ? "on soak" : "";
          say(verdict, word);
          verdict.classList.toggle("wants-a-look", word === "fail");
          const gone = station.alarm ? "its station is not heard" : jobState(one, nowS);
          const kept = typeof one.coverage === "number" ? `, kept ${words.share(one.coverage)}` : "";
          say(what, gone + kept);
          what.classList.toggle("wants-a-look", ["deaf", "paused", "waiting for its sweeper"].includes(one.state));
          const newest = last.get(`${station.station}/${one.job}`);
          const busy = one.busy && one.busy.length ? `busy: ${one.busy.slice(0, 4).join(", ")}` : "";
          say(found, busy || (newest ? `${words.clock(newest.at_s)} ${newest.text}` : ""));
        });
    });
  say(by("jobs-now"), chosen ? chosen.job : "");
}

// -- the title ---------------------------------------------------------------------------------

export function title({ station, job, view, expanded }, nowS) {
  say(by("job-title"), job ? `${job.job} on ${job.sweeper || "no sweeper"}` : station ? station.station : "waiting for a station");
  if (!job) {
    say(by("job-sub"), station ? "no job was heard of yet" : "nothing was heard from any station yet");
    for (const id of ["kept", "kept-sub"]) say(by(id), "");
    return;
  }
  const facts = [station.station];
  if (view && view.stop_hz) facts.push(words.range(view.start_hz, view.stop_hz));
  if (job.every_s) facts.push(`a sweep every ${words.duration(Math.max(job.every_s, 1)) === "1 s" && job.every_s < 1 ? `${words.number(job.every_s, 1)} s` : words.duration(job.every_s)}`);
  if (view && view.plane) facts.push(`levels at ${view.plane}${expanded ? `, ± ${words.number(expanded, 1)} dB (k = 2)` : ""}`);
  say(by("job-sub"), facts.join("  ·  "));
  if (Number.isFinite(job.due) && job.due > 0) {
    say(by("kept"), `kept ${words.count(job.stored)} of ${words.count(job.due)} sweeps`);
    const state = station.alarm ? "its station is not heard" : `${jobState(job, nowS)}${job.reason ? `: ${job.reason}` : ""}`;
    say(by("kept-sub"), `${words.share(job.coverage)} of what was due this hour; ${state}`);
  } else {
    say(by("kept"), jobState(job, nowS));
    say(by("kept-sub"), job.reason || "nothing was due this hour yet");
  }
  by("kept-sub").classList.toggle("wants-a-look", Boolean(station.alarm));
  by("kept").classList.toggle("wants-a-look", typeof job.coverage === "number" && job.coverage < 0.9);
}

// -- findings ----------------------------------------------------------------------------------

export function findings(list, chosen, nowS) {
  const mine = list.filter((one) => !chosen || (one.station === chosen.station && (one.job === chosen.job || one.job === null)));
  const head = chosen ? `What happened` : "What happened everywhere";
  say(by("what-happened"), head);
  // Another job's findings are no news: only what comes while one looks is told.
  const key = chosen ? `${chosen.station}/${chosen.job}` : "";
  const place = by("findings");
  place.setAttribute("aria-live", place.dataset.of === key ? "polite" : "off");
  place.dataset.of = key;
  keep(by("findings"), mine.slice(0, FINDINGS_SHOWN), (one) => one.id,
    (one) => {
      const time = make("time");
      time.dateTime = new Date(one.at_s * 1000).toISOString();
      return make("li", one.job === null ? "of-station" : "", make("b"), time, make("span"));
    },
    (node, one) => {
      say(node.children[0], one.number ?? "");
      say(node.children[1], words.when(one.at_s, nowS));
      say(node.children[2], one.what === "catch-up" ? catchUp(one) : one.text);
    });
  const none = chosen ? "Nothing that this job would tell of, since the server began to listen." : "Nothing yet.";
  say(by("findings-none"), mine.length ? "" : none);
  show(by("findings-none"), !mine.length);
  return mine;
}

const catchUp = (one) => one.text || `findings ${one.first} to ${one.last} did not get through: they are in the archive`;

// -- channels ----------------------------------------------------------------------------------

/** Channels with their state and the occupancy of the hour that ended last. */
export function channelRows(detail) {
  const occupancy = detail.occupancy;
  const hour = occupancy && occupancy.hours && occupancy.hours.at(-1);
  const share = new Map();
  if (hour) {
    occupancy.channels.forEach((key, at) => share.set(key, {
      name: occupancy.names[at], fco: hour.fco[at], low: hour.low[at], high: hour.high[at],
    }));
  }
  const found = (detail.channels || []).map((one) => ({ ...one, ...(share.get(one.channel) || {}), name: one.name || one.channel }));
  for (const [key, one] of share) {
    if (!found.some((row) => row.channel === key)) found.push({ channel: key, state: "unknown", ...one });
  }
  return { rows: found, hour };
}

function channelWords(one, nowS) {
  if (one.state === "busy") return `busy since ${words.when(one.since_s, nowS, true)}`;
  const heard = one.last_heard_s ? `heard ${words.when(one.last_heard_s, nowS)}` : "not heard yet";
  return one.state === "free" ? `free, ${heard}` : heard;
}

export function channels(detail, nowS) {
  const { rows, hour } = channelRows(detail);
  show(by("channels-part"), rows.length > 0);
  if (!rows.length) return;
  const rank = (one) => (one.state === "busy" ? 3e10 : 0) + (one.fco > 0 ? 2e10 : 0) + (one.last_heard_s || 0);
  const shown = [...rows].sort((one, other) => rank(other) - rank(one))
    .filter((one, at) => at < CHANNELS_SHOWN && (rank(one) > 0 || at < 3))
    // In the order of the channel plan: a list that jumps is hard to read.
    .sort((one, other) => rows.indexOf(one) - rows.indexOf(other));
  const rest = rows.length - shown.length;
  const range = hour ? `Occupied, of the hour ${words.clock(hour.start_s)} to ${words.clock(hour.end_s)}, with the interval it lies in. ` : "No hour has ended yet, so there is no occupancy. ";
  say(by("channels-sub"), range + (rest ? `${rest} more ${rest === 1 ? "was" : "were"} not heard; the tables have all.` : ""));
  by("channels").classList.toggle("no-hours", !hour);
  keep(by("channels"), shown, (one) => one.channel,
    () => make("li", "", make("b"), make("span", "bar", make("i"), make("u")), make("span", "share"), make("span", "now")),
    (node, one) => {
      const [name, bar, share, now] = node.children;
      node.classList.toggle("busy", one.state === "busy");
      say(name, one.name);
      const has = typeof one.fco === "number";
      show(bar, Boolean(hour));
      bar.firstChild.style.width = `${has ? 100 * one.fco : 0}%`;
      const whisker = bar.lastChild;
      show(whisker, has && typeof one.low === "number");
      whisker.style.left = `${100 * (one.low || 0)}%`;
      whisker.style.width = `${100 * Math.max(0, (one.high || 0) - (one.low || 0))}%`;
      say(share, has ? `${words.share(one.fco)}${typeof one.low === "number" ? ` (${words.number(100 * one.low)} to ${words.number(100 * one.high)})` : ""}` : hour ? "cannot tell" : "");
      say(now, channelWords(one, nowS));
    });
}

// -- soak and verdict --------------------------------------------------------------------------

export function verdict(job, detail, nowS) {
  const soak = detail.soak || (job && job.soak);
  const found = detail.verdict || (job && job.verdict);
  show(by("verdict-part"), Boolean(soak || found));
  say(by("verdict-head"), found ? "Verdict" : "Soak");
  soakPart(by("soak"), soak, nowS);
  verdictPart(by("verdict"), found, nowS);
}

function soakPart(parent, soak, nowS) {
  keep(parent, soak ? [soak] : [], () => "soak",
    () => {
      const bar = make("progress");
      bar.max = 1;
      bar.setAttribute("aria-label", "how far the soak is");
      return make("div", "soak", make("p"), bar, make("ul"));
    },
    (node, one) => {
      const [said, bar, limits] = node.children;
      const whole = one.elapsed_s + one.left_s;
      say(said, `${one.label || "soak"}: ${one.state === "ended" ? "ended" : one.state === "closing" ? "over, waiting for its closing reference" : `${words.duration(one.elapsed_s)} of ${words.duration(whole)}, ${words.duration(one.left_s)} left`}${one.verdict && one.state !== "ended" ? `; so far ${one.verdict}` : ""}`);
      bar.value = whole > 0 ? Math.min(1, one.elapsed_s / whole) : 0;
      keep(limits, one.limits || [], (limit) => `${limit.figure}/${limit.of}/${limit.at_most}/${limit.at_least}`,
        () => make("li"), (item, limit) => say(item, soakLimit(limit, nowS)));
    });
}

function soakLimit(limit, nowS) {
  const { name } = words.figure(limit.figure);
  const bounds = [
    limit.at_most !== null ? `at most ${words.valueText(limit.at_most, limit.unit)}` : "",
    limit.at_least !== null ? `at least ${words.valueText(limit.at_least, limit.unit)}` : "",
    limit.drift_at_most !== null ? `drift at most ${words.number(limit.drift_at_most, 2)} ${limit.unit}/h` : "",
  ].filter(Boolean).join(", ");
  const first = limit.first_outside ? `, first at ${words.when(limit.first_outside.at_s, nowS)}` : "";
  const outside = limit.outside ? `outside ${words.count(limit.outside)} times${first}` : "never outside";
  return `${name}: ${words.valueText(limit.last, limit.unit)} now, ${words.valueText(limit.least, limit.unit)} to ${words.valueText(limit.greatest, limit.unit)} (${bounds}), ${outside}`;
}

function verdictPart(parent, found, nowS) {
  keep(parent, found ? [found] : [], () => "verdict",
    () => make("div", "", make("p", "word"), make("p"), make("div")),
    (node, one) => {
      const [word, text, rows] = node.children;
      say(word, one.verdict);
      word.classList.toggle("wants-a-look", one.verdict === "fail");
      say(text, `${one.at_s ? `${words.when(one.at_s, nowS)}: ` : ""}${one.text}`);
      const list = one.judgements || [];
      show(rows, list.length > 0);
      if (list.length) table(rows, "Judged", ["figure", "#value", "#limit", "#U (k = 2)", "verdict"], list.map(judgement));
    });
}

export function judgement(one) {
  const bound = one.bound ? `${one.bound} ` : "";
  const limit = one.limit === null ? words.NONE : `${one.side === "below" ? "≤" : "≥"} ${words.valueText(one.limit, one.unit === "1" ? "" : one.unit)}`;
  const unit = one.unit === "1" ? "" : one.unit;
  return [words.figure(one.figure).name, bound + words.valueText(one.value, unit), limit,
    one.expanded === null ? words.NONE : `± ${words.number(one.expanded, 2)}`, one.verdict];
}

// -- sweepers, health, reports -----------------------------------------------------------------

export function sweepers(station, nowS) {
  show(by("sweepers-part"), Boolean(station));
  if (!station) return;
  keep(by("sweepers"), station.sweepers, (one) => one.sweeper,
    () => make("li", "", make("b"), make("span"), make("small")),
    (node, one) => {
      say(node.children[0], one.sweeper);
      say(node.children[1], `${one.state} since ${words.when(one.since_s, nowS)}${one.last_error ? `: ${one.last_error}` : ""}`);
      node.classList.toggle("wants-a-look", one.state !== "present");
      const who = one.identity || {};
      say(node.children[2], [who.maker, who.model, who.serial_number && `no. ${who.serial_number}`, who.doubtful === true && "(identity doubtful)"].filter(Boolean).join(" ") || one.driver || "");
    });
  const health = station.health;
  const facts = [];
  if (health) {
    if (health.sweeps) facts.push(`${words.count(health.sweeps)} sweeps and ${words.count(health.findings)} findings since ${words.when(station.since_s, nowS)}`);
    if (health.disk_free_bytes) facts.push(`${words.bytes(health.disk_free_bytes)} of disk free`);
    if (health.rss_bytes) facts.push(`${words.bytes(health.rss_bytes)} of memory`);
    if (health.outbox_waiting) facts.push(`${words.count(health.outbox_waiting)} findings wait to be sent`);
    if (health.reconnects) facts.push(`${words.count(health.reconnects)} new connections to the broker`);
    if (health.archive_problem) facts.push(`archive: ${health.archive_problem}`);
  } else facts.push("the station has not said how it is");
  say(by("health"), `${station.station}: ${[...facts, station.version ? `acqd ${station.version}` : ""].filter(Boolean).join(", ")}.`);
  reports(station.reports || [], nowS);
}

function reports(list, nowS) {
  const parent = by("reports");
  keep(parent, list.length ? [list] : [], () => "reports",
    () => make("div", "", make("h2", "", "Reports"), make("ul", "reports")),
    (node, all) => keep(node.lastChild, all.slice(0, 8), (one) => `${one.job}/${one.at_s}`,
      (one) => {
        // Only pages of this very server are linked, whatever a message says.
        const isOurs = typeof one.url === "string" && /^\/reports\/[\w./-]+$/.test(one.url);
        const link = make(isOurs ? "a" : "span");
        if (isOurs) link.href = one.url;
        return make("li", "", link, make("small"));
      },
      (item, one) => {
        say(item.firstChild, `${one.title || one.job}`);
        say(item.lastChild, `${words.when(one.at_s, nowS)}${one.headline ? `: ${one.headline}` : ""}`);
      }));
}

// -- tables ------------------------------------------------------------------------------------

/** Everything that the page draws, as tables: for a screen reader, for copying, for checking. */
export function tables({ state, station, job, view, detail, found, nowS }) {
  const body = by("tables-body");
  say(by("tables-sub"), `As of ${words.clock(nowS, true)}. Brought up to date every few seconds while it is open.`);
  table(body, "Jobs", ["job", "station", "kind", "sweeper", "state", "#kept", "#stored", "#due", "#findings", "verdict"],
    state.stations.flatMap((one) => one.jobs.map((row) => [row.job, one.station, row.kind, row.sweeper,
      row.state || words.NONE, words.share(row.coverage), words.count(row.stored), words.count(row.due),
      words.count(row.last_finding), row.verdict ? row.verdict.verdict : words.NONE])));
  table(body, "Figures of the job", ["figure", "#value", "#U (k = 2)", "#at", "verdict"],
    ((view && view.figures) || (job && job.figures) || []).map((one) => [one.label || one.key,
      `${one.bound ? `${one.bound} ` : ""}${words.valueText(one.value, one.unit || "")}`,
      one.expanded === null || one.expanded === undefined ? words.NONE : `± ${words.number(one.expanded, 2)}`,
      one.at_hz ? words.frequency(one.at_hz) : words.NONE, one.verdict || words.NONE]));
  table(body, "Bare values of the job", ["value", "#number"],
    Object.entries(detail.values || {}).map(([name, value]) => [name, words.number(value, 3)]));
  table(body, "Marked in the spectrum", ["what", "#frequency", "#value"],
    ((view && view.marks) || []).map((one) => [one.label, words.frequency(one.at_hz), words.valueText(one.value, one.unit || "")]));
  table(body, "Channels of the job", ["channel", "state", "since", "last heard", "#level", "#occupied", "#interval"],
    channelRows(detail).rows.map((one) => [one.name, one.state,
      one.since_s ? words.when(one.since_s, nowS, true) : words.NONE,
      one.last_heard_s ? words.when(one.last_heard_s, nowS, true) : words.NONE,
      words.valueText(one.level ?? NaN, one.unit || ""), words.share(one.fco ?? null),
      typeof one.low === "number" ? `${words.number(100 * one.low)} to ${words.number(100 * one.high)} %` : words.NONE]));
  table(body, "Sweepers", ["sweeper", "state", "since", "driver"],
    (station ? station.sweepers : []).map((one) => [one.sweeper, one.state, words.when(one.since_s, nowS, true), one.driver || words.NONE]));
  table(body, "Findings", ["time", "job", "#number", "sentence"],
    found.slice(0, 100).map((one) => [words.when(one.at_s, nowS, true), one.job || one.station, String(one.number ?? ""), one.what === "catch-up" ? catchUp(one) : one.text]));
  for (const node of body.children) show(node, node.querySelector("tbody").childElementCount > 0);
}
