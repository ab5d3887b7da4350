"""What was measured: measurements with their readings, newest first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from bandwright.advice.diagnosis import Diagnosis
from bandwright.jobs.diagnose import diagnose_test
from bandwright.jobs.house import House
from bandwright.jobs.look import LookAnswer, explain_capture
from bandwright.words.measurement import Measurement, Method

__all__ = ["HistoryAnswer", "TestAnswer", "history", "one_test"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryAnswer:
    """The newest measurements, newest first, and how many are kept in all."""

    measurements: tuple[Measurement, ...]
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TestAnswer:
    """One measurement with its readings, (moment, what the capture means), and what is made of what it missed."""

    __test__: ClassVar[bool] = False  # the name is not a test runner's

    measurement: Measurement
    readings: tuple[tuple[str, LookAnswer], ...]
    diagnoses: tuple[Diagnosis, ...] = ()


def history(house: House, *, limit: int = 100, setup: str | None = None) -> HistoryAnswer:
    """Return the newest measurements."""
    kept = house.records.measurements(limit=limit, setup=setup)
    return HistoryAnswer(measurements=tuple(reversed(kept)), count=house.records.measurement_count())


def one_test(house: House, key: str) -> TestAnswer | None:
    """Return one measurement with its readings before, under load and after; None where there is none of that key."""
    kept = house.records.measurement(key)
    if kept is None:
        return None
    captures = [(moment, house.records.capture(c)) for moment, c in kept.captures]
    readings = tuple((m, explain_capture(c)) for m, c in captures if c is not None)
    measured = kept.method is not Method.ENTERED and house.declared.needs
    return TestAnswer(measurement=kept, readings=readings, diagnoses=diagnose_test(house, key).diagnoses if measured else ())
