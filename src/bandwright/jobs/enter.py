"""Figures read elsewhere, entered by a person: kept, marked as entered, and never compared with measured ones."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import datetime

from bandwright.errors import RangeError, UsageError
from bandwright.jobs.house import House
from bandwright.quantities import QUANTITIES, quantity
from bandwright.words.measurement import Measurement, Method, Value

__all__ = ["enter"]


def enter(house: House, *, figures: Mapping[str, float], setup: str | None, read_by: str, at: datetime | None = None) -> Measurement:
    """Keep figures that a person read elsewhere. at: when they were read, UTC; None is now.

    Raises UsageError for an unknown quantity or setup, or none at all; RangeError for a value outside its range.
    """
    if not figures:
        raise UsageError("no figure was given", todo="Give at least one, like goodput_down_mbps=48")
    if not read_by.strip():
        raise UsageError("it must be said who read the figures", todo="Add --by NAME")
    if setup is not None and setup not in {s.key for s in house.declared.setups}:
        raise UsageError("that setup is not declared", given=setup, allowed=", ".join(s.key for s in house.declared.setups))
    values = []
    for key, number in figures.items():
        row = quantity(key)
        if row is None or row.of != "measurement":
            names = ", ".join(q.key for q in QUANTITIES if q.of == "measurement")
            raise UsageError("that quantity is not known", given=key, allowed=names)
        if (row.low is not None and number < row.low) or (row.high is not None and number > row.high):
            raise RangeError(key, given=number, allowed=f"{row.low if row.low is not None else '-∞'}..{row.high if row.high is not None else '∞'} {row.unit}")
        values.append(Value(quantity=key, value=number))
    measurement = Measurement(key=str(uuid.uuid4()), at=at or house.clock.now(), method=Method.ENTERED, setup_asked=setup, values=tuple(values), entered_by=read_by)
    house.records.add_measurement(measurement)
    return measurement
