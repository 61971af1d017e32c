"""The live page in a real browser: real stations, a real broker, its server as people run it."""

from __future__ import annotations

import asyncio
import json
import signal
import time
from typing import Any

import pytest

from page_peers import DESK, HOST, PHONE, Opened, Peers, until
from peers import LIMIT_S, wait_for

pytestmark = [pytest.mark.slow, pytest.mark.timeout(240)]

DRAWN = "acqd.sheet.drawn && acqd.sheet.drawn.bins.length > 3 && acqd.sheet.colours !== null"


async def test_the_sheet_grows_and_shows_what_the_server_sent(coast: Peers, opened: Opened) -> None:
    """Columns come and the picture's pixels have the colours of their codes, at sampled places."""
    page = await opened(coast)
    await until(page, "the sheet", DRAWN)
    before = await page.evaluate("[acqd.page.seq, acqd.page.columns.newest]")
    await until(
        page,
        "newer sweeps and columns",
        "([seq, bin]) => acqd.page.seq > seq + 4 && acqd.page.columns.newest > bin",
        before,
    )
    wrong = await page.evaluate(
        """() => {
          const {sheet, page} = acqd;
          page.findings.length = 0;  // Their lines lie over the picture.
          acqd.draw();
          const drawn = sheet.drawn, {columns} = page;
          const {x, y, w, h} = drawn.pixels, count = drawn.last - drawn.first + 1;
          const picture = document.getElementById('sheet-ground').getContext('2d');
          const seen = {checked: 0, wrong: []};
          for (const bin of drawn.bins.slice(-40, -1)) {
            for (let row = 0; row < columns.rows; row += 7) {
              const left = x + Math.ceil((bin - drawn.first) * w / count);
              const top = y + h - 1 - Math.floor((row + 0.5) * h / columns.rows);
                  const [r, g, b] = picture.getImageData(left, top, 1, 1).data;
              const found = '#' + [r, g, b].map(one => one.toString(16).padStart(2, '0')).join('');
              const wanted = sheet.colourOf(columns.code(bin, row));
              seen.checked += 1;
              if (found !== wanted) seen.wrong.push([bin, row, found, wanted]);
            }
          }
          return seen;
        }"""
    )
    assert wrong["checked"] > 50
    assert wrong["wrong"] == []


async def test_the_codes_are_the_levels_that_were_published(coast: Peers, opened: Opened) -> None:
    """The beacon stands where it is, as high as its figures say."""
    page = await opened(coast)
    await until(page, "the sheet", DRAWN)
    found = await page.evaluate(
        """() => {
          const {view, columns} = acqd.page, bin = acqd.sheet.drawn.bins.at(-2);
          let best = [0, 0];
          for (let row = 0; row < columns.rows; row += 1) {
            if (columns.code(bin, row) > best[0]) best = [columns.code(bin, row), row];
          }
          const hz = view.start_hz + (best[1] + 0.5) * (view.stop_hz - view.start_hz) / view.rows;
          return {hz, level: view.low_db + (best[0] - 1) * view.step_db};
        }"""
    )
    assert abs(found["hz"] - 156.8e6) < 12e3
    assert abs(found["level"] + 61.5) < 3.0


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("size", [DESK, PHONE])
async def test_it_can_be_used_by_everybody_at_both_sizes(
    coast: Peers,
    opened: Opened,
    axe: Any,
    shot: Any,
    sideways: Any,
    size: tuple[int, int],
    dark: bool,
) -> None:
    """Contrast, names, roles; no scrolling to the side; with the tables and the big number too."""
    touch = size == PHONE
    page = await opened(coast, size=size, dark=dark, touch=touch)
    await until(page, "the sheet", DRAWN)
    name = f"dash-{'phone' if touch else 'desk'}-{'dark' if dark else 'light'}"
    await page.wait_for_timeout(1500)
    await shot(page, name)
    assert await axe(page) == []
    assert await sideways(page) == ""
    await page.locator("#tool-table").click()
    assert await axe(page) == []
    assert await sideways(page) == ""
    await page.locator("#tool-table").click()
    await page.evaluate("location.hash = '#gannet-ledge/band-pass?look=tune'")
    await until(page, "the curve", "document.querySelector('#tune-curve canvas') !== null")
    await page.wait_for_timeout(1500)
    await shot(page, f"{name}-tune")
    assert await axe(page) == []
    assert await sideways(page) == ""


