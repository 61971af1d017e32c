"""The text of a unit: what systemd reads in it is what was meant."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from acqd.errors import WrongUsage
from acqd.host.unit import ServicePlan, cron_line, in_command, unit_name, unit_text, value

PLAN = ServicePlan(
    station="lookout",
    title="Gannet Ledge Lookout",
    program=("/opt/watch/bin/acqd",),
    config=Path("/etc/acqd/station.toml"),
    archive=Path("/var/lib/acqd/lookout"),
    is_system=True,
    user="watch",
    groups=("dialout", "plugdev"),
    needs_network=True,
)


def lines(plan: ServicePlan) -> list[str]:
    return [line for line in unit_text(plan).splitlines() if not line.startswith("#")]


def test_a_power_cut_is_followed_by_a_start() -> None:
    """It starts with the machine, always again, without ever giving up."""
    text = lines(PLAN)
    assert unit_name("lookout") == "acqd-lookout.service"
    assert "WantedBy=multi-user.target" in text
    for line in ("Restart=always", "RestartSec=10", "StartLimitIntervalSec=0"):
        assert line in text
    assert "ExecStart=/opt/watch/bin/acqd run /etc/acqd/station.toml" in text
    assert "After=network-online.target time-sync.target" in text
    assert "RequiresMountsFor=/var/lib/acqd/lookout" in text


def test_it_is_stopped_gently() -> None:
    """The station alone gets the signal, and more time than it takes."""
    for line in ("KillMode=mixed", "KillSignal=SIGTERM", "TimeoutStopSec=30"):
        assert line in lines(PLAN)


def test_a_colon_in_the_archives_name_is_no_link() -> None:
    """Of two words with a colon between them systemd takes the second for a link to the first."""
    plan = replace(PLAN, archive=Path("/var/lib/acqd/ledge:2"))
    assert "StateDirectory=acqd/ledge\\:2" in lines(plan)


def test_who_and_where() -> None:
    """As a user of its own, with the groups of ports and a folder that systemd makes."""
    text = lines(PLAN)
    for line in (
        "User=watch",
        "SupplementaryGroups=dialout plugdev",
        "StateDirectory=acqd/lookout",
    ):
        assert line in text
    assert "EnvironmentFile=-/etc/acqd/lookout.env" in text
    root = lines(replace(PLAN, user="", groups=(), archive=Path("/srv/nights")))
    assert not any(line.startswith(("User=", "Supplem", "StateDir")) for line in root)


def test_a_users_own_unit_asks_for_nothing_of_the_system() -> None:
    """A user's manager knows no network targets, and mounts nothing."""
    text = lines(replace(PLAN, is_system=False, user="", groups=()))
    assert "WantedBy=default.target" in text
    assert "EnvironmentFile=-%h/.config/acqd/lookout.env" in text
    assert not any("target" in line and "After" in line for line in text)
    assert not any(line.startswith(("Requires", "StateDir", "User")) for line in text)


def test_a_station_that_ends_by_itself_stays_ended() -> None:
    """Verdicts of soaks are no failures, or a failed lamp would be soaked for ever."""
    text = lines(replace(PLAN, ends=True))
    assert "Restart=on-failure" in text
    assert "SuccessExitStatus=3 4 5" in text


def test_without_a_network_none_is_waited_for() -> None:
    """A sweeper on USB sweeps without one."""
    assert "After=time-sync.target" in lines(replace(PLAN, needs_network=False))


@pytest.mark.parametrize(
    ("word", "written"),
    [
        ("/plain/path-1.toml", "/plain/path-1.toml"),
        ("/with blank/x", '"/with blank/x"'),
        ("/100%/x", '"/100%%/x"'),
        ("/$HOME/x", '"/$$HOME/x"'),
        ('/a"b/x', '"/a\\"b/x"'),
        ("/a\\b/x", '"/a\\\\b/x"'),
        ("/it's/x", '"/it\'s/x"'),
        ("/Fährte/x", '"/Fährte/x"'),
        ("", '""'),
    ],
)
def test_words_of_a_command_are_quoted(word: str, written: str) -> None:
    """By systemd's rules, which are not a shell's."""
    assert in_command(word) == written


