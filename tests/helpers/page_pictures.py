"""The pictures of the first pages, from a walk of each; ``tools/pages`` runs it."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from pages import DOCS, Walk, walk

PICTURES = {
    "first-filter.md": (("archive", ("--seq", "last"), "first-filter"),),
    "second-harmonic.md": (("archive", ("--what", "sweep", "--seq", "last"), "second-harmonic"),),
    "neighbour.md": (
        (
            "archive",
            ("--from", "2026-11-02T17:00Z", "--to", "2026-11-09T00:00Z"),
            "neighbour",
        ),
        ("lamp-archive", (), "neighbour-trial"),
    ),
    "first-night.md": (("archive", ("--job", "marine-vhf"), "first-night"),),
}
"""Of each page: archive in its folder, options of ``acqd plot``, name of the picture."""

DPI = "52"


def draw(page: str, folder: Path) -> None:
    """The pictures of a page, from the archives that its walk left in ``folder``."""
    for archive, options, name in PICTURES[page]:
        to = DOCS / "pictures" / f"{name}.png"
        command = [str(Path(sys.executable).parent / "acqd"), "plot", archive, *options]
        subprocess.run([*command, "--dpi", DPI, "-o", str(to)], cwd=folder, check=True)


def main(pages: list[str]) -> int:
    """Walk the pages that are named, else all; exit code 1 where one shows what does not come."""
    code = 0
    for page in pages or PICTURES:
        with tempfile.TemporaryDirectory(prefix="acqd-page-") as place:
            folder = Path(place) / "here"
            folder.mkdir()
            for wrong in walk(page, Walk(folder, Path(place) / "home")):
                code = 1
                sys.stderr.write(f"{page}: {wrong}\n\n")
            draw(page, folder)
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
