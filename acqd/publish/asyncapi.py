"""The whole contract as an AsyncAPI 3 document, made from the table of topics and the models.

Nothing is written down twice: channels, delivery and retention come from
:data:`acqd.publish.topics.CHANNELS`, payloads from the JSON schemas of the message models.
"""

from __future__ import annotations

import re
from typing import Any

from pydantic.json_schema import models_json_schema

from acqd import __version__
from acqd.publish.messages import CURVE, HEARD, MESSAGES, PARTS, Command, Summary, Trace
from acqd.publish.topics import CHANNELS, DEFAULT_ROOT, LEVEL_PATTERN, PARAMETERS, TopicSpec

__all__ = ["VALUE", "asyncapi_document"]

VERSION = "3.0.0"
"""Of the AsyncAPI specification; nothing of 3.1 is needed, and more readers know 3.0."""

BINDING_VERSION = "0.2.0"

VALUE = "Value"
"""Name of the one message that is not a JSON object."""

LEFT_OUT = {Summary.__name__: PARTS, Trace.__name__: CURVE, Command.__name__: ("who",)}
"""What messages are sent without, where there is none of it."""

MODELS = (*MESSAGES, *HEARD)
TITLES = {Command.__name__: "command/1"}
"""Of those whose schema has no default: who sends it has to say so."""

_REF = "#/components/schemas/{model}"


def asyncapi_document(
    *, root: str = DEFAULT_ROOT, station: str | None = None, host: str = "127.0.0.1:1883"
) -> dict[str, Any]:
    """The contract of a station as plain JSON data.

    Args:
        root: what topics begin with.
        station: the station's name, in place of the parameter; None leaves that open.
        host: host and port of the broker.
    """
    return {
        "asyncapi": VERSION,
        "info": {
            "title": "acqd",
            "version": __version__,
            "description": (
                "What a station publishes about its sweeps. Topics with retain hold the newest "
                "state. Findings come at QoS 1 until the broker has acknowledged them, numbered "
                "from 1 without gaps per job, so one may come twice and none is missing; a "
                "catch-up message says which ones to fetch from the archive. Everything else is "
                "live: the newest only."
            ),
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "servers": {"broker": {"host": host, "protocol": "mqtt"}},
        "channels": {spec.name: _channel(spec, root, station) for spec in CHANNELS},
        "operations": {
            f"{_action(spec)}{_capital(spec.name)}": _operation(spec) for spec in CHANNELS
        },
        "components": {"messages": _messages(), "schemas": _schemas()},
    }


def _address(spec: TopicSpec, root: str, station: str | None) -> str:
    pattern = spec.pattern if station is None else spec.pattern.replace("{station}", station)
    return f"{root}/{pattern}"


def _channel(spec: TopicSpec, root: str, station: str | None) -> dict[str, Any]:
    address = _address(spec, root, station)
    channel: dict[str, Any] = {
        "address": address,
        "description": spec.summary,
        "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in spec.messages},
    }
    names = re.findall(r"{(\w+)}", address)
    if names:
        rule = f"Matches {LEVEL_PATTERN}"
        channel["parameters"] = {
            name: {"description": f"{PARAMETERS[name]} {rule}"} for name in names
        }
    return channel


def _operation(spec: TopicSpec) -> dict[str, Any]:
    return {
        "action": _action(spec),
        "channel": {"$ref": f"#/channels/{spec.name}"},
        "summary": spec.summary,
        "messages": [{"$ref": f"#/channels/{spec.name}/messages/{name}"} for name in spec.messages],
        "bindings": {
            "mqtt": {"qos": spec.qos, "retain": spec.retain, "bindingVersion": BINDING_VERSION}
        },
    }


def _action(spec: TopicSpec) -> str:
    """What the station does on a channel."""
    return "receive" if spec.received else "send"


def _messages() -> dict[str, Any]:
    messages: dict[str, Any] = {}
    for model in MODELS:
        name = model.__name__
        messages[name] = {
            "name": name,
            "title": TITLES.get(name) or str(model.model_fields["schema_"].default),
            "summary": (model.__doc__ or "").strip().split("\n")[0],
            "contentType": "application/json",
            "payload": {"$ref": _REF.format(model=name)},
        }
    messages[VALUE] = {
        "name": VALUE,
        "title": "value",
        "summary": "A bare number as text.",
        "contentType": "text/plain",
        "payload": {"$ref": _REF.format(model=VALUE)},
    }
    return messages


def _schemas() -> dict[str, Any]:
    """The schemas of all messages and their parts, by name, none nested in another."""
    _, document = models_json_schema(
        [(model, "serialization") for model in MODELS], ref_template=_REF, by_alias=True
    )
    schemas: dict[str, Any] = dict(document["$defs"])
    for name, schema in schemas.items():
        # All of it is always sent, also what has a default when it is built; but a summary has the
        # parts of its own kind alone, and a trace a curve where its kind makes one.
        left_out = LEFT_OUT.get(name, ())
        schema["required"] = sorted(set(schema.get("properties", {})) - set(left_out))
    schemas[VALUE] = {"type": "number", "description": "A finite number, in a text payload."}
    return schemas


def _capital(name: str) -> str:
    return name[0].upper() + name[1:]
