"""Names cannot lead out of an archive or a station's topics, and cannot steer a terminal or a page.

Those of a config are refused where they are not plain. An archive of somebody else's may hold any:
as job, as title, as what an instrument says of itself, in file names and in the manifest.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import unicodedata
from collections.abc import Callable
from pathlib import Path, PurePosixPath
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from acqd.archive.layout import (
    FileName,
    folder_of_job,
    job_of_folder,
    list_jobs,
    sweeps_folder,
)
from acqd.archive.reader import open_archive
from acqd.config.load import parse_config
from acqd.config.models import is_topic_level
from acqd.errors import ConfigError
from acqd.publish.topics import CHANNELS, Topics, topic_level

EVIL = [
    "..", ".", "", "../..", "../../etc/cron.d/acqd", "/etc/passwd", "a/b", "a\\b", "~root", "-rf",
    "+", "#", "a/#", "$SYS", "$share/x/y", "a\0b", "a\nb", "a\rb", "\x1b[2J", "\x9b2J", ".hidden",
    "CON", "nul.txt", "A", "ſ", "Å", "ｆｕｌｌ", "a\u202eb", "a\u200bb", "ａ", "٣", "é", "e\u0301",
    "x" * 33, "x" * 5000, " a", "a ", "%2e%2e", "%2F", "%00", "<script>", "=1+1", "@SUM(1)",
    "☃" * 90,
]  # fmt: skip
"""Ways out of a folder, wildcards and topics of the broker's own, what a terminal, a page or a
spreadsheet acts on, look-alikes, and what is too long."""

names = st.one_of(
    st.sampled_from(EVIL),
    st.text(st.characters(exclude_categories=("Cs",)), max_size=60),
    st.text("./\\#+$%~-\0\n\x1b aZ", max_size=12),
)


def with_examples(function: Any) -> Any:
    for one in EVIL:
        function = example(one)(function)
    return function


@with_examples
@given(names)
@settings(max_examples=300, deadline=None)
def test_a_folder_is_one_level_below_that_of_the_sweeps(name: str) -> None:
    """Whatever the job is called; and the name can be had back from it."""
    folder = folder_of_job(Path("/archive"), name)
    if not name:
        return  # no job: list_jobs() finds none of that name
    assert folder.parent == sweeps_folder(Path("/archive"))
    assert folder.name not in ("", ".", "..") and re.fullmatch(r"[A-Za-z0-9_.~%-]+", folder.name)
    assert not folder.name.startswith(".")
    assert PurePosixPath(os.path.normpath(folder)) == PurePosixPath(folder)
    assert job_of_folder(folder) == name


@with_examples
@given(names)
@settings(max_examples=300, deadline=None)
def test_a_file_name_is_one_name(setup: str) -> None:
    """Whatever the setup is called."""
    name = str(
        FileName(kind=FileName.parse(SEGMENT).kind, first_seq=1, last_seq=2, step=0, setup=setup)  # type: ignore[union-attr] # it is one
    )
    assert re.fullmatch(r"[A-Za-z0-9_.~%-]+", name) and len(name) < 100


SEGMENT = "segment_0000000001-0000000002_step0_aa11.nc"


@with_examples
@given(names)
@settings(max_examples=300, deadline=None)
def test_a_topic_has_no_wildcard_and_no_level_more(name: str) -> None:
    """A name that is no plain level is refused wherever a topic is made of it, and what is made fit
    is fit."""
    plain = bool(re.fullmatch(r"[a-z0-9_-]{1,32}", name, re.ASCII))
    assert is_topic_level(name) == plain
    makers: list[Callable[[], str]] = [
        lambda: Topics(name).status,
        lambda: Topics("g").finding(name),
        lambda: Topics("g").channel("j", name),
        lambda: Topics("g").value(name, "f"),
        lambda: Topics("g").sweeper(name),
    ]
    for maker in makers:
        if plain:
            assert set(maker()) <= set("abcdefghijklmnopqrstuvwxyz0123456789_-/")
        else:
            with pytest.raises(ValueError, match="expected"):
                maker()
    assert is_topic_level(topic_level(name))
    topic = f"acqd/{name}/status"
    assert (Topics("g").spec_of(topic) is not None) == plain
    assert all("+" not in spec.pattern and "#" not in spec.pattern for spec in CHANNELS)


CONFIG = """\
[station]
name = {station}
archive = "archive"
[mqtt]
broker = "none"
[sweeper.{sweeper}]
driver = "sim"
address = "sim:a"
[context.{context}]
file = "/tmp/t"
[way.{way}]
command = ["true"]
[alert.{alert}]
on = "deaf"
to = [{way}]
[job.{job}]
kind = "band"
sweeper = {sweeper}
start = "156 MHz"
stop = "157 MHz"
points = 11
when = {{ every = "10 s" }}
"""
PLACES = ("station", "sweeper", "context", "way", "alert", "job")


def config_with(place: str, name: str) -> str:
    return CONFIG.format(**{one: _toml(name if one == place else "plain") for one in PLACES})


def _toml(text: str) -> str:
    """A basic string of TOML, which has no surrogates and escapes what JSON does, and DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


