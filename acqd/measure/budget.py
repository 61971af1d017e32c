"""Uncertainty budgets by JCGM 100:2008 (the GUM): parts, their shapes, and U.

A budget is a row of components. Each has a half-width, the shape of the distribution within it,
and a sensitivity c; its standard uncertainty u is the half-width over the shape's divisor. The
components are independent, so that (JCGM 100 5.1.2 and 6.2.1, as in the NIST/SEMATECH e-Handbook
2.5.7)

    u_combined = √Σ(cᵢ·uᵢ)²        U = k·u_combined, k = 2 for about 95 %

k = 2 covers 95 % where no single part rules. Where one rectangular or U-shaped part makes up nearly
all of it, U covers more (up to 100 %): it errs to the wide side. Few repeats would make it too
narrow; they are widened by Student's t (:func:`student_factor`).

Every component says what would shrink it, and whether anybody stated it. What is usual in levels is
put together in :mod:`acqd.measure.uncertainty`.

Limits: parts are taken as independent (two pads of one make may share an error); small errors, so
that dB add linearly (±3 dB is +41 and −29 % of a voltage: see :func:`db_from_relative`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from acqd.measure.statistics import DB_PER_NEPER
from acqd.measure.student import student_quantile
from acqd.measure.words import number_text

__all__ = [
    "Budget",
    "Component",
    "Shape",
    "Share",
    "db_from_relative",
    "decimals_for",
    "figure_text",
    "mismatch_limits_db",
    "reflection_behind_pad",
    "reflection_of_vswr",
    "student_factor",
]

COVERAGE_OF_TWO = math.erf(math.sqrt(2.0))
"""What ±2 standard deviations of a normal distribution hold: 0.9545."""


class Shape(StrEnum):
    """Distribution within ± the half-width (JCGM 100 4.3), and what it is divided by."""

    NORMAL = "normal"
    """The half-width is an expanded uncertainty at k = 2; divisor 2."""
    RECTANGULAR = "rectangular"
    """Limits, nothing known in between: a maker's specification; divisor √3."""
    TRIANGULAR = "triangular"
    """Limits, the middle likelier: the sum of two equal rectangular ones; divisor √6."""
    U_SHAPED = "u-shaped"
    """A sine of unknown phase: mismatch; divisor √2."""
    STEP = "step"
    """Half a step of a display: rectangular, so that a step q gives q/√12."""

    @property
    def divisor(self) -> float:
        return _DIVISORS[self]


_DIVISORS = {
    Shape.NORMAL: 2.0,
    Shape.RECTANGULAR: math.sqrt(3.0),
    Shape.TRIANGULAR: math.sqrt(6.0),
    Shape.U_SHAPED: math.sqrt(2.0),
    Shape.STEP: math.sqrt(3.0),
}


def student_factor(count: int) -> float:
    """Student's t for 95.45 % with ``count`` − 1 degrees of freedom: what stands for k = 2.

    13.97 for 2 readings, 2.32 for 10, 2.0 for many (JCGM 100 G.3, table G.2, from memory).

    Raises:
        ValueError: fewer than 2 readings.
    """
    if count < 2:
        raise ValueError(f"a standard deviation needs at least 2 readings, got {count}")
    return student_quantile(0.5 + COVERAGE_OF_TWO / 2.0, count - 1)


