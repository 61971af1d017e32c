"""What ``acqd driver new`` writes: a distribution with a driver that keeps the contract at once.

The files beside this one are its templates; ``@NAME@`` and its like stand for what depends on the
name.
"""

from __future__ import annotations

import keyword
import re
from importlib.resources import files
from pathlib import Path
from typing import Final

from acqd.errors import WrongUsage

__all__ = ["FILES", "write_skeleton"]

FILES: Final = {
    "pyproject.toml": "pyproject.toml.in",
    "README.md": "README.md.in",
    "src/@PACKAGE@/__init__.py": "init.py.in",
    "src/@PACKAGE@/driver.py": "driver.py.in",
    "src/@PACKAGE@/simulated.py": "simulated.py.in",
    "src/@PACKAGE@/py.typed": None,
    "tests/test_driver.py": "test_driver.py.in",
}
"""Path in the new distribution, and the template it is made from; None is an empty file."""

NAME: Final = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
NAME_MOST: Final = 30
ACCEPTED: Final = (
    f"small letters and digits, with single hyphens between, at most {NAME_MOST} of them, "
    f"such as gannet-line"
)


def write_skeleton(name: str, folder: Path) -> Path:
    """Write a distribution for the driver ``name`` to ``folder``/acqd-``name``; where it is.

    Raises:
        WrongUsage: no name for a driver, or something is there already; nothing was written.
    """
    if not NAME.fullmatch(name) or len(name) > NAME_MOST:
        raise WrongUsage(f"{name!r} is no name for a driver; accepted: {ACCEPTED}")
    package = f"acqd_{name.replace('-', '_')}"
    words = {
        "@NAME@": name,
        "@DISTRIBUTION@": f"acqd-{name}",
        "@PACKAGE@": package,
        "@CLASS@": "".join(part.capitalize() for part in name.split("-")),
    }
    assert not keyword.iskeyword(package)
    target = folder / words["@DISTRIBUTION@"]
    if target.exists():
        raise WrongUsage(f"{target} is there already; name another, or move it away")
    if not folder.is_dir():
        raise WrongUsage(f"there is no folder {folder}; make it first")
    templates = files(__package__)
    for path, template in FILES.items():
        text = "" if template is None else (templates / template).read_text("utf-8")
        file = target / _filled(path, words)
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(_filled(text, words), "utf-8")
        except OSError as exc:
            raise WrongUsage(
                f"{file} cannot be written: {exc.strerror}; name another folder with --in, and "
                f"remove what was begun"
            ) from exc
    return target


def _filled(text: str, words: dict[str, str]) -> str:
    for word, value in words.items():
        text = text.replace(word, value)
    return text