@pytest.mark.parametrize("place", PLACES)
@with_examples
@given(names)
@settings(max_examples=40, deadline=None)
def test_a_config_takes_plain_names_alone(place: str, name: str) -> None:
    """Of stations, sweepers, jobs and all else that has one: refused in a line with its place, in
    which nothing steers a terminal."""
    plain = bool(re.fullmatch(r"[a-z0-9_-]{1,32}", name, re.ASCII))
    text = config_with(place, name)
    if plain:
        assert parse_config(text, Path("/x/station.toml")).station.archive == "archive"
        return
    with pytest.raises(ConfigError) as caught:
        parse_config(text, Path("/x/station.toml"))
    said = str(caught.value)
    assert all(letter.isprintable() or letter == "\n" for letter in said)
    assert "/x/station.toml:" in said


@pytest.mark.parametrize(
    "name",
    ["..", "%2e%2e%2f%2e%2e", ".", "a%", "A%41", b"\xff\xfe", "x" * 250, "%00", "%2Fetc", "a b"],
)
def test_a_strange_folder_in_an_archive_is_passed_by(tmp_path: Path, name: str | bytes) -> None:
    """What is listed as a job is always the folder that the job's name leads to."""
    root = tmp_path / "archive"
    folder = os.fsencode(sweeps_folder(root))
    os.makedirs(os.path.join(folder, os.fsencode(name)), exist_ok=True)
    for job in list_jobs(root):
        assert folder_of_job(root, job).is_dir()
        assert folder_of_job(root, job).parent == sweeps_folder(root)


STEERS = "\x1b]0;gotcha\x07\x1b[2J\u202e<script>alert(1)</script>"


@pytest.fixture(params=["../../../outside/pwned", STEERS, "=cmd|'/c calc'!A1", "x" * 60])
def hostile(request: pytest.FixtureRequest, scribe: Any) -> tuple[Path, str]:
    """An archive of somebody else's whose job, sweeper, findings and identities are called so."""
    job = request.param
    setup = scribe.setup(
        job=job,
        sweeper=job,
        details={
            "identity": {"maker": job, "model": job, "serial_number": job, "firmware": job},
            "asked": {"start_hz": 156e6, "rbw_hz": None},
            "station": {"name": job, "title": job, "time_zone": "UTC"},
            "job_title": job,
        },
    )
    sweeps = tuple(scribe.sweep(seq, job=job) for seq in range(1, 31))
    finding = scribe.finding(1, job=job, text=f"heard {job}")
    writer = scribe.begun(station=job)
    from acqd.archive.records import Batch

    writer.commit(Batch(setups=(setup,), sweeps=sweeps, findings=(finding,))).result(10)
    scribe.seal(writer)
    writer.close(())
    for manifest in scribe.root.rglob("manifest.json"):
        listed = manifest.read_text()
        manifest.write_text(
            listed.replace('"segment_', '"../../../../outside/segment_').replace(
                '"volume_', '"/outside/volume_'
            )
        )
    return scribe.root, job


def everything_in(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.mark.slow
def test_a_hostile_archive_reaches_nothing_outside_and_steers_nothing(
    hostile: tuple[Path, str], tmp_path: Path
) -> None:
    """Read, drawn, reported, exported, verified and set aside: no file is touched outside of the
    folder where what is made belongs, no byte of a command's output steers a terminal, and no
    traceback is shown."""
    root, job = hostile
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "diary").write_text("dear diary")
    for name in ("segment_0000000001-0000000030_step0_aa11.nc", "pwned", SEGMENT):
        (outside / name).write_text("precious")
    before = everything_in(outside)
    here = tmp_path / "a" / "b" / "c"
    here.mkdir(parents=True)
    tried = [
        ["report", str(root)],
        ["report", str(root), "--json"],
        ["plot", str(root), "--job", job, "--what", "sheet"],
        ["export", str(root), "--job", job, "--output", "out.csv"],
        ["replay", str(root), job],
        ["verify", str(root)],
        ["verify", str(root), "--set-aside"],
    ]
    for words in tried:
        done = subprocess.run(
            [sys.executable, "-c", "from acqd.cli import main; main()", *words],
            capture_output=True,
            cwd=here,
            timeout=120,
            check=False,
            env={**os.environ, "PYTHONWARNINGS": "ignore"},
        )
        said = (done.stdout + done.stderr).decode()
        assert "Traceback" not in said, (words, said[-2000:])
        # What JSON says is for programs: it escapes what a terminal acts on, not what a text
        # that is written from right to left needs.
        bad = ("Cc",) if "--json" in words else ("Cc", "Cf")
        controls = {c for c in said if unicodedata.category(c) in bad and c not in "\n\t\r"}
        assert controls == set(), (words, said[:2000])
    assert everything_in(outside) == before
    made = {path.name for path in here.iterdir()}
    assert not any(name.startswith(("..", "/", "-", ".")) for name in made)
    allowed = {here, outside, root}
    strays = [
        path
        for path in tmp_path.rglob("*")
        if path.is_file() and not any(one in path.parents for one in allowed)
    ]
    assert strays == []
    for page in here.glob("*.html"):
        assert "<script>alert(1)</script>" not in page.read_text("utf-8")


def test_the_reader_gives_what_is_there_under_its_name(hostile: tuple[Path, str]) -> None:
    """To who asks for it by that name, from that archive."""
    root, job = hostile
    with open_archive(root) as archive:
        assert archive.jobs() == [job]