# --- components -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One part of a budget. ``name`` says what it is, ``shrink`` what could be done about it.

    ``half_width`` times ``sensitivity`` is in the budget's unit; ``unit`` names that of the
    half-width where it is another one (kelvin, with a sensitivity in dB per kelvin). ``assumed``:
    nobody stated it. ``count``: readings behind a type A component.

    Raises:
        ValueError: a half-width that is negative or not finite, or a sensitivity that is not.
    """

    name: str
    half_width: float
    shape: Shape
    sensitivity: float = 1.0
    assumed: bool = False
    shrink: str = ""
    unit: str | None = None
    count: int | None = None

    def __post_init__(self) -> None:
        if not (self.half_width >= 0 and math.isfinite(self.half_width)):
            raise ValueError(
                f"uncertainty of {self.name!r}: half_width must be finite and not below 0, "
                f"got {self.half_width}"
            )
        if not math.isfinite(self.sensitivity):
            raise ValueError(
                f"uncertainty of {self.name!r}: sensitivity must be finite, got {self.sensitivity}"
            )

    @property
    def u(self) -> float:
        """Standard uncertainty, in the unit of the half-width."""
        return self.half_width / self.shape.divisor

    @property
    def contribution(self) -> float:
        """|c|·u: standard uncertainty in the budget's unit."""
        return abs(self.sensitivity) * self.u

    @classmethod
    def from_limits(
        cls,
        name: str,
        half_width: float,
        *,
        shape: Shape = Shape.RECTANGULAR,
        assumed: bool = False,
        shrink: str = "",
    ) -> Component:
        """Within ± ``half_width``, and nothing known of where (JCGM 100 4.3.7)."""
        return cls(name=name, half_width=half_width, shape=shape, assumed=assumed, shrink=shrink)

    @classmethod
    def from_expanded(
        cls, name: str, expanded: float, *, k: float = 2.0, assumed: bool = False, shrink: str = ""
    ) -> Component:
        """A certificate's U at its ``k`` (JCGM 100 4.3.3). Raises ValueError for k ≤ 0."""
        if not k > 0:
            raise ValueError(f"uncertainty of {name!r}: k must be above 0, got {k}")
        half_width = expanded * (2.0 / k)
        return cls(
            name=name, half_width=half_width, shape=Shape.NORMAL, assumed=assumed, shrink=shrink
        )

    @classmethod
    def from_standard(
        cls,
        name: str,
        u: float,
        *,
        count: int | None = None,
        assumed: bool = False,
        shrink: str = "",
    ) -> Component:
        """A standard uncertainty; from ``count`` readings where that is type A (JCGM 100 4.2).

        With ``count`` it is widened by t/2 (:func:`student_factor`), so that k = 2 goes on
        covering 95 %: 1.16 for 10 readings, 7 for two (definition ours, after JCGM 100 G.3).
        """
        half_width = u * (2.0 if count is None else student_factor(count))
        return cls(
            name=name,
            half_width=half_width,
            shape=Shape.NORMAL,
            assumed=assumed,
            shrink=shrink,
            count=count,
        )

    @classmethod
    def mismatch(
        cls,
        rho1: float,
        rho2: float,
        *,
        name: str = "mismatch",
        assumed: bool = False,
        shrink: str = "put a pad between the two",
    ) -> Component:
        """Two ports of reflection ``rho1``, ``rho2`` (0..1), phases unknown: u = 8.686·ρ1ρ2/√2 dB.

        The limits are 20 log10(1 ± ρ1ρ2); the half-width is their slope at 0, between the two
        (:func:`mismatch_limits_db`). Derived.
        """
        half_width = 2.0 * DB_PER_NEPER * _reflection(rho1) * _reflection(rho2)
        return cls.from_limits(
            name, half_width, shape=Shape.U_SHAPED, assumed=assumed, shrink=shrink
        )

    @classmethod
    def resolution(
        cls, step: float, *, name: str = "level step", shrink: str = "use a finer step"
    ) -> Component:
        """A display that counts in steps: u = step/√12 (JCGM 100 F.2.2.1)."""
        return cls.from_limits(name, step / 2.0, shape=Shape.STEP, shrink=shrink)

    def of_two_readings(self) -> Component:
        """The same part, independently in each of two readings: its sensitivity times √2."""
        return replace(self, sensitivity=self.sensitivity * math.sqrt(2.0))

    def to_json(self) -> dict[str, Any]:
        """Plain JSON data; :meth:`from_json` is its exact inverse."""
        return {
            "name": str(self.name),
            "half_width": float(self.half_width),
            "shape": self.shape.value,
            "sensitivity": float(self.sensitivity),
            "assumed": self.assumed,
            "shrink": self.shrink,
            "unit": self.unit,
            "count": self.count,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Component:
        """The component that :meth:`to_json` made. Raises KeyError or ValueError."""
        return cls(
            name=str(data["name"]),
            half_width=float(data["half_width"]),
            shape=Shape(data["shape"]),
            sensitivity=float(data["sensitivity"]),
            assumed=bool(data["assumed"]),
            shrink=str(data["shrink"]),
            unit=None if data["unit"] is None else str(data["unit"]),
            count=None if data["count"] is None else int(data["count"]),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """A component and its share 0..1 of the variance."""

    component: Component
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """All that makes one figure uncertain. An empty one has U = 0: nothing was said, not nothing.

    Names may come twice (two equal pads); they are then two independent parts.

    Raises:
        ValueError: a k that is not above 0.
    """

    unit: str
    components: tuple[Component, ...] = ()
    k: float = 2.0

    def __post_init__(self) -> None:
        if not (self.k > 0 and math.isfinite(self.k)):
            raise ValueError(f"the coverage factor k must be above 0 and finite, got {self.k}")

    @property
    def u_combined(self) -> float:
        """Root of the sum of squares of the contributions, in ``unit``."""
        return math.hypot(*(part.contribution for part in self.components))

    @property
    def expanded(self) -> float:
        """U = k · u_combined, in ``unit``."""
        return self.k * self.u_combined

    @property
    def shares(self) -> tuple[float, ...]:
        """Share 0..1 of the variance of each component, in their order; all 0 where U is 0."""
        whole = self.u_combined
        return tuple((p.contribution / whole) ** 2 if whole else 0.0 for p in self.components)

    @property
    def dominant(self) -> Share | None:
        """The component with the largest share; the first of equal ones; None where U is 0."""
        if not self.u_combined:
            return None
        share, component = max(
            zip(self.shares, self.components, strict=True), key=lambda pair: pair[0]
        )
        return Share(component=component, share=share)

    @property
    def assumed(self) -> tuple[str, ...]:
        """Names of what nobody stated, in order."""
        return tuple(part.name for part in self.components if part.assumed)

    def with_components(self, *components: Component) -> Budget:
        """A budget with these added."""
        return replace(self, components=(*self.components, *components))

    def without(self, names: Iterable[str]) -> Budget:
        """A budget without the components of these names; names that are not in it do nothing.

        For a difference A − B: what has the same value and sign in both readings cancels. So take
        the common names out of both budgets and put the rest together, ::

            a.without(common).with_components(*b.without(common).components)

        and add what a difference brings with it (scale fidelity). A name is common only where the
        error, and not just its limits, is the same in both: the same element at the same frequency.
        """
        gone = {str(name) for name in names}
        return replace(self, components=tuple(p for p in self.components if p.name not in gone))

    def lines(self) -> list[dict[str, Any]]:
        """Rows of a table as plain JSON data, the largest share first."""
        pairs = zip(self.components, self.shares, strict=True)
        return [
            {
                "name": str(part.name),
                "half_width": part.half_width,
                "unit": part.unit or self.unit,
                "shape": part.shape.value,
                "sensitivity": part.sensitivity,
                "u": part.u,
                "contribution": part.contribution,
                "share": share,
                "assumed": part.assumed,
                "shrink": part.shrink,
                "count": part.count,
            }
            for part, share in sorted(pairs, key=lambda pair: -pair[1])
        ]

    def sentence(self) -> str:
        """U, the part that dominates, its share, what would shrink it and what would be left."""
        top = self.dominant
        if top is None:
            return "nothing is known of the uncertainty"
        rest = self.expanded * math.sqrt(max(0.0, 1.0 - top.share))
        decimals = decimals_for(self.expanded, self.unit)
        whole, left = (figure_text(x, decimals) for x in (self.expanded, rest))
        assumed = " (assumed)" if top.component.assumed else ""
        todo = f"to shrink it, {top.component.shrink}; " if top.component.shrink else ""
        return (
            f"± {whole} {self.unit} (k = {self.k:g}); largest part: {top.component.name}{assumed}, "
            f"{100.0 * top.share:.0f} % of the variance; {todo}without it ± {left} {self.unit}"
        )

    def to_json(self) -> dict[str, Any]:
        """Plain JSON data; :meth:`from_json` is its exact inverse."""
        parts = [part.to_json() for part in self.components]
        return {"unit": self.unit, "k": self.k, "components": parts}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Budget:
        """The budget that :meth:`to_json` made. Raises KeyError or ValueError."""
        return cls(
            unit=str(data["unit"]),
            k=float(data["k"]),
            components=tuple(Component.from_json(part) for part in data["components"]),
        )


def decimals_for(expanded: float, unit: str = "dB") -> int:
    """Decimals that show two figures of U (JCGM 100 7.2.6); below 0 for tens, hundreds and so on.

    One at least for decibels, as the trade writes levels. U of 0, NaN or infinite: 1 or 0.
    """
    least = 1 if unit.startswith("dB") else -12
    if not (expanded > 0 and math.isfinite(expanded)):
        return max(0, least)
    return min(6, max(least, 1 - math.floor(math.log10(expanded))))


def figure_text(value: float, decimals: int) -> str:
    """A number rounded to ``decimals``, which may be below 0: 10156 to −3 is 10000."""
    return number_text(round(value, decimals), max(0, decimals))


# --- reflections and relative errors --------------------------------------------------------------


def _reflection(rho: float) -> float:
    if not 0.0 <= rho <= 1.0:
        raise ValueError(f"a reflection coefficient must lie between 0 and 1, got {rho}")
    return rho


def reflection_of_vswr(vswr: float) -> float:
    """ρ = (S − 1)/(S + 1); an infinite VSWR gives 1. Raises ValueError below 1 or for NaN."""
    if not vswr >= 1.0:
        raise ValueError(f"a VSWR must be at least 1, got {vswr}")
    return 1.0 if math.isinf(vswr) else (vswr - 1.0) / (vswr + 1.0)


def reflection_behind_pad(rho: float, pad_db: float) -> float:
    """ρ of a port seen through a perfect pad: · 10^(−2A/20) (derived). Raises ValueError for A < 0.

    A real pad adds a reflection of its own: see :func:`input_mismatch`.
    """
    if not pad_db >= 0.0:
        raise ValueError(f"pad_db must not be below 0, got {pad_db}: what has gain is no pad")
    return _reflection(rho) * math.pow(10.0, -2.0 * pad_db / 20.0)


def mismatch_limits_db(rho1: float, rho2: float) -> tuple[float, float]:
    """20 log10(1 ± ρ1ρ2): (highest, lowest) error in dB; −inf below where both are 1 (derived)."""
    product = _reflection(rho1) * _reflection(rho2)
    below = 20.0 * math.log10(1.0 - product) if product < 1.0 else -math.inf
    return 20.0 * math.log10(1.0 + product), below


def db_from_relative(fraction: float, *, of_power: bool = False) -> tuple[float, float]:
    """± ``fraction`` of a voltage (or power) in dB: (upwards, downwards), not symmetric.

    ± 0.1 of a voltage is +0.8279 and −0.9151 dB. As half-width of a component take the larger one.

    Raises:
        ValueError: a fraction outside 0..1, 1 excluded.
    """
    if not 0.0 <= fraction < 1.0:
        raise ValueError(f"fraction must be at least 0 and below 1, got {fraction}")
    scale = DB_PER_NEPER if of_power else 2.0 * DB_PER_NEPER
    return scale * math.log1p(fraction), scale * math.log1p(-fraction)
