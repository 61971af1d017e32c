"""What the parts of kinds that measure against references share.

Such a kind has figures of a sweep or a reason why it has none, and each figure rests on a budget.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from acqd.config.whole import StationConfig
from acqd.errors import ArchiveDamaged
from acqd.measure.trust import spoilt_by
from acqd.report.kinds.common import config_at, number
from acqd.report.kinds.kept import Kept
from acqd.report.shapes import SweepRange, Table
from acqd.report.words import count_text
from acqd.sweep import SweepFlag

__all__ = ["Measured", "budget_table", "settings_of"]

Settings = TypeVar("Settings")


@dataclass(slots=True, kw_only=True)
class Measured:
    """What became of the sweeps of a range, by their rows."""

    words: dict[int, str] = field(default_factory=dict)
    """Verdict by row, of those that have one."""
    refused: dict[int, str] = field(default_factory=dict)
    """By row why there are no figures."""
    measured: list[int] = field(default_factory=list)
    """The rows that have figures, in order."""
    unmeasured: int = 0
    """Sweeps without any summary."""

    def limits(self, kept: Kept) -> tuple[str, ...]:
        """What cannot be said of them, and why: a sentence each."""
        found = [
            f"{count_text(count, 'sweep')} without figures: {why}."
            for why, count in Counter(self.refused.values()).most_common()
        ]
        if self.unmeasured:
            found.append(
                f"{count_text(self.unmeasured, 'sweep')} brought no summary: the measurement "
                "failed, or the station ended before it was done."
            )
        if len(self.measured) == 1:
            found.append("One sweep was measured: nothing can be said of drift.")
        spoilt = [at for at in self.measured if spoilt_by(SweepFlag(int(kept.flags[at])))]
        if spoilt:
            found.append(
                f"{count_text(len(spoilt), 'sweep')} overloaded or with a transmitter keyed "
                "nearby: shown, and no verdict rests on them."
            )
        return tuple(found)


def settings_of(
    kept: Kept, make: Callable[[StationConfig, str], Settings]
) -> Callable[[int], Settings | str]:
    """The settings that a sweep was measured with, by its row, made once for each config; in a few
    words why there are none, where this acqd cannot read the config that was recorded."""
    made: dict[str, Settings | str] = {}

    def found(at: int) -> Settings | str:
        digest = str(kept.setup(at).details["config_digest"])
        if digest not in made:
            try:
                made[digest] = make(config_at(kept, at), kept.source.job)
            except ArchiveDamaged as exc:
                made[digest] = f"neither curve nor limits can be given: {exc}"
        return made[digest]

    return found


def budget_table(
    lines: Iterable[Mapping[str, Any]],
    *,
    title: str,
    u: str,
    unit: str,
    decimals: int,
    sweeps: SweepRange | None,
    note: str = "",
) -> Table:
    """The parts of an uncertainty: what each is known to be, and its share of the whole.

    ``u`` is the name that a line has for its standard uncertainty, in ``unit``. Half-widths are in
    the unit that their line says, if it says one: where none does there is no column for it.
    """
    rows = tuple(
        (
            str(line["name"]),
            number(line["half_width"]),
            "" if (own := str(line.get("unit", "1"))) == "1" else own,
            str(line["shape"]),
            number(line[u]),
            100.0 * (number(line["share"]) or 0.0),
            "assumed" if line["assumed"] else "",
            str(line["shrink"]),
        )
        for line in lines
    )
    heads = ("part", "half-width", "unit", "shape", "u", "share", "known", "what would shrink it")
    units = ("", "", "", "", unit, "%", "", "")
    places = (None, decimals, None, None, decimals, 0, None, None)
    columns = [
        at for at, head in enumerate(heads) if head != "unit" or any(row[at] for row in rows)
    ]
    return Table(
        title=title,
        heads=tuple(heads[at] for at in columns),
        units=tuple(units[at] for at in columns),
        places=tuple(places[at] for at in columns),
        rows=tuple(tuple(row[at] for at in columns) for row in rows),
        note=note,
        sweeps=sweeps,
    )
