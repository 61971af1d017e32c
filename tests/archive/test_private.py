"""Who else on this machine may read and write what of an archive; as another user where we may."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from acqd.archive.private import at_risk, close_folder, open_private, prepare_database
from acqd.archive.writer import ArchiveWriter
from acqd.clock import SystemClock
from acqd.errors import ArchiveError

PRIVATE = ("lock", "ballast", "ledger.sqlite", "plan.json")
NOBODY = 65534

needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user here")


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


@pytest.fixture(params=[0o000, 0o022, 0o077], ids=["umask 000", "umask 022", "umask 077"])
def umask(request: pytest.FixtureRequest) -> Iterator[int]:
    before = os.umask(request.param)
    yield request.param
    os.umask(before)


def opened(root: Path) -> ArchiveWriter:
    writer = ArchiveWriter.open(
        root, station="gannet-ledge", run_id="run-1", clock=SystemClock(), keep_free_bytes=1 << 20
    )
    writer.begin(())
    return writer


AS_NOBODY = """\
import contextlib, io, os, sys, traceback
{prepare}
def work():
    try:
        {do}
    except SystemExit as exc:
        return exc.code
with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
    work()
os.setgroups([])
os.setresgid({nobody}, {nobody}, {nobody})
os.setresuid({nobody}, {nobody}, {nobody})
sys.exit(work())
"""
"""Does it once as root, so that all that is imported is: nobody may not get at this Python."""


def as_nobody(do: str, *words: str, prepare: str = "") -> subprocess.CompletedProcess[str]:
    """Run a statement of Python as a user who is nobody here."""
    code = AS_NOBODY.format(prepare=prepare, do=do, nobody=NOBODY)
    return subprocess.run(
        [sys.executable, "-c", code, *words],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        cwd=Path(words[0]).parent,
    )


def test_what_is_written_first_is_its_users_alone(tmp_path: Path, umask: int) -> None:
    """Journals, their logs, the ledger, lock and ballast, whatever the umask; the folder of the
    sweeps is as the umask has it."""
    root = tmp_path / "archive"
    writer = opened(root)
    writer.record_plan("{}", 0.0).result(10.0)
    try:
        (journal,) = (root / "journals").glob("*.sqlite")
        private = [root / name for name in PRIVATE] + list((root / "journals").iterdir())
        private += [path for path in root.iterdir() if "sqlite" in path.name]
        assert {path.name: oct(mode(path)) for path in private if mode(path) != 0o600} == {}
        assert journal.with_name(f"{journal.name}-wal") in private
        assert mode(root / "journals") == 0o700
        assert mode(root) == 0o777 & ~umask
    finally:
        writer.close(())


def test_what_an_earlier_acqd_left_open_is_closed(tmp_path: Path) -> None:
    """At the next opening for writing; nothing in it is lost."""
    root = tmp_path / "archive"
    writer = opened(root)
    writer.record_plan("{}", 0.0).result(10.0)
    writer.close((), seal=False)
    wide = [root / "journals", *(root / "journals").iterdir(), *(root / name for name in PRIVATE)]
    for path in wide:
        path.chmod(0o777 if path.is_dir() else 0o666)
    writer = opened(root)
    writer.record_plan("{}", 1.0).result(10.0)
    writer.close(())
    left = {path.name: oct(mode(path)) for path in wide if path.exists() and mode(path) & 0o077}
    assert left in ({}, {"ballast": "0o666"})  # a ballast holds nothing
    assert mode(root / "journals") == 0o700


@pytest.mark.parametrize("name", ["lock", "ledger.sqlite"])
def test_a_link_in_the_place_of_a_file_spoils_nothing(tmp_path: Path, name: str) -> None:
    """Who may write in the folder cannot have the station write into a file of its user's by it."""
    root, target = tmp_path / "archive", tmp_path / "diary"
    root.mkdir()
    target.write_text("dear diary")
    (root / name).symlink_to(target)
    with pytest.raises(ArchiveError, match=rf"{name}: is a link") as caught:
        opened(root)
    assert "\n" not in str(caught.value)
    assert target.read_text() == "dear diary"


