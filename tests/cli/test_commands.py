"""What all commands have in common: names, help, near misses, what is imported, the page."""

from __future__ import annotations

import importlib
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import pytest

import acqd.cli
from acqd.cli import COMMANDS

ROOT = Path(acqd.cli.__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "cli.md"


def commands() -> dict[str, click.Command]:
    """The commands that the files have."""
    found = {}
    for path in sorted(Path(acqd.cli.__file__).parent.glob("*.py")):
        command = getattr(importlib.import_module(f"acqd.cli.{path.stem}"), "command", None)
        if path.stem != "__init__" and command is not None:
            found[path.stem] = command
    return found


def options() -> list[tuple[str, str]]:
    """(command, option) of every option there is."""
    return [
        (name, text)
        for name, command in commands().items()
        for parameter in (
            *command.params,
            *(one for part in getattr(command, "commands", {}).values() for one in part.params),
        )
        if isinstance(parameter, click.Option)
        for text in (*parameter.opts, *parameter.secondary_opts)
    ]


def test_the_list_of_commands_is_that_of_the_files() -> None:
    """The help text is kept apart so that it needs no command's module."""
    assert sorted(COMMANDS) == sorted(commands())
    assert {name: command.name for name, command in commands().items()} == {
        name: name for name in COMMANDS
    }


def test_help_lists_every_command(acqd: Any) -> None:
    """With its sentence, in alphabetical order; nothing asked for shows the same and exits 2."""
    answer = acqd("--help")
    assert answer.code == 0
    places = [answer.out.index(f"  {name} ") for name in sorted(COMMANDS)]
    assert places == sorted(places)
    assert acqd("-h").out == answer.out
    assert acqd().code == 2


def test_the_version_is_told(acqd: Any) -> None:
    """Name and number."""
    assert acqd("--version").out.split() == ["acqd", "0.1.0"]


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_has_help(acqd: Any, name: str) -> None:
    """Exit code 0, a usage line and a sentence for each option."""
    answer = acqd(name, "--help")
    assert answer.code == 0
    assert answer.out.startswith(f"Usage: acqd {name} ")
    for parameter in commands()[name].params:
        if isinstance(parameter, click.Option):
            assert parameter.help, parameter.name


NEAR = {"chek": "check", "exprt": "export", "rum": "run", "find-": "find", "contact": "contract"}


@pytest.mark.parametrize(("given", "meant"), NEAR.items())
def test_a_near_miss_is_suggested(acqd: Any, given: str, meant: str) -> None:
    """Exit code 2, and what was probably meant."""
    answer = acqd(given)
    assert answer.code == 2
    assert f"no command '{given}'; did you mean '{meant}'?" in answer.err


def test_a_word_that_is_like_nothing_is_refused(acqd: Any) -> None:
    """Without a guess."""
    answer = acqd("xyzzy")
    assert answer.code == 2
    assert "no command 'xyzzy' ('acqd --help' lists them)" in answer.err


def test_an_option_that_is_none_is_refused(acqd: Any) -> None:
    """By click, with exit code 2."""
    answer = acqd("check", "--offlin")
    assert answer.code == 2
    assert "--offline" in answer.err


SHOWING = ("aiohttp", "jinja2", "matplotlib", "segno", "xarray")
FINDING = ("pyvisa", "pyvisa_py", "regex", "scipy", "sigmf", "usb", "zeroconf")
"""What links, finding, profiles and samples need where they are used; and what only tests need."""
OTHERS = ("acqd_lines.profile", "acqd_scpi.visa_hislip")
HEAVY = (
    *(*SHOWING, *FINDING, "pyudev"),
    *("numpy", "pydantic", "h5py", "asyncio", "structlog", "aiomqtt", "serial"),
)


@pytest.mark.slow
@pytest.mark.parametrize(
    "words",
    [["--help"], ["--version"], ["chek"], *([name, "--help"] for name in COMMANDS)],
    ids=" ".join,
)
def test_help_is_quick_because_nothing_heavy_is_imported(words: list[str]) -> None:
    """Neither numpy nor pydantic nor any other large library."""
    code = (
        "import sys\nfrom acqd.cli import main\n"
        f"try:\n    main({words!r})\nexcept SystemExit:\n    pass\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=20)
    assert done.stderr.splitlines()[-1] == "[]"


@pytest.mark.slow
def test_a_station_holds_nothing_of_what_draws_pages_or_serves_them(folder: Path) -> None:
    """After a whole run, from its config to its verdict; nor of links that no sweeper of it has.

    Where udev runs the station does listen to it, by pyudev.
    """
    config = folder / "station.toml"
    band = 'band = { margin = "10 dB" }\n'
    config.write_text(config.read_text().replace(band, f'{band}soak = {{ length = "1 s" }}\n'))
    code = (
        "import sys\nfrom acqd.cli import main\n"
        f"try:\n    main(['run', {str(config)!r}])\nexcept SystemExit:\n    pass\n"
        f"print([name for name in {(*SHOWING, *FINDING, *OTHERS)!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert '"event": "job_ended"' in done.stderr
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.slow
def test_who_stops_reading_hears_no_complaint(acqd_child: Callable[..., Any], kept: Path) -> None:
    """`acqd export … | head -1`: exit code 0 and nothing on standard error."""
    code = "from acqd.cli import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", code, "export", str(kept / "archive"), "--job", "marine-vhf"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None and process.stderr is not None
    assert process.stdout.readline().startswith("time [UTC]")
    process.stdout.close()
    assert process.stderr.read() == ""
    assert process.wait(20) == 0
    process.stderr.close()


@pytest.mark.parametrize("name", COMMANDS)
def test_the_page_has_every_command(name: str) -> None:
    """With a heading of its own and an example."""
    text = PAGE.read_text("utf-8")
    assert f"\n## acqd {name}" in text
    part = text.split(f"\n## acqd {name}", 1)[1].split("\n## ", 1)[0]
    assert f"    acqd {name}" in part or f"\nacqd {name}" in part


@pytest.mark.parametrize(("name", "option"), options(), ids=" ".join)
def test_the_page_has_every_option(name: str, option: str) -> None:
    """Under the heading of its command."""
    text = PAGE.read_text("utf-8")
    part = text.split(f"\n## acqd {name}", 1)[1].split("\n## ", 1)[0]
    assert f"`{option}" in part


def test_the_page_has_no_option_that_is_none() -> None:
    """What was renamed or taken away is noticed. Commands of plugins are held to it by their own
    tests."""
    import re

    own, *sections = re.split(r"\n(?=## acqd )", PAGE.read_text("utf-8"))
    text = own + "".join(part for part in sections if part.split()[2] in COMMANDS)
    known = {option for _, option in options()} | {"--help", "-h", "--version"}
    assert set(re.findall(r"`(--?[a-z][a-z-]*)", text)) <= known


@pytest.mark.parametrize("name", ["check", "contract", "dash", "rehearse", "run", "status"])
def test_a_config_is_taken_as_an_argument_and_as_an_option(
    acqd: Any, tmp_path: Path, name: str
) -> None:
    """The same file either way; two that differ are refused."""
    path = str(tmp_path / "none.toml")
    as_argument = acqd(name, path)
    assert as_argument.code == 2 and path in as_argument.err
    as_option = acqd(name, "--config", path)
    assert (as_option.code, as_option.err) == (as_argument.code, as_argument.err)
    assert acqd(name, path, "--config", path).err == as_argument.err
    both = acqd(name, path, "--config", "other.toml")
    assert both.code == 2 and "which config" in both.err and "give one of the two" in both.err
