"""``acqd profile check`` over real pseudo-terminals: what matches, and where to look where not."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import serial
from acqd_lines.check import default_request
from acqd_lines.check_show import merged, shown_bytes
from acqd_lines.profile import SHIPPED, load_profile
from acqd_lines.talk import Heard, Way
from acqd_sim.scenefile import load_world
from acqd_sim.server import Served, SimServer

from .voices import SCENE, SPEAK, Ran

NAMES = {language: name for name, language in SPEAK.items()}


@pytest.fixture
def check(acqd: Callable[..., Ran], server: SimServer, tmp_path: Path) -> Callable[..., Ran]:
    """Checks a language's profile, changed by pairs of a text and another, on its instrument."""

    def run(language: str, *changes: tuple[str, str], more: tuple[str, ...] = ()) -> Ran:
        text = (SHIPPED / f"{language}.toml").read_text(encoding="utf-8")
        for old, new in (('timeout = "2 s"', 'timeout = "600 ms"'), *changes):
            assert old in text, old
            text = text.replace(old, new, 1)
        if "[timing" not in text:
            text += '\n[timing]\ndeadline = "1500 ms"\n'
        path = tmp_path / "changed.toml"
        path.write_text(text, encoding="utf-8")
        port = server.address(NAMES[language])
        return acqd("check", str(path), "--port", port, "--range", "156.3MHz..157.3MHz", *more)

    return run


@pytest.mark.parametrize("language", ["tern", "skua", "dunlin"])
def test_a_profile_that_fits_passes_every_step(check: Callable[..., Ran], language: str) -> None:
    """Exit code 0, and the carrier at its frequency."""
    ran = check(language)
    assert ran.code == 0, ran.out
    assert "the highest at 156.800000 MHz" in ran.out
    assert re.search(r"^it matches: \d+ steps tried$", ran.out, re.MULTILINE)
    assert "NO  " not in ran.out


WRONG: list[tuple[str, tuple[str, str], str, str]] = [
    ("tern", ('end = "crlf"', 'end = "lf"'), "identify", "talk.end"),
    ("tern", ("'^TERN;", "'^LARK;"), "identify", "identify.expect"),
    ("tern", ("{start:kHz:.3f}", "{start:MHz:.3f}"), "limits", "setting.frequency"),
    ("tern", ('"RBW 0"', '"RBX 0"'), "settings", "setting.rbw"),
    ("tern", ("'^RBW (?P<value>", "'^BW (?P<value>"), "read-back", "setting.rbw.read.expect"),
    ("tern", ('"sum8"', '"xor8"'), "sweep", "sweep.fetch.answer.checksum"),
    ("tern", ('frequency_unit = "kHz"', 'frequency_unit = "MHz"'), "sweep", "frequency_unit"),
    ("tern", ('separator = "="', 'separator = ";"'), "sweep", "sweep.values"),
    ("tern", ("'^NO (?P", "'^ERR (?P"), "errors", "error[1].pattern"),
    ("skua", ("initial = 0xFFFF", "initial = 0"), "sweep", "sweep.fetch.answer.checksum"),
    ("skua", ('sync = "A5 5A"', 'sync = "A5 5B"'), "sweep", "sweep.fetch.answer.sync"),
    ("skua", ('type = "u16"\norder = "little"', 'type = "u16"\norder = "big"'), "sweep",
     "sweep.values"),
    ("skua", ("'^n='", "'^p='"), "limits",
     "setting.points.expect"),
    ("dunlin", ('prompt = "dunlin> "', 'prompt = "lark> "'), "source off", "source.answer"),
    ("dunlin", ("echo = true", "echo = false"), "source off", "talk.prompt"),
    ("dunlin", ('suffix = "dBm"', 'suffix = "dB"'), "sweep", "sweep.values"),
]  # fmt: skip


@pytest.mark.parametrize(("language", "change", "step", "key"), WRONG)
def test_what_does_not_match_is_named_with_its_line(
    check: Callable[..., Ran], language: str, change: tuple[str, str], step: str, key: str
) -> None:
    """The step, what was expected, what came, and the key of the profile; exit code 1."""
    ran = check(language, change)
    assert ran.code == 1, ran.out
    assert re.search(rf"^NO  {step}: does not match$", ran.out, re.MULTILINE), ran.out
    assert f"it does not match: {step}" in ran.out
    place = re.search(r"look at:  \S+changed\.toml:(\d+): (\S+)", ran.out)
    assert place is not None, ran.out
    assert key in place[2]
    assert int(place[1]) > 1
    assert "expected: " in ran.out
    assert "came: " in ran.out


