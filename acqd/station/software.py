"""What measures here: programs, libraries and machine, as each setup in the archive has them."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from types import MappingProxyType

import numpy as np

__all__ = ["LIBRARIES", "software_here"]

LIBRARIES = ("acqd", "numpy", "h5py", "deflate")


@cache
def software_here() -> Mapping[str, str]:
    """Versions by name; ``machine`` is the system, its processor's family and vector extensions.

    Where all of it is the same, the same arithmetic gives the same bits: numpy chooses its loops by
    the vector extensions that it finds.
    """
    found = {}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    found["python"] = platform.python_version()
    found["machine"] = " ".join((platform.system(), platform.machine(), *_extensions()))
    return MappingProxyType(found)


def _extensions() -> list[str]:
    """Vector extensions of this processor that numpy has loops for."""
    said = np.show_config(mode="dicts")
    extensions = {} if said is None else said.get("SIMD Extensions", {})
    return [str(one) for one in extensions.get("found", ())]
