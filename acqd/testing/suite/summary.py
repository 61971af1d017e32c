"""What came of a run of the suite, as a watchkeeper would write it down."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import pytest

__all__ = ["HAS_NONE", "summary"]

HAS_NONE: Final = "it says that it has none"


def summary(config: pytest.Config, stats: Mapping[str, Sequence[Any]]) -> list[str]:
    """The lines to print after all tests."""
    if not config.getoption("driver"):
        return [
            "Nothing was tested: no driver was named. Give --driver NAME --address ADDRESS; "
            "'acqd find --drivers' lists what is installed."
        ]
    reports = [
        each for kind in ("passed", "failed", "error", "skipped") for each in stats.get(kind, ())
    ]
    who = _said(reports, "acqd_who")
    if not who:
        return []
    passed, skipped = len(stats.get("passed", ())), _reasons(stats.get("skipped", ()))
    # What a sweeper does not have leaves nothing to look at.
    absent = [reason for reason in skipped if reason.endswith(HAS_NONE)]
    failed = [*stats.get("failed", ()), *stats.get("error", ())]
    if failed:
        outcome = (
            f"does not keep the contract yet: {_count(len(failed), 'check')} of "
            f"{passed + len(failed)} failed, first {_name(failed[0])}"
        )
    else:
        kept = "keeps the contract" + (
            " as far as could be looked" if len(skipped) > len(absent) else ""
        )
        outcome = f"{kept}: {_count(passed, 'check')} passed"
    lines = [f"{who[0][0].upper()}{who[0][1:]} {outcome}."]
    lines += [f"  note: {remark}." for remark in _said(reports, "acqd_remark")]
    lines += [
        f"  {'nothing to look at' if reason in absent else 'not looked at'} "
        f"({_count(number, 'check')}): {reason}."
        for reason, number in skipped.items()
    ]
    return lines


def _said(reports: Sequence[Any], key: str) -> list[str]:
    """What tests kept under ``key``, each text once, in order."""
    texts = [
        text
        for report in reports
        for name, text in getattr(report, "user_properties", ())
        if name == key
    ]
    return list(dict.fromkeys(texts))


def _reasons(skipped: Sequence[Any]) -> dict[str, int]:
    found: dict[str, int] = {}
    for report in skipped:
        where = report.longrepr
        reason = where[2] if isinstance(where, tuple) else str(where)
        reason = reason.removeprefix("Skipped: ")
        found[reason] = found.get(reason, 0) + 1
    return found


def _name(report: Any) -> str:
    return str(report.nodeid).rpartition("::")[2]


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
