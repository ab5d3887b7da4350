"""Make docs/schemas/*.json: the JSON Schema of what each `--json` prints and of each line of a share, from the models themselves.

Run it after a change to a model: `python docs/make_schemas.py`. A test fails where the files differ, and holds real outputs against them.
"""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path
from typing import Annotated, Any, Literal, get_type_hints

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, create_model

FOLDER = Path(__file__).resolve().parent / "schemas"
DIALECT = "https://json-schema.org/draft/2020-12/schema"


class Figure(BaseModel):
    """One measured quantity; `value` is null with a `reason` where it is absent."""

    model_config = ConfigDict(extra="forbid")
    value: float | None
    low: float | None
    high: float | None
    unit: str
    reason: str | None


class MeasurementLine(BaseModel):
    """A measurement: what is not named here is a quantity of the table of quantities."""

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, Figure]
    key: str
    at: str
    method: Literal["near-far", "https", "simulated", "entered"]
    outcome: Literal["ok", "failed", "void"]
    phase: str | None
    reason: str | None
    setup_asked: str | None
    setup_seen: str | None
    moved: bool
    megabytes: float
    seconds: float
    far_end: str | None
    facts: dict[str, str | float | bool | None]
    series: dict[str, list[float]]


class NeedMet(BaseModel):
    """Whether a measurement met a need. met is null where a quantity it asks for was not measured."""

    model_config = ConfigDict(extra="forbid")
    need: str
    margin: float | None
    met: bool | None
    limiting: str | None
    missing: list[str]


class FieldLine(BaseModel):
    """One quantity of a carrier: a value, or an interval for a report code, or null with a reason."""

    model_config = ConfigDict(extra="forbid")
    value: float | str | list[float | None] | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    why: str = ""
    state: Literal["unknown", "ambiguous", "implausible", "conflicting"] = "unknown"
    derived: bool = False


class CarrierLine(BaseModel):
    """A carrier as read."""

    model_config = ConfigDict(extra="forbid")
    rat: Literal["lte", "nr"]
    role: Literal["pcell", "scell", "pscell", "serving", "neighbour", "scan"]
    fields: dict[str, FieldLine]


class UnreadLine(BaseModel):
    """Characters whose meaning is not known."""

    model_config = ConfigDict(extra="forbid")
    start: int
    stop: int
    text: str


class ReadingLine(BaseModel):
    """A reading."""

    model_config = ConfigDict(extra="forbid")
    mode: str | None
    registration: str | None
    carriers: list[CarrierLine]
    unread: list[UnreadLine]


class RowCount(BaseModel):
    """What an import did with one sort of record."""

    model_config = ConfigDict(extra="forbid")
    added: int
    there_already: int


def _of(cls: type, *without: str) -> dict[str, Any]:
    """Return the fields of a frozen word."""
    hints = get_type_hints(cls)
    return {f.name: hints[f.name] for f in fields(cls) if f.name not in without}


def outputs() -> dict[str, dict[str, Any]]:
    """Return name -> fields of what each `--json` prints, beside schema and schema_version."""
    from bandwright.advice.nextsteps import NextSteps
    from bandwright.jobs.aim import AimProgress
    from bandwright.jobs.check import CheckAnswer
    from bandwright.jobs.fleet import SiteRow
    from bandwright.jobs.propose import ProposeAnswer
    from bandwright.jobs.recheck import AgainAnswer
    from bandwright.jobs.reliability import ReliabilityAnswer
    from bandwright.jobs.share import Proposed
    from bandwright.jobs.walk import WalkProgress
    from bandwright.words.answers import Alert, Finding, Forecast, Plan, Verdict
    from bandwright.words.campaign import Tested
    from bandwright.words.fleet import Pushed
    from bandwright.words.progress import CampaignProgress
    from bandwright.words.rig import Setup
    from bandwright.words.watch import WatchEvent
    from bandwright.workspace.exchange import Checked, ShareKind

    place = {"height_m": float, "frequency_mhz": float, "ways": list[dict[str, Any]], "area": dict[str, Any] | None, "missing": list[dict[str, Any]], "assumed": list[str]}
    return {
        "again": {**_of(AgainAnswer, "measurements"), "tests": list[str]},
        "aim": _of(AimProgress),
        "check": _of(CheckAnswer),
        "design": {"campaign": str, **_of(Plan)},
        "export": {"file": str, "kind": ShareKind, "redacted": bool, "rows": dict[str, int]},
        "history": {"count": int, "measurements": list[MeasurementLine]},
        "hub": {"sites": list[SiteRow]},
        "import": {"kind": ShareKind, "declared_written": bool, "rows": dict[str, RowCount], "checks": list[Checked], "proposed": Proposed | None, "accepted": bool},
        "outages": _of(ReliabilityAnswer, "declared"),
        "place": place,
        "places": {"at": str, "places": list[dict[str, str | None]]},
        "predict": {"now": str, **_of(NextSteps)},
        "propose": _of(ProposeAnswer),
        "progress": {"kind": get_type_hints(CampaignProgress)["kind"], "at": str, "text": str, "setup": str | None, "tested": Tested | None},
        "push": _of(Pushed),
        "reading": {"at": str, "readings": list[ReadingLine], "findings": list[Finding], "forecasts": list[Forecast]},
        "setups": {"setups": list[Setup]},
        "verdict": {"campaign": Annotated[str, Field(default="")], **_of(Verdict)},
        "walk": _of(WalkProgress),
        "watch": {"kind": get_type_hints(WatchEvent)["kind"], "at": str, "text": str, "alert": Alert | dict[str, Any] | None},
    }


