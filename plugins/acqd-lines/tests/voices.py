"""The simulator's instruments that speak invented languages, and what a command came to."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

SCENE = Path(__file__).parents[3] / "configs" / "scenes" / "gannet-voices.toml"
SPEAK = {"hut": "tern", "rail": "skua", "loft": "dunlin"}
"""Which instrument of the scene speaks which language."""


@dataclass(frozen=True)
class Ran:
    """What a command came to."""

    code: int
    out: str
    err: str