@pytest.mark.parametrize(
    ("language", "order", "step", "says"),
    [
        ("tern", "half-line", "identify", "and then nothing more"),
        ("tern", "stop-answering", "identify", "nothing"),
        ("tern", "garbage", "identify", ""),
        ("skua", "wrong-sum", "sweep", "crc16"),
        ("skua", "cut-block", "sweep", "and then nothing more"),
        ("dunlin", "half-line 2", "source off", "and then nothing more"),
    ],
)
def test_a_sweeper_that_misbehaves_shows(
    check: Callable[..., Ran], server: SimServer, language: str, order: str, step: str, says: str
) -> None:
    """At the step where it does."""
    server.tell(f"{NAMES[language]} {order}")
    deadline = ('send = "g"', 'send = "g"\ntimeout = "1 s"') if language == "skua" else None
    ran = check(language, *([deadline] if deadline else []))
    assert ran.code == 1
    assert f"it does not match: {step}" in ran.out
    assert says in ran.out


def test_bytes_that_are_no_text_are_told_in_digits(check: Callable[..., Ran]) -> None:
    """What was expected and what came can be held against each other."""
    ran = check("skua", ('sync = "A5 5A"', 'sync = "A5 5B"'))
    assert "expected: a block that begins with A5 5B\n" in ran.out
    assert re.search(r"^ +came: +A5 5A 65 00 [0-9A-F ]+ …$", ran.out, re.MULTILINE), ran.out
    ran = check("skua", ("initial = 0xFFFF", "initial = 0"))
    pair = r"expected: the crc16 [0-9A-F]{2} [0-9A-F]{2}\n +came: +[0-9A-F]{2} [0-9A-F]{2}$"
    assert re.search(pair, ran.out, re.MULTILINE), ran.out


def test_a_prompt_that_does_not_come_is_named(check: Callable[..., Ran]) -> None:
    """An answer that only lacks its prompt looks as one that stops halfway."""
    ran = check("dunlin", ('prompt = "dunlin> "', 'prompt = "lark> "'))
    assert "came:     'dunlin> ', and then nothing more" in ran.out
    assert "the `prompt` of [talk], 'lark> ', did not come" in ran.out


def test_the_source_is_told_to_be_off_and_never_on(
    check: Callable[..., Ran], server: SimServer
) -> None:
    """First, and at the end though a step did not match."""
    server.instrument("loft").sweeping.change(source_on=True, source_dbm=-30.0)
    ran = check("dunlin", ('suffix = "dBm"', 'suffix = "dB"'))
    assert ran.code == 1
    assert not server.instrument("loft").sweeping.panel.source_on
    assert ran.out.count("-> source off<CR>") == 2
    assert "source on" not in ran.out
    assert ran.out.index("source off at the end") > ran.out.index("NO  sweep")


def test_bytes_are_shown_short_or_whole(check: Callable[..., Ran]) -> None:
    """Control characters visible; --all leaves nothing out."""
    short, whole = check("tern").out, check("tern", more=("--all",)).out
    assert "-> NAME<CR><LF>" in short
    assert re.search(r"<- 156300\.000=.* … \d+ bytes more … .*END 101 ..<CR><LF>", short)
    assert "bytes more" not in whole
    assert whole.count("=-") >= 101


def test_as_json_it_is_the_same(check: Callable[..., Ran]) -> None:
    """Steps, bytes in hexadecimal, and what does not match."""
    told = json.loads(check("skua", ("initial = 0xFFFF", "initial = 0"), more=("--json",)).out)
    assert told["ok"] is False
    last = told["steps"][-1]
    assert (last["step"], last["outcome"]) == ("sweep", "differs")
    assert last["look_at"].endswith("sweep.fetch.answer.checksum")
    assert bytes.fromhex(last["bytes"][0]["hex"]) == b"g\r"
    assert bytes.fromhex(last["bytes"][1]["hex"]).startswith(b"\xa5\x5a")


def test_a_busy_port_is_said_to_be_busy(acqd: Callable[..., Ran], server: SimServer) -> None:
    """One line, exit code 1, nothing sent."""
    path = server.address("hut").removeprefix("serial:")
    with serial.Serial(path, exclusive=True, timeout=0.1) as held:
        ran = acqd("check", "tern", "--port", path)
        assert held.read(1) == b""
    assert ran.code == 1
    assert "another program holds this port; stop the station or program that uses it" in ran.out


def test_a_port_that_is_not_there_is_named(acqd: Callable[..., Ran], tmp_path: Path) -> None:
    """A bare path is a serial port."""
    ran = acqd("check", "tern", "--port", str(tmp_path / "gone"))
    assert ran.code == 1
    assert "is the sweeper plugged in?" in ran.out


