"""`bandwright measure` and `bandwright enter`: one measurement, and figures read elsewhere."""

from __future__ import annotations

import asyncio
from datetime import datetime
from pathlib import Path
from typing import Any

from bandwright.cli.screens import print_json, say
from bandwright.errors import UsageError
from bandwright.ports import ProbeEvent
from bandwright.quantities import quantity
from bandwright.words.measurement import Measurement, MeasurementPlan, Outcome, Phase, Size

__all__ = ["keep_entered", "measurement_json", "show_measure"]

# always named in the answer, with a reason where absent
_NAMED = ("goodput_down_mbps", "goodput_up_mbps", "delay_idle_ms", "delay_loaded_down_ms", "delay_loaded_up_ms", "loss_ratio", "loss_down_ratio", "loss_up_ratio")
_FAR = {Phase.NAME_LOOKUP, Phase.CONNECT, Phase.TLS, Phase.AUTH, Phase.FAR_END, Phase.RESULT}


def show_measure(
    site: Path, *, pair: str | None, size: str, megabytes: float | None, seconds: float | None, rig: str | None, setup: str | None, responsiveness: bool, as_json: bool
) -> int:
    """Measure once and print the result; the exit code says whether the needs were met."""
    if size not in set(Size):
        raise UsageError("size", given=size, allowed=", ".join(Size))
    plan = MeasurementPlan(size=Size(size), max_megabytes=megabytes, max_seconds=seconds, setup=setup)
    return asyncio.run(_measure(site, plan, pair=pair, rig=rig, responsiveness=responsiveness, as_json=as_json))


async def _measure(site: Path, plan: MeasurementPlan, *, pair: str | None, rig: str | None, responsiveness: bool, as_json: bool) -> int:
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.measure import measure

    house = open_house(site, pair=pair, may_be_undeclared=True, responsiveness=responsiveness)

    async def listener(event: ProbeEvent) -> None:
        if event.kind == "phase" and event.text:
            say(event.text)

    key = rig or house.declared.campaign.mounted or (house.declared.rigs[0].key if house.declared.rigs else "")
    say(f"This takes about {house.probe(key).cost_megabytes(plan):.0f} MB.")
    try:
        answer = await measure(house, plan=plan, rig=rig, listener=listener)
    finally:
        await house.close()
    found = answer.measurement
    if as_json:
        needs = [{"need": r.need, "margin": r.margin, "met": r.met, "limiting": r.limiting, "missing": list(r.missing)} for r in answer.score.results]
        print_json("measurement", {**measurement_json(found), "needs": needs, "stated_megabytes": answer.cost_mb})
    else:
        _print(found, answer.score.results)
        _print_why(house, found)
    if found.outcome is not Outcome.OK:
        return 6 if found.phase in _FAR else 4
    return 4 if any(r.met is False for r in answer.score.results) else 0


def _print(found: Measurement, results: Any) -> None:
    from bandwright.telling.plain import said_text
    from bandwright.telling.sentences import failure_sentence, measured_sentence

    print(said_text(measured_sentence(found) if found.outcome is Outcome.OK else failure_sentence(found)))
    for value in found.values:
        row = quantity(value.quantity)
        if row is None:
            continue
        if value.value is None:
            print(f"  {row.label}: not measured ({value.reason})")
            continue
        range_ = "" if value.low is None or value.high is None else f" ({value.low:.{row.decimals}f} to {value.high:.{row.decimals}f})"
        print(f"  {row.label}: {value.value:.{row.decimals}f} {row.unit}{range_}".rstrip())
    for r in results:
        word = {True: "met", False: f"not met: {r.limiting}", None: f"cannot be told: {', '.join(r.missing)} not measured"}[r.met]
        print(f"  need {r.need}: {word}")


def _print_why(house: Any, found: Measurement) -> None:
    """Print what limited the test, where it missed a need."""
    from bandwright.cli.screens import print_document
    from bandwright.jobs.diagnose import diagnose_test
    from bandwright.telling.accounts.diagnosis import diagnosis_parts
    from bandwright.telling.document import Document
    from bandwright.telling.said import said

    answer = diagnose_test(house, found.key)
    if answer.diagnoses:
        print_document(Document(title="What limits it", headline=said("What limits it"), parts=tuple(diagnosis_parts(answer.diagnoses))))


def measurement_json(found: Measurement) -> dict[str, Any]:
    """Return a measurement as plain JSON values: every named quantity is there, absence as null with a reason."""
    kept = {v.quantity: v for v in found.values}
    values: dict[str, Any] = {}
    for key in dict.fromkeys((*_NAMED, *kept)):
        row, value = quantity(key), kept.get(key)
        unit = row.unit if row is not None else ""
        if value is None:
            values[key] = {"value": None, "low": None, "high": None, "unit": unit, "reason": found.reason or "not part of this measurement"}
        else:
            values[key] = {"value": value.value, "low": value.low, "high": value.high, "unit": unit, "reason": value.reason}
    return {
        "key": found.key,
        "at": found.at.isoformat(),
        "method": found.method,
        "outcome": found.outcome,
        "phase": found.phase,
        "reason": found.reason,
        "setup_asked": found.setup_asked,
        "setup_seen": found.setup_seen,
        "moved": found.moved,
        "megabytes": found.megabytes,
        "seconds": found.seconds,
        "far_end": found.far_end,
        **values,
        "facts": dict(found.facts),
        "series": {name: list(numbers) for name, numbers in found.series},
    }


def keep_entered(site: Path, *, figures: list[str], by: str, setup: str | None, at: str | None) -> None:
    """Keep figures that a person read elsewhere."""
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.enter import enter

    parsed: dict[str, float] = {}
    for text in figures:
        name, _, number = text.partition("=")
        try:
            parsed[name.strip()] = float(number)
        except ValueError:
            raise UsageError("figure", given=text, allowed="NAME=NUMBER, like goodput_down_mbps=48") from None
    house = open_house(site)
    when = None
    if at is not None:
        try:
            when = datetime.fromisoformat(at)
        except ValueError:
            raise UsageError("--at", given=at, allowed="like 2026-11-25T18:30, local time of the site") from None
        when = when if when.tzinfo is not None else when.replace(tzinfo=house.zone)
    kept = enter(house, figures=parsed, setup=setup, read_by=by, at=when)
    print(f"Kept as entered by {kept.entered_by}: {', '.join(f'{k} {v:g}' for k, v in parsed.items())}. It is never compared with measured figures.")
