"""Records of timed returns on disk: what is to be put back on which gateway, and what became of it.

A record is a file of this computer's owner (mode 0600), whole even if the power goes the moment after it is written. It holds the declared gateway
and the former settings, and no secret. It is removed only when the former settings are back, or when nothing needs to be put back.
"""

from __future__ import annotations

import dataclasses
import json
import os
import re
import sys
import uuid
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from bandwright.gateways.locks import PortLock
from bandwright.words.radio import SettingsSeen
from bandwright.words.rig import GatewayPlan

__all__ = ["Record", "Returned", "claim", "finish", "is_same", "left_behind", "outcomes", "put_aside", "read_record", "record_path", "write_record"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What is to be put back, on disk. seconds: how long after `armed_at`. pid: who armed it; born: when that process started, where known."""

    key: str
    plan: GatewayPlan
    former: SettingsSeen
    seconds: float
    armed_at: datetime
    pid: int
    born: str | None = None
    tuning: str = ""
    secrets_file: str | None = None
    busy_grace_s: float = 20.0
    extended: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Returned:
    """What became of a record. ok: the former settings read back. why: what set it off, or what stands in the way."""

    gateway: str
    ok: bool
    why: str
    at: datetime
    tries: int = 1


def record_path(folder: Path, gateway: str) -> Path:
    """Return where a gateway's record stands in a folder."""
    return folder / f"return-{re.sub(r'[^A-Za-z0-9_-]', '_', gateway)}.json"


def write_record(path: Path, record: Record) -> None:
    """Write a record so that it is there, whole, even if the power goes the moment after."""
    values = dataclasses.asdict(record) | {"armed_at": record.armed_at.isoformat()}
    values["former"].pop("capture")
    fresh = path.with_suffix(".new")
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        json.dump(values, file, default=str)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(path)
    if sys.platform != "win32":
        handle = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def read_record(path: Path) -> Record | None:
    """Return the record in a file, or None where there is none or it cannot be read."""
    try:
        values = json.loads(path.read_text("utf-8"))
        plan, former = values.pop("plan"), values.pop("former")
        until = plan.pop("returnable_until", None)
        settings, capability = (tuple((key, value) for key, value in plan.pop(name)) for name in ("settings", "capability"))
        bands = former.pop("bands")
        raw = tuple((key, value) for key, value in former.pop("raw"))
        return Record(
            plan=GatewayPlan(**plan, settings=settings, capability=capability, returnable_until=date.fromisoformat(until) if until else None),
            former=SettingsSeen(**former, bands=None if bands is None else tuple(bands), raw=raw),
            armed_at=datetime.fromisoformat(values.pop("armed_at")),
            **values,
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def is_same(path: Path, record: Record) -> bool:
    """Whether the very record still stands in the file: it is gone when it was carried out, another when it was armed anew."""
    current = read_record(path)
    return current is not None and current.key == record.key


def left_behind(folder: Path) -> list[Path]:
    """Return the files of all records in a folder."""
    return sorted(folder.glob("return-*.json"))


def put_aside(path: Path) -> None:
    """Keep a record that cannot be read under a name that is not taken for one."""
    path.rename(path.with_suffix(".unreadable"))


def claim(path: Path) -> PortLock:
    """Return the hold that whoever carries out a record takes first."""
    return PortLock(f"return:{path.resolve()}")


def finish(path: Path, done: Returned) -> None:
    """Note what was done, then remove the record."""
    values = dataclasses.asdict(done) | {"at": done.at.isoformat()}
    path.with_name(f"returned-{uuid.uuid4().hex}.json").write_text(json.dumps(values), "utf-8")
    path.unlink(missing_ok=True)


def outcomes(folder: Path) -> tuple[Returned, ...]:
    """Return what guards did in a folder since the last call, oldest first, and forget it: it belongs in the records."""
    found = []
    for path in sorted(folder.glob("returned-*.json"), key=lambda p: p.stat().st_mtime):
        values = json.loads(path.read_text("utf-8"))
        found.append(Returned(gateway=values["gateway"], ok=values["ok"], why=values["why"], at=datetime.fromisoformat(values["at"]), tries=values["tries"]))
        path.unlink()
    return tuple(found)
