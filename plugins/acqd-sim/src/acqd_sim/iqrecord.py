"""Writes what a receiver's converter would give as a SigMF recording, with the truth beside it."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

from acqd_sim.iq import IqSettings, IqSource, WrongIq
from acqd_sim.scene import Emitted
from acqd_sim.scenefile import World

__all__ = ["record"]

META_SUFFIX: Final = ".sigmf-meta"
DATA_SUFFIX: Final = ".sigmf-data"
BLOCK_SAMPLES: Final = 1 << 16
BYTES_MOST: Final = 20_000_000_000
LASTS_LEAST_S: Final = 0.001


def record(
    world: World, name: str, settings: IqSettings, *, start_s: float, lasts_s: float, out: Path
) -> int:
    """Record instrument ``name`` of ``world``; returns the number of samples.

    The data come first, under temporary names, and the metadata last, so what has metadata is
    whole. Files of those names are replaced.

    Raises:
        WrongIq: no such instrument, or a length or a name that cannot be.
        OSError: a file cannot be written.
    """
    if name not in world.models:
        raise WrongIq(f"there is no instrument {name!r}; the scene has: {', '.join(world.models)}")
    if not out.name.endswith(META_SUFFIX) or out.name == META_SUFFIX:
        raise WrongIq(f"{out}: a recording is called NAME{META_SUFFIX}")
    samples = round(lasts_s * settings.rate_hz)
    if lasts_s < LASTS_LEAST_S or samples * settings.frame_bytes > BYTES_MOST:
        most_s = BYTES_MOST / settings.frame_bytes / settings.rate_hz
        raise WrongIq(f"a recording lasts {LASTS_LEAST_S:g} s to {most_s:.6g} s at this rate")
    data = out.with_name(out.name.removesuffix(META_SUFFIX) + DATA_SUFFIX)
    source = IqSource(world.receiver(name), settings, start_s=start_s)
    sha512 = _write_data(data, source, samples)
    hookup = world.hookups[name]
    truth = hookup.scene.truth(start_s, start_s + lasts_s)
    annotations = [one for emitted in truth if (one := _annotation(emitted, settings, start_s))]
    meta = _metadata(world, name, settings, start_s, sha512, annotations)
    _write_whole(out, json.dumps(meta, indent=2).encode())
    return samples


def _write_data(data: Path, source: IqSource, samples: int) -> str:
    state = hashlib.sha512()
    temporary = data.with_name(f".{data.name}.{os.getpid()}")
    try:
        with temporary.open("wb") as file:
            left = samples
            while left:
                block = source.block(min(left, BLOCK_SAMPLES))
                left -= min(left, BLOCK_SAMPLES)
                state.update(block)
                file.write(block)
        temporary.replace(data)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise
    return state.hexdigest()


def _write_whole(path: Path, content: bytes) -> None:
    temporary = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        temporary.write_bytes(content)
        temporary.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise


def _metadata(
    world: World,
    name: str,
    settings: IqSettings,
    start_s: float,
    sha512: str,
    annotations: list[dict[str, Any]],
) -> dict[str, Any]:
    identity = world.models[name].identity
    began = datetime.fromtimestamp(start_s, UTC).isoformat(timespec="microseconds")
    return {
        "global": {
            "core:datatype": settings.type,
            "core:sample_rate": settings.rate_hz,
            "core:version": "1.0.0",
            "core:num_channels": 1,
            "core:sha512": sha512,
            "core:hw": f"{identity.maker} {identity.model} (simulated)".strip(),
            "core:recorder": f"acqd-sim {version('acqd-sim')}",
            "core:description": (
                f"{world.title}: {name}, simulated. Full scale is {settings.full_scale_dbm:g} dBm."
            ),
        },
        "captures": [
            {
                "core:sample_start": 0,
                "core:frequency": settings.centre_hz,
                "core:datetime": began.replace("+00:00", "Z"),
            }
        ],
        "annotations": sorted(annotations, key=lambda one: int(one["core:sample_start"])),
    }


def _annotation(emitted: Emitted, settings: IqSettings, start_s: float) -> dict[str, Any] | None:
    """What was true, where it reaches into the band; None where it does not."""
    low_hz = emitted.frequency_hz - emitted.bandwidth_hz / 2.0
    high_hz = emitted.frequency_hz + emitted.bandwidth_hz / 2.0
    band_hz = (
        settings.centre_hz - settings.rate_hz / 2.0,
        settings.centre_hz + settings.rate_hz / 2.0,
    )
    if emitted.kind == "comb":
        low_hz, high_hz = emitted.frequency_hz, emitted.bandwidth_hz
    if high_hz < band_hz[0] or low_hz > band_hz[1]:
        return None
    first = max(0, round((emitted.start_s - start_s) * settings.rate_hz))
    last = round((emitted.stop_s - start_s) * settings.rate_hz)
    if last <= first:
        return None
    return {
        "core:sample_start": first,
        "core:sample_count": last - first,
        "core:freq_lower_edge": max(low_hz, band_hz[0]),
        "core:freq_upper_edge": min(high_hz, band_hz[1]),
        "core:label": emitted.name,
        "core:comment": f"{emitted.kind}, {emitted.power_dbm:.2f} dBm at the aerial's socket",
    }
