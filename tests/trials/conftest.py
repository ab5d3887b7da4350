"""What the tests of the trial share: small designs, records made by hand, and one thread of linear algebra."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest

from bandwright.trials.threads import one_thread
from bandwright.words.campaign import Design, RigMounted, RoundDrawn, Tested
from bandwright.words.rig import Setup
from bandwright.words.site import Hours, Need, Requirements

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)  # a Monday
WAKING = Hours(text="daily 08:00-22:00", spans=tuple((d, 480, 1320) for d in range(7)))


def need(hours: Hours = WAKING, *, key: str = "use", weight: float = 1.0) -> Need:
    return Need(key=key, kind="use", requirements=Requirements(uplink_mbps=5.0), hours=hours, weight=weight)


def design(rigs: int = 1, tunings: int = 3, **changes) -> Design:
    setups = tuple(Setup(key=f"r{r}/t{t}", rig=f"r{r}", tuning=f"t{t}") for r in range(rigs) for t in range(tunings))
    return Design(**({"key": "c", "setups": setups, "needs": (need(),), "start": START, "seed": 7, "mounted": "r0"} | changes))


def at(minute: float) -> datetime:
    return START + timedelta(minutes=minute)


def drawn(number: int, order: tuple[str, ...], *, minute: float, rig: str = "r0", visit: int = 1, bracket: bool = False) -> RoundDrawn:
    return RoundDrawn(at=at(minute), round=number, rig=rig, visit=visit, order=order, bracket=bracket)


def result(setup: str, score: float | None, *, minute: float, round_: int = 1, visit: int = 1, test: str | None = None, **fields) -> Tested:
    return Tested(at=at(minute), test=test or f"{setup}@{minute}", round=round_, setup=setup, visit=visit, score=score, megabytes=80.0, **fields)


def mounted(rig: str, *, minute: float, visit: int, minutes: float = 15.0) -> RigMounted:
    return RigMounted(at=at(minute), rig=rig, visit=visit, person_minutes=minutes)


@pytest.fixture(scope="session")
def make():
    """Builders of designs and records. Minutes are after the design's start, a Monday 06:00 UTC."""
    return SimpleNamespace(start=START, waking=WAKING, need=need, design=design, drawn=drawn, result=result, mounted=mounted, at=at)


@pytest.fixture(autouse=True)
def single_thread():
    with one_thread():
        yield