def schemas() -> dict[str, dict[str, Any]]:
    """Return name -> JSON Schema."""
    made: dict[str, dict[str, Any]] = {}
    for name, row in outputs().items():
        optional = {"campaign"} if name == "verdict" else set()
        given: dict[str, Any] = {k: (t, "" if k in optional else ...) for k, t in row.items()}
        made[name] = _schema(_model(name, given))
    extra = {"needs": (list[NeedMet], ...), "stated_megabytes": (float, ...)}
    made["measurement"] = _schema(_model("measurement", extra, base=MeasurementLine))
    from bandwright.words.campaign import Design
    from bandwright.words.measurement import Measurement
    from bandwright.words.radio import Capture, Reading
    from bandwright.words.rig import Tuning
    from bandwright.workspace.documents import event_types, watched_types
    from bandwright.workspace.exchange import Checked

    lines = {"captures": Capture, "readings": Reading, "measurements": Measurement, "designs": Design, "checks": Checked, "tunings": Tuning}
    made |= {f"share.{name}": _closed(TypeAdapter(cls).json_schema(mode="serialization")) for name, cls in lines.items()}
    made["share.events"] = _wrapped("event", event_types(), campaign=True)
    made["share.watched"] = _wrapped("record", watched_types(), campaign=False)
    return {name: {"$schema": DIALECT, "title": name, **{k: v for k, v in schema.items() if k != "title"}} for name, schema in sorted(made.items())}


def _model(name: str, given: dict[str, Any], *, base: type[BaseModel] | None = None) -> type[BaseModel]:
    envelope: dict[str, Any] = {"schema_": (Literal[f"bandwright.{name}"], Field(alias="schema")), "schema_version": (Literal[1], ...)}
    if base is not None:
        return create_model(name, __base__=base, **envelope, **given)
    return create_model(name, __config__=ConfigDict(extra="forbid"), **envelope, **given)


def _schema(model: type[BaseModel]) -> dict[str, Any]:
    return _closed(model.model_json_schema(mode="serialization"))


def _wrapped(inside: str, types: dict[str, type], *, campaign: bool) -> dict[str, Any]:
    rows = []
    for kind, cls in sorted(types.items()):
        given: dict[str, Any] = {"kind": (Literal[kind], ...), inside: (cls, ...), **({"campaign": (str, ...)} if campaign else {})}
        rows.append(create_model(kind + "Line", __config__=ConfigDict(extra="forbid"), **given))
    whole: Any = rows[0]
    for row in rows[1:]:
        whole = whole | row
    return _closed(TypeAdapter(whole).json_schema(mode="serialization"))


def _closed(schema: dict[str, Any]) -> dict[str, Any]:
    """Return the schema with every object of named fields closed, and all of them always there."""
    if isinstance(schema, dict):
        out = {k: _closed(v) if isinstance(v, dict) else [_closed(x) if isinstance(x, dict) else x for x in v] if isinstance(v, list) else v for k, v in schema.items()}
        if out.get("type") == "object" and "properties" in out and "additionalProperties" not in out:
            out["additionalProperties"] = False
        if out.get("format") == "date-time":
            out["description"] = "a time with its zone"
        return out
    return schema


def main() -> None:
    """Write every schema, and take away those that are no more."""
    FOLDER.mkdir(exist_ok=True)
    found = schemas()
    for path in FOLDER.glob("*.json"):
        if path.stem not in found:
            path.unlink()
    for name, schema in found.items():
        (FOLDER / f"{name}.json").write_text(json.dumps(schema, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
