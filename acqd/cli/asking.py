"""What ``acqd pause``, ``acqd resume`` and ``acqd sweep`` share: one question to the station."""

from __future__ import annotations

import click

__all__ = ["ask_of_job"]


def ask_of_job(verb: str, job: str, config: str | None) -> None:
    """Have the running station do ``verb`` for ``job``, and print what came of it.

    Raises:
        SweeperError: no station runs, or it cannot be done now.
    """
    from acqd.config.load import find_config, load_config
    from acqd.errors import SweeperError
    from acqd.station.control import ask_station
    from acqd.station.noting import user_name

    loaded = load_config(find_config(config))
    told = ask_station(loaded.archive, {"do": verb, "job": job, "who": user_name()})
    if told is None:
        raise SweeperError(f"no station runs on {loaded.archive}; start it with acqd run")
    click.echo(told["text"])