def test_without_a_port_the_profile_alone_is_checked(
    acqd: Callable[..., Ran], tmp_path: Path
) -> None:
    """A summary and 0; or every problem with its line and 2."""
    fine = acqd("check", "tern")
    assert fine.code == 0
    assert "0.1 to 960 MHz; 51 to 1001 points" in fine.out
    path = tmp_path / "bad.toml"
    text = (SHIPPED / "tern.toml").read_text(encoding="utf-8")
    path.write_text(text.replace('end = "crlf"', 'end = "crfl"'), encoding="utf-8")
    bad = acqd("check", str(path))
    assert bad.code == 2
    assert re.search(r"bad\.toml:\d+: talk\.end: ", bad.err)
    told = json.loads(acqd("check", str(path), "--json").out)
    assert (told["ok"], len(told["problems"])) == (False, 1)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("tenr",), "did you mean 'tern'?"),
        (("tern", "--port", "hut"), "--port: "),
        (("tern", "--port", "tcp://127.0.0.1:1", "--range", "1..2"), "--range: "),
        (("tern", "--port", "tcp://127.0.0.1:1", "--range", "1GHz..2GHz"), "beyond the profile's"),
        (("tern", "--port", "tcp://127.0.0.1:1", "--option", "bauds=1"), "with one of"),
    ],
)
def test_wrong_usage_is_one_line(
    acqd: Callable[..., Ran], arguments: tuple[str, ...], says: str
) -> None:
    """Exit code 2."""
    ran = acqd("check", *arguments)
    assert ran.code == 2
    assert says in ran.err


def test_it_works_over_tcp(acqd: Callable[..., Ran]) -> None:
    """And a connection that is refused is one line."""
    world = load_world(str(SCENE))
    with SimServer(
        world, Served(tcp={"hut": ("127.0.0.1", 0)}, speak={"hut": "tern"}, time_scale=0.1)
    ) as running:
        address = running.address("hut")
        assert acqd("check", "tern", "--port", address).code == 0
    gone = acqd("check", "tern", "--port", address)
    assert gone.code == 1
    assert "cannot connect" in gone.out


def test_the_range_lies_within_the_limits() -> None:
    """Where nobody says what to sweep: in the middle, short."""
    for language in SPEAK.values():
        profile = load_profile(SHIPPED / f"{language}.toml")
        request = default_request(profile)
        assert profile.limits.start_hz < request.start_hz < request.stop_hz < profile.limits.stop_hz
        assert request.points == 101


@pytest.mark.parametrize(
    ("data", "shown"),
    [
        (b"NAME\r\n", "NAME<CR><LF>"),
        (b"\x18", "<18>"),
        (b"\x1b[2J\x00", "<ESC>[2J<NUL>"),
        (bytes(range(128, 138)), "80 81 82 83 84 85 86 87 88 89"),
        (b"a" * 200, f"{'a' * 60} … 120 bytes more … {'a' * 20}"),
    ],
)
def test_bytes_become_visible(data: bytes, shown: str) -> None:
    """Text as it is, the rest named or in digits."""
    assert shown_bytes(data) == shown


def test_pieces_of_one_way_are_one() -> None:
    """However they came."""
    heard = [
        Heard(way=Way.SENT, data=b"a"),
        Heard(way=Way.RECEIVED, data=b"b"),
        Heard(way=Way.RECEIVED, data=b"c"),
    ]
    assert [(one.way, one.data) for one in merged(heard)] == [
        (Way.SENT, b"a"),
        (Way.RECEIVED, b"bc"),
    ]


def test_the_page_lists_every_option() -> None:
    """docs/cli.md has each option of both commands."""
    import click
    from acqd_lines.command import command

    page = (Path(__file__).parents[3] / "docs" / "cli.md").read_text(encoding="utf-8")
    section = page.split("\n## acqd profile\n")[1].split("\n## ")[0]
    known = {text for sub in command.commands.values() for one in sub.params for text in one.opts}
    assert set(re.findall(r"`(--[a-z][a-z-]*)", section)) <= known
    for sub in command.commands.values():
        assert f"acqd profile {sub.name}" in section
        for parameter in sub.params:
            if isinstance(parameter, click.Option):
                for text in parameter.opts:
                    assert f"`{text}" in section, text


def test_help_imports_nothing_heavy(acqd: Any) -> None:
    """Each command has help, with a sentence for each option."""
    for name in ("check", "learn"):
        ran = acqd(name, "--help")
        assert ran.code == 0
        assert ran.out.startswith(f"Usage: acqd profile {name} ")
