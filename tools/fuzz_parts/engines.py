"""Who makes inputs up: hypothesis, by changing right ones; atheris, by watching the branches.

Both have the same targets. A failure is made as small as its engine makes it, and kept in a file.
"""

from __future__ import annotations

import hashlib
import os
import re
import subprocess
import sys
import time
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fuzz_parts.target import Target

__all__ = ["Tried", "by_branches", "by_changes", "kept_input"]

TOOL = Path(__file__).parents[1] / "fuzz.py"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What came of one target. ``problem`` is "" where nothing did."""

    target: str
    engine: str
    inputs: int
    took_s: float
    problem: str = ""
    kept: Path | None = None


def changed(target: Target) -> Any:
    """A strategy: a right input with up to eight changes, or bytes of any kind."""
    from hypothesis import strategies as st

    seeds = [seed[: target.most_bytes] for seed in target.seeds()]
    at = st.floats(0.0, 1.0)
    change = st.one_of(
        st.tuples(st.just("put"), at, st.sampled_from(target.words or (b"\x00",))),
        st.tuples(st.just("put"), at, st.binary(min_size=1, max_size=8)),
        st.tuples(st.just("over"), at, st.binary(min_size=1, max_size=4)),
        st.tuples(st.just("cut"), at, st.floats(0.0, 0.2)),
        st.tuples(st.just("again"), at, st.floats(0.0, 0.1)),
        st.tuples(st.just("join"), at, st.sampled_from(seeds)),
    )

    def made(seed: bytes, changes: Sequence[tuple[str, float, Any]]) -> bytes:
        data = seed
        for what, where, more in changes:
            place = int(where * len(data))
            data = _with(data, what, place, more)[: target.most_bytes]
        return data

    return st.one_of(
        st.builds(made, st.sampled_from(seeds), st.lists(change, min_size=1, max_size=8)),
        st.binary(max_size=min(256, target.most_bytes)),
    )


def _with(data: bytes, what: str, place: int, more: Any) -> bytes:
    match what:
        case "put":
            return data[:place] + more + data[place:]
        case "over":
            return data[:place] + more + data[place + len(more) :]
        case "cut":
            return data[:place] + data[place + 1 + int(more * len(data)) :]
        case "again":
            end = place + 1 + int(more * len(data))
            return data[:end] + data[place:]
        case _:
            return data[:place] + more[place:]


def by_changes(target: Target, *, inputs: int, seconds: float, seed: int, folder: Path) -> Tried:
    """Hypothesis, until there were so many inputs or so many seconds have passed."""
    from hypothesis import HealthCheck, Phase, given, settings
    from hypothesis import seed as with_seed

    begun_s = time.monotonic()
    tried = 0
    last = b""
    quiet = list(HealthCheck)

    def once(data: bytes) -> None:
        nonlocal tried, last
        tried += 1
        last = data
        target.run(data)

    problem, kept, batch = "", None, 0
    while tried < inputs and time.monotonic() - begun_s < seconds and not problem:
        some = max(50, min(2000, inputs - tried))
        run = settings(
            max_examples=some,
            database=None,
            deadline=None,
            suppress_health_check=quiet,
            phases=(Phase.generate, Phase.target, Phase.shrink),
        )(with_seed(seed * 1000 + batch)(given(changed(target))(once)))
        batch += 1
        try:
            run()
        except Exception as exc:
            problem, kept = _told(exc), kept_input(folder, target, last)
    took_s = time.monotonic() - begun_s
    return Tried(
        target=target.name,
        engine="hypothesis",
        inputs=tried,
        took_s=took_s,
        problem=problem,
        kept=kept,
    )


def by_branches(target: Target, *, inputs: int, seconds: float, seed: int, folder: Path) -> Tried:
    """Atheris, in a process of its own, since it ends the one that it runs in."""
    corpus = folder / "seeds" / target.name.replace(" ", "-")
    corpus.mkdir(parents=True, exist_ok=True)
    for at, data in enumerate(target.seeds()):
        (corpus / f"seed-{at}").write_bytes(data[: target.most_bytes])
    words = folder / "seeds" / f"{corpus.name}.words"
    words.write_text("".join(f'"{_escaped(word)}"\n' for word in target.words))
    found = folder / f"{corpus.name}-"
    command = [
        *(sys.executable, str(TOOL), "--inside", target.name, str(corpus)),
        *(f"-runs={inputs}", f"-max_total_time={max(1, int(seconds))}", f"-seed={seed + 1}"),
        *(f"-max_len={target.most_bytes}", "-timeout=20", "-rss_limit_mb=2000"),
        *("-print_final_stats=1", f"-artifact_prefix={found}", f"-dict={words}"),
    ]
    begun_s = time.monotonic()
    log = subprocess.run(
        command, capture_output=True, text=True, errors="replace", check=False, env=_plain()
    )
    took_s = time.monotonic() - begun_s
    said = f"{log.stdout}\n{log.stderr}"
    counted = re.search(r"number_of_executed_units:\s*(\d+)", said)
    count = 0 if counted is None else int(counted[1])
    problem, kept = "", None
    if log.returncode or not count:
        raised = re.findall(r"^(?:[A-Za-z_.]*(?:Error|Exception|Violation)\b|ALARM).*$", said, re.M)
        problem = (raised or [said.strip()[-300:] or f"exit code {log.returncode}"])[0]
        written = re.search(r"Test unit written to (\S+)", said)
        kept = None if written is None else Path(written[1])
    return Tried(
        target=target.name,
        engine="atheris",
        inputs=count,
        took_s=took_s,
        problem=problem[:300],
        kept=kept,
    )


def inside(target: Target, arguments: Sequence[str]) -> None:
    """The process of :func:`by_branches`: it never comes back from here."""
    import atheris

    with atheris.instrument_imports(include=["acqd", "acqd_scpi", "acqd_lines", "acqd_sim"]):
        # The first input imports what is to be watched.
        target.run(target.seeds()[0])
    atheris.Setup([sys.argv[0], *arguments], target.run)
    atheris.Fuzz()


def kept_input(folder: Path, target: Target, data: bytes) -> Path:
    """Write what was found, under a name made of it."""
    name = f"{target.name.replace(' ', '-')}-{hashlib.sha256(data).hexdigest()[:12]}"
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    path.write_bytes(data)
    return path


def _plain() -> dict[str, str]:
    return {**os.environ, "PYTHONHASHSEED": "0", "PYTHONDEVMODE": ""}


def _escaped(word: bytes) -> str:
    return "".join(
        chr(one) if 32 <= one < 127 and one not in b'"\\' else f"\\x{one:02X}" for one in word
    )


def _told(exc: BaseException) -> str:
    frames = traceback.extract_tb(exc.__traceback__)
    ours = [one for one in frames if "acqd" in one.filename] or frames
    at = f"{Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else "?"
    return f"{type(exc).__name__} at {at}: {exc}"[:300].replace("\n", " ")
