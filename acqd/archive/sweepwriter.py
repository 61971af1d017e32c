"""Writing one file of sweeps: netCDF-4 by CF conventions, whole, verified, then renamed.

Layout, for ``ncdump`` and for people: dimensions ``sweep`` and ``frequency`` (``point`` where the
axis is not strictly monotonic, which CF wants of a coordinate); ``level(sweep, frequency)`` packed
with ``scale_factor`` where that is lossless, else as floats, complex levels as ``level_real`` and
``level_imag``; one variable each for what a sweep has besides; the summaries as lines of JSON; the
group ``ledger`` with the findings, gaps, hours and plans of the time. Attributes of CF are bytes of
fixed length, because ``ncdump`` takes no others for units of time.
"""

from __future__ import annotations

import hashlib
import json
from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import Executor, Future
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.cf import (
    ABOUT_CORE,
    ABOUT_HOPS,
    TIMES,
    column_attributes,
    dimension,
    free_name,
    iso_text,
    put,
)
from acqd.archive.codec import block_rows, encode_chunk
from acqd.archive.durable import publish
from acqd.archive.filehead import FileContent, make_axes, make_levels, put_attributes
from acqd.archive.hops import HOP, HOP_COUNT, HOP_NAMES, HopTable
from acqd.archive.layout import temporary_of
from acqd.archive.outfile import OutFile
from acqd.archive.packing import DoesNotFit, Packing, packings
from acqd.archive.rows import CORE, Rows, same_bits, same_hops
from acqd.archive.sweepfile import COLUMN_ATTRIBUTE, SUMMARY_BYTES, SUMMARY_END, SweepFile
from acqd.archive.tables import TAGS
from acqd.errors import ArchiveDamaged
from acqd.sweep import SweepFlag

__all__ = ["FileContent", "write_sweeps"]

FLAT_MOST_BYTES = 2048
"""Up to here a column is stored as it is: a chunk's index would be larger than what it saves."""

COLUMN_CHUNK_ROWS = 16384
TEXT_CHUNK_BYTES = 1 << 18
CHUNKS_IN_FLIGHT = 4


def write_sweeps(
    path: Path,
    content: FileContent,
    *,
    pool: Executor,
    check: Callable[[], None] = lambda: None,
) -> None:
    """Write ``path``, read it back, compare every value with ``content``, and rename it in place.

    Args:
        pool: inflates and deflates beside this thread.
        check: called between blocks; what it raises ends the writing, and nothing is left.

    Raises:
        ArchiveDamaged: what was read back is not what was given; nothing is left.
        OSError: no room, or a broken disk; nothing is left.
    """
    temporary = temporary_of(path)
    try:
        _compare(temporary, _write(temporary, content, pool, check), check)
        publish(path)
    except BaseException:
        with suppress(OSError):
            temporary.unlink()
        raise


def _write(
    temporary: Path, content: FileContent, pool: Executor, check: Callable[[], None]
) -> _Writer:
    """With the first packing that fits all blocks."""
    for packing in packings(content.tag, content.setup.resolution):
        try:
            return _write_packed(temporary, content, packing, pool, check)
        except DoesNotFit:
            continue
    raise AssertionError("the last packing keeps floats as they are, and fits everything")


def _write_packed(
    temporary: Path,
    content: FileContent,
    packing: Packing,
    pool: Executor,
    check: Callable[[], None],
) -> _Writer:
    import h5py

    blocks = content.blocks(_chunk_rows(content))
    first = next(blocks)
    # Found out before a file is made: most candidates fail on the first block.
    packed = [packing.pack(part) for part in _parts(first.level)]
    with OutFile(temporary) as out:
        with h5py.File(out, "w", libver=("earliest", "v110"), track_order=True) as file:
            writer = _Writer(file, content, packing, pool)
            writer.append(first, packed)
            del first, packed
            for block in blocks:
                check()
                out.check()
                writer.append(block, [packing.pack(part) for part in _parts(block.level)])
            check()
            writer.finish()
        out.check()
    return writer


