"""One-port correction of complex reflections: open, short and load give the three error terms."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.measure.returnloss import shapes_differ

__all__ = ["OnePortTerms", "one_port_correction", "vector_ratio"]

Complex = NDArray[np.complex128]


def vector_ratio(
    dut: NDArray[np.complexfloating],
    *,
    open_ratio: NDArray[np.complexfloating] | None = None,
    short_ratio: NDArray[np.complexfloating] | None = None,
) -> Complex:
    """S11, (points,) complex, as the plain ratio to a total reflection: dut · 2/(open − short).

    Directivity and source match stay in it. Open alone divides, a short alone with its sign.

    Raises:
        ValueError: neither is given, or shapes differ.
    """
    if open_ratio is None and short_ratio is None:
        raise ValueError("an open or a short reference is needed, better both")
    total: list[Complex] = []
    for name, value, sign in (("open_ratio", open_ratio, 1.0), ("short_ratio", short_ratio, -1.0)):
        if value is not None:
            if np.shape(value) != np.shape(dut):
                raise ValueError(shapes_differ("dut", np.shape(dut), name, np.shape(value)))
            total.append(sign * np.asarray(value, dtype=np.complex128))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.asarray(dut, dtype=np.complex128) * len(total) / sum(total))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OnePortTerms:
    """The three errors of a one-port measurement, complex (points,).

    shown = (e00 − Δ·Γ)/(1 − e11·Γ), with Δ = e00·e11 − e10·e01.
    """

    e00: Complex
    """Directivity."""
    e11: Complex
    """Source match."""
    delta: Complex

    @property
    def tracking(self) -> Complex:
        """e10·e01."""
        return np.asarray(self.e00 * self.e11 - self.delta)

    def corrected(self, shown: NDArray[np.complexfloating]) -> Complex:
        """Γ of the load behind what was ``shown``: (m − e00)/(m·e11 − Δ)."""
        m = np.asarray(shown, dtype=np.complex128)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray((m - self.e00) / (m * self.e11 - self.delta))


def one_port_correction(
    open_shown: NDArray[np.complexfloating],
    short_shown: NDArray[np.complexfloating],
    load_shown: NDArray[np.complexfloating],
    *,
    open_true: ArrayLike = 1.0,
    short_true: ArrayLike = -1.0,
    load_true: ArrayLike = 0.0,
) -> OnePortTerms:
    """The three error terms from three standards, solved exactly at each frequency.

    Args:
        open_shown, short_shown, load_shown: what was read, (points,) complex.
        open_true, short_true, load_true: what the standards are, scalar or (points,). The defaults
            are ideal standards, which real ones are not: a fringing open is wrong in phase, and a
            load that reflects ε leaves a directivity of −ε and a source match of ε behind.

    Returns:
        NaN terms at points where something is not finite.

    Raises:
        ValueError: shapes that differ, or standards that are the same, so that nothing follows.

    Source: derived (each standard gives e00 + Γ·m·e11 − Γ·Δ = m).
    """
    shape = np.shape(open_shown)
    for name, value in {"short_shown": short_shown, "load_shown": load_shown}.items():
        if np.shape(value) != shape:
            raise ValueError(shapes_differ("open_shown", shape, name, np.shape(value)))
    m = np.stack([np.asarray(x, np.complex128) for x in (open_shown, short_shown, load_shown)], -1)
    true = (
        np.broadcast_to(np.asarray(x, np.complex128), shape)
        for x in (open_true, short_true, load_true)
    )
    gamma = np.stack(list(true), -1)
    rows = np.stack([np.ones_like(m), gamma * m, -gamma], -1)
    terms = np.full((*shape, 3), complex(math.nan, math.nan))
    good = np.isfinite(rows).all(axis=(-2, -1)) & np.isfinite(m).all(axis=-1)
    try:
        terms[good] = np.linalg.solve(rows[good], m[good][..., np.newaxis])[..., 0]
    except np.linalg.LinAlgError:
        raise ValueError(
            "the three standards cannot be told apart at some frequency: connect an open, a short "
            "and a load, each in its turn"
        ) from None
    return OnePortTerms(e00=terms[..., 0], e11=terms[..., 1], delta=terms[..., 2])
