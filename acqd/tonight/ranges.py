"""What is to be watched, as people say it: "marine VHF", "2 m", ``144MHz..146MHz``.

Names are those of the channel plans that come with acqd, matched leniently: case, spaces, hyphens
and dots do not count, and each plan has the names that it is called by. What can be meant by two
plans is refused with both of them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from statistics import median

from acqd.config.channels import find_channel_plan, load_channel_plan, shipped_plans
from acqd.config.quantity import FREQUENCY, format_quantity, parse_frequency_range
from acqd.errors import WrongUsage
from acqd.measure.channels import BandPlan, Channel, ChannelPlan, Segment

__all__ = ["CALLED", "Wanted", "region_of", "wanted_ranges"]

CALLED: Mapping[str, tuple[str, ...]] = {
    "airband-25": ("air band", "aviation", "aircraft", "air band 25"),
    "airband-8-33": ("air band 8.33", "aviation 8.33"),
    "amateur-2m": (
        "2 m",
        "two metres",
        "two meters",
        "2 metres",
        "2 meters",
        "amateur 2 m",
        "2 m band",
    ),
    "amateur-70cm": (
        "70 cm",
        "seventy centimetres",
        "70 centimetres",
        "70 centimeters",
        "amateur 70 cm",
        "70 cm band",
    ),
    "fm-broadcast": ("FM broadcast", "FM radio", "FM", "broadcast FM", "VHF broadcast"),
    "marine-vhf": ("marine VHF", "marine", "VHF marine", "maritime VHF", "marine band"),
    "pmr446": ("PMR446", "PMR", "PMR 446 MHz"),
    "srd-433": ("433 MHz", "SRD 433", "ISM 433"),
    "srd-863-870": ("868 MHz", "SRD 868", "863 to 870 MHz"),
}
"""What plans are called; of those that differ by ITU Region the name without the Region's end."""

BY_REGION: Mapping[str, tuple[str, str, str]] = {
    "amateur-2m": ("amateur-2m-r1", "amateur-2m-r2", "amateur-2m-r2"),
    "amateur-70cm": ("amateur-70cm-r1", "amateur-70cm-r2", "amateur-70cm-r1"),
    "fm-broadcast": ("fm-broadcast-r1", "fm-broadcast-r2", "fm-broadcast-r1"),
}
"""The plan of each ITU Region, 1 to 3; Region 3 has the nearest that there is (general limits from
memory; countries differ)."""

