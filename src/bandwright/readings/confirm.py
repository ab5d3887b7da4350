"""What a person has confirmed of a reading that was guessed from a picture; all else is kept as "not confirmed", never as a value."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from bandwright.words.radio import Carrier, Field, FieldState, Reading

__all__ = ["NOT_CONFIRMED", "confirmed"]

NOT_CONFIRMED = "not confirmed: guessed from a picture"


def confirmed(reading: Reading, is_right: Callable[[Carrier | None, Field], bool]) -> Reading:
    """Return a reading with the values that a person says are right.

    is_right: asked for each value, with its carrier, or None for mode, registration and what is of the device. What was derived from a value
    goes with it: it stays only if every value of its carrier that was printed does.
    """
    carriers = tuple(_carrier(carrier, is_right) for carrier in reading.carriers)
    why = dict(reading.why)
    mode, registration = reading.mode, reading.registration
    if mode is not None and not is_right(None, Field(name="mode", value=mode.value)):
        mode, why["mode"] = None, NOT_CONFIRMED
    if registration is not None and not is_right(None, Field(name="registration", value=registration.value)):
        registration, why["registration"] = None, NOT_CONFIRMED
    extras = tuple(item if not _has_value(item) or is_right(None, item) else _unknown(item) for item in reading.extras)
    return replace(reading, carriers=carriers, mode=mode, registration=registration, why=tuple(why.items()), extras=extras)


def _carrier(carrier: Carrier, is_right: Callable[[Carrier | None, Field], bool]) -> Carrier:
    printed = {id(item): not _has_value(item) or is_right(carrier, item) for item in carrier.fields if not item.derived}
    every = all(printed.values())
    return replace(carrier, fields=tuple(item if printed.get(id(item), every) else _unknown(item) for item in carrier.fields))


def _has_value(item: Field) -> bool:
    return item.value is not None or item.is_interval


def _unknown(item: Field) -> Field:
    return replace(item, value=None, low=None, high=None, state=FieldState.UNKNOWN, why=NOT_CONFIRMED, derived=False)