async def test_the_keyboard_reads_the_sheet(coast: Peers, opened: Opened) -> None:
    """Focus, arrow keys, the strongest level; told in a polite region; Escape leaves."""
    page = await opened(coast)
    await until(page, "the sheet", DRAWN)
    await page.locator("#sheet").focus()
    await page.keyboard.press("ArrowUp")
    spoken = page.locator("#spoken")
    assert await spoken.get_attribute("aria-live") == "polite"
    await until(page, "a reading", "document.getElementById('spoken').textContent !== ''")
    await page.keyboard.press("End")
    await page.keyboard.press("ArrowLeft")
    await page.keyboard.press("p")
    await until(
        page,
        "the beacon",
        "/^\\d\\d:\\d\\d:\\d\\d, 156\\.(79\\d|80\\d?) MHz.*: −[56]\\d\\.\\d dBm$/"
        ".test(document.getElementById('spoken').textContent)",
    )
    row = await page.evaluate("acqd.sheet.at.row")
    await page.keyboard.press("Shift+ArrowDown")
    assert await page.evaluate("acqd.sheet.at.row") == row - 10
    await page.keyboard.press("Escape")
    assert await page.evaluate("acqd.sheet.at") is None
    await until(page, "silence", "document.getElementById('spoken').textContent === ''")


async def test_jobs_are_chosen_by_keyboard_and_kept_in_the_address(
    coast: Peers, opened: Opened
) -> None:
    """Both stations are in the list; the address of a job can be given to another."""
    page = await opened(coast)
    await until(page, "the sheet", DRAWN)
    heads = await page.locator("#jobs h2").all_text_contents()
    assert heads == ["gannet-ledge", "north-head"]
    link = page.locator("#jobs a", has_text="calling")
    await link.focus()
    await page.keyboard.press("Enter")
    await until(
        page, "the other job", "acqd.page.view && acqd.page.view.job === 'calling' && " + DRAWN
    )
    assert await link.get_attribute("aria-current") == "page"
    assert (await page.locator("h1").text_content()) == "calling on mast"
    await page.goto(coast.url + "#north-head/marine-vhf?span=21600")
    await until(
        page,
        "the job of the address",
        "(view => view && view.station === 'north-head' && view.span_s === 21600)(acqd.page.view)",
    )
    assert page.url.endswith("#north-head/marine-vhf?span=21600")
    assert await page.locator("#spans input:checked").get_attribute("value") == "21600"


async def test_a_link_that_was_just_followed_is_not_written_over(
    coast: Peers, opened: Opened
) -> None:
    """A frame may be drawn before the page hears of its new address."""
    page = await opened(coast)
    await until(page, "the sheet", DRAWN)
    await page.evaluate("location.hash = '#gannet-ledge/calling'; acqd.draw()")
    await until(page, "the other job", "acqd.page.view && acqd.page.view.job === 'calling'")


async def test_a_row_that_goes_does_not_take_the_focus_of_the_next(
    coast: Peers, opened: Opened
) -> None:
    """Lists are kept in step by moving nothing that stays in its order."""
    page = await opened(coast)
    focused = await page.evaluate(
        """async () => {
            const { keep, make } = await import("/dom.js");
            const list = document.body.appendChild(make("div"));
            const put = (names) => keep(list, names, (one) => one, () => make("button"), () => {});
            put(["a", "b", "c"]);
            list.children[2].focus();
            put(["a", "c"]);
            const key = document.activeElement.dataset.key;
            list.remove();
            return key;
        }"""
    )
    assert focused == "c"


