"""Whether a stored reference may be used, and what its age and temperature say about it."""

from __future__ import annotations

from acqd.measure.meter import Reference, Role, SetupChanged
from acqd.measure.words import number_text

__all__ = ["MOST_K", "age_notes", "age_text", "needed"]

MOST_K = 5.0
"""A reference taken more than this much warmer or colder is worth a word: cables, detectors and
bridges of the bench move by hundredths of a decibel per kelvin (common practice)."""

FUTURE_S = 60.0
"""A reference this much later than the sweep says that a clock was wrong, not that it is new."""


def needed(setup: SetupChanged, role: Role, *, job: str = "JOB") -> tuple[Reference | None, str]:
    """The reference of ``role`` that the setup carries, where it may be used.

    Args:
        setup: what sweeps are taken with; its references are on its grid and at its plane.
        job: the job's name, for the command that helps.

    Returns: the reference and an empty text; or None and one sentence that says why there is none
    and which command takes one. One whose levels are not of the setup's grid is refused too.
    """
    command = f"`acqd reference {job} {role.value}`"
    found = setup.references.get(role.value)
    if found is None:
        return None, f"there is no {role.value} reference: take one with {command}"
    if found.differs:
        return None, (
            f"the {role.value} reference does not fit: {'; '.join(found.differs)}; "
            f"take it anew with {command}"
        )
    if found.level is None or found.level.shape != setup.grid.frequency_hz.shape:
        return None, (
            f"the {role.value} reference has no levels on these frequencies; "
            f"take it anew with {command}"
        )
    return found, ""


def age_notes(
    reference: Reference,
    at_s: float,
    *,
    max_age_s: float,
    temperature_c: float | None = None,
    most_k: float = MOST_K,
) -> tuple[str, ...]:
    """What is to be said about a reference's age and temperature, a clause each; none where it is
    fresh and was taken at about the same temperature.

    Args:
        at_s: when it is used, in wall time.
        max_age_s: how old it may be; exactly as old is not too old.
        temperature_c: of now; where it or the reference's is unknown nothing is said about it.
        most_k: difference of temperature that needs no word.
    """
    name = f"the {reference.role.value}"
    notes = []
    age_s = at_s - reference.at_s
    if age_s > max_age_s:
        notes.append(f"{name} is {age_text(age_s)} old")
    elif age_s < -FUTURE_S:
        notes.append(
            f"{name} is dated {age_text(-age_s)} after the sweep, so a clock was wrong and its "
            f"age is unknown"
        )
    if temperature_c is not None and reference.temperature_c is not None:
        warmer_k = reference.temperature_c - temperature_c
        if abs(warmer_k) > most_k:
            way = "warmer" if warmer_k > 0.0 else "colder"
            kelvin = number_text(abs(warmer_k), 0 if abs(warmer_k) >= 2.0 else 1)
            notes.append(f"{name} was taken {kelvin} K {way}")
    return tuple(notes)


def age_text(age_s: float) -> str:
    """40 s; 12 min; 26 h; 4 days: one unit, rounded down, so that no age is overstated."""
    whole_s = max(0, int(age_s))
    if whole_s < 60:
        return f"{whole_s} s"
    if whole_s < 2 * 3600:
        return f"{whole_s // 60} min"
    if whole_s < 3 * 86400:
        return f"{whole_s // 3600} h"
    return f"{whole_s // 86400} days"
