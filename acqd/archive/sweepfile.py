"""Reading one write-once file of sweeps, by direct chunks where that is faster.

The levels come back as the canonical values that were measured: integers times the step, rounded
once to float32, or the floats as they are. h5py is imported when the first file is opened.
"""

from __future__ import annotations

import functools
import hashlib
import json
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Any, Concatenate, ParamSpec, TypeVar

import numpy as np
from numpy.typing import NDArray

from acqd.archive.codec import BLOCK_BYTES, decode_chunk
from acqd.archive.heads import check_head
from acqd.archive.hops import HOP, HOP_COUNT, HOP_FIELDS, HopTable
from acqd.archive.layout import SCHEMA_VERSION
from acqd.archive.packing import Packing
from acqd.archive.records import SetupRecord
from acqd.archive.rows import CORE, Rows
from acqd.archive.tables import TAGS
from acqd.errors import ArchiveDamaged

__all__ = ["COLUMN_ATTRIBUTE", "SUMMARY_BYTES", "SUMMARY_END", "SweepFile"]

COLUMN_ATTRIBUTE = "summary_column"
"""Marks a variable as a summary's column, and holds the column's own name."""

CHUNKS_FOR_THREADS = 4
CHUNKS_IN_FLIGHT = 4

DEFLATED_MOST = 1040
"""No DEFLATE stream gives more bytes than about so many times its own (1032, and some to spare): a
file that says it holds more says something wrong."""

SUMMARY_BYTES = "summary_json"
SUMMARY_END = "summary_json_end"


P = ParamSpec("P")
T = TypeVar("T")

GARBAGE = (
    ArithmeticError,
    AttributeError,
    LookupError,
    MemoryError,
    OSError,
    RuntimeError,
    TypeError,
    ValueError,
)
"""What h5py, numpy and json raise over a file that is not what it was."""


def _reading(
    method: Callable[Concatenate[SweepFile, P], T],
) -> Callable[Concatenate[SweepFile, P], T]:
    """A method whose errors are the file's, by its name."""

    @functools.wraps(method)
    def guarded(self: SweepFile, /, *args: P.args, **kwargs: P.kwargs) -> T:
        try:
            return method(self, *args, **kwargs)
        except GARBAGE as exc:
            raise ArchiveDamaged(
                f"{self.path}: cannot be read ({type(exc).__name__}: {exc})"
            ) from exc

    return guarded


@dataclass(frozen=True, slots=True)
class _Stored:
    """How the chunks of one level variable are held."""

    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    packing: Packing

    @classmethod
    def of(cls, dataset: Any) -> _Stored:
        step = dataset.attrs.get("scale_factor")
        packing = Packing() if step is None else Packing(float(step), dataset.dtype.itemsize)
        return cls(dataset.chunks, dataset.dtype, packing)