NAME_MOST = 32
MOST = 8
"""Ranges of one evening; a sweeper that has more to do sees each of them seldom."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """One range to watch. ``plan`` is what a config calls its channel plan, None for a bare range;
    ``spacing_hz`` the width that its channels have, None where there are none."""

    name: str
    title: str
    start_hz: float
    stop_hz: float
    plan: str | None = None
    spacing_hz: float | None = None

    @property
    def span_hz(self) -> float:
        return self.stop_hz - self.start_hz


def region_of(zone: str) -> int:
    """The ITU Region that a time zone lies in, by its continent: a guess that somebody is told of.

    The Americas are Region 2; Asia, Australia and the Pacific are Region 3; all else Region 1.
    Known to be wrong for Siberia, Mongolia and the Near East, which are Region 1.
    """
    continent = zone.partition("/")[0]
    if continent in ("America", "US", "Canada", "Brazil", "Mexico", "Chile"):
        return 2
    return 3 if continent in ("Asia", "Australia", "Pacific") else 1


def wanted_ranges(words: Sequence[str], *, region: int = 1, folder: Path) -> tuple[Wanted, ...]:
    """Each of ``words`` as a range, with names that differ.

    ``folder`` is where a plan of one's own is looked for (``./mine.toml``).

    Raises:
        WrongUsage: none, too many, one that is neither, or that may mean two plans.
        ConfigError: a plan of one's own that is none.
    """
    if not words:
        raise WrongUsage(
            'what is to be watched? give names or ranges, such as "marine VHF" "2 m" or '
            f"144MHz..146MHz; names: {_all_names()}"
        )
    if len(words) > MOST:
        raise WrongUsage(f"{len(words)} ranges; one evening takes at most {MOST}")
    found: list[Wanted] = []
    for word in words:
        one = _bare_range(word) if ".." in word and "/" not in word else None
        one = one or _of_plan(word, region, folder)
        if any(each.name == one.name for each in found):
            raise WrongUsage(f"{word}: the same as another of these ranges; once is enough")
        found.append(one)
    return tuple(found)


def _bare_range(word: str) -> Wanted:
    try:
        start_hz, stop_hz = parse_frequency_range(word)
    except ValueError as exc:
        raise WrongUsage(str(exc)) from exc
    start, stop = (format_quantity(hz, FREQUENCY) for hz in (start_hz, stop_hz))
    slug = re.sub(r"[^a-z0-9]+", "-", f"{start}-to-{stop}".lower()).strip("-")
    return Wanted(
        name=slug[:NAME_MOST].strip("-"),
        title=f"{start} to {stop}",
        start_hz=start_hz,
        stop_hz=stop_hz,
    )


def _of_plan(word: str, region: int, folder: Path) -> Wanted:
    own = word if word.endswith(".toml") and find_channel_plan(word, folder) else None
    if own is not None:
        return _wanted(load_channel_plan(own, folder), called=own, title=None)
    stem = _stem_of(word)
    name = BY_REGION[stem][region - 1] if stem in BY_REGION else stem
    title = CALLED[stem][0] if stem in CALLED else None
    return _wanted(load_channel_plan(name, folder), called=name, title=title)


def _stem_of(word: str) -> str:
    """Which plan a word means; one of :data:`CALLED`, or a shipped plan by its own name."""
    plain = _plain(word)
    known = _known()
    exact = known.get(plain)
    if exact is not None:
        return exact
    # Part of a name is enough where it is part of one plan's names only.
    part = {stem for name, stem in known.items() if len(plain) >= 3 and plain in name}
    stems = {_without_region(stem) for stem in part}
    if len(stems) == 1:
        return stems.pop()
    if stems:
        meant = " or ".join(f'"{_spoken(stem)}"' for stem in sorted(stems))
        raise WrongUsage(f'"{word}" may mean {meant}; say which')
    near = get_close_matches(plain, known, n=1, cutoff=0.6)
    hint = f'; did you mean "{_spoken(known[near[0]])}"?' if near else "."
    raise WrongUsage(
        f'"{word}" is no range that acqd knows{hint} Names: {_all_names()}; else two frequencies '
        "such as 144MHz..146MHz, or the file of a channel plan"
    )


def _known() -> dict[str, str]:
    """Every name without its spaces, and the plan that it means."""
    known = {_plain(name): stem for stem, names in CALLED.items() for name in names}
    for stem in CALLED:
        known.setdefault(_plain(stem), stem)
    for stem in shipped_plans():
        known.setdefault(_plain(stem), stem)
    return known


def _without_region(stem: str) -> str:
    base = re.sub(r"-r[123]$", "", stem)
    return base if base in CALLED else stem


def _spoken(stem: str) -> str:
    return CALLED[stem][0] if stem in CALLED else stem


def _all_names() -> str:
    spoken = [names[0] for names in CALLED.values()]
    rest = [stem for stem in shipped_plans() if _without_region(stem) not in CALLED]
    return ", ".join([*spoken, *rest])


def _plain(text: str) -> str:
    return "".join(letter for letter in text.lower() if letter.isalnum())


def _wanted(plan: ChannelPlan, *, called: str, title: str | None) -> Wanted:
    segments = plan.segments if isinstance(plan, BandPlan) else ()
    pieces: tuple[Channel | Segment, ...] = (*plan.channels, *segments)
    name = re.sub(r"[^a-z0-9_-]+", "-", plan.name.lower())[:NAME_MOST].strip("-")
    return Wanted(
        name=name or "range",
        title=_as_title(title) if title else plan.title[:60],
        start_hz=min(one.start_hz for one in pieces),
        stop_hz=max(one.stop_hz for one in pieces),
        plan=called,
        spacing_hz=median(one.width_hz for one in plan.channels),
    )


def _as_title(text: str) -> str:
    return text[:1].upper() + text[1:]
