"""Bytes that rot: in a file, at its end, in the ledger.

A file is put right afterwards, as from somebody's copy of it, so that what was done before and
after is checked like everything else. A ledger is not: the station makes a new one.
"""

from __future__ import annotations

import json
import subprocess
import warnings
from collections.abc import Callable
from pathlib import Path

import h5py

from acqd.archive.damage import DamageWarning
from acqd.archive.layout import ledger_path, list_days, list_files
from acqd.archive.reader import open_archive
from faults_parts.bench import JOBS, FaultBench
from faults_parts.registry import fault
from peers import wait_for
from station_bench import ACQD

__all__ = ["verified"]

JOB = "marine-vhf"
WRONG = 3
"""What ``acqd verify`` ends with where something is wrong."""
VERIFY_LIMIT_S = 60.0
PAGE = 4096
"""Bytes; those of the ledger are overwritten in pieces of it."""

Spoil = Callable[[Path], None]


def verified(root: Path) -> tuple[int, list[str]]:
    """What ``acqd verify`` ends with, and what it says is wrong, a line each."""
    done = subprocess.run(
        [*ACQD, "verify", str(root), "--json"],
        capture_output=True,
        text=True,
        timeout=VERIFY_LIMIT_S,
        check=False,
    )
    if not done.stdout.strip():
        return done.returncode, [done.stderr.strip()]
    return done.returncode, [json.dumps(one) for one in json.loads(done.stdout)["wrong"]]


def another_byte(path: Path) -> None:
    """A byte in the middle of the levels of a file is another one."""
    with h5py.File(path, "r") as file:
        chunk = file["level"].id.get_chunk_info(0)
    at = chunk.byte_offset + chunk.size // 2
    data = bytearray(path.read_bytes())
    data[at] ^= 0x5A
    path.write_bytes(data)


def half(path: Path) -> None:
    """The second half of a file is gone."""
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def _file(name: str, does: str, spoil: Spoil) -> None:
    @fault(name, does, guarantees=("G3", "G5"), strikes="archive", mixes=False)
    def hurt(bench: FaultBench) -> None:
        path = _a_file(bench)
        whole = path.read_bytes()
        before, inside = _numbers(bench.archive), _numbers_in(path)
        bench.to_mend.append(lambda: _put_back(path, whole))
        spoil(path)
        bench.wrong += _told(bench.archive, path, {JOB: before[JOB] - inside, **_but(before)})
        bench.sleep(0.0, 0.5)


_file("file-byte", "a byte in a file of sweeps rots while the station runs", another_byte)
_file("file-cut", "a file of sweeps loses its second half while the station runs", half)


def _put_back(path: Path, whole: bytes) -> None:
    """As a copy is: a new file under the name."""
    new = path.with_suffix(".back")
    new.write_bytes(whole)
    new.replace(path)


def _a_file(bench: FaultBench) -> Path:
    """One of the job, by chance; where there is none yet, one is made by a stop and a start."""
    if not (found := _files(bench.archive)):
        bench.stop()
        bench.mend()
        found = wait_for("a file", lambda: _files(bench.archive), said=bench.words)
    return bench.chance.choice(found)


def _files(root: Path) -> list[Path]:
    return [path for day in list_days(root, JOB) for path, _ in list_files(root, JOB, day)]


def _numbers_in(path: Path) -> set[int]:
    with h5py.File(path, "r") as file:
        return set(file["sequence"][:].tolist())


def _numbers(root: Path) -> dict[str, set[int]]:
    """Which sweeps of each job can be read, levels and all."""
    found: dict[str, set[int]] = {}
    with open_archive(root, amended=False) as archive:
        for job in JOBS:
            data = archive.sweeps(job.name)
            data["level"].load()
            found[job.name] = set(data["sequence"].values.tolist())
    return found


def _but(numbers: dict[str, set[int]]) -> dict[str, set[int]]:
    return {name: seqs for name, seqs in numbers.items() if name != JOB}


def _told(root: Path, path: Path, others: dict[str, set[int]]) -> list[str]:
    """What does not hold while a file is damaged: it is named, and everything else can be read."""
    wrong = []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        now = _numbers(root)
    said = [str(one.message) for one in caught if issubclass(one.category, DamageWarning)]
    if not any(path.name in line for line in said):
        wrong.append(f"the reader does not warn of {path.name}: {said}")
    with open_archive(root, amended=False) as archive:
        listed = [str(one) for one in archive.damage(JOB, thorough=True)]
    if not any(path.name in line for line in listed):
        wrong.append(f"{path.name} is not among what is damaged: {listed}")
    for job, seqs in others.items():
        if lost := seqs - now[job]:
            wrong.append(f"{job}: {len(lost)} sweeps of other files cannot be read")
    code, lines = verified(root)
    if code != WRONG or not any(path.name in line for line in lines):
        wrong.append(f"acqd verify ends with code {code} and does not name {path.name}: {lines}")
    wrong += [f"acqd verify: {line}" for line in lines if path.name not in line]
    return wrong


@fault(
    "ledger-damaged",
    "pages of the ledger are overwritten while the station is down, which then starts",
    guarantees=("G3", "G5"),
    strikes="station archive",
    times=(1, 3),
)
def ledger(bench: FaultBench) -> None:
    bench.stop()
    path = ledger_path(bench.archive)
    data = bytearray(path.read_bytes())
    # The first says what is in it at all; others are hit by chance.
    pages = {0, *(bench.chance.randrange(len(data) // PAGE) for _ in range(3))}
    for page in pages:
        data[page * PAGE + 100 : page * PAGE + 300] = bench.chance.randbytes(200)
    path.write_bytes(data)
    station = bench.start()
    wait_for(
        "the station to tell of a new ledger",
        lambda: station.logged("ledger_rebuilt") or not station.is_up,
        said=bench.words,
    )
    bench.until_heard(len(bench.record.heard), job=JOB)
    with open_archive(bench.archive, amended=False) as archive:
        if not any(one.what == "ledger_rebuilt" for one in archive.findings("station")):
            bench.wrong.append("no finding tells that the ledger was made anew")
