"""A report of an archive that is damaged says so, counts it, and shows all the rest."""

from __future__ import annotations

import warnings
from pathlib import Path
from types import ModuleType

import pytest

from acqd.archive.damage import DamageWarning
from acqd.report.gather import gather
from acqd.report.page import html
from acqd.report.source import DAMAGED


def _flip(path: Path, at: int) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 0xFF
    path.write_bytes(data)


def _chunk(path: Path, number: int) -> int:
    import h5py

    with h5py.File(path, "r") as file:
        return int(file["level"].id.get_chunk_info(number).byte_offset) + 40


@pytest.mark.parametrize("spoil", ["a block", "the head", "missing"])
def test_what_cannot_be_read_is_counted_and_said(
    nights: ModuleType, tmp_path: Path, spoil: str
) -> None:
    """One file of two; or one block of a file, the others of which are shown."""
    one = nights.Night(tmp_path)
    one.run(600, lambda number: one.noise())
    (path,) = one.root.glob("sweeps/*/*/*.nc")
    lost = 600
    if spoil == "a block":
        import h5py

        with h5py.File(path, "r") as file:
            lost = int(file["level"].chunks[0])
        assert lost < 600
        _flip(path, _chunk(path, 0))
    elif spoil == "the head":
        _flip(path, 60)
    else:
        path.unlink()
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        report = gather(one.root, start_s=one.start_s, stop_s=one.start_s + 1e5)
        page = html(report)
    (job,) = report.jobs
    assert job.coverage.missed[DAMAGED] == lost
    assert (job.coverage.stored, job.coverage.due) == (600 - lost, 600)
    assert job.limits[0].startswith(f"{lost} sweeps cannot be read and are in nothing here")
    assert path.name in page
    warned = [one for one in said if issubclass(one.category, DamageWarning)]
    assert bool(warned) == (spoil != "missing")