def test_in_a_programs_path_a_dollar_is_a_dollar() -> None:
    """systemd looks for no variables there."""
    assert in_command("/a$b/acqd", is_program=True) == '"/a$b/acqd"'
    for path in ('/a"b/acqd', "/a'b/acqd", "/a\\b/acqd"):
        with pytest.raises(WrongUsage, match="move the environment"):
            in_command(path, is_program=True)


@pytest.mark.parametrize("path", ["/a\nb", "/a\tb", "/a\x7fb", "/a\u202eb"])
def test_control_characters_are_refused(path: str) -> None:
    """They could begin a line of their own, or hide one."""
    for write in (in_command, value):
        with pytest.raises(WrongUsage, match="control characters"):
            write(path)


@pytest.mark.parametrize("path", ["/a ", "/a\\", " /a"])
def test_what_a_line_would_lose_is_refused(path: str) -> None:
    """Blanks at the ends go, and a backslash at the end joins the next line."""
    with pytest.raises(WrongUsage, match="cannot stand in a unit"):
        value(path)


def test_a_title_cannot_begin_a_line_of_its_own() -> None:
    """Whatever people call their station."""
    text = unit_text(replace(PLAN, title="Gannet\nExecStart=/bin/false\n50 %"))
    assert "Description=acqd: Gannet ExecStart=/bin/false 50 %%" in text.splitlines()


@pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="needs systemd-analyze (Debian: systemd)"
)
@pytest.mark.parametrize("title", ["Gannet Ledge Lookout", 'Möwe "50 %" $HOME'])
@pytest.mark.parametrize("folder", ["plain", "a b%c $d 'q\" \\e"])
@pytest.mark.parametrize("is_system", [True, False])
def test_systemd_finds_nothing_wrong(
    tmp_path: Path, is_system: bool, folder: str, title: str
) -> None:
    """Its own check of the file, with a program that is there."""
    place = tmp_path / folder
    place.mkdir()
    plan = replace(
        PLAN,
        title=title,
        program=("/bin/true",),
        config=place / "station.toml",
        archive=place / "archive",
        is_system=is_system,
        user="root" if is_system else "",
        groups=("root",) if is_system else (),
    )
    unit = tmp_path / "acqd-lookout.service"
    unit.write_text(unit_text(plan))
    manager = [] if is_system else ["--user"]
    done = subprocess.run(
        ["systemd-analyze", *manager, "--man=no", "verify", str(unit)],
        capture_output=True,
        text=True,
        timeout=60,
        env={"PATH": "/usr/bin:/bin", "XDG_RUNTIME_DIR": str(tmp_path), "HOME": str(tmp_path)},
    )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="needs systemd-analyze (Debian: systemd)"
)
def test_systemd_would_find_what_is_wrong(tmp_path: Path) -> None:
    """Its check of the file is one that can fail."""
    unit = tmp_path / "acqd-lookout.service"
    unit.write_text(unit_text(PLAN).replace("WorkingDirectory=/etc/acqd", "WorkingDirectory=etc"))
    done = subprocess.run(
        ["systemd-analyze", "--man=no", "verify", str(unit)], capture_output=True, timeout=60
    )
    assert b"WorkingDirectory" in done.stderr


def test_the_line_for_cron_does_what_it_says(tmp_path: Path) -> None:
    """Run as cron would: a % without a backslash would be a line's end, with one it is a %."""
    folder = tmp_path / "50% o'clock $x"
    folder.mkdir()
    program = tmp_path / "pretend"
    program.write_text(
        '#!/bin/sh\nn=$(cat n 2>/dev/null); echo "$1 $2" >> said; echo x >> n\n'
        '[ "$n" = "" ] && exit 1; exit 3\n'
    )
    program.chmod(0o755)
    plan = replace(PLAN, program=(str(program),), config=folder / "station.toml", is_system=False)
    line = cron_line(plan)
    when, _, command = line.partition(" ")
    assert when == "@reboot"
    assert "%" not in command.replace("\\%", "")
    quick = command.replace("\\%", "%").replace("sleep 10", "sleep 0")
    done = subprocess.run(["/bin/sh", "-c", quick], cwd="/", timeout=30)
    assert done.returncode == 0
    wanted = f"run {folder / 'station.toml'}\n"
    assert (folder / "said").read_text() == 2 * wanted, "failed once, then ended with a verdict"
    assert (folder / "station.log").exists()
