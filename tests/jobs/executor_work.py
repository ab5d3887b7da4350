"""Work for the executor's tests: in a module by itself, because workers import it by its name."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import numpy as np


def draw(seed: int) -> tuple[int, float]:
    return seed, float(np.random.default_rng([seed, 7]).normal(size=100).sum())


def killed_once(folder: str, seed: int) -> tuple[int, float]:
    """Kills its own process with -9 the first time that piece 5 runs, wherever that is."""
    mark = Path(folder) / "killed"
    if seed == 5 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return draw(seed)


def always_killed() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def refuses(seed: int) -> None:
    raise ValueError(seed)
