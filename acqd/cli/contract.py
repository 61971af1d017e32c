"""``acqd contract``: the AsyncAPI document of everything that a station says."""

from __future__ import annotations

import click

__all__ = ["command"]


@click.command("contract")
@click.argument("config", required=False, type=click.Path())
def command(config: str | None) -> None:
    """Print the AsyncAPI 3 document of all messages, as JSON.

    With a CONFIG its broker and topic root stand in the document.
    """
    import json

    from acqd.publish.asyncapi import asyncapi_document

    if config is None:
        document = asyncapi_document()
    else:
        from acqd.config.load import find_config, load_config

        mqtt = load_config(find_config(config)).mqtt
        document = asyncapi_document(endpoint=mqtt.endpoint, topic_root=mqtt.topic_root)
    click.echo(json.dumps(document, indent=2, ensure_ascii=False))
