"""A workspace, a campaign, a help parcel or a proposal as one file: a zip of JSON lines and a `site.toml`, redacted unless asked otherwise.

The records are the frozen words as plain JSON, one a line; `docs/exchange.md` says what each file holds. A file is read as a whole and
checked before anything is kept: names that are not in the table, sizes beyond the limit, lines that are not exactly one word, and
references that lead nowhere are refused, each with one sentence. Nothing is unpacked to disk. Keeping is by key: what is there stays,
what is missing is added, and a campaign is taken only where it goes on from the one that is there.
"""

from __future__ import annotations

import json
import math
import zipfile
import zlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, get_args

from pydantic import ValidationError

from bandwright.errors import DeclarationError, UsageError
from bandwright.words.campaign import CampaignEvent, Design, Tested
from bandwright.words.measurement import Measurement
from bandwright.words.radio import Capture, Reading
from bandwright.words.rig import Tuning
from bandwright.words.room import RoomMeasured
from bandwright.words.watch import WatchRecord
from bandwright.workspace.declared import read_declared
from bandwright.workspace.documents import event_from_document, event_kind, from_document, to_document, watched_from_document
from bandwright.workspace.records import DiskRecords
from bandwright.workspace.redact import hide, private_words, redact_capture, redact_measurement, redact_site, redact_values, with_hosts

__all__ = ["FILES", "FORMAT", "LIMIT_BYTES", "VERSION", "Checked", "Kept", "Share", "ShareKind", "keep", "read_share", "redacted", "write_share"]

FORMAT = "bandwright.share"
VERSION = 1
LIMIT_BYTES = 512_000_000  # of all files of a share, unpacked: about 200,000 measurements with their series

