"""The files that somebody who joined needs: the password, and the certificate to trust."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from acqd.publish.sharing_line import JoinLine

__all__ = ["ca_name", "password_name", "write_secrets"]


def password_name(joined: JoinLine) -> str:
    """The name of the file of the password; several who join on one machine have one each."""
    return f"{joined.user}-at-{joined.of}.password"


def ca_name(joined: JoinLine) -> str:
    """The name of the file of the certificate."""
    return f"{joined.of}.pem"


def write_secrets(joined: JoinLine, folder: Path) -> tuple[Path | None, Path | None]:
    """Write both into ``folder``, for this user alone: where they are, None for what is not needed.

    Raises:
        WrongUsage: they cannot be written.
    """
    from acqd.errors import WrongUsage
    from acqd.publish.sharing import write_private

    password = ca_file = None
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if joined.password is not None:
            password = folder / password_name(joined)
            write_private(password, joined.password + "\n")
        if joined.authority is not None:
            ca_file = folder / ca_name(joined)
            write_private(ca_file, joined.authority)
    except OSError as exc:
        raise WrongUsage(f"{folder} cannot be written: {exc.strerror or exc}") from exc
    return password, ca_file
