"""``acqd contract``: the AsyncAPI document of everything that a station says."""

from __future__ import annotations

import click

from acqd.cli.options import takes_config

__all__ = ["command"]


@click.command("contract")
@takes_config
def command(config: str | None) -> None:
    """Print the AsyncAPI 3 document of all messages, as JSON.

    With a CONFIG its station, topic root and broker stand in the document.
    """
    import json

    from acqd.publish.asyncapi import asyncapi_document

    if config is None:
        document = asyncapi_document()
    else:
        from acqd.config.load import find_config, load_config

        loaded = load_config(find_config(config))
        endpoint = loaded.mqtt.endpoint
        document = asyncapi_document(
            root=loaded.mqtt.topic_root,
            station=loaded.station.name,
            **({} if endpoint is None else {"host": str(endpoint)}),
        )
    click.echo(json.dumps(document, indent=2, ensure_ascii=False))