async def test_the_tables_say_what_the_server_knows(coast: Peers, opened: Opened) -> None:
    """Jobs, channels and bare values against /state.json, where they did not change meanwhile."""
    page = await opened(coast)
    await until(page, "the sheet", DRAWN)
    await page.keyboard.press("t")
    assert await page.evaluate("document.activeElement.id") == "tables-head"
    rows = """caption => [...document.querySelectorAll('#tables-body .table-scroll')]
        .filter(one => one.dataset.key === caption)
        .flatMap(one => [...one.querySelectorAll('tbody tr')].map(
            row => [...row.children].map(cell => cell.textContent)))"""
    told = coast.told()
    assert told is not None
    wanted = [
        [row["job"], one["station"], row["kind"], row["sweeper"], row["state"]]
        for one in told["stations"]
        for row in one["jobs"]
    ]
    assert [row[:5] for row in await page.evaluate(rows, "Jobs")] == wanted

    def channels() -> list[list[str]]:
        return [
            [one["name"], one["state"]]
            for one in coast.job("gannet-ledge", "marine-vhf")["detail"]["channels"]
        ]

    # Channels come and go several times a second: the station is held still for the comparison.
    station = coast.running["gannet-ledge"]
    station.send_signal(signal.SIGSTOP)
    try:
        ends_s = time.monotonic() + LIMIT_S
        while [row[:2] for row in await page.evaluate(rows, "Channels of the job")] != channels():
            assert time.monotonic() < ends_s
            await asyncio.sleep(0.2)
    finally:
        station.send_signal(signal.SIGCONT)
    values = {name for name, _ in await page.evaluate(rows, "Bare values of the job")}
    assert values == set(coast.job("gannet-ledge", "marine-vhf")["detail"]["values"])
    assert "floor_dbm" in values
    sentences = [row[3] for row in await page.evaluate(rows, "Findings")]
    assert any("156.800 MHz" in one for one in sentences)


async def test_a_filter_is_tuned_by_one_big_number(coast: Peers, opened: Opened) -> None:
    """The number is the job's own figure with its U, and 'best' begins anew when asked to."""
    page = await opened(coast, "#gannet-ledge/band-pass?look=tune")
    await until(
        page, "a best", "document.getElementById('tune-best').textContent.startsWith('best')"
    )
    shown = float((await page.locator("#tune-value").text_content() or "").replace("−", "-"))
    figure = coast.job("gannet-ledge", "band-pass")["figures"][0]
    assert abs(shown - figure["value"]) < 0.3
    assert abs(shown - 0.9) < 0.5
    assert "(k = 2)" in (await page.locator("#tune-expanded").text_content() or "")
    await page.evaluate("acqd.tuning.best = {value: -99, atS: 0}")
    await until(
        page, "the old best", "document.getElementById('tune-best').textContent.includes('−99')"
    )
    await page.keyboard.press("r")
    await until(
        page, "a new best", "!document.getElementById('tune-best').textContent.includes('−99')"
    )
    await until(page, "the trend", "document.getElementById('tune-trend').textContent !== ''")
    # The curve is of losses, with the limit of the passband at it.
    curve = await page.evaluate(
        "[acqd.page.view.curve.unit, acqd.tuning.plot.data[2].length, acqd.tuning.mask.length]"
    )
    assert curve[0] == "dB"
    assert curve[1] > 100
    assert curve[2] >= 1
    await page.locator("#tune-curve").focus()
    await page.keyboard.press("ArrowRight")
    await page.keyboard.press("Shift+ArrowLeft")
    await until(
        page,
        "a reading of the curve",
        "/^14\\d\\.\\d+ MHz: insertion loss .*dB$/.test("
        "document.getElementById('tune-spoken').textContent)",
    )


