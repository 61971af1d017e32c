"""The files of one job and day: held against manifest, ledger, each other and themselves."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.damage import NUMBERS_MOST, missing_files
from acqd.archive.heads import MANIFEST
from acqd.archive.inspecting import ARRAYS, array_of
from acqd.archive.inspector import Inspector
from acqd.archive.kept import read_kept
from acqd.archive.layout import (
    SCHEMA_VERSION,
    TEMPORARY_SUFFIX,
    FileKind,
    FileName,
    day_of,
    folder_of_job,
    kept_of,
    list_files,
    list_kept,
)
from acqd.archive.manifest import read_manifest, read_removed, read_set_aside
from acqd.archive.verified import Verified
from acqd.archive.verify_checks import Fall, falls
from acqd.errors import ArchiveDamaged

__all__ = ["DayFound", "DayLook"]

Facts = Mapping[str, Any]

COMPARED = ("bytes", "kind", "job", "step", "setup", "day", "first_seq", "last_seq", "sweeps")
"""What manifest and ledger say of a file besides its digest."""

COPY = "restore it from a copy"


@dataclass(slots=True)
class _File:
    """One file: what its name, the manifest, the ledger and a look inside say of it."""

    path: Path
    name: FileName
    listed: Facts | None
    in_ledger: Facts | None
    found: dict[str, Any]

    @property
    def digest_agrees(self) -> bool | None:
        """With any listing of it; None where nobody lists it."""
        known = [one["sha256"] for one in (self.listed, self.in_ledger) if one and "sha256" in one]
        return self.found.get("sha256") in known if known else None

    @property
    def is_readable(self) -> bool:
        return self.found.get("problem", "") is None

    @property
    def is_good(self) -> bool:
        whole = self.is_readable and not self.found["broken_blocks"] and not self.found["inside"]
        return whole and self.digest_agrees is not False

    def array(self, name: str) -> NDArray[Any]:
        return array_of(name, self.found[name])


@dataclass(slots=True)
class DayFound:
    """What one day has that goes into the account of its job."""

    sequence: NDArray[np.int64]
    time_s: NDArray[np.float64]
    due_s: NDArray[np.float64]
    due_seq: NDArray[np.int64]
    """When those of step 0 were due, and their numbers. All of good files, each sweep once."""
    accounted: list[tuple[int, int]] = field(default_factory=list)
    """First and last numbers of files that are not good, missing, set aside or removed."""
    unknown_s: list[tuple[float, float]] = field(default_factory=list)
    """From when to when sweeps are gone for a reason that is told elsewhere."""
    falls: list[Fall] = field(default_factory=list)
    copies: list[tuple[str, str, int, str]] = field(default_factory=list)
    """Where, table, key and digest of each row of the ledger that a volume has a copy of."""


class DayLook:
    """One look at one day. Raises FileNotFoundError where files were merged or removed under it:
    then it is to be looked at anew."""

    def __init__(
        self,
        root: Path,
        job: str,
        day: str,
        *,
        inspector: Inspector,
        in_ledger: Mapping[str, Facts],
        has_ledger: bool,
        in_journals: NDArray[np.int64],
        is_written: bool,
    ) -> None:
        """``in_journals``: numbers that journals have of the job; ``is_written``: a station is at
        work, so that what is under way may be half done."""
        self.folder = folder_of_job(root, job) / day
        self._root, self._job, self._day = root, job, day
        self._inspector = inspector
        self._in_ledger = in_ledger
        self._has_ledger = has_ledger
        self._in_journals = in_journals
        self._is_written = is_written

    def look(self, out: Verified) -> DayFound:
        there = list_files(self._root, self._job, self._day)
        listed = self._manifest()
        files = []
        for path, name in there:
            found = self._inspector.inspect(path)
            ledger_facts = self._in_ledger.get(path.name)
            files.append(_File(path, name, (listed or {}).get(path.name), ledger_facts, found))
        if listed is None and files and not self._all_elsewhere(files):
            stands = "; the ledger's digests stand in" if self._in_ledger else ""
            self._wrong(
                out,
                MANIFEST,
                f"{self._manifest_problem}{stands}",
                "the list of the day's files with their digests",
                "acqd verify --relist makes it anew from files that are whole",
                to_list=tuple(one for one in files if one.is_good),
            )
        numbers, times = np.empty(0, np.int64), np.empty(0)
        day = DayFound(numbers, times, times, numbers)
        for one in files:
            out.files += 1
            out.size_bytes += int(one.found.get("bytes", 0))
            self._judge(out, one, files, day)
        self._missing(out, day)
        self._gone_for_a_reason(out, day, {path.name for path in (one.path for one in files)})
        self._leftovers(out, {one.path.name for one in files})
        self._gather(out, [one for one in files if one.is_readable], day)
        return day

    # -- what lists it ---------------------------------------------------------------------------

    _manifest_problem = "is missing"

    def _manifest(self) -> dict[str, dict[str, Any]] | None:
        """Names to what is listed; None where there is no list that can be read."""
        path = self.folder / MANIFEST
        try:
            body = json.loads(path.read_bytes())
            whole = body["schema"] == SCHEMA_VERSION and all(
                isinstance(one["name"], str) and isinstance(one["sha256"], str)
                for part in ("files", "removed", "set_aside")
                for one in body.get(part, [])
                if part != "set_aside" or "sha256" in one
            )
            if not whole:
                raise ValueError("another schema, or entries of another shape")
            return read_manifest(self.folder)
        except FileNotFoundError:
            self._manifest_problem = "is missing"
        except OSError as exc:
            self._manifest_problem = f"cannot be read ({exc.strerror})"
        except (ValueError, KeyError, TypeError, AttributeError) as exc:
            self._manifest_problem = f"is garbled ({type(exc).__name__})"
        return None

    # -- file by file ----------------------------------------------------------------------------

    def _judge(self, out: Verified, one: _File, files: list[_File], day: DayFound) -> None:
        if one.listed is None and one.path.name in read_removed(self.folder):
            return  # its removal was cut short, which is said with what else was removed
        agrees = one.digest_agrees
        if agrees is None:
            self._judge_unlisted(out, one, files, day)
            return
        if not agrees:
            if self._has_all(one, files):
                text = "is not the file that is listed, and all its sweeps lie elsewhere too"
                self._note(out, one.path.name, text, advice="what a kill leaves; nothing to do")
                return
            self._damaged(out, one, day)
            return
        self._compare_lists(out, one, files)
        if not one.is_readable:
            problem = str(one.found.get("problem"))
            self._wrong(out, one.path.name, f"{problem}, though it has the digest that is listed")
            day.accounted.append((one.name.first_seq, one.name.last_seq))
            return
        self._compare_inside(out, one)

    def _damaged(self, out: Verified, one: _File, day: DayFound) -> None:
        listed = one.listed or one.in_ledger or {}
        size = int(one.found.get("bytes", 0))
        if size != listed.get("bytes"):
            what, expected = f"{size:,} bytes", f"{listed.get('bytes'):,}"
        else:
            digest = str(one.found.get("sha256"))[:12]
            what, expected = f"its SHA-256 begins {digest}", str(listed.get("sha256"))[:12]
        what += f"; {self._readable(one)}"
        advice = f"{COPY}, or set it aside with --set-aside"
        sweeps = listed.get("sweeps")
        self._wrong(out, one.path.name, what, expected, advice, sweeps=sweeps, aside=True)
        day.accounted.append((one.name.first_seq, one.name.last_seq))

    @staticmethod
    def _readable(one: _File) -> str:
        """What of a damaged file could be read all the same."""
        if not one.is_readable:
            return f"nothing of it can be read: {one.found.get('problem')}"
        blocks, broken = one.found["blocks"], one.found["broken_blocks"]
        if not broken:
            return "its levels agree with the digests inside, so what changed is beside them"
        _, _, first, last = one.found["broken"][0]
        if broken == 1:
            return f"1 of {blocks} blocks of levels is broken (sweeps {first} to {last})"
        which = f"the first sweeps {first} to {last}"
        return f"{broken} of {blocks} blocks of levels are broken ({which})"

    def _judge_unlisted(self, out: Verified, one: _File, files: list[_File], day: DayFound) -> None:
        if self._has_all(one, files):
            text = "is listed nowhere, and all its sweeps lie elsewhere too"
            self._note(out, one.path.name, text, advice="what a kill leaves; nothing to do")
        elif not one.is_good:
            self._damaged_unlisted(out, one, day)
        elif self._is_written:
            self._note(out, one.path.name, "is not listed yet: the station is writing it")
        else:
            self._wrong(
                out,
                one.path.name,
                "is listed neither in the manifest nor in the ledger; its own digests agree",
                "a listed file",
                "acqd verify --relist lists it",
                sweeps=one.found.get("sweeps"),
                to_list=(one,),
            )
            self._compare_inside(out, one)

    def _damaged_unlisted(self, out: Verified, one: _File, day: DayFound) -> None:
        what = f"is listed nowhere; {self._readable(one)}"
        inside = one.found.get("inside") or []
        what += "".join(f"; {text}" for text in inside)
        advice = f"{COPY}, or set it aside with --set-aside"
        self._wrong(out, one.path.name, what, "a listed, whole file", advice, aside=True)
        day.accounted.append((one.name.first_seq, one.name.last_seq))

    def _compare_lists(self, out: Verified, one: _File, files: list[_File]) -> None:
        """Manifest, ledger and the file itself; its digest is in one of the two."""
        digest = one.found["sha256"]
        for facts, who in ((one.listed, MANIFEST), (one.in_ledger, "the ledger")):
            if facts is None:
                if who == MANIFEST or (self._has_ledger and not self._is_written):
                    self._unlisted_in(out, one, who, files)
                continue
            wrong = [] if facts.get("sha256") == digest else ["sha256"]
            wrong += [name for name in COMPARED if not self._fits(one, name, facts.get(name))]
            if wrong:
                self._wrong(
                    out,
                    MANIFEST if who == MANIFEST else "ledger.sqlite",
                    f"lists another {', '.join(wrong)} of {one.path.name} than the file has",
                    "what the file has, which is as it was written",
                    "acqd verify --relist lists it anew",
                    in_folder=who == MANIFEST,
                    to_list=(one,) if one.is_good else (),
                )

    def _unlisted_in(self, out: Verified, one: _File, who: str, files: list[_File]) -> None:
        if who == MANIFEST and not (self.folder / MANIFEST).exists():
            return  # said once for all of the day
        if who == MANIFEST and self._manifest() is None:
            return
        text = f"is not listed in {'the manifest' if who == MANIFEST else who}"
        other = "the ledger" if who == MANIFEST else "the manifest"
        if self._has_all(one, files):
            advice = "what a kill leaves; the next start or merge puts it right"
            self._note(out, one.path.name, text, advice=advice)
            return
        self._wrong(
            out,
            one.path.name,
            f"{text}; {other} lists it as it is",
            "a file that both list",
            "acqd verify --relist lists it",
            to_list=(one,) if one.is_good else (),
        )

    def _fits(self, one: _File, name: str, value: Any) -> bool:
        expected: dict[str, Any] = {
            "bytes": one.found["bytes"],
            "kind": str(one.name.kind),
            "day": self._day,
        }
        if name not in expected and not one.is_readable:
            return True
        return bool(value == expected.get(name, one.found.get(name)))

    def _compare_inside(self, out: Verified, one: _File) -> None:
        found, name = one.found, one.name
        for text in found["inside"]:
            self._wrong(out, one.path.name, text)
        if found["broken_blocks"]:
            self._wrong(out, one.path.name, self._readable(one), "", COPY, aside=True)
        says = (name.first_seq, name.last_seq, name.step, name.setup)
        has = (found["first_seq"], found["last_seq"], found["step"], found["setup"][:16])
        if says != has or found["job"] != self._job:
            self._wrong(
                out,
                one.path.name,
                f"holds sweeps {has[0]} to {has[1]} of {found['job']}, step {has[2]}, setup "
                f"{has[3]}",
                "what its name and folder say",
                "it was renamed or moved: put it back where it was",
                aside=True,
            )
        time_s = one.array("time")
        others = sorted({day_of(float(at)) for at in (time_s.min(), time_s.max())} - {self._day})
        if others:
            self._wrong(out, one.path.name, f"has sweeps of {others[0]}", f"those of {self._day}")

    # -- what else has its sweeps ----------------------------------------------------------------

    def _has_all(self, one: _File, files: list[_File]) -> bool:
        """Whether a journal and other good files have all that a file had, by its name."""
        if one.name.last_seq - one.name.first_seq >= NUMBERS_MOST:
            return False
        had = np.arange(one.name.first_seq, one.name.last_seq + 1, dtype=np.int64)
        others = [
            other.array("sequence")
            for other in files
            if other is not one and other.is_good and other.digest_agrees
        ]
        if one.is_readable and one.is_good:
            # Numbers between are of other steps: only its own must be elsewhere.
            had = one.array("sequence")
        return bool(np.isin(had, np.concatenate([self._in_journals, *others])).all())

    def _all_elsewhere(self, files: list[_File]) -> bool:
        return all(self._has_all(one, files) for one in files)

    # -- what is not there -----------------------------------------------------------------------

    def _missing(self, out: Verified, day: DayFound) -> None:
        for name, facts in missing_files(self._root, self.folder, self._in_ledger).items():
            parsed = FileName.parse(name)
            if parsed is not None and parsed.last_seq - parsed.first_seq < NUMBERS_MOST:
                had = np.arange(parsed.first_seq, parsed.last_seq + 1)
                if np.isin(had, self._in_journals).all():
                    continue
                day.accounted.append((parsed.first_seq, parsed.last_seq))
            sweeps = facts.get("sweeps")
            text = "is missing" + (f", with {sweeps:,} sweeps" if isinstance(sweeps, int) else "")
            digest = f"a file whose SHA-256 begins {str(facts.get('sha256'))[:12]}"
            self._wrong(out, name, text, digest, COPY, sweeps=sweeps)

    def _gone_for_a_reason(self, out: Verified, day: DayFound, there: set[str]) -> None:
        for name, facts in read_removed(self.folder).items():
            self._removed(out, day, name, facts, there)
        listed = {str(facts.get("kept")) for facts in read_removed(self.folder).values()}
        for path in list_kept(self._root, self._job, self._day):
            if path.name not in listed:
                self._kept(out, day, path, path.name)
        for name, facts in read_set_aside(self.folder).items():
            parsed = FileName.parse(name)
            if name in there or parsed is None:
                continue
            day.accounted.append((parsed.first_seq, parsed.last_seq))
            where = str(facts.get("path"))
            lies = "" if (self._root / where).exists() else ", and is not there"
            self._note(
                out,
                name,
                f"was set aside as {where}{lies}: {facts.get('problem')}",
                advice=f"{COPY} if there is one",
            )

    def _removed(
        self, out: Verified, day: DayFound, name: str, facts: Facts, there: set[str]
    ) -> None:
        parsed = FileName.parse(name)
        if parsed is not None:
            day.accounted.append((parsed.first_seq, parsed.last_seq))
        if name in there:
            text = "is listed as removed and lies there still"
            self._note(out, name, text, advice="the station goes on with its removal")
            return
        self._kept(out, day, self.folder / str(facts.get("kept")), name)

    def _kept(self, out: Verified, day: DayFound, kept: Path, of: str) -> None:
        """What outlived a volume that retention removed."""
        try:
            rows = read_kept(kept)
        except FileNotFoundError:
            text = f"is missing: what outlived {of}, which retention removed"
            self._wrong(out, kept.name, text, "findings, hours and counts", COPY)
        except ArchiveDamaged as exc:
            self._wrong(out, kept.name, str(exc).removeprefix(f"{kept}: "), "", COPY)
        else:
            out.files += 1
            day.accounted.append((rows.first_seq, rows.last_seq))
            day.unknown_s.append((rows.from_s - 1.0, rows.to_s + 1.0))

    def _leftovers(self, out: Verified, known: set[str]) -> None:
        kept = {path.name for path in list_kept(self._root, self._job, self._day)}
        kept |= {str(facts.get("kept")) for facts in read_removed(self.folder).values()}
        try:
            names = sorted(path.name for path in self.folder.iterdir())
        except FileNotFoundError:
            return
        half_removed = {kept_of(self.folder / name).name for name in known}
        for name in names:
            if name in known or name in kept or name == MANIFEST:
                continue
            if name.endswith(TEMPORARY_SUFFIX):
                if not self._is_written:
                    text = "was being written when a kill came"
                    self._note(out, name, text, advice="the next start clears it")
            elif name in half_removed:
                if not self._is_written:
                    text = "was written for a removal that a kill cut short"
                    self._note(out, name, text, advice="the next start removes it")
            elif FileName.parse(name) is None and (self.folder / name).exists():
                self._note(out, name, "is no file of an archive", advice="move it elsewhere")

    # -- what goes into the account --------------------------------------------------------------

    def _gather(self, out: Verified, files: list[_File], day: DayFound) -> None:
        if not files:
            return
        kinds = [np.full(one.found["sweeps"], one.name.kind == FileKind.VOLUME) for one in files]
        arrays = {name: np.concatenate([one.array(name) for one in files]) for name in ARRAYS}
        step = np.concatenate([np.full(one.found["sweeps"], one.found["step"]) for one in files])
        names = sorted({name for one in files for name in one.found["boots"]})
        place = {name: at for at, name in enumerate(names)}
        boot = np.concatenate(
            [
                np.array([place[name] for name in one.found["boots"]], np.int32)[one.array("boot")]
                for one in files
            ]
        )
        good = np.concatenate([np.full(one.found["sweeps"], one.is_good) for one in files])
        self._used_twice(out, arrays["sequence"][good], np.concatenate(kinds)[good], files)
        sequence, where = np.unique(arrays["sequence"][good], return_index=True)
        core = {name: values[good][where] for name, values in arrays.items()}
        day.sequence, day.time_s = sequence, core["time"]
        is_due = step[good][where] == 0
        day.due_s, day.due_seq = core["due"][is_due], sequence[is_due]
        day.falls = falls(
            sequence, core["time"], core["monotonic"], boot[good][where], core["flags"]
        )
        for one in files:
            if one.is_good and one.name.kind == FileKind.VOLUME:
                where_text = self._place(one.path.name)
                for table, rows in one.found["copies"].items():
                    day.copies += [(where_text, table, int(key), text) for key, text in rows]

    def _used_twice(
        self,
        out: Verified,
        sequence: NDArray[np.int64],
        is_volume: NDArray[np.bool_],
        files: list[_File],
    ) -> None:
        """Two volumes, or two segments; a volume and its segments are what a kill leaves."""
        for mask in (is_volume, ~is_volume):
            numbers, counts = np.unique(sequence[mask], return_counts=True)
            twice = numbers[counts > 1]
            if twice.size:
                self._wrong(
                    out,
                    "",
                    f"{twice.size} numbers of sweeps, {twice[0]} the first, are used twice",
                    "each number once",
                    "one of the files is a copy under another name: move it elsewhere",
                )
        both = np.isin(sequence[~is_volume], sequence[is_volume])
        if both.any() and not self._is_written:
            text = f"{int(both.sum()):,} sweeps lie in a volume and in segments"
            self._note(out, "", text, advice="what a kill leaves; the next merge removes them")

    # -- words -----------------------------------------------------------------------------------

    def _place(self, name: str) -> str:
        return (self.folder / name if name else self.folder).relative_to(self._root).as_posix()

    def _wrong(
        self,
        out: Verified,
        name: str,
        what: str,
        expected: str = "",
        advice: str = "",
        *,
        sweeps: Any = None,
        aside: bool = False,
        in_folder: bool = True,
        to_list: tuple[_File, ...] = (),
    ) -> None:
        out.add_wrong(
            where=self._place(name) if in_folder else name,
            what=what,
            expected=expected,
            advice=advice,
            job=self._job,
            day=self._day,
            sweeps=sweeps if isinstance(sweeps, int) else None,
            can_be_set_aside=aside,
            to_list=tuple(self._place(one.path.name) for one in to_list),
        )

    def _note(self, out: Verified, name: str, what: str, advice: str = "") -> None:
        out.add_note(
            where=self._place(name), what=what, advice=advice, job=self._job, day=self._day
        )
