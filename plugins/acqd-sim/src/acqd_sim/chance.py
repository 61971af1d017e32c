"""Chance that can be asked again: numbers that depend on a key and a counter, and on nothing else.

What a scene does at an instant must be the same in every process that looks, in whatever order it
looks. So nothing here keeps a state: the n-th number of a stream is a hash of the stream's key and
of n (the finaliser of a 64-bit mixing generator; Steele, Lea and Flood, 2014, from memory).
"""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["exponential", "generator", "normal", "stream_key", "unit"]

Float = NDArray[np.float64]

_STEP = np.uint64(0x9E3779B97F4A7C15)
_MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX_2 = np.uint64(0x94D049BB133111EB)
_WORD = (1 << 64) - 1


def stream_key(seed: int, *names: str | int) -> int:
    """64-bit key of the stream called ``names`` under ``seed``; the same on every machine."""
    text = "\x1f".join(str(name) for name in (seed, *names))
    return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=8).digest(), "little")


def unit(key: int, counter: ArrayLike, salt: int = 0) -> Float:
    """Even numbers in (0, 1) of ``counter`` (any integers), float64 of its shape.

    ``salt`` gives several independent numbers for one counter.
    """
    state = np.atleast_1d(np.asarray(counter, dtype=np.int64)).astype(np.uint64)
    first = np.uint64((key + salt * 0xD1342543DE82EF95) & _WORD)
    state = (state + first) * _STEP
    for _ in range(2):
        state = (state ^ (state >> np.uint64(30))) * _MIX_1
        state = (state ^ (state >> np.uint64(27))) * _MIX_2
        state = (state ^ (state >> np.uint64(31))) + first
    # 53 bits, moved by half a step so that neither 0 nor 1 can come out
    even = ((state >> np.uint64(11)).astype(np.float64) + 0.5) * 2.0**-53
    return even.reshape(np.shape(counter)) if np.ndim(counter) else even.reshape(())


def exponential(key: int, counter: ArrayLike, salt: int = 0) -> Float:
    """Exponential numbers of mean 1."""
    return np.asarray(-np.log(unit(key, counter, salt)))


def normal(key: int, counter: ArrayLike, salt: int = 0) -> Float:
    """Normal numbers of mean 0 and standard deviation 1, from pairs of even ones (Box, Muller)."""
    radius = np.sqrt(2.0 * exponential(key, counter, 2 * salt + 101))
    return np.asarray(radius * np.cos(2.0 * np.pi * unit(key, counter, 2 * salt + 102)))


def generator(seed: int, *names: str | int) -> np.random.Generator:
    """A fresh generator for one sweep: counter-based, so the same key gives the same numbers."""
    key = np.array([stream_key(seed, *names), seed & _WORD], dtype=np.uint64)
    return np.random.Generator(np.random.Philox(key=key))