async def test_best_and_range_are_of_the_figure_that_is_shown(coast: Peers, opened: Opened) -> None:
    """A figure that has no value for a while is not mixed with the one shown in its place."""
    page = await opened(coast, "#north-head/marine-vhf?look=tune")
    await until(page, "a figure", "acqd.tuning.shown && acqd.tuning.shown.view")
    said = await page.evaluate(
        """() => {
          const was = acqd.tuning.shown, said = [];
          const show = (seq, ...figures) => {
            acqd.tuning.update({ ...was, view: { ...was.view, seq, figures } });
            said.push(document.getElementById('tune-best').textContent);
          };
          const figure = (label, value) => ({ key: label, label, value, unit: 'dB' });
          show(1e9, figure('line', 7), figure('steps', 0));
          show(1e9 + 1, figure('steps', 0));
          show(1e9 + 2, figure('line', 8), figure('steps', 0));
          return said;
        }"""
    )
    assert [one.replace(".00", "") for one in said] == [
        "between 7 dB and 7 dB",
        "between 0 dB and 0 dB",
        "between 7 dB and 8 dB",
    ]


async def test_colours_and_axis_reach_down_to_what_a_filter_stops(
    coast: Peers, opened: Opened
) -> None:
    """There a band's colours begin at its floor; of a filter the deepest is what is looked for."""
    page = await opened(coast, "#gannet-ledge/band-pass")
    await until(page, "its picture", DRAWN)
    await until(page, "colours", "acqd.sheet.scale && acqd.page.view.kind === 'transmission'")
    ends = await page.evaluate(
        """() => {
          const line = [...acqd.page.line].filter(Number.isFinite);
          return [Math.min(...line), acqd.sheet.scale[0], acqd.sheet.axis[0]];
        }"""
    )
    assert ends[1] <= ends[0] and ends[2] <= ends[0]


async def test_what_is_published_is_text_and_never_markup(coast: Peers, opened: Opened) -> None:
    """A finding, a name, an error that would like to be a script."""
    bad = '<img src=x onerror="window.caught=1"><script>window.caught=1</script>'
    finding = {
        "station": "gannet-ledge", "run_id": "x", "schema": "finding/1", "job": "marine-vhf",
        "number": 999, "what": "signal_appeared", "at": "x", "at_s": time.time(), "text": bad,
        "seq": 1, "figures": {},
    }  # fmt: skip
    sweeper = {
        "station": "gannet-ledge", "run_id": "x", "schema": "sweeper/1", "sweeper": "mast",
        "driver": bad, "state": "fault", "since": "x", "since_s": time.time(),
        "identity": {"maker": bad, "model": bad}, "last_error": bad,
    }  # fmt: skip
    page = await opened(coast)
    assert coast.publish("acqd/gannet-ledge/job/marine-vhf/finding", json.dumps(finding))
    assert coast.publish("acqd/gannet-ledge/sweeper/mast", json.dumps(sweeper))
    await until(
        page,
        "the text",
        "text => document.getElementById('findings').textContent.includes(text)",
        bad,
    )
    await until(
        page, "the sweeper", "document.getElementById('sweepers').textContent.includes('<script>')"
    )
    await page.keyboard.press("t")
    await page.wait_for_timeout(300)
    assert await page.evaluate("window.caught") is None
    assert await page.locator("main img, main script").count() == 0


async def test_the_wall_goes_round_by_itself_and_stays_where_something_happens(
    coast: Peers, opened: Opened, shot: Any
) -> None:
    """Hurried: half a second a job instead of twenty. A finding holds it; Escape leads back."""
    page = await opened(coast, "#wall", size=(1920, 1080), dark=True)
    await until(page, "the sheet", DRAWN)
    await shot(page, "dash-wall", full=False)
    assert await page.locator("#tool-table").is_hidden()
    await page.evaluate("acqd.wall.stayS = 0.5; acqd.wall.stayMs = 0; acqd.wall.found = () => {}")
    await until(
        page,
        "every job",
        """() => {
          window.met ??= new Set();
          window.met.add(acqd.page.chosen.station + '/' + acqd.page.chosen.job);
          return window.met.size === 4;
        }""",
    )
    await page.evaluate("delete acqd.wall.found")
    finding = {
        "station": "north-head", "run_id": "x", "schema": "finding/1", "job": "marine-vhf",
        "number": 998, "what": "signal_appeared", "at": "x", "at_s": time.time(), "seq": 1,
        "text": "a whistle from the harbour", "figures": {},
    }  # fmt: skip
    await page.evaluate("acqd.wall.stayMs = 0")
    assert coast.publish("acqd/north-head/job/marine-vhf/finding", json.dumps(finding))
    await until(page, "a finding's job", "acqd.wall.stayMs > performance.now() + 40000")
    held = await page.evaluate("acqd.page.chosen")
    await page.wait_for_timeout(2500)
    assert await page.evaluate("acqd.page.chosen") == held
    await page.keyboard.press("Escape")
    assert await page.locator("#tool-table").is_visible()
    assert "#wall" not in page.url


