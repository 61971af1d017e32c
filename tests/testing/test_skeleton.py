"""What `acqd driver new` writes is installed like any driver, passes its tests and is clean."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from importlib.metadata import PathDistribution
from pathlib import Path

import pytest

from acqd.cli import main
from acqd.drivers.registry import load_drivers
from acqd.testing.skeleton import FILES

LONGEST = "ledge-watch-with-a-longer-name"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new distribution, with what an installation would leave beside it."""
    return made_in(tmp_path_factory.mktemp("new"), "gull")


def made_in(folder: Path, name: str) -> Path:
    main(["driver", "new", name, "--in", str(folder)])
    target = folder / f"acqd-{name}"
    told = tomllib.loads((target / "pyproject.toml").read_text("utf-8"))["project"]
    information = target / "src" / f"{told['name'].replace('-', '_')}-0.1.0.dist-info"
    information.mkdir()
    points = told["entry-points"]["acqd.drivers"]
    lines = [f"{name} = {value}" for name, value in points.items()]
    (information / "entry_points.txt").write_text("[acqd.drivers]\n" + "\n".join(lines) + "\n")
    (information / "METADATA").write_text(
        f"Metadata-Version: 2.1\nName: {told['name']}\nVersion: {told['version']}\n"
    )
    return target


def ran(made: Path, *command: str) -> subprocess.CompletedProcess[str]:
    """``command`` in the new distribution, as if it were installed."""
    paths = [str(made / "src"), *filter(None, [os.environ.get("PYTHONPATH")])]
    return subprocess.run(
        command,
        cwd=made,
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
    )


@pytest.mark.slow
def test_its_tests_pass(made: Path) -> None:
    """With pytest alone, no plugin of another project."""
    done = ran(made, sys.executable, "-m", "pytest", "-q", "-p", "no:asyncio", "-p", "no:xdist")
    assert done.returncode == 0, done.stdout
    assert " passed" in done.stdout and "failed" not in done.stdout


@pytest.mark.slow
def test_the_suite_passes_on_its_simulated_sweeper(made: Path) -> None:
    """Found by its entry point, over the socket of another process."""
    package = next((made / "src").glob("acqd_*/driver.py")).parent.name
    command = [sys.executable, "-m", f"{package}.simulated"]
    environment = {**os.environ, "PYTHONPATH": str(made / "src")}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as simulated:
        try:
            assert simulated.stdout is not None
            address = simulated.stdout.readline().strip()
            suite = ["--pyargs", "acqd.testing.suite", "--sweeps", "50", "-p", "no:asyncio"]
            name = made.name.removeprefix("acqd-")
            told = ["--driver", name, "--address", address]
            done = ran(made, sys.executable, "-m", "pytest", *suite, *told)
        finally:
            simulated.terminate()
    assert done.returncode == 0, done.stdout
    assert f"The driver {name} of acqd-{name} 0.1.0 at {address} (GANNET" in done.stdout
    assert "keeps the contract: " in done.stdout
    assert "nothing to look at (4 checks): " in done.stdout


@pytest.mark.slow
def test_it_is_strictly_typed(made: Path) -> None:
    """Driver, simulated sweeper and tests."""
    pytest.importorskip("mypy")
    done = ran(made, sys.executable, "-m", "mypy", "--strict", "src", "tests")
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("name", ["x", LONGEST])
@pytest.mark.parametrize("command", ["check", "format --check"])
def test_it_is_clean(tmp_path: Path, name: str, command: str) -> None:
    """By its own settings, however long its name."""
    program = Path(sys.executable).with_name("ruff")
    if not program.exists():
        pytest.skip("ruff is not installed here")
    done = ran(made_in(tmp_path, name), str(program), *command.split(), ".")
    assert done.returncode == 0, done.stdout + done.stderr


def test_its_entry_point_is_a_driver(made: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """acqd lists it by its name, with its distribution."""
    monkeypatch.syspath_prepend(str(made / "src"))
    information = next((made / "src").glob("*.dist-info"))
    registry = load_drivers(PathDistribution(information).entry_points)
    assert registry.broken == ()
    assert list(registry.drivers) == [made.name.removeprefix("acqd-")]


def test_no_word_of_the_templates_is_left(made: Path) -> None:
    """And nothing is left to be done later."""
    for path in made.rglob("*"):
        if path.suffix in (".py", ".toml", ".md") and path.is_file():
            text = path.read_text("utf-8")
            assert "@" not in text.replace("@property", "").replace("@pytest", "").replace(
                "@dataclass", ""
            )
            assert "TODO" not in text
    written = {str(path.relative_to(made)) for path in made.rglob("*") if path.is_file()}
    assert len(FILES) <= len(written)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["Gull"], "'Gull' is no name for a driver; accepted: small letters"),
        (["gull--one"], "is no name for a driver"),
        (["../gull"], "is no name for a driver"),
        (["scpi"], "the driver 'scpi' of acqd-scpi is installed here"),
        (["gull", "--in", "nowhere"], "there is no folder nowhere; make it first"),
    ],
    ids=["capital", "hyphens", "path", "taken", "no folder"],
)
def test_what_cannot_be_is_refused_in_a_line(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    said: str,
) -> None:
    """Nothing is written; exit code 2."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as ended:
        main(["driver", "new", *words])
    assert ended.value.code == 2
    assert said in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A second run says so and changes nothing."""
    main(["driver", "new", "gull", "--in", str(tmp_path)])
    assert "pip install -e" in capsys.readouterr().out
    mine = tmp_path / "acqd-gull" / "README.md"
    mine.write_text("mine")
    with pytest.raises(SystemExit):
        main(["driver", "new", "gull", "--in", str(tmp_path)])
    assert "is there already; name another, or move it away" in capsys.readouterr().err
    assert mine.read_text() == "mine"