ShareKind = Literal["workspace", "campaign", "help parcel", "proposal"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """One thing that was looked at in the workspace of a help parcel."""

    what: str
    ok: bool | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """What a share holds. events: (campaign, event) in the order of recording; tunings: what a proposal would have declared."""

    kind: ShareKind
    redacted: bool
    made_by: str
    site_toml: str
    captures: tuple[Capture, ...] = ()
    readings: tuple[Reading, ...] = ()
    measurements: tuple[Measurement, ...] = ()
    designs: tuple[Design, ...] = ()
    events: tuple[tuple[str, CampaignEvent], ...] = ()
    watched: tuple[WatchRecord, ...] = ()
    checks: tuple[Checked, ...] = ()
    tunings: tuple[Tuning, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What an import added and what was there already: (what, added, there already)."""

    rows: tuple[tuple[str, int, int], ...]

    @property
    def added(self) -> int:
        """How many records are new."""
        return sum(added for _, added, _ in self.rows)


# to and from plain JSON


def _event_document(row: tuple[str, CampaignEvent]) -> dict[str, Any]:
    return {"campaign": row[0], "kind": event_kind(row[1]), "event": to_document(row[1])}


def _event(document: Any) -> tuple[str, CampaignEvent]:
    return str(document["campaign"]), event_from_document(document["kind"], document["event"])


def _watched_document(record: WatchRecord) -> dict[str, Any]:
    return {"kind": type(record).__name__, "record": to_document(record)}


def _event_redacted(document: dict[str, Any]) -> dict[str, Any]:
    return {**document, "event": redact_values(document["event"])}


def _watched_redacted(document: dict[str, Any]) -> dict[str, Any]:
    record = redact_values(document["record"])
    if document["kind"] == RoomMeasured.__name__:
        record["room"] = "•" * len(record["room"])  # rooms are often called after who lives in them
    return {**document, "record": record}


@dataclass(frozen=True, slots=True)
class _File:
    """One file of a share: which field of Share it holds, and how a line becomes a word and back, and is redacted."""

    field: str
    write: Callable[[Any], Any]
    read: Callable[[Any], Any]
    redact: Callable[[Any], Any]

    @property
    def name(self) -> str:
        return f"{self.field}.jsonl"


def _plain(field: str, cls: type, redact: Callable[[Any], Any] = redact_values) -> _File:
    return _File(field, to_document, lambda document: from_document(cls, document), redact)


FILES: tuple[_File, ...] = (
    _plain("captures", Capture, redact_capture),
    _plain("readings", Reading),
    _plain("measurements", Measurement, redact_measurement),
    _plain("designs", Design),
    _File("events", _event_document, _event, _event_redacted),
    _File("watched", _watched_document, lambda d: watched_from_document(d["kind"], d["record"]), _watched_redacted),
    _plain("checks", Checked),
    _plain("tunings", Tuning),
)
_MANIFEST, _SITE = "manifest.json", "site.toml"
_NAMES = frozenset({_MANIFEST, _SITE, *(f.name for f in FILES)})


def redacted(share: Share) -> Share:
    """Return the share with nothing in it that names a person, a device, an address, a position or a price."""
    words = private_words(share.site_toml) | with_hosts({m.far_end for m in share.measurements if m.far_end is not None})
    rows: dict[str, Any] = {f.field: tuple(f.read(hide(f.redact(f.write(word)), words)) for word in getattr(share, f.field)) for f in FILES}
    return replace(share, redacted=True, site_toml=redact_site(share.site_toml) if share.site_toml else "", **rows)


def write_share(share: Share, out: Path) -> None:
    """Write a share as one file, which must not be there yet. Raises UsageError."""
    manifest = {"format": FORMAT, "version": VERSION, "kind": share.kind, "redacted": share.redacted, "made_by": share.made_by}
    try:
        with out.open("xb") as handle, zipfile.ZipFile(handle, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(_entry(_MANIFEST), json.dumps(manifest, indent=2))
            if share.site_toml:
                archive.writestr(_entry(_SITE), share.site_toml)
            for file in FILES:
                words = getattr(share, file.field)
                if words:
                    archive.writestr(_entry(file.name), "".join(json.dumps(_finite(file.write(w)), ensure_ascii=False, allow_nan=False) + "\n" for w in words))
    except FileExistsError:
        raise UsageError(f"{out} exists already", todo="Name another file") from None
    except OSError as error:
        raise UsageError(f"{out} cannot be written", given=error.strerror, todo="Name a file in a folder of your own") from error


def _entry(name: str) -> zipfile.ZipInfo:
    """Return an entry with a fixed time, so that the same records make the same file."""
    info = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
    info.compress_type = zipfile.ZIP_DEFLATED
    return info


def _finite(value: Any) -> Any:
    """Return a JSON value with numbers that JSON cannot write as the texts inf, -inf and nan."""
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if isinstance(value, list):
        return [_finite(v) for v in value]
    return {k: _finite(v) for k, v in value.items()} if isinstance(value, dict) else value


# reading


def read_share(path: Path, *, limit_bytes: int = LIMIT_BYTES) -> Share:
    """Return what a file holds, all of it checked; nothing is kept. Raises UsageError with what is wrong and where."""
    try:
        with zipfile.ZipFile(path) as archive:
            texts = _texts(archive, path, limit_bytes)
    except FileNotFoundError:
        raise UsageError(f"there is no file {path}") from None
    except OSError as error:
        raise UsageError(f"{path} cannot be read", given=error.strerror or str(error)) from error
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError) as error:
        raise _refusal(path, "it is no share, or a part of one is missing", str(error)) from error
    return _checked(path, texts)


def _refusal(path: Path, why: str, given: object = None) -> UsageError:
    return UsageError(f"{path.name} is not taken: {why}", given=None if given is None else str(given)[:120], todo="Ask for it to be exported again; nothing was changed here")


def _texts(archive: zipfile.ZipFile, path: Path, limit_bytes: int) -> dict[str, str]:
    names = archive.namelist()
    for name in names:
        if name not in _NAMES or names.count(name) > 1:
            raise _refusal(path, "it holds a file that no share has" if name not in _NAMES else "it holds a file twice", name)
    out: dict[str, str] = {}
    left = limit_bytes
    for info in archive.infolist():
        if info.file_size > left:
            raise _refusal(path, f"unpacked it would be larger than {limit_bytes // 1_000_000} MB", info.filename)
        with archive.open(info) as handle:
            data = handle.read(left + 1)  # an entry may be longer than it says
        left -= len(data)
        if left < 0:
            raise _refusal(path, f"unpacked it would be larger than {limit_bytes // 1_000_000} MB", info.filename)
        try:
            out[info.filename] = data.decode("utf-8")
        except UnicodeDecodeError as error:
            raise _refusal(path, f"{info.filename} is not UTF-8", error) from None
    return out


def _checked(path: Path, texts: dict[str, str]) -> Share:
    manifest = _manifest(path, texts.get(_MANIFEST))
    site_toml = texts.get(_SITE, "")
    if site_toml:
        try:
            read_declared(site_toml, name=f"site.toml of {path.name}")
        except DeclarationError as error:
            raise _refusal(path, "its site.toml cannot be used", error) from error
    words: dict[str, Any] = {f.field: tuple(_words(path, f, texts.get(f.name, ""))) for f in FILES}
    share = Share(kind=manifest["kind"], redacted=manifest["redacted"], made_by=manifest["made_by"], site_toml=site_toml, **words)
    _hold_together(path, share)
    return share


def _manifest(path: Path, text: str | None) -> dict[str, Any]:
    if text is None:
        raise _refusal(path, "it has no manifest.json, so it is no share")
    found = _json(path, _MANIFEST, text)
    if not isinstance(found, dict) or found.get("format") != FORMAT:
        raise _refusal(path, "its manifest is not that of a share")
    if type(found.get("version")) is not int or found["version"] != VERSION:
        raise UsageError(f"{path.name} is not taken: version of the share", given=found.get("version"), allowed=str(VERSION), todo="Use the version of this program that wrote it, or a newer one")
    if set(found) != {"format", "version", "kind", "redacted", "made_by"} or type(found["redacted"]) is not bool or not isinstance(found["made_by"], str):
        raise _refusal(path, "its manifest is not as described", ", ".join(sorted(map(str, found))))
    if found["kind"] not in get_args(ShareKind):
        raise _refusal(path, "it is of a kind that is not known here", found["kind"])
    return found


def _json(path: Path, place: str, text: str) -> Any:
    def refuse(word: str) -> None:
        raise ValueError(f"{word} is no number of JSON")

    try:
        return json.loads(text, parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise _refusal(path, f"{place} is not valid JSON", error) from None


def _words(path: Path, file: _File, text: str) -> Iterable[Any]:
    for number, line in enumerate(text.split("\n"), 1):
        if not line.strip():
            continue
        place = f"{file.name} line {number}"
        document = _json(path, place, line)
        try:
            word = file.read(document)
            same = _finite(file.write(word)) == document
        except ValidationError as error:
            first = error.errors()[0]
            raise _refusal(path, f"{place} ({'.'.join(map(str, first['loc'])) or 'the line'}) cannot be used", first["msg"]) from None
        except (KeyError, TypeError, ValueError, OverflowError, RecursionError) as error:
            raise _refusal(path, f"{place} is not as described", error) from None
        if not same:
            raise _refusal(path, f"{place} says something that is not known here, or in another type", line)
        at = getattr(word, "at", None) or getattr(word, "start", None)
        if isinstance(at, datetime) and at.tzinfo is None:
            raise _refusal(path, f"{place} has a time without a zone", at)
        yield word


def _hold_together(path: Path, share: Share) -> None:
    """Refuse a share whose records refer to what is not in it, or that has two of one key."""
    for what, keys in (
        ("captures", [c.key for c in share.captures]),
        ("measurements", [m.key for m in share.measurements]),
        ("designs", [d.key for d in share.designs]),
        ("tests of campaigns", [e.test for _, e in share.events if isinstance(e, Tested)]),
    ):
        if len(set(keys)) != len(keys):
            raise _refusal(path, f"two of its {what} have the same key")
    captures = {c.key for c in share.captures}
    for reading in share.readings:
        if reading.capture_key not in captures or reading.at is None:
            raise _refusal(path, "a reading has no capture or no time", reading.capture_key)
    designs = {d.key for d in share.designs}
    for campaign, _ in share.events:
        if campaign not in designs:
            raise _refusal(path, "an event belongs to no campaign of it", campaign)
    if share.kind == "proposal" and (len(share.designs) != 1 or share.events or share.measurements or share.captures):
        raise _refusal(path, "a proposal holds one campaign that has not begun, and nothing else")
    if share.kind != "proposal" and share.tunings:
        raise _refusal(path, "only a proposal may bring tunings")


# keeping


def keep(share: Share, records: DiskRecords) -> Kept:
    """Add what is not there yet; what is there stays as it is. Raises UsageError for a campaign that differs from the one that is there."""
    known = {d.key: d for d in records.designs()}
    fresh: list[tuple[str, CampaignEvent]] = []
    for design in share.designs:
        _same(design.key, [known[design.key]] if design.key in known else [], [design])
        theirs = [e for campaign, e in share.events if campaign == design.key]
        ours = list(records.events(design.key))
        fresh += [(design.key, e) for e in theirs[_same(design.key, ours, theirs) :]]
    captures = [c for c in share.captures if records.capture(c.key) is None]
    measurements = [m for m in share.measurements if records.measurement(m.key) is None]
    new_captures = {c.key for c in captures}
    had = {json.dumps(redact_values(to_document(r))) for r in records.readings()} if len(captures) < len(share.captures) else set()
    readings = [r for r in share.readings if r.capture_key in new_captures or json.dumps(redact_values(to_document(r))) not in had]
    seen = {json.dumps(_watched_redacted(_watched_document(w))) for w in records.watched()} if share.watched else set()
    watched = [w for w in share.watched if json.dumps(_watched_redacted(_watched_document(w))) not in seen]
    designs = [d for d in share.designs if d.key not in known]
    for capture in captures:
        records.add_capture(capture)
    for reading in readings:
        records.add_reading(reading)
    for measurement in measurements:
        records.add_measurement(measurement)
    for design in designs:
        records.add_design(design)
    for campaign, event in fresh:
        records.add_event(campaign, event)
    if watched:
        records.add_watched(*watched)
    added: dict[str, Sequence[object]] = {"captures": captures, "readings": readings, "measurements": measurements, "designs": designs, "events": fresh, "watched": watched}
    return Kept(rows=tuple((what, len(new), len(getattr(share, what)) - len(new)) for what, new in added.items() if getattr(share, what)))


def _same(campaign: str, ours: Sequence[object], theirs: Sequence[object]) -> int:
    """Return how many of theirs are here already. One must be the beginning of the other; redacted and not is the same."""
    for mine, other in zip(ours, theirs, strict=False):
        if not _alike(to_document(mine), to_document(other)):
            raise UsageError(f"campaign {campaign} is here already and differs", todo="Import into an empty folder: nothing is ever written over")
    return min(len(ours), len(theirs))


def _alike(mine: Any, other: Any) -> bool:
    """Whether two JSON values say the same, where either may have been redacted: a dot stands for any character."""
    if isinstance(mine, str) and isinstance(other, str):
        return mine == other or (len(mine) == len(other) and all(a == b or "•" in (a, b) for a, b in zip(mine, other, strict=True)))
    if isinstance(mine, list) and isinstance(other, list):
        return len(mine) == len(other) and all(map(_alike, mine, other))
    if isinstance(mine, dict) and isinstance(other, dict):
        return mine.keys() == other.keys() and all(_alike(v, other[k]) for k, v in mine.items())
    return bool(mine == other)