async def test_a_station_that_dies_is_an_alarm_and_the_page_outlives_its_broker(
    alone: Peers, opened: Opened, watched: Any, shot: Any
) -> None:
    """kill -9: the broker's will tells it. Then the broker goes and comes, then the server."""
    watched.expect("WebSocket connection|ERR_CONNECTION_REFUSED|Failed to load resource")
    alone.dash()
    alone.station("gannet-ledge")
    wait_for("sweeps", lambda: alone.job("gannet-ledge", "marine-vhf").get("last_seq", 0) > 4)
    page = await opened(alone, "#gannet-ledge/marine-vhf?span=600")
    alarm = page.locator("#alarm")
    assert await alarm.get_attribute("role") == "alert"
    assert (await alarm.text_content() or "") == ""

    alone.end("gannet-ledge")
    await until(
        page, "the alarm", "document.getElementById('alarm').textContent.includes('gannet-ledge')"
    )
    assert await alarm.is_visible()
    await until(page, "the title", "document.title === 'silent: gannet-ledge'")
    assert (await page.locator("#stations .wants-a-look").text_content() or "") != ""
    await shot(page, "dash-alarm", full=False)

    alone.station("gannet-ledge")
    await until(page, "its end", "document.getElementById('alarm').textContent === ''")
    await until(page, "the title", "document.title === 'acqd: live'")

    # The time that it was away stays a gap: nothing is drawn over it, and it is told.
    gap = await until(
        page,
        "the gap",
        """() => {
          const {sheet} = acqd, drawn = sheet.drawn;
          if (!drawn) return null;
          const {w, h} = drawn.pixels, wide = w / (drawn.last - drawn.first + 1);
          // Sweeps that come late on a busy machine are gaps too, and so is the newest edge.
          const runs = drawn.missing.filter(([, to]) => to < drawn.last);
          const [from, to] = runs.sort((a, b) => (a[1] - a[0]) - (b[1] - b[0])).at(-1) || [0, -1];
          if ((to - from + 1) * wide < 2) return null;
          const x = Math.floor(((from + to + 1) / 2 - drawn.first) * wide);
          const picture = sheet.picture.canvas.getContext('2d');
          const rows = [0.1, 0.5, 0.9].map(
            part => picture.getImageData(x, Math.floor(part * h), 1, 1).data);
          return {
            colours: rows.map(row => '#' + [...row].slice(0, 3)
              .map(one => one.toString(16).padStart(2, '0')).join('')),
            gap: sheet.pen.gap,
            said: document.getElementById('statement').textContent,
          };
        }""",
    )
    assert gap["colours"] == [gap["gap"]] * 3
    assert "Nothing was swept, or heard of here, in" in gap["said"]

    alone.end("mosquitto")
    await until(
        page, "no broker", "document.getElementById('alarm').textContent.includes('broker')"
    )
    alone.broker()
    await until(page, "the broker", "document.getElementById('alarm').textContent === ''")
    seq = await page.evaluate("acqd.page.seq")
    await until(page, "newer sweeps", "seq => acqd.page.seq > seq", seq)

    alone.end("dash")
    await until(
        page, "no link", "document.getElementById('alarm').textContent.includes('lost its server')"
    )
    alone.dash()
    await until(page, "the link", "document.getElementById('alarm').textContent === ''")
    frames = await page.evaluate("acqd.link.frames")
    await until(page, "more frames", "frames => acqd.link.frames > frames + 3", frames)
    await until(page, "the sheet", DRAWN)