def test_a_pipe_in_the_place_of_a_file_holds_nobody_up(tmp_path: Path) -> None:
    """It is refused at once."""
    os.mkfifo(tmp_path / "lock")
    with pytest.raises(ArchiveError, match="no plain file"):
        open_private(tmp_path / "lock")
    with pytest.raises(ArchiveError, match="cannot be opened for writing"):
        prepare_database(tmp_path)


def test_a_folder_that_others_may_write_in_is_told(tmp_path: Path) -> None:
    """In a sentence with the command that helps; /tmp's sticky bit does as well."""
    root = tmp_path / "archive"
    opened(root).close(())
    assert at_risk(root) == ()
    root.chmod(0o777)
    (said,) = at_risk(root)
    assert f"chmod go-w {root}" in said
    root.chmod(0o1777)
    assert at_risk(root) == ()
    assert at_risk(tmp_path / "none") == ()


@pytest.fixture
def shared() -> Iterator[Path]:
    """A folder that every user may enter and read, unlike pytest's own."""
    with tempfile.TemporaryDirectory(prefix="acqd-test-") as name:
        Path(name).chmod(0o755)
        yield Path(name)


@needs_root
def test_another_user_reads_no_journal_and_no_ledger(shared: Path) -> None:
    """The kernel refuses him, though he may list the archive's folder."""
    root = shared / "archive"
    writer = opened(root)
    writer.record_plan("{}", 0.0).result(10.0)
    writer.close((), seal=False)
    for path in (*(root / name for name in PRIVATE), *(root / "journals").iterdir()):
        done = as_nobody("open(sys.argv[1], 'rb').read(1)", str(path))
        assert "PermissionError" in done.stderr, path
    assert as_nobody("os.listdir(sys.argv[1])", str(root)).returncode == 0


@needs_root
def test_another_user_is_told_whose_archive_it_is(shared: Path) -> None:
    """One clear line, and no traceback; also where he finds no ledger and only the journals."""
    root = shared / "archive"
    opened(root).close((), seal=False)
    prepare = "import pwd; from acqd.cli import main"
    for _ in range(2):
        done = as_nobody("main(['report', sys.argv[1]])", str(root), prepare=prepare)
        assert done.returncode in (1, 2)
        assert "Traceback" not in done.stderr
        assert "sudo -u root" in done.stderr and done.stderr.count("\n") == 1, done.stderr
        (root / "ledger.sqlite").unlink(missing_ok=True)


OPEN = """\
from pathlib import Path
from acqd.archive.writer import ArchiveWriter
from acqd.clock import SystemClock
def opened():
    try:
        one = ArchiveWriter.open(Path(sys.argv[1]), station="g", run_id="r", clock=SystemClock())
        one.close(())
    except Exception as exc:
        print(type(exc).__name__, exc)
"""


@needs_root
def test_another_user_cannot_write_it_and_is_told(shared: Path) -> None:
    """As is who runs the station as the wrong user."""
    root = shared / "archive"
    opened(root).close((), seal=False)
    done = as_nobody("opened()", str(root), prepare=OPEN)
    assert done.stdout.startswith("ArchiveError"), done.stderr
    assert "run this as the user who made the archive" in done.stdout


@needs_root
def test_an_archive_of_another_users_is_told(tmp_path: Path) -> None:
    """Its owner could take all away; to write it as somebody who may not is one clear line."""
    root = tmp_path / "archive"
    opened(root).close(())
    os.chown(root, NOBODY, NOBODY)
    (said,) = at_risk(root)
    assert "belongs to another user" in said and "chown" in said


def test_folders_of_others_are_left_alone(tmp_path: Path) -> None:
    """A link is not followed, and what is not there is no error."""
    there = tmp_path / "there"
    there.mkdir(mode=0o755)
    (tmp_path / "link").symlink_to(there)
    close_folder(tmp_path / "link")
    assert mode(there) == 0o755
    close_folder(tmp_path / "none")
