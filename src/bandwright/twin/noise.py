"""Seeded noise that can be asked for at any time, in any order, and answers the same.

A process here has no state. It is a sum of tilings of the time axis: a tiling has a width and an offset of its own, and each of
its tiles carries one standard normal number that is a hash of (key, number of the tile). A tiling of width w and random offset
has the covariance max(0, 1 - |dt|/w); the second derivative of exp(-r/tau) says in which proportion widths must be mixed for
the sum to have the covariance exp(-|dt|/tau): w follows a gamma distribution of shape 2 and scale tau, since
exp(-r/tau) = integral of (1 - r/w)+ (w/tau^2) exp(-w/tau) dw. So each process is Gaussian at each time whatever the number of tilings, and
has the covariance of an Ornstein-Uhlenbeck process over the draws of its widths. One batch of numpy operations evaluates
all processes of a setup.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["Batch", "Part", "Process", "key_of", "unit_normals", "unit_uniform", "unit_uniforms"]

Floats = NDArray[np.float64]
Keys = NDArray[np.uint64]

_TILINGS = 5  # per Ornstein-Uhlenbeck part; the marginal is exactly normal for any number
_GOLDEN = 0x9E3779B97F4A7C15
_MASK = (1 << 64) - 1
_STEP, _FIRST, _SECOND, _LOW = np.uint64(_GOLDEN), np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB), np.uint64(0xFFFFFFFF)
_12, _27, _30, _31, _32 = (np.uint64(n) for n in (12, 27, 30, 31, 32))
_WIDTH_LOW, _WIDTH_HIGH = 0.02, 16.0  # in tau: beyond lie 0.02 % and 0.0002 % of the gamma distribution


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a process. share: of the process's variance. held: constant within cells of width tau_s that start at offset_s."""

    key: str
    tau_s: float
    share: float
    held: bool = False
    offset_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Process:
    """A process of mean 0 and variance 1: its parts, and the times after the one asked for at which it is wanted.

    uniform: 0..1 instead of normal; it must then have one part, held.
    """

    name: str
    parts: tuple[Part, ...]
    at_s: tuple[float, ...] = (0.0,)
    uniform: bool = False


def key_of(*words: object) -> int:
    """Return a 64-bit key of some words. The same words give the same key on each platform and in each process."""
    text = "\x1f".join(map(str, words)).encode()
    return int.from_bytes(hashlib.blake2b(text, digest_size=8).digest(), "little")


def _mixed(x: Keys) -> Keys:
    """Return the SplitMix64 finaliser of each number. Source: Steele, Lea, Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014."""
    x = x ^ (x >> _30)
    x *= _FIRST
    x ^= x >> _27
    x *= _SECOND
    x ^= x >> _31
    return x


def _uniforms(mixed: Keys) -> Floats:
    return ((mixed >> _12).astype(np.float64) + 0.5) * 2.0**-52


def _normals(mixed: Keys) -> Floats:
    first = ((mixed >> _32).astype(np.float64) + 0.5) * 2.0**-32
    second = (mixed & _LOW).astype(np.float64) * (2.0 * math.pi * 2.0**-32)
    return np.sqrt(-2.0 * np.log(first)) * np.cos(second)


def unit_uniform(key: int) -> float:
    """Return one number in (0, 1) for a key: that of `unit_uniforms`, faster for a single one."""
    x = key ^ (key >> 30)
    x = x * 0xBF58476D1CE4E5B9 & _MASK
    x ^= x >> 27
    x = x * 0x94D049BB133111EB & _MASK
    return (((x ^ (x >> 31)) >> 12) + 0.5) * 2.0**-52


def unit_uniforms(keys: Keys) -> Floats:
    """Return one number in (0, 1) for each key."""
    return _uniforms(_mixed(keys))


def unit_normals(keys: Keys) -> Floats:
    """Return one standard normal number for each key (Box and Muller, from the two halves of the hash)."""
    return _normals(_mixed(keys))


@cache
def _width_table() -> tuple[Floats, Floats]:
    widths = np.geomspace(_WIDTH_LOW, _WIDTH_HIGH, 400)
    return 1.0 - (1.0 + widths) * np.exp(-widths), widths


def _widths_and_offsets(key: int, tau_s: float) -> tuple[Floats, Floats]:
    """Return the tilings of one Ornstein-Uhlenbeck part: widths stratified over the gamma distribution of shape 2."""
    drawn = unit_uniforms(np.arange(2 * _TILINGS, dtype=np.uint64) * _STEP + np.uint64(key))
    chance, width = _width_table()
    widths = tau_s * np.interp((np.arange(_TILINGS) + drawn[:_TILINGS]) / _TILINGS, chance, width)
    return widths, drawn[_TILINGS:] * widths


class Batch:
    """Some processes, evaluated together.

    seed: of the site. Parts with the same key are the same noise, in this batch or another; that is how setups share a cell.
    """

    def __init__(self, seed: int, processes: Sequence[Process]) -> None:
        widths: list[Floats] = []
        offsets: list[Floats] = []
        keys: list[int] = []
        weights: list[float] = []
        starts: list[int] = []
        self._slices: dict[str, slice] = {}
        self._uniform = sum(len(p.at_s) for p in processes if p.uniform)
        ordered = [p for p in processes if not p.uniform] + [p for p in processes if p.uniform]
        laid: dict[Part, tuple[Floats, Floats, list[int]]] = {}
        for process in ordered:
            self._slices[process.name] = slice(len(starts), len(starts) + len(process.at_s))
            for ahead_s in process.at_s:
                starts.append(len(keys))
                for part in process.parts:
                    if part not in laid:
                        laid[part] = _laid_out(seed, part)
                    width, offset, tile_keys = laid[part]
                    widths.append(width)
                    offsets.append(offset - ahead_s)
                    keys.extend(tile_keys)
                    weights.extend([math.sqrt(part.share / len(tile_keys))] * len(tile_keys))
        self._inverse_width = 1.0 / np.concatenate(widths)
        self._offset = np.concatenate(offsets)
        self._key = np.array(keys, dtype=np.uint64)
        self._count = len(starts)
        self._starts = np.array(starts[: len(starts) - self._uniform])
        self._normal = len(keys) - self._uniform
        self._weight = np.array(weights[: self._normal])

    def __getitem__(self, name: str) -> slice:
        """Return where the values of a process stand in what `at` returns."""
        return self._slices[name]

    def at(self, time_s: float) -> Floats:
        """Return the values of all processes at a time (s, any origin), in the order given by `batch[name]`."""
        tile = np.floor((time_s - self._offset) * self._inverse_width).astype(np.int64).view(np.uint64)
        mixed = _mixed(tile * _STEP + self._key)
        out = np.empty(self._count)
        np.add.reduceat(self._weight * _normals(mixed[: self._normal]), self._starts, out=out[: len(self._starts)])
        if self._uniform:
            out[len(self._starts) :] = _uniforms(mixed[self._normal :])
        return out


def _laid_out(seed: int, part: Part) -> tuple[Floats, Floats, list[int]]:
    key = key_of(seed, part.key)
    if part.held:
        return np.array([part.tau_s]), np.array([part.offset_s]), [key]
    width, offset = _widths_and_offsets(key, part.tau_s)
    keys = _mixed(np.arange(1, _TILINGS + 1, dtype=np.uint64) * _STEP + np.uint64(key ^ _MASK))  # mixed, or tile n of one were tile n + 1 of the next
    return width, offset, [int(k) for k in keys]