async def test_a_job_that_nobody_knows_is_said_to_be_unknown(coast: Peers, opened: Opened) -> None:
    """An old address, or a wrong one; the list of jobs is there to choose from."""
    page = await opened(coast, "#gannet-ledge/fog-horn")
    empty = page.locator("#sheet-empty")
    await until(page, "what is wrong", "document.getElementById('sheet-empty').textContent !== ''")
    assert "nothing was heard of fog-horn at gannet-ledge" in (await empty.text_content() or "")
    await page.locator("#jobs a", has_text="calling").click()
    await until(page, "a job", f"acqd.page.view && {DRAWN}")
    assert await empty.is_hidden()


async def test_a_page_out_of_sight_lets_go_of_its_connection(coast: Peers, opened: Opened) -> None:
    """And takes it up again, with the past, when it is looked at."""
    page = await opened(coast)
    await until(page, "the sheet", DRAWN)
    hide = """hidden => {
      Object.defineProperty(document, 'hidden', {value: hidden, configurable: true});
      document.dispatchEvent(new Event('visibilitychange'));
    }"""
    await page.evaluate(hide, True)
    assert await page.evaluate("acqd.link.socket") is None
    frames = await page.evaluate("acqd.link.frames")
    await page.wait_for_timeout(1500)
    assert await page.evaluate("acqd.link.frames") == frames
    assert (await page.locator("#alarm").text_content() or "") == ""
    newest = await page.evaluate("acqd.page.columns.newest")
    await page.evaluate(hide, False)
    await until(
        page,
        "what was missed",
        "bin => acqd.page.columns.has(bin + 1) && acqd.page.columns.newest > bin + 1",
        newest,
    )


async def test_a_phone_is_brought_in_by_a_code_with_the_token_in_it(
    coast: Peers, alone: Peers, opened: Opened, watched: Any, axe: Any, shot: Any
) -> None:
    """On this machine alone there is none, and the page says what to do; else it is drawn."""
    watched.expect("404")
    page = await opened(coast)
    watched.hosts.add(f"{HOST}:{alone.web}")
    await page.keyboard.press("q")
    await until(
        page,
        "the advice",
        "document.getElementById('phone-words').textContent.includes('--listen')",
    )
    alone.dash_at("0.0.0.0", "--token", "a-token-of-the-coast-watch")
    await page.goto(f"{alone.url}?token=a-token-of-the-coast-watch")
    await until(page, "a frame", "window.acqd && acqd.link.frames > 1")
    assert "token" not in page.url
    await page.locator("#tool-phone").click()
    await until(
        page,
        "the code",
        "(one => one && one.naturalWidth > 100)(document.querySelector('#phone img'))",
    )
    assert await axe(page) == []
    await shot(page, "dash-code", full=False)
    await page.keyboard.press("Escape")
    assert not await page.locator("#phone").is_visible()


async def test_what_it_holds_does_not_grow(coast: Peers, opened: Opened) -> None:
    """Findings are bounded by station, columns by the span, and nodes do not pile up."""
    page = await opened(coast)
    await until(page, "the sheet", DRAWN)
    found = await page.evaluate(
        """async () => {
          const {page, sheet} = acqd, {columns} = page;
          const nodes = document.getElementsByTagName('*').length;
          const codes = new Uint8Array(columns.rows).fill(9);
          const start = columns.newest;
          for (let n = 1; n < 3 * columns.size; n += 1) columns.put(start + n, codes);
          return {bytes: columns.codes.length, wanted: columns.rows * columns.size,
                  kept: columns.bins(start - columns.size, columns.newest).length,
                  size: columns.size, nodes};
        }"""
    )
    assert found["bytes"] == found["wanted"]
    assert found["kept"] == found["size"]
    await page.wait_for_timeout(3000)
    nodes = await page.evaluate("document.getElementsByTagName('*').length")
    assert nodes < found["nodes"] + 60
