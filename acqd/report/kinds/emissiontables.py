"""The tables of an emission check: products, what was searched, the carrier, the budget."""

from __future__ import annotations

from typing import Any

from acqd.measure.words import frequency_text, number_text
from acqd.report.kinds.common import number, pm, value_text
from acqd.report.kinds.kept import Summary
from acqd.report.kinds.measured import budget_table
from acqd.report.shapes import Section, SweepRange, Table
from acqd.report.words import sentence

__all__ = ["carrier_section", "product_tables", "rests_on_section"]

Row = tuple[str | float | None, ...]


def product_tables(summary: Summary, sweeps: SweepRange | None) -> tuple[Table, ...]:
    """What was found beside its limits, what was searched, what could not be measured."""
    products = Table(
        title="Products",
        heads=(
            "what", "frequency", "level", "U", "below carrier", "limit", "margin", "verdict",
            "origin", "sweep",
        ),
        units=("", "MHz", "dBm", "dB", "dBc", "", "dB", "", "", ""),
        places=(None, 4, 1, 1, 1, None, 1, None, None, 0),
        rows=tuple(_product_row(one) for one in summary["products"]),
        note="U at k = 2. The margin is how far inside the limit it lies, below 0 beyond it. “At "
        "most”: the true level is that or less.",
        sweeps=sweeps,
    )  # fmt: skip
    origins = Table(
        title="Where products come from",
        heads=("what", "origin", "why"),
        units=("", "", ""),
        places=(None, None, None),
        rows=tuple(
            (str(one["name"]), str(one["origin"]), str(one["origin_reason"]))
            for one in summary["products"]
            if one["origin_reason"]
        ),
        sweeps=sweeps,
    )
    searched = Table(
        title="What was searched",
        heads=("from", "to", "nothing else above", "U", "least margin", "verdict", "sweep"),
        units=("MHz", "MHz", "dBm", "dB", "dB", "", ""),
        places=(4, 4, 1, 1, 1, None, 0),
        rows=tuple(
            (
                _mega(one["start_hz"]),
                _mega(one["stop_hz"]),
                number(one["most_dbm"]),
                number(one["expanded_db"]),
                number(one["least_margin_db"]),
                str(one["verdict"] or ""),
                float(one["seq"]),
            )
            for one in summary["searched"]
        ),
        sweeps=sweeps,
    )
    missing = Table(
        title="Not measured",
        heads=("what", "why"),
        units=("", ""),
        places=(None, None),
        rows=tuple((str(one["what"]), str(one["why"])) for one in summary["not_measured"]),
        sweeps=sweeps,
    )
    return tuple(one for one in (products, origins, searched, missing) if one.rows)


def _product_row(one: Any) -> Row:
    limit, unit = number(one["limit"]), str(one["limit_unit"] or "")
    return (
        f"{one['name']}, {one['bound']}" if one["bound"] else str(one["name"]),
        _mega(one["frequency_hz"]),
        number(one["level_dbm"]),
        number(one["expanded_db"]),
        number(one["dbc"]),
        "" if limit is None else value_text(limit, unit, decimals=1),
        number(one["margin_db"]),
        str(one["verdict"] or "no limit"),
        str(one["origin"]),
        float(one["seq"]),
    )


def _mega(value: Any) -> float | None:
    known = number(value)
    return None if known is None else known / 1e6


def carrier_section(summary: Summary, sweeps: SweepRange | None) -> tuple[Section, ...]:
    """Frequency, power and widths of the carrier; empty of a thing that has none."""
    carrier = summary["fundamental"]
    if carrier is None:
        return ()
    rows: list[Row] = [
        ("frequency", _mega(carrier["frequency_hz"]), "MHz",
         number(carrier["frequency_expanded_hz"]), "Hz", ""),
        ("level", number(carrier["level_dbm"]), "dBm", number(carrier["expanded_db"]), "dB",
         f"of the {carrier['level_from']}"),
        ("power", number(carrier["power_w"]), "W", None, "", ""),
    ]  # fmt: skip
    if carrier["off_hz"] is not None:
        rows.append(("off the expected frequency", number(carrier["off_hz"]), "Hz",
                     number(carrier["frequency_expanded_hz"]), "Hz", ""))  # fmt: skip
    if carrier["change_db"] is not None:
        rows.append(("last look less first", number(carrier["change_db"]), "dB", None, "", ""))
    widths = (summary["occupied"], summary["x_db"])
    rows += [_width_row(width) for width in widths if width is not None]
    figures = Table(
        title="Carrier",
        heads=("figure", "value", "unit", "U (k = 2)", "unit", "note"),
        units=("",) * 6,
        places=(None, 4, None, 2, None, None),
        rows=tuple(rows),
        sweeps=sweeps,
    )
    neighbours = Table(
        title="Adjacent channels",
        heads=("where", "from", "to", "power", "below the carrier", "U by noise", "note"),
        units=("", "MHz", "MHz", "dBm", "dB", "dB", ""),
        places=(None, 4, 4, 1, 1, 2, None),
        rows=tuple(
            (
                "lower" if one["place"] < 0 else "upper",
                _mega(one["start_hz"]),
                _mega(one["stop_hz"]),
                number(one["power_dbm"]),
                number(one["ratio_db"]),
                number(one["expanded_db"]),
                " ".join(str(one[key]) for key in ("bound", "reason") if one[key]),
            )
            for one in summary["adjacent"]
        ),
        sweeps=sweeps,
    )
    lead = (
        f"{pm(number(carrier['level_dbm']), number(carrier['expanded_db']), 'dBm')} at "
        f"{frequency_text(carrier['frequency_hz'], resolution_hz=10.0)}."
    )
    tables = tuple(one for one in (figures, neighbours) if one.rows)
    return (Section(key="carrier", title="Carrier", lead=lead, tables=tables),)


def _width_row(width: Any) -> Row:
    notes = [str(one) for one in (width["bound"], width["reason"], *width["notes"]) if one]
    return (
        f"width, {width['what']}",
        None if number(width["width_hz"]) is None else float(width["width_hz"]) / 1e3,
        "kHz",
        number(width["expanded_hz"]),
        "Hz",
        "; ".join(notes),
    )


# --- what it rests on -----------------------------------------------------------------------------


def rests_on_section(summary: Summary, sweeps: SweepRange | None) -> tuple[Section, ...]:
    """The budget of what is nearest to its limit, and what the chain cannot prove."""
    budget = summary["budget"]
    tables = []
    if budget is not None:
        tables.append(
            budget_table(
                budget["lines"],
                title=f"Budget of {budget['figure']}",
                u="contribution",
                unit="dB",
                decimals=3,
                sweeps=sweeps,
                note=str(budget["sentence"]),
            )
        )
    said = [sentence(text) for text in summary["proof"]]
    said += [
        f"Intercept of order {one['order']}: {number_text(one['intercept_dbm'], 1)} dBm "
        f"({one['known']})."
        for one in summary["intercepts"]
        if one["intercept_dbm"] is not None
    ]
    pad = number(summary["external_pad_db"])
    if pad is not None:
        said.append(f"A pad of {number_text(pad, 1)} dB stood before the chain in this pass.")
    if not tables and not said:
        return ()
    return (
        Section(
            key="rests-on", title="What it rests on", lead=" ".join(said), tables=tuple(tables)
        ),
    )