def _compare(temporary: Path, written: _Writer, check: Callable[[], None]) -> None:
    """Every value of the file against what came from the journal, bit for bit.

    Levels by their digests, which were taken before packing; all else by its bytes.
    """
    with SweepFile(temporary) as back:
        differs = written.difference(back)
        for number, digest in enumerate(written.digests):
            check()
            start = number * back.chunk_rows
            level = back.levels(start, min(back.count, start + back.chunk_rows))
            if differs is None and _digest(level) != digest:
                differs = f"level of the {number + 1}. block"
    if differs is not None:
        raise ArchiveDamaged(
            f"{temporary}: {differs} is not what was written; "
            f"the source is kept, check the disk and the memory"
        )


def _chunk_rows(content: FileContent) -> int:
    points = content.setup.frequency_hz.size
    return min(content.count, block_rows(points, np.dtype(TAGS[content.tag]).itemsize))


def _parts(level: NDArray[Any]) -> list[NDArray[Any]]:
    return [level.real, level.imag] if np.iscomplexobj(level) else [level]


def _digest(level: NDArray[Any]) -> str:
    return hashlib.sha256(np.ascontiguousarray(level).view(np.uint8).data).hexdigest()


class _Writer:
    """The file while it is being written; the caller opens and closes it."""

    def __init__(self, file: Any, content: FileContent, packing: Packing, pool: Executor) -> None:
        self._file = file
        self._content = content
        self._pool = pool
        self._rows = _chunk_rows(content)
        self._start = 0
        self._waiting: deque[tuple[Any, int, Future[bytes]]] = deque()
        self.digests: list[str] = []
        self._parts: dict[str, list[NDArray[Any]]] = {name: [] for name in CORE}
        self._core: dict[str, NDArray[Any]] = {}
        self._columns: dict[str, list[NDArray[np.float64]]] = {}
        self._names: dict[str, dict[str, int]] = {"run": {}, "boot": {}}
        self._index: dict[str, list[int]] = {"run": [], "boot": []}
        self._text = bytearray()
        self._text_done = 0
        self._text_ends: list[int] = []
        self._text_set: Any = None
        self._text_digest = hashlib.sha256()
        self._hop_parts: list[HopTable | None] = []
        self._sizes: list[int] = []
        self._hops: HopTable | None = None
        put_attributes(file.attrs, content)
        point = make_axes(file, content)
        self._levels = make_levels(file, content, packing, point=point, rows=self._rows)

    # -- block by block -------------------------------------------------------------------------

    def append(self, rows: Rows, packed: Iterable[NDArray[Any]]) -> None:
        """One chunk of sweeps. ``packed`` is what is stored for each of the level variables."""
        for dataset, block in zip(self._levels, packed, strict=True):
            if block.shape[0] < self._rows:
                full = np.zeros((self._rows, block.shape[1]), dtype=block.dtype)
                full[: block.shape[0]] = block
                block = full
            self._send(dataset, self._start, self._pool.submit(encode_chunk, block))
        self.digests.append(_digest(rows.level))
        for name in CORE:
            self._parts[name].append(rows.core[name])
        for name in rows.columns:
            if name not in self._columns:
                self._columns[name] = [np.full(self._start, np.nan)] if self._start else []
        for name, parts in self._columns.items():
            parts.append(rows.columns.get(name, np.full(rows.count, np.nan)))
        for what, values in (("run", rows.run), ("boot", rows.boot)):
            names = self._names[what]
            self._index[what] += [names.setdefault(value, len(names)) for value in values]
        self._add_summaries(rows.summary)
        self._hop_parts.append(rows.hops)
        self._sizes.append(rows.count)
        self._start += rows.count

    def _send(self, dataset: Any, start: int, chunk: Future[bytes]) -> None:
        self._waiting.append((dataset, start, chunk))
        while len(self._waiting) > CHUNKS_IN_FLIGHT:
            self._write_one()

    def _write_one(self) -> None:
        dataset, start, chunk = self._waiting.popleft()
        place = (start,) if dataset.ndim == 1 else (start, 0)
        dataset.id.write_direct_chunk(place, chunk.result())

    def _add_summaries(self, texts: list[bytes | None]) -> None:
        for text in texts:
            if text is not None:
                self._text += text + b"\n"
            self._text_ends.append(self._text_done + len(self._text))
        while len(self._text) >= TEXT_CHUNK_BYTES:
            self._flush_text(TEXT_CHUNK_BYTES)

    def _flush_text(self, size: int) -> None:
        """Write the next ``size`` bytes of text; a chunk that is not full ends the text."""
        if self._text_set is None:
            self._text_set = self._file.create_dataset(
                SUMMARY_BYTES,
                shape=(0,),
                maxshape=(None,),
                dtype="u1",
                chunks=(TEXT_CHUNK_BYTES,),
                compression="gzip",
                compression_opts=6,
            )
        block = np.zeros(TEXT_CHUNK_BYTES, dtype=np.uint8)
        block[:size] = np.frombuffer(self._text[:size], dtype=np.uint8)
        self._text_digest.update(block[:size].data)
        self._text_set.resize((self._text_done + size,))
        self._text_set.id.write_direct_chunk((self._text_done,), encode_chunk(block))
        self._text_done += size
        del self._text[:size]

    # -- at the end -----------------------------------------------------------------------------

    def finish(self) -> None:
        """All that is known only now. The caller closes the file."""
        self._core = core = {name: np.concatenate(self._parts.pop(name)) for name in CORE}
        for name, values in core.items():
            self._core_variable(name, values)
        self._name_variables()
        self._finish_hops()
        taken = {*self._file.keys(), *HOP_NAMES}
        for name, parts in self._columns.items():
            variable = self._column(free_name(name, taken), np.concatenate(parts))
            put(variable.attrs, COLUMN_ATTRIBUTE, name)
            for key, text in column_attributes(name, self._content.setup.details).items():
                put(variable.attrs, key, text)
            put(variable.attrs, "coordinates", "time sequence")
        self._finish_summaries()
        self._finish_digests()
        self._ledger()
        attrs = self._file.attrs
        attrs["first_sequence"] = np.int64(core["sequence"][0])
        attrs["last_sequence"] = np.int64(core["sequence"][-1])
        put(attrs, "time_coverage_start", iso_text(float(core["time"].min())))
        put(attrs, "time_coverage_end", iso_text(float((core["time"] + core["duration"]).max())))
        while self._waiting:
            self._write_one()

    def difference(self, back: SweepFile) -> str | None:
        """Name of the first thing besides levels in which the file differs from what it was given.

        Only after :meth:`finish`.
        """
        if back.count != self._content.count or self._start != self._content.count:
            return "number of sweeps"
        if back.digests() != self.digests:
            return "level_digest"
        for name, values in self._core.items():
            if not same_bits(back.core(name), values):
                return name
        columns = back.columns()
        for name, parts in self._columns.items():
            if name not in columns or not same_bits(columns[name], np.concatenate(parts)):
                return f"column {name}"
        for what, places in self._index.items():
            names = np.array(list(self._names[what]), dtype=object)
            if not np.array_equal(back.names_of(what), names[np.array(places)]):
                return what
        if self._text_set is not None and (
            back.summary_ends().tolist() != self._text_ends
            or back.summary_digest() != self._text_digest.hexdigest()
        ):
            return SUMMARY_BYTES
        return None if same_hops(back.hops(), self._hops) else HOP_COUNT

    def _core_variable(self, name: str, values: NDArray[Any]) -> None:
        variable = self._column(name, values)
        for key, text in ABOUT_CORE[name].items():
            put(variable.attrs, key, text)
        if name == "time":
            put(variable.attrs, "axis", "T")
        if name == "flags":
            flags = list(SweepFlag)
            variable.attrs["flag_masks"] = np.array([int(flag) for flag in flags], dtype="<i4")
            meanings = " ".join(str(flag.name).lower() for flag in flags)
            put(variable.attrs, "flag_meanings", meanings)

    def _name_variables(self) -> None:
        for what in ("run", "boot"):
            variable = self._column(what, np.array(self._index[what], dtype="<i4"))
            put(variable.attrs, "long_name", f"place in the attribute {what}_ids, from 0")
            put(variable.attrs, "units", "1")
            self._file.attrs[f"{what}_ids"] = json.dumps(list(self._names[what]))

    def _finish_hops(self) -> None:
        """Hops as a contiguous ragged array (CF conventions 9.3.3), where there are any.

        The file has no featureType: its levels are no discrete sampling geometry.
        """
        hops = self._hops = HopTable.join(self._hop_parts, self._sizes)
        self._hop_parts.clear()
        if hops is None:
            return
        count = self._column(HOP_COUNT, hops.count)
        put(count.attrs, "long_name", "number of hops that the sweep was taken in; 0: in one go")
        put(count.attrs, "units", "1")
        put(count.attrs, "sample_dimension", "hop")
        dimension(self._file, "hop", hops.table.size)
        for name, about in ABOUT_HOPS.items():
            variable = self._column(f"hop_{name}", hops.column(name), along="hop")
            for key, text in about.items():
                put(variable.attrs, key, text)
        variable.attrs["flag_values"] = np.array([0, 1], dtype=HOP["ok"])
        put(variable.attrs, "flag_meanings", "failed taken")

    def _column(self, name: str, values: NDArray[Any], *, along: str = "sweep") -> Any:
        """A variable of one number a sweep, or for each of what there is ``along``."""
        packed = values.nbytes > FLAT_MOST_BYTES
        rows = min(values.size, COLUMN_CHUNK_ROWS)
        options = {"chunks": (rows,), "shuffle": True, "compression": "gzip"} if packed else {}
        variable = self._file.create_dataset(name, values.shape, dtype=values.dtype, **options)
        if packed:
            for start in range(0, values.size, rows):
                block = np.zeros(rows, dtype=values.dtype)
                part = values[start : start + rows]
                block[: part.size] = part
                self._send(variable, start, self._pool.submit(encode_chunk, block))
        else:
            variable[...] = values
        variable.dims[0].attach_scale(self._file[along])
        if name in TIMES:
            put(variable.attrs, "units", "seconds since 1970-01-01T00:00:00Z")
            put(variable.attrs, "calendar", "standard")
            put(variable.attrs, "units_metadata", "leap_seconds: none")
        return variable

    def _finish_summaries(self) -> None:
        if self._text:
            self._flush_text(len(self._text))
        if self._text_set is None:
            return
        byte = dimension(self._file, "byte", self._text_done)
        self._text_set.dims[0].attach_scale(byte)
        put(self._text_set.attrs, "long_name", "summaries, one line of JSON each, in UTF-8")
        put(self._text_set.attrs, "units", "1")
        ends = self._column(SUMMARY_END, np.array(self._text_ends, dtype="<i8"))
        put(ends.attrs, "long_name", f"where the line of a sweep ends in {SUMMARY_BYTES}")
        put(ends.attrs, "units", "1")

    def _finish_digests(self) -> None:
        block = dimension(self._file, "digest_block", len(self.digests))
        digest = self._strings(self._file, "level_digest", self.digests)
        digest.dims[0].attach_scale(block)
        put(
            digest.attrs,
            "long_name",
            "SHA-256 of the levels of each block of sweeps, unpacked, little endian, row by row",
        )
        digest.attrs["sweeps_per_block"] = np.int32(self._rows)
        digest.attrs["type"] = self._content.tag

    def _ledger(self) -> None:
        tables = {name: rows for name, rows in self._content.ledger.items() if rows}
        if not tables:
            return
        group = self._file.create_group("ledger", track_order=True)
        put(group.attrs, "comment", "rows of the ledger of this file's time, one JSON array each")
        group.attrs["tables"] = json.dumps(list(tables))
        for name, rows in tables.items():
            scale = dimension(group, name, len(rows))
            texts = [json.dumps(row, ensure_ascii=False) for row in rows]
            self._strings(group, name + "_json", texts).dims[0].attach_scale(scale)

    @staticmethod
    def _strings(group: Any, name: str, texts: list[str]) -> Any:
        import h5py

        return group.create_dataset(
            name, data=np.array(texts, dtype=object), dtype=h5py.string_dtype()
        )
