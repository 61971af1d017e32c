"""What README and docs/messages.md show is what the program does."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from acqd.archive.lock import holder_of
from acqd.archive.reader import open_archive
from acqd.config.load import load_config

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")
MESSAGES = (ROOT / "docs" / "messages.md").read_text("utf-8")
DEMO = ROOT / "configs" / "demo.toml"


def example(topic: str) -> dict[str, Any]:
    """The first example of the page on a topic that ends so."""
    found = re.search(rf"(?ms)^`acqd/\S+/{topic}`\n\n```json\n(.*?)\n```$", MESSAGES)
    assert found is not None, topic
    shown = json.loads(found[1])
    assert isinstance(shown, dict)
    return shown


def shape(text: str) -> str:
    """A sentence without its numbers, its channel and its plane."""
    text = text.partition(" at the ")[0]
    text = re.sub(r"^(channel \S+ \(\S+ MHz\)|signal at \S+ MHz)", "SIGNAL", text)
    return re.sub(r"[−\d.]+", "#", text)


def test_the_sentence_of_the_example_is_one_that_is_said(kept: Path) -> None:
    """In the words of a finding of the same kind, from a real run."""
    shown = example("finding")
    said = [
        finding
        for finding in open_archive(kept / "archive").findings("marine-vhf")
        if finding.what == shown["what"]
    ]
    assert said and shape(said[0].text) == shape(shown["text"])
    assert set(shown["figures"]) == set(said[0].figures)


def test_the_summary_of_the_example_has_the_numbers_that_are_made(acqd: Any, folder: Path) -> None:
    """The same keys as a summary of the same kind; what only a station knows is left out."""
    made = acqd("once", "marine-vhf", "--json", folder=folder).json["band"]
    assert set(made) == set(example("job/marine-vhf/summary")["band"])


def test_the_examples_come_from_the_demo() -> None:
    """Names, sweepers, planes and the form of a run's name."""
    demo = tomllib.loads(DEMO.read_text("utf-8"))
    status, summary = example("status"), example("job/marine-vhf/summary")
    assert status["sweepers"] == list(demo["sweeper"])
    assert sorted(status["jobs"]) == sorted(demo["job"])
    assert summary["band"]["plane"] == demo["chain"]["aerial"]["title"]
    runs = re.findall(r'"run_id": "([^"]*)"', MESSAGES)
    assert runs and all(re.fullmatch(r"\d{8}T\d{6}Z-[0-9a-f]{6}", run) for run in runs)


def test_the_demos_config_is_right() -> None:
    """No problem, and the README's commands name what is in it."""
    config = load_config(DEMO)
    jobs = set(config.enabled_jobs)
    named = set(re.findall(r"acqd once ([a-z0-9-]+) --config configs/demo.toml", README))
    named |= set(re.findall(r"export var/demo/archive --job ([a-z0-9-]+)", README))
    assert named and named <= jobs
    assert config.archive == ROOT / "var" / "demo" / "archive"
    addresses = set(re.findall(r"tcp://127\.0\.0\.1:\d+", README))
    assert addresses == {config.address("mast")}


def test_a_job_of_the_demo_states_its_rbw() -> None:
    """What is left to the sweeper may be coarser than anybody wants."""
    assert all(job.rbw_hz for job in load_config(DEMO).jobs.values())


COMMANDS = re.findall(r"(?m)^    \.venv/bin/acqd (.+)$", README)


VERDICTS = {"pass": 0, "fail": 3, "cannot tell": 4, "incomplete": 5}
"""And the exit code of each."""


def hurried(path: Path, folder: Path) -> Path:
    """The same config with an archive in ``folder``, whose simulated sweepers and their scene run
    twenty times faster: nobody holds a key for three minutes in a test."""
    config = path.read_text("utf-8")
    address = re.compile(r'(?m)^address = "sim:[a-z-]+"$')
    assert address.search(config) and "options" not in config
    config = address.sub(r"\g<0>\noptions = { time_scale = 0.05 }", config)
    config = re.sub(r'(?m)^archive = ".*"$', f'archive = "{folder / "archive"}"', config)
    copy = folder / path.name
    copy.write_text(config, "utf-8")
    return copy


TESTED = [c for c in COMMANDS if c.startswith("once --self-test")]
ONCE = [c for c in COMMANDS if c.startswith("once") and c not in TESTED]
GUIDED = [c for c in ONCE if c.startswith("once handheld ")]


def test_the_readmes_self_test_is_one_that_the_demo_states() -> None:
    """It is asked of the running demo, so it is only looked up here."""
    (line,) = TESTED
    sweepers = load_config(DEMO).sweepers
    assert line.endswith("--config configs/demo.toml")
    assert sweepers[line.split()[2]].self_test is not None


@pytest.mark.parametrize("line", [c for c in ONCE if c not in GUIDED])
def test_the_readmes_sweeps_work(acqd: Any, line: str) -> None:
    """On sweepers of the command's own; the demo must not run for those with its config."""
    if "--config" in line and holder_of(load_config(DEMO).archive):
        pytest.skip("the demo is running here")
    answer = acqd(*line.split(), folder=ROOT)
    assert answer.code == 0 and answer.out.startswith("GANNET SHACK 3")


def test_the_readmes_hand_held_comes_to_a_verdict(acqd: Any, tmp_path: Path) -> None:
    """Whichever: noise decides between those near a limit, and a busy machine may miss the end of
    the keying. The exit code is the verdict's."""
    (line,) = GUIDED
    words = line.split()
    config = words.index("--config") + 1
    words[config] = str(hurried(ROOT / words[config], tmp_path))
    made = acqd(*words, "--json", folder=ROOT)
    assert made.code == VERDICTS[made.json["verdict"]["verdict"]]
    assert made.json["emission"]["fundamental"]["level_dbm"] == pytest.approx(36.7, abs=3.0)
