"""The file of an evening: where it is, and how it appears: whole, and over nothing."""

from __future__ import annotations

import os
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from acqd.errors import AcqdError

__all__ = ["FILE_NAME", "place_of", "put_aside", "refuse_unwritable_folder", "write_new"]

FILE_NAME = "station.toml"


def place_of(config: str | None, folder: str | None) -> Path:
    """The file that is meant: ``config``, else ``station.toml`` in ``folder``, else here."""
    if config is not None:
        path = Path(os.path.expanduser(config))
        return path / FILE_NAME if path.is_dir() else path
    return Path(os.path.expanduser(folder or ".")) / FILE_NAME


def refuse_unwritable_folder(path: Path) -> None:
    """Make the folder of a file to come, and see that it can be written to, before anything is
    asked.

    Raises:
        AcqdError: it cannot; one line with the reason and what to do.
    """
    folder = path.parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as exc:
        raise AcqdError(
            f"{folder.absolute()}: cannot be written to: {exc.strerror or exc}; go to a folder of "
            "your own, or name one with --folder"
        ) from exc


def put_aside(path: Path, *, zone: str) -> Path:
    """Give a file that is there another name, by when it was last written; its new path.

    Raises:
        AcqdError: it cannot be renamed.
    """
    try:
        written = datetime.fromtimestamp(path.stat().st_mtime, UTC).astimezone(ZoneInfo(zone))
        for number in range(1000):
            more = f"-{number}" if number else ""
            place = path.with_name(f"{path.stem}-{written:%Y-%m-%d-%H%M}{more}{path.suffix}")
            if not place.exists():
                path.rename(place)
                return place
    except OSError as exc:
        raise AcqdError(f"{path}: cannot be put aside: {exc.strerror or exc}") from exc
    raise AcqdError(f"{path}: a thousand files of that time lie there; tidy them up")


def write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet, whole or not at all.

    Raises:
        AcqdError: one is there by now, or it cannot be written.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with beside.open("x", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            raise AcqdError(f"{path}: somebody wrote it meanwhile; it was left alone")
        beside.replace(path)
    except OSError as exc:
        raise AcqdError(
            f"{path}: cannot be written: {exc.strerror or exc}; nothing is left"
        ) from exc
    finally:
        beside.unlink(missing_ok=True)
