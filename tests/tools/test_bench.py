"""tools/bench runs, measures what it says, and its arithmetic is right. Nothing here is timed."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
LINKS = ("text", "pairs", "block", "scpi", "hislip")


def bench(folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """Run the smallest bench with scratch files in ``folder``."""
    command = [sys.executable, str(ROOT / "tools/bench.py"), "--tiny", "--folder", str(folder)]
    return subprocess.run(
        [*command, *options], cwd=ROOT, capture_output=True, text=True, timeout=200, check=False
    )


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, object]]:
    """The figures of one tiny run of all parts, by name."""
    names = ["sweep", "seal", "latency", "dash", "memory", "start", "kernel", "overview"]
    names += ["report", "rehearsal", "links", "iq", "ingest", "plug", "isolation"]
    options = [word for name in names for word in ("--only", name)]
    done = bench(tmp_path_factory.mktemp("bench"), "--json", *options)
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    have = {figure["name"]: figure for figure in result["figures"]}
    return {"": {"skipped": result["skipped"]}, **have}


@pytest.mark.slow
@pytest.mark.parametrize(
    "name",
    [
        "sweep wall",
        "sweep CPU",
        "rate in tens",
        "bits per point",
        "sealing",
        "latency p50",
        "latency p99",
        "dash p50",
        "dash p95",
        "dash cpu",
        "dash rss",
        "RSS idle",
        "RSS after",
        "RSS slope",
        "acqd --help",
        "kernel 1001",
        "kernel 100001",
        "overview",
        "report wall",
        "report CPU",
        "report RSS",
        "report page",
        "report short",
        "report short RSS",
        "rehearsal",
        "rehearsal simulating",
        "rehearsal measuring",
        "rehearsal committing",
        "rehearsal sealing",
        "rehearsal telling",
        *(f"link {kind} {what}" for kind in LINKS for what in ("cpu", "p50", "p95")),
        "iq CPU",
        "iq memory",
        "iq rate",
        "ingest wide CPU",
        "ingest wide RSS",
        "ingest files CPU",
        "ingest files RSS",
        "plug here",
        "plug hub",
        "open process",
        "sweep process 1001",
        "CPU process 10001",
        "RSS process",
    ],
)
def test_every_figure_comes_out(told: dict[str, dict[str, object]], name: str) -> None:
    """A tiny run gives each figure a number, and those with a baseline a ratio to it."""
    skipped = told[""]["skipped"]
    assert isinstance(skipped, dict)
    part = name.split()[0].lower()
    if part in skipped:
        pytest.skip(f"{part}: {skipped[part]}")
    figure = told[name]
    assert isinstance(figure["median"], float)
    if name != "RSS slope":
        assert figure["median"] > 0
    if figure["baseline"] is not None:
        assert isinstance(figure["ratio"], float)
        assert figure["ratio"] > 0


@pytest.mark.slow
def test_only_the_broker_may_be_missing(told: dict[str, dict[str, object]]) -> None:
    """Nothing is skipped but what needs mosquitto where that is not installed."""
    skipped = told[""]["skipped"]
    assert isinstance(skipped, dict)
    place = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/bin")
    assert set(skipped) == (set() if place else {"latency", "dash"})


@pytest.mark.slow
def test_the_table_names_each_figure_and_counts_the_targets(tmp_path: Path) -> None:
    """The text form has a line a figure, what each is, and how many targets were met."""
    done = bench(tmp_path, "--only", "start")
    assert done.returncode == 0, done.stderr
    assert "acqd --help" in done.stdout
    assert "baseline: python -c pass" in done.stdout
    assert "targets: " in done.stdout
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_part_is_refused(tmp_path: Path) -> None:
    """A slip in a part's name lists those there are."""
    done = bench(tmp_path, "--only", "sweeps")
    assert done.returncode == 2
    assert "overview" in done.stderr


@pytest.fixture
def parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make the parts of the bench importable."""
    monkeypatch.syspath_prepend(str(ROOT / "tools"))


@pytest.mark.usefixtures("parts")
def test_the_entropy_of_known_codes() -> None:
    """Sixteen equally frequent codes have 4 bits, one code has none; the mean is over columns."""
    import numpy as np
    from bench_parts.disk import entropy_bits

    even = np.arange(1600) % 16 - 8
    assert entropy_bits(np.stack([even, np.zeros(1600, dtype=int)], axis=1)) == pytest.approx(2.0)


@pytest.mark.usefixtures("parts")
def test_a_slope_and_its_interval() -> None:
    """A straight rise gives its slope with no width, a level line with noise holds zero."""
    import numpy as np
    from bench_parts.memory import slope_per_1000

    sweeps = np.arange(0.0, 20_000.0, 50.0)
    slope, half = slope_per_1000(sweeps, 60.0 + 0.25 * sweeps / 1000.0)
    assert slope == pytest.approx(0.25)
    assert half == pytest.approx(0.0, abs=1e-9)
    noise = np.random.default_rng(2).normal(60.0, 1.0, sweeps.size)
    slope, half = slope_per_1000(sweeps, noise)
    assert abs(slope) < 2 * half


@pytest.mark.usefixtures("parts")
def test_ratios_are_made_within_a_round() -> None:
    """Both sides twice as slow in one round leaves the ratio as it is; targets look at medians."""
    from bench_parts.figures import Figure, Samples, Target

    figure = Figure(
        name="x",
        what="x",
        unit="s",
        samples=Samples((3.0, 6.0, 3.0)),
        base=Samples((2.0, 4.0, 2.0)),
        targets=(Target(1.6), Target(1.4), Target(3.0, of="figure")),
    )
    assert figure.ratio is not None
    assert figure.ratio.values == (1.5, 1.5, 1.5)
    assert [target.met(figure) for target in figure.targets] == [True, False, True]


@pytest.mark.usefixtures("parts")
def test_a_part_that_fails_leaves_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What broke is named and the exit code says so; what was measured is printed all the same."""
    import bench as program
    from bench_parts.figures import Report

    def broken(report: Report, folder: Path, size: object) -> None:
        raise OSError("the disk is gone")

    monkeypatch.setattr(program, "_quiet_logs", lambda: None)  # the logs of this process stay
    monkeypatch.setitem(program.PARTS, "seal", ("a part that fails", broken))
    code = program.main(["--tiny", "--only", "seal", "--only", "start", "--folder", str(tmp_path)])
    told = capsys.readouterr().out
    assert code == 1
    assert "FAILED seal: OSError: the disk is gone" in told
    assert "acqd --help" in told


@pytest.mark.slow
def test_the_page_explains_every_figure(told: dict[str, dict[str, object]]) -> None:
    """docs/bench.md has a row for each figure that the bench prints."""
    page = (ROOT / "docs/bench.md").read_text("utf-8")
    assert [name for name in told if name and f"`{name}`" not in page] == []