class SweepFile:
    """One segment or volume, open for reading. A context manager."""

    def __init__(self, path: Path, *, unseen: bool = False) -> None:
        """Raises FileNotFoundError, or ArchiveDamaged where it is not a file of ours.

        Args:
            unseen: do not hold it against its manifest first; for who can bear what HDF5 makes of
                a damaged file.
        """
        self.path = path
        try:
            if not unseen:
                check_head(path)
            self._file = _opened(path)
        except FileNotFoundError:
            raise
        except (OSError, RuntimeError) as exc:
            raise ArchiveDamaged(f"{path}: not a whole HDF5 file ({exc})") from exc
        try:
            version = int(self._file.attrs["acqd_schema"])
            if version != SCHEMA_VERSION:
                raise ArchiveDamaged(f"{path}: schema {version}, this acqd reads {SCHEMA_VERSION}")
            self.count = int(self._file["sequence"].shape[0])
            self.tag = _text(self._file.attrs["level_type"])
            self._cache: tuple[int, NDArray[Any]] | None = None
            self._stored: list[_Stored] | None = None
            self._hop_count: NDArray[np.int32] | None = None
            self._check_shapes()
        except GARBAGE as exc:
            self._file.close()
            raise ArchiveDamaged(f"{path}: not a file of sweeps ({exc})") from exc
        except BaseException:
            self._file.close()
            raise

    def _check_shapes(self) -> None:
        """Raises ValueError where variables do not fit each other, or cannot be in this file."""
        if not 0 < self.count <= self.path.stat().st_size * DEFLATED_MOST // 8:
            raise ValueError(f"{self.count} sweeps")
        for name in CORE:
            if self._file[name].shape != (self.count,) or self._file[name].dtype != CORE[name]:
                raise ValueError(f"{name} is not one number a sweep")
        if self.tag not in TAGS:
            raise ValueError(f"levels of type {self.tag!r}")
        for level in self._level_names():
            if level.shape != (self.count, *self._file["frequency"].shape):
                raise ValueError("levels do not fit sweeps and frequencies")
            rows, points = level.chunks
            most = max(BLOCK_BYTES // level.dtype.itemsize, points)
            if points != level.shape[1] or not 0 < rows * points <= most:
                raise ValueError("levels in blocks of another size")

    def __enter__(self) -> SweepFile:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        self._file.close()

    @_reading
    def attribute(self, name: str) -> Any:
        """A global attribute, text as str; None where it is not there."""
        value = self._file.attrs.get(name)
        return _text(value) if isinstance(value, bytes | str) else value

    @_reading
    def setup(self) -> SetupRecord:
        """The setup of all its sweeps."""
        resolution = self.attribute("resolution")
        gain = self._file.get("chain_gain")
        return SetupRecord(
            setup=self.attribute("setup"),
            job=self.attribute("job"),
            step=int(self.attribute("step")),
            sweeper=self.attribute("sweeper") or "",
            kind=self.attribute("kind") or "",
            frequency_hz=self._file["frequency"][...],
            unit=self.attribute("level_unit"),
            resolution=None if resolution is None else float(resolution),
            chain_gain_db=None if gain is None else gain[...],
            details=json.loads(self.attribute("details_json")),
        )

    @_reading
    def core(self, name: str) -> NDArray[Any]:
        """One of :data:`~acqd.archive.rows.CORE`, whole."""
        values: NDArray[Any] = self._file[name][...]
        return values

    @_reading
    def columns(self) -> dict[str, NDArray[np.float64]]:
        """The summaries' columns by their own names, whole."""
        return {
            _text(variable.attrs[COLUMN_ATTRIBUTE]): variable[...]
            for variable in self._file.values()
            if COLUMN_ATTRIBUTE in variable.attrs
        }

    @property
    def chunk_rows(self) -> int:
        """Sweeps a chunk."""
        return int(self._level_names()[0].chunks[0])

    @property
    def points(self) -> int:
        return int(self._level_names()[0].shape[1])

    @_reading
    def levels(self, start: int, stop: int) -> NDArray[Any]:
        """Canonical levels of sweeps ``start`` to ``stop`` (not included), (stop − start, points).

        Raises:
            ArchiveDamaged: a chunk cannot be inflated.
        """
        rows = self.chunk_rows
        out = np.empty((stop - start, self.points), dtype=TAGS[self.tag])
        for chunk in range(start // rows, -(-stop // rows)):
            block = self._block(chunk)
            low, high = max(start, chunk * rows), min(stop, (chunk + 1) * rows)
            out[low - start : high - start] = block[low - chunk * rows : high - chunk * rows]
        return out

    @_reading
    def levels_at(self, rows: NDArray[np.int64], out: NDArray[Any]) -> None:
        """Canonical levels of the sweeps ``rows``, in any order, into ``out`` (rows, points).

        Many chunks are inflated by two threads: HDF5 only hands them over, one after the other.
        """
        chunk_rows = self.chunk_rows
        owner = rows // chunk_rows
        chunks = np.unique(owner).tolist()

        def fill(chunk: int, stored: list[tuple[_Stored, bytes]]) -> None:
            here = np.flatnonzero(owner == chunk)
            block = self._decode(stored)
            out[here] = block[rows[here] - chunk * chunk_rows]

        if len(chunks) < CHUNKS_FOR_THREADS:
            for chunk in chunks:
                fill(chunk, self._fetch(chunk))
            return
        with ThreadPoolExecutor(2, thread_name_prefix="acqd-inflate") as pool:
            waiting: deque[Future[None]] = deque()
            for chunk in chunks:
                waiting.append(pool.submit(fill, chunk, self._fetch(chunk)))
                if len(waiting) > CHUNKS_IN_FLIGHT:
                    waiting.popleft().result()
            for future in waiting:
                future.result()

    @_reading
    def names_of(self, what: str) -> NDArray[Any]:
        """The run or boot of each sweep, (sweeps,) of str."""
        names = np.array(self._names(f"{what}_ids"), dtype=object)
        return np.asarray(names[self._file[what][...]])

    @_reading
    def rows(self, start: int, stop: int) -> Rows:
        """Everything about sweeps ``start`` to ``stop`` (not included)."""
        runs, boots = self._names("run_ids"), self._names("boot_ids")
        file = self._file
        return Rows(
            core={name: file[name][start:stop] for name in CORE},
            run=[runs[i] for i in file["run"][start:stop].tolist()],
            boot=[boots[i] for i in file["boot"][start:stop].tolist()],
            level=self.levels(start, stop),
            columns={
                _text(variable.attrs[COLUMN_ATTRIBUTE]): variable[start:stop]
                for variable in file.values()
                if COLUMN_ATTRIBUTE in variable.attrs
            },
            summary=self.summaries(start, stop),
            hops=self.hops(start, stop),
        )

    @_reading
    def hops(self, start: int = 0, stop: int | None = None) -> HopTable | None:
        """Hops of sweeps ``start`` to ``stop`` (not included); None where none was taken in any.

        Raises:
            ArchiveDamaged: the counts do not add up to the hops that there are.
        """
        if HOP_COUNT not in self._file:
            return None
        if self._hop_count is None:
            count = self._file[HOP_COUNT][...]
            there = self._file["hop_ok"].shape[0]
            if count.sum() != there:
                raise ArchiveDamaged(f"{self.path}: {there} hops, expected {count.sum()}")
            self._hop_count = count
        count = self._hop_count[start:stop]
        first = int(self._hop_count[:start].sum())
        last = first + int(count.sum())
        if last == first:
            return None
        table = np.empty(last - first, dtype=HOP)
        for name in HOP_FIELDS:
            table[name] = self._file[f"hop_{name}"][first:last]
        return HopTable(count, table)

    def blocks(self) -> Iterator[Rows]:
        """Everything, a chunk at a time."""
        for start in range(0, self.count, self.chunk_rows):
            yield self.rows(start, min(self.count, start + self.chunk_rows))

    @_reading
    def ledger(self) -> dict[str, list[Any]]:
        """What was copied from the ledger into this file: table name to rows."""
        group = self._file.get("ledger")
        if group is None:
            return {}
        tables = json.loads(_text(group.attrs["tables"]))
        return {
            name: [json.loads(_text(text)) for text in group[name + "_json"][...]]
            for name in tables
        }

    @_reading
    def digests(self) -> list[str]:
        """SHA-256 of the raw levels of each block of ``chunk_rows`` sweeps."""
        return [_text(value) for value in self._file["level_digest"][...]]

    @_reading
    def block_digest(self, start: int, stop: int) -> str:
        """SHA-256 of the levels of sweeps ``start`` to ``stop`` (not included) as they are read."""
        return hashlib.sha256(
            np.ascontiguousarray(self.levels(start, stop)).view("u1").data
        ).hexdigest()

    @_reading
    def summary_ends(self) -> NDArray[np.int64]:
        """Where the line of each sweep ends; empty in a file without summaries."""
        if SUMMARY_END not in self._file:
            return np.empty(0, dtype=np.int64)
        ends: NDArray[np.int64] = self._file[SUMMARY_END][...]
        return ends

    @_reading
    def summary_digest(self) -> str:
        """SHA-256 of all summaries' lines."""
        state = hashlib.sha256()
        text = self._file[SUMMARY_BYTES]
        for start in range(0, text.shape[0], text.chunks[0]):
            state.update(text[start : start + text.chunks[0]].data)
        return state.hexdigest()

    def _level_names(self) -> list[Any]:
        file = self._file
        return [file["level"]] if "level" in file else [file["level_real"], file["level_imag"]]

    def _block(self, chunk: int) -> NDArray[Any]:
        if self._cache is None or self._cache[0] != chunk:
            self._cache = (chunk, self._decode(self._fetch(chunk)))
        return self._cache[1]

    def _fetch(self, chunk: int) -> list[tuple[_Stored, bytes]]:
        """A chunk as it lies in the file, for each level variable."""
        if self._stored is None:
            self._stored = [_Stored.of(dataset) for dataset in self._level_names()]
        place = (chunk * self._stored[0].shape[0], 0)
        return [
            (stored, dataset.id.read_direct_chunk(place)[1])
            for stored, dataset in zip(self._stored, self._level_names(), strict=True)
        ]

    def _decode(self, fetched: list[tuple[_Stored, bytes]]) -> NDArray[Any]:
        """Levels of a chunk. Touches no file, so it may run in any thread."""
        try:
            parts = [
                stored.packing.unpack(decode_chunk(data, stored.shape, stored.dtype))
                for stored, data in fetched
            ]
        except ArchiveDamaged as exc:
            raise ArchiveDamaged(f"{self.path}: {exc}") from exc
        if len(parts) == 1:
            return parts[0]
        block = np.empty(parts[0].shape, dtype=TAGS[self.tag])
        block.real, block.imag = parts
        return block

    def _names(self, attribute: str) -> list[str]:
        names: list[str] = json.loads(self.attribute(attribute))
        return names

    @_reading
    def summaries(self, start: int, stop: int) -> list[bytes | None]:
        """The summaries of sweeps ``start`` to ``stop`` (not included), each as JSON in UTF-8."""
        if SUMMARY_END not in self._file or stop <= start:
            return [None] * (stop - start)
        ends = self._file[SUMMARY_END][max(0, start - 1) : stop].tolist()
        if start == 0:
            ends.insert(0, 0)
        text = self._file[SUMMARY_BYTES][ends[0] : ends[-1]].tobytes()
        base = ends[0]
        # Each is a line of its own; a sweep without a summary has not even the line's end.
        return [text[a - base : b - base - 1] if b > a else None for a, b in pairwise(ends)]


def _text(value: Any) -> str:
    return value.decode() if isinstance(value, bytes) else str(value)


def _opened(path: Path) -> Any:
    """The file for reading, without a lock: it is never written again, and a network may not lock.

    HDF5 refuses that while this process has it open with a lock, as other readers open it; it is
    then opened as they did.
    """
    import h5py

    try:
        return h5py.File(path, "r", locking=False)
    except FileNotFoundError:
        raise
    except OSError:
        for locking in (True, "best-effort"):
            try:
                return h5py.File(path, "r", locking=locking)
            except OSError:
                continue
        raise
