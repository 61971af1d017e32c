"""Changes one table of a config's text, and nothing else: comments and order stay as they are."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Mapping

from acqd.config.lines import lines_of
from acqd.errors import WrongUsage

__all__ = ["with_keys"]


def with_keys(
    text: str, table: str, keys: Mapping[str, str], *, without: Collection[str] = ()
) -> str:
    """``text`` with texts set in one of its top tables, which is added where there is none.

    Lines of ``without`` and of ``keys`` as they stood are taken out, each with the comment behind
    it; all other lines stay. The new ones come right below the table's header.

    Raises:
        WrongUsage: the table is written in another way than under a header of its own, or a value
            goes over several lines, so that a person has to change it.
    """
    # By line feeds alone: other characters that end a line elsewhere may stand in a text.
    lines, end = text.split("\n"), "\r" if "\r\n" in text else ""
    new = [f"{key} = {_quoted(value)}" for key, value in keys.items()]
    found = tomllib.loads(text)
    if table not in found:
        body = [*lines[:-1], *([lines[-1] + end] if lines[-1] else [])]
        gap = [end] if any(line.strip() for line in body) else []
        return "\n".join([*body, *gap, f"[{table}]{end}", *(line + end for line in new), ""])
    at = lines_of(text)[table,] - 1
    if not re.fullmatch(rf"[ \t]*\[[ \t]*{re.escape(table)}[ \t]*\][ \t\r]*(#.*)?", lines[at]):
        raise WrongUsage(
            f"`{table}` is not written as a table under a line [{table}], so nothing is changed; "
            f"write it so, or put in by hand: {'; '.join(new)}"
        )
    gone = _lines_of_keys(text, lines, table, {*without, *keys})
    kept = [line for number, line in enumerate(lines) if number not in gone]
    # What goes is below the header, whose place stays.
    changed = "\n".join([*kept[: at + 1], *(line + end for line in new), *kept[at + 1 :]])
    _refuse_more_changed(found, changed, table, {*without, *keys})
    return changed


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _lines_of_keys(text: str, lines: list[str], table: str, keys: Collection[str]) -> set[int]:
    """The lines, from 0, that these keys stand in, each whole on one."""
    places, gone = lines_of(text), set()
    for key in keys:
        if (table, key) not in places:
            continue
        number = places[table, key] - 1
        try:
            alone = tomllib.loads(lines[number].rstrip("\r"))
        except tomllib.TOMLDecodeError:
            alone = {}
        if list(alone) != [key]:
            raise WrongUsage(
                f"line {number + 1}: `{key}` of [{table}] is not on one line of its own, so "
                "nothing is changed; write it so, or change the table by hand"
            )
        gone.add(number)
    return gone


def _refuse_more_changed(
    before: Mapping[str, object], text: str, table: str, keys: Collection[str]
) -> None:
    """Nothing but these keys may have changed: a text in which that fails is left alone."""
    after = tomllib.loads(text)
    was, now = before[table], after[table]
    assert isinstance(was, Mapping)
    assert isinstance(now, Mapping)
    rest_was = {key: value for key, value in was.items() if key not in keys}
    rest_now = {key: value for key, value in now.items() if key not in keys}
    others_was = {key: value for key, value in before.items() if key != table}
    others_now = {key: value for key, value in after.items() if key != table}
    if rest_was != rest_now or others_was != others_now:
        raise WrongUsage(f"[{table}] cannot be changed line by line here; change it by hand")
