"""Looks through one file of sweeps, every byte of it; in a process of its own.

    python -m acqd.archive.inspecting < paths, a JSON text a line > answers, a JSON object a line

HDF5 may crash over a file that is not what it was, or go on for ever; so :class:`Inspector` has
this done by a child that it can end, with its memory limited. The digest of the whole file comes
first, in a line of its own, before HDF5 sees it.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.durable import sha256_of
from acqd.archive.rows import CORE
from acqd.archive.sweepfile import SweepFile
from acqd.errors import ArchiveDamaged

__all__ = ["ARRAYS", "array_of", "copy_digests", "inspect_file", "serve"]

ARRAYS = ("sequence", "time", "due", "monotonic", "flags")
"""What of each sweep is handed over."""

SHOWN_MOST = 100
"""Broken blocks that are listed."""


def inspect_file(path: Path) -> dict[str, Any]:
    """What a file holds and whether its parts agree, as plain JSON data.

    ``problem`` is why it cannot be read, None where it can; ``broken`` are its broken blocks:
    [first row, last row, first number, last number]; ``inside`` is what else does not agree.
    """
    try:
        with SweepFile(path, unseen=True) as file:
            return _inspected(file)
    except ArchiveDamaged as exc:
        return {"problem": str(exc).removeprefix(f"{path}: ")}


def _inspected(file: SweepFile) -> dict[str, Any]:
    setup = file.setup()
    core = {name: file.core(name) for name in CORE}
    boots, boot = np.unique(file.names_of("boot").astype(str), return_inverse=True)
    file.names_of("run")
    columns, hops = file.columns(), file.hops()
    sequence = core["sequence"]
    broken, inside = _blocks(file, sequence), []
    if (np.diff(sequence) <= 0).any():
        inside.append("sequence numbers do not rise")
    for name, values in columns.items():
        if values.shape != (file.count,):
            inside.append(f"column {name} has {values.shape} values, not one a sweep")
    if hops is not None and (hops.count < 0).any():
        inside.append("negative numbers of hops")
    inside += _summaries(file)
    return {
        "problem": None,
        "inside": inside,
        "broken": broken[:SHOWN_MOST],
        "broken_blocks": len(broken),
        "blocks": -(-file.count // file.chunk_rows),
        "job": setup.job,
        "step": setup.step,
        "setup": setup.setup,
        "sweeps": file.count,
        "points": file.points,
        "first_seq": int(sequence[0]),
        "last_seq": int(sequence[-1]),
        "boots": boots.tolist(),
        "boot": _text_of(boot.astype("<i4")),
        "copies": {
            table: copy_digests(table, rows) for table, rows in file.ledger().items() if rows
        },
        **{name: _text_of(core[name]) for name in ARRAYS},
    }


def _blocks(file: SweepFile, sequence: NDArray[np.int64]) -> list[list[int]]:
    digests, rows = file.digests(), file.chunk_rows
    broken = []
    for number, start in enumerate(range(0, file.count, rows)):
        stop = min(file.count, start + rows)
        try:
            whole = number < len(digests) and file.block_digest(start, stop) == digests[number]
        except ArchiveDamaged:
            whole = False
        if not whole:
            broken.append([start, stop - 1, int(sequence[start]), int(sequence[stop - 1])])
    return broken


def _summaries(file: SweepFile) -> list[str]:
    ends = file.summary_ends()
    if not ends.size:
        return []
    if ends.size != file.count or (np.diff(ends, prepend=0) < 0).any():
        return ["the ends of summaries do not rise, one a sweep"]
    for start in range(0, file.count, 4096):
        for text in file.summaries(start, min(file.count, start + 4096)):
            if text is not None:
                try:
                    json.loads(text)
                except ValueError:
                    return ["a summary is no JSON"]
    return []


def _text_of(values: NDArray[Any]) -> str:
    return base64.b64encode(np.ascontiguousarray(values).tobytes()).decode("ascii")


def array_of(name: str, text: str) -> NDArray[Any]:
    """One of :data:`ARRAYS`, or ``boot``, of an answer."""
    dtype = "<i4" if name == "boot" else CORE[name]
    return np.frombuffer(base64.b64decode(text), dtype=dtype)


def copy_digests(table: str, rows: list[Any]) -> list[list[Any]]:
    """For rows of the ledger as files have them: their key, and a digest of what must be equal.

    A plan may be known better later, so of it only the time counts; of a self-test files leave out
    the sweeps.
    """
    out = []
    for row in rows:
        counts: Any = row
        if table == "plan":
            counts = row[:2]
        elif table == "overlay":
            body = json.loads(row[5])
            if row[1] == "self-test" and isinstance(body, dict):
                body.pop("sweeps", None)
            counts = [*row[:5], body, *row[6:]]
        text = json.dumps(counts, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
        out.append([row[0], hashlib.sha256(text.encode()).hexdigest()[:32]])
    return out


def serve() -> None:
    """Answer until standard input ends: for each path two lines, the digest, then the rest."""
    for line in sys.stdin:
        path = Path(json.loads(line))
        try:
            _say({"sha256": sha256_of(path), "bytes": path.stat().st_size})
            answer = inspect_file(path)
        except FileNotFoundError:
            answer = {"gone": True}
        except OSError as exc:
            answer = {"problem": f"cannot be read: {exc.strerror or exc}", "disk": True}
        _say(answer)


def _say(answer: Mapping[str, Any]) -> None:
    sys.stdout.write(json.dumps(answer) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    os.nice(5)
    serve()
