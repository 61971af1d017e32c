"""Levels that are read when they are looked at, for xarray; Dask may be used and is not needed.

Holds no open file, so it can be pickled and sent to another process on the same archive.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from xarray.backends import BackendArray
from xarray.core import indexing

from acqd.archive.index import Piece, Wanted, find_pieces, read_levels, retried
from acqd.archive.kept import kept_between, removed_text
from acqd.errors import ArchiveError

__all__ = ["LevelArray"]


class LevelArray(BackendArray):
    """(sweep, frequency) levels over the pieces of one question.

    ``order`` brings the pieces' sweeps, one piece after the other, into the order of the array.
    With ``far_end`` each sweep's own chain gain is taken off, in float64.
    """

    def __init__(
        self, wanted: Wanted, pieces: list[Piece], order: NDArray[np.intp], *, far_end: bool
    ) -> None:
        self._wanted = wanted
        self._far_end = far_end
        self._set_pieces(pieces, order)
        dtype: np.dtype[Any] = np.result_type(*(np.dtype(piece.tag) for piece in pieces))
        if far_end:
            dtype = np.result_type(dtype, np.float64)
        self.dtype = dtype.newbyteorder("=")
        self.shape = (order.size, pieces[0].setup.frequency_hz.size)

    def _set_pieces(self, pieces: list[Piece], order: NDArray[np.intp]) -> None:
        self._pieces = pieces
        sizes = [piece.place.size for piece in pieces]
        self._piece = np.repeat(np.arange(len(pieces)), sizes)[order]
        self._row = np.concatenate([np.arange(size) for size in sizes])[order]
        self._sequence = np.concatenate([piece.sequence for piece in pieces])[order]

    def __getitem__(self, key: indexing.ExplicitIndexer) -> Any:
        return indexing.explicit_indexing_adapter(
            key, self.shape, indexing.IndexingSupport.OUTER, self._outer
        )

    def _outer(self, key: tuple[Any, ...]) -> NDArray[Any]:
        rows_key, points_key = key
        rows = np.atleast_1d(np.arange(self.shape[0])[rows_key])
        block = retried(f"job {self._wanted.job}", lambda: self._read(rows))
        if isinstance(rows_key, int | np.integer):
            return np.asarray(block[0][points_key])
        return np.asarray(block[:, points_key])

    def _read(self, rows: NDArray[np.intp]) -> NDArray[Any]:
        try:
            return self._read_once(rows)
        except FileNotFoundError:
            self._find_again()
            raise

    def _read_once(self, rows: NDArray[np.intp]) -> NDArray[Any]:
        out = np.empty((rows.size, self.shape[1]), dtype=self.dtype)
        owners = self._piece[rows]
        for number in np.unique(owners).tolist():
            piece = self._pieces[number]
            here = np.flatnonzero(owners == number)
            which = self._row[rows[here]]
            whole = here.size == rows.size and out.dtype == np.dtype(piece.tag)
            part = out if whole else np.empty((here.size, self.shape[1]), dtype=piece.tag)
            read_levels(piece, which, part)
            if self._far_end and piece.setup.chain_gain_db is not None:
                out[here] = _at_far_end(part, piece.setup.chain_gain_db)
            elif not whole:
                out[here] = part
        return out

    def _find_again(self) -> None:
        """A file is gone: its sweeps are in another now, under the same numbers."""
        pieces = find_pieces(self._wanted)
        for piece in pieces:
            piece.keep(np.isin(piece.sequence, self._sequence))
        pieces = [piece for piece in pieces if piece.place.size]
        found = np.concatenate([piece.sequence for piece in pieces] or [np.empty(0, np.int64)])
        order = np.argsort(found, kind="stable")
        if not np.array_equal(found[order], np.sort(self._sequence)):
            self._say_removed()
            raise FileNotFoundError(f"sweeps of job {self._wanted.job}")
        ranks = np.argsort(np.argsort(self._sequence, kind="stable"), kind="stable")
        self._set_pieces(pieces, order[ranks])

    def _say_removed(self) -> None:
        """Raises ArchiveError where retention has removed some of the sweeps since."""
        wanted, low, high = self._wanted, int(self._sequence.min()), int(self._sequence.max())
        removed = [
            rows
            for rows in kept_between(wanted.root, wanted.job, -np.inf, np.inf)
            if rows.step == wanted.step and rows.first_seq <= high and rows.last_seq >= low
        ]
        if removed:
            raise ArchiveError(f"{wanted.root}: job {wanted.job}: {removed_text(removed)}")


def _at_far_end(level: NDArray[Any], gain_db: NDArray[np.float64]) -> NDArray[Any]:
    """Levels with the chain taken out; of complex ratios the magnitude, for it has no phase."""
    if np.iscomplexobj(level):
        return np.asarray(level * 10.0 ** (-gain_db / 20.0))
    return np.asarray(level - gain_db)
