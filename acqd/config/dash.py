"""The ``[dash]`` table: the live page, served from within ``acqd run``."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from acqd.config.models import TopicLevel
from acqd.config.mqtt import Endpoint, Host, HostPort, host_and_port
from acqd.config.tables import PathText, Table

__all__ = ["DashTable"]


class DashTable(Table):
    """``[dash]``: a process beside the station that serves the live page."""

    address: HostPort = "127.0.0.1:8471"
    token_file: PathText | None = None
    stations: Annotated[tuple[TopicLevel, ...], Field(max_length=32)] = ()
    names: Annotated[tuple[Host, ...], Field(max_length=20)] = ()

    @property
    def endpoint(self) -> Endpoint:
        """Where it listens."""
        return host_and_port(self.address)
