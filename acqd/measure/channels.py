"""Channel plans: names for pieces of the spectrum."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Channel", "ChannelPlan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One channel. ``name`` is as people call it; ``key`` the same fit for an MQTT topic level."""

    name: str
    centre_hz: float
    width_hz: float
    note: str = ""

    @property
    def start_hz(self) -> float:
        return self.centre_hz - self.width_hz / 2.0

    @property
    def stop_hz(self) -> float:
        return self.centre_hz + self.width_hz / 2.0

    @property
    def key(self) -> str:
        kept = "".join(c if c.isascii() and c.isalnum() else "-" for c in self.name.lower())
        return kept.strip("-")[:32] or "unnamed"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelPlan:
    """Channels in the order of the file. ``edition`` says which publication the file follows."""

    name: str
    title: str
    edition: str
    channels: tuple[Channel, ...]
