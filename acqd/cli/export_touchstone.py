"""One sweep of a transmission or a reflection as a Touchstone file, with what it rests on."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click
import numpy as np

if TYPE_CHECKING:
    import xarray as xr

    from acqd.archive.reader import Archive
    from acqd.archive.records import SetupRecord
    from acqd.measure.meter import SweepSeen
    from acqd.measure.reflection_sweep import Measured
    from acqd.measure.touchstone import TouchstoneText
    from acqd.station.feed import SetupView

__all__ = ["KINDS", "suffix_of", "touchstone_of"]

KINDS = {"transmission": ".s2p", "reflection": ".s1p"}
"""Kinds that a Touchstone file can be made of, and what its name ends in."""


def suffix_of(kind: str, job: str) -> str:
    """What the name of a file of this kind ends in.

    Raises:
        click.UsageError: no S-parameter is in sweeps of this kind.
    """
    if kind not in KINDS:
        raise click.UsageError(
            f"job {job} is of kind {kind}: Touchstone is for kinds {' and '.join(KINDS)}"
        )
    return KINDS[kind]


def touchstone_of(archive: Archive, job: str, data: xr.Dataset, seq: int | None) -> TouchstoneText:
    """The sweep ``seq`` of ``data``, levels at the input; the last one where None.

    Figures are those of the job's meter: its references, its floor, its cable.

    Raises:
        click.UsageError: no such sweep, or another kind.
        click.ClickException: a reference that is needed is missing or does not fit.
    """
    from acqd.config.recorded import recorded_config
    from acqd.station.feed import SetupView
    from acqd.station.kinds import kind_parts

    numbers = data["sequence"].values
    at = int(numbers.size - 1 if seq is None else np.searchsorted(numbers, seq))
    if at >= numbers.size or (seq is not None and numbers[at] != seq):
        raise click.UsageError(
            f"job {job} has no sweep {seq} in that time; there are {numbers[0]} to {numbers[-1]}"
        )
    one = data.isel(sweep=at)
    record = _setup_of(archive, job, one)
    suffix_of(record.kind, job)
    view = SetupView.of(record, float(one["started"]))
    sweep = _seen(one, view)
    # Without what may be around it: a soak says nothing of a single sweep.
    config = recorded_config(job, {**record.details["config"], "soak": None})
    meter: Any = kind_parts(config, job, record.details["plane"]).meter
    make = _transmission if record.kind == "transmission" else _reflection
    about = [*_about(record, sweep), *_amended(archive, record)]
    return make(meter.settings, view, sweep, about)


def _setup_of(archive: Archive, job: str, one: xr.Dataset) -> SetupRecord:
    """What a sweep was taken with, with the chain as it was amended."""
    digest = str(one["setup"].values)
    found = next(each for each in archive.setups(job) if each.setup == digest and each.step == 0)
    amendments = archive.amendments(job)
    return amendments.amended(found, float(one["started"])) if amendments else found


def _seen(one: xr.Dataset, view: SetupView) -> SweepSeen:
    from acqd.measure.meter import SweepSeen
    from acqd.station.feed import CONTEXT
    from acqd.sweep import SweepFlag

    context = {
        str(name).removeprefix(CONTEXT): float(values)
        for name, values in one.variables.items()
        if str(name).startswith(CONTEXT) and np.isfinite(values)
    }
    return SweepSeen(
        seq=int(one["sequence"]),
        step=0,
        due_s=float(one["due"].values.astype(np.int64)) / 1e9,
        started_s=float(one["started"]),
        took_s=float(one["duration"]),
        level=view.at_plane(one["level"].values),
        flags=SweepFlag(int(one["flags"])),
        context=context,
    )


def _about(record: SetupRecord, sweep: SweepSeen) -> list[str]:
    """The first comments: what this is."""
    from acqd.sweep import Identity

    identity = Identity(**record.details.get("identity", {}))
    return [
        f"job {record.job}, kind {record.kind}, sweep {sweep.seq} of {_utc(sweep.started_s)}",
        f"sweeper {record.sweeper}: {identity}",
        f"setup {record.setup}; reference impedance 50 ohm taken for granted",
    ]


def _amended(archive: Archive, record: SetupRecord) -> list[str]:
    """What the chain of a sweep was amended with, a comment each; Touchstone is ASCII."""
    from acqd.archive.amendments import amendment_text, numbers_of

    amendments = archive.amendments(record.job)
    made = amendments.named(numbers_of(record)) if amendments else ()
    texts = (amendment_text(one).replace("−", "-") for one in made)
    return [text.encode("ascii", "replace").decode() for text in texts]


def _utc(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="seconds")[:-6] + "Z"


def _transmission(
    settings: Any, view: SetupView, sweep: SweepSeen, about: list[str]
) -> TouchstoneText:
    from acqd.measure.touchstone import two_port_text
    from acqd.measure.transmission_sweep import losses_of, through_of

    setup = view.event
    through, refused = through_of(setup, settings.job)
    if refused is not None:
        raise click.ClickException(refused)
    losses = losses_of(setup, sweep, through, settings)
    comments = [*about, "S21 is the thing over the through"]
    if through is not None:
        comments.append(f"through of {_utc(through.at_s)}, {through.sweeps} sweeps")
    curve = losses.curve
    if curve.u_db is not None and curve.u_db.size:
        worst_db, typical_db = float(np.max(curve.u_db)), float(np.median(curve.u_db))
        comments.append(
            f"expanded uncertainty by noise (k = 2): {2 * typical_db:.2g} dB typical, "
            f"{2 * worst_db:.2g} dB at most; the whole budget is in the job's summaries"
        )
    comments += losses.notes
    if losses.s21 is None:
        return _written(
            two_port_text,
            curve.frequency_hz,
            s21=-curve.loss_db,
            floor_limited=curve.at_least,
            comments=comments,
        )
    axis = setup.grid.frequency_hz
    low = np.isin(axis, curve.frequency_hz[curve.at_least])
    return _written(two_port_text, axis, s21=losses.s21, floor_limited=low, comments=comments)


def _reflection(
    settings: Any, view: SetupView, sweep: SweepSeen, about: list[str]
) -> TouchstoneText:
    from acqd.measure.reflection_sweep import Refused, measured
    from acqd.measure.touchstone import one_port_text

    setup = view.event
    found = measured(settings, setup, sweep)
    if isinstance(found, Refused):
        raise click.ClickException(found.why)
    trace = found.trace
    comments = [
        *about,
        f"S11, {found.way}",
        *(f"{role} of {_utc(one.at_s)}" for role, one in sorted(found.references.items())),
        f"directivity {np.min(trace.directivity_db):.1f} dB or better ({trace.directivity_from}), "
        f"source match {trace.source_match_db:.1f} dB ({trace.source_match_from}); what these "
        f"allow the true value to be is in the job's summaries",
        *found.notes,
    ]
    if np.any(trace.cable_loss_db):
        comments.append("the loss of the cable is taken out of the magnitude, its delay is not")
    s11: Any = 20.0 * np.log10(np.where(trace.magnitude > 0.0, trace.magnitude, np.nan))
    if np.iscomplexobj(sweep.level):
        s11 = _with_phase(found, np.asarray(sweep.level, dtype=np.complex128))
    return _written(
        one_port_text,
        setup.grid.frequency_hz,
        s11=s11,
        floor_limited=trace.floor_limited,
        comments=comments,
    )


def _with_phase(found: Measured, seen: Any) -> Any:
    """The magnitude that was measured with the phase of the sweep, corrected the same way."""
    from acqd.measure.oneport import one_port_correction, vector_ratio
    from acqd.measure.reflection_sweep import Way

    level = {role: np.asarray(one.level) for role, one in found.references.items()}
    if found.way is Way.CORRECTED:
        terms = one_port_correction(level["open"], level["short"], level["load"])
        seen = terms.corrected(seen)
    elif found.way is Way.RATIO:
        pair = {"open_ratio": level.get("open"), "short_ratio": level.get("short")}
        seen = vector_ratio(seen, **pair)
    return found.trace.magnitude * np.exp(1j * np.angle(seen))


def _written(make: Any, *args: Any, **kwargs: Any) -> TouchstoneText:
    try:
        text: TouchstoneText = make(*args, **kwargs)
    except ValueError as exc:
        raise click.ClickException(f"no Touchstone file can be made of this sweep: {exc}") from exc
    return text
