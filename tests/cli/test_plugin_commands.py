"""Commands that installed distributions bring, by a distribution made here."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

WORKS = """\
import click

@click.command("knots")
@click.option("--per", default="hour", help="Of what.")
def command(per):
    \"\"\"Wind by the hour.\"\"\"
    click.echo(f"12 knots, per {per}")
"""


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One that works, one that cannot be imported, one that is none, one named as the core's."""
    (tmp_path / "gannet_knots.py").write_text(WORKS + "TEXT = 'no command'\n")
    (tmp_path / "gannet_broken.py").write_text("import gannet_is_not_here\n")
    (tmp_path / "gannet_quits.py").write_text("import sys\nsys.exit(0)\n")
    info = tmp_path / "gannet_knots-1.5.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(
        "Metadata-Version: 2.1\nName: gannet-knots\nVersion: 1.5\nSummary: Wind, for acqd\n"
    )
    (info / "entry_points.txt").write_text(
        "[acqd.commands]\nknots = gannet_knots:command\nbroken = gannet_broken:command\n"
        "quits = gannet_quits:command\ntext = gannet_knots:TEXT\ncheck = gannet_knots:command\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    for name in ("gannet_knots", "gannet_broken", "gannet_quits"):
        monkeypatch.delitem(sys.modules, name, raising=False)


@pytest.mark.usefixtures("installed")
def test_it_is_listed_with_its_distribution_and_not_imported(acqd: Any) -> None:
    """The broken one too: a list must not fail for it."""
    lines = [" ".join(line.split()) for line in acqd("--help").out.splitlines()]
    assert "knots Of gannet-knots: Wind." in lines and "broken Of gannet-knots: Wind." in lines
    assert "gannet_knots" not in sys.modules


SUMMARIES = {
    "a sentence": ("Wind by the hour.", "Of gannet-knots: Wind by the hour."),
    "none": ("", "Of gannet-knots."),
    "a long one": (
        "Wind by the hour and night " * 9,
        "Of gannet-knots: Wind by the hour and night Wind by the hour and night Wind by the hour "
        "and night Wind by the hour and night Wind by the …",
    ),
    "no spaces": ("w" * 300, f"Of gannet-knots: {'w' * 120} …"),
}


@pytest.mark.parametrize(("summary", "shown"), SUMMARIES.values(), ids=SUMMARIES)
@pytest.mark.usefixtures("installed")
def test_what_a_distribution_says_of_itself_is_cut_to_two_lines(
    acqd: Any, tmp_path: Path, summary: str, shown: str
) -> None:
    """And is a sentence, whatever it was."""
    about = "Metadata-Version: 2.1\nName: gannet-knots\nVersion: 1.5\n"
    if summary:
        about += f"Summary: {summary}\n"
    (tmp_path / "gannet_knots-1.5.dist-info" / "METADATA").write_text(about)
    # Lines are broken at spaces, and within a word that is longer than a line.
    told = "".join(acqd("--help").out.split())
    assert f"knots{shown.replace(' ', '')}" in told


@pytest.mark.usefixtures("installed")
def test_it_works_like_any_other(acqd: Any) -> None:
    """With options and help of its own, and a near miss that names it."""
    assert acqd("knots", "--per", "night").out == "12 knots, per night\n"
    assert acqd("knots", "--help").out.startswith("Usage: acqd knots [OPTIONS]")
    assert "did you mean 'knots'?" in acqd("knot").err


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("broken", "of gannet-knots 1.5 cannot be loaded: ModuleNotFoundError: "),
        ("quits", "of gannet-knots 1.5 cannot be loaded: SystemExit: 0"),
        ("text", "of gannet-knots 1.5 is no click command"),
    ],
)
@pytest.mark.usefixtures("installed")
def test_one_that_cannot_be_used_costs_itself_alone(acqd: Any, name: str, says: str) -> None:
    """One line with whose it is; what stands beside it works."""
    answer = acqd(name)
    assert answer.code == 1 and f"the command '{name}' {says}" in answer.err
    assert acqd("knots").code == 0


@pytest.mark.usefixtures("installed")
def test_a_name_of_the_core_stays_the_cores(acqd: Any) -> None:
    """Whatever is installed, `acqd check` is what it was."""
    assert acqd("check", "--help").out.startswith("Usage: acqd check [OPTIONS] [CONFIG]")
    assert "check Of" not in " ".join(acqd("--help").out.split())
