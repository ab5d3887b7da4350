"""What limits the connection: from a kept test that missed a need, its readings and the tests before it, to findings and what would settle them."""

from __future__ import annotations

from dataclasses import dataclass

from bandwright.advice.case import Asked
from bandwright.advice.case_words import case_from_words
from bandwright.advice.diagnosis import Diagnosis, diagnose
from bandwright.errors import UsageError
from bandwright.jobs.house import House
from bandwright.jobs.tuning import most_telling
from bandwright.needs.fulfilment import score
from bandwright.readings.parse import parse
from bandwright.words.measurement import Measurement, Method, Outcome

__all__ = ["DiagnoseAnswer", "diagnose_test"]

_SYMPTOMS = {"downlink": "down", "uplink": "up", "loaded_delay": "delay_loaded", "idle_delay": "delay", "loss": "loss"}


@dataclass(frozen=True, slots=True, kw_only=True)
class DiagnoseAnswer:
    """A test, what it missed, and what is made of each symptom."""

    measurement: Measurement
    not_met: tuple[str, ...]
    diagnoses: tuple[Diagnosis, ...]


def diagnose_test(house: House, key: str | None = None) -> DiagnoseAnswer:
    """Return what limited a test; None is the latest measured one. Raises UsageError where there is none of that key."""
    kept = house.records.measurement(key) if key is not None else next((m for m in reversed(house.records.measurements(limit=50)) if m.method is not Method.ENTERED), None)
    if kept is None:
        raise UsageError("there is no such test" if key else "nothing was measured yet", given=key, todo="Measure once with `bandwright measure`")
    not_met = _missed(house, kept)
    setup = next((s for s in house.declared.setups if s.key == kept.setup_asked), None)
    rig = house.declared.rig(setup.rig) if setup is not None else None
    tuning = house.declared.tuning(setup.tuning) if setup is not None else None
    captures = [(moment, house.records.capture(c)) for moment, c in kept.captures]
    readings = [(moment, r) for moment, c in captures if c is not None and (r := most_telling(parse(c))) is not None]
    history = [m for m in house.records.measurements(setup=kept.setup_asked, limit=200) if m.key != kept.key and m.method is kept.method]
    case = case_from_words(
        not_met=not_met,
        readings=readings,
        measurement=kept,
        declared=house.declared,
        rig=rig,
        asked=None if tuning is None else Asked(mode=tuning.mode, bands=tuning.bands or None),
        history=history,
    )
    return DiagnoseAnswer(measurement=kept, not_met=not_met, diagnoses=diagnose(case))


def _missed(house: House, kept: Measurement) -> tuple[str, ...]:
    if kept.outcome is Outcome.FAILED:
        return ("cannot_connect",) if not kept.values else ("drops",)
    local = kept.at.astimezone(house.zone)
    found = score(house.declared.needs, kept, weekday=local.weekday(), minute=local.hour * 60 + local.minute)
    return tuple(dict.fromkeys(_SYMPTOMS[r.limiting] for r in found.results if r.met is False and r.limiting in _SYMPTOMS))
