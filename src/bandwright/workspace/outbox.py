"""What goes to a hub: everything that is kept and not yet acknowledged, oldest first, redacted.

The outbox holds no copy of what was measured. It is read from the records, less what the hub has acknowledged, so that no crash and no
number of days offline can lose anything from it. Only the one batch under way is kept as it was made, because a second delivery must
be the same to the byte. A record that the hub will not take is set aside with the reason; it stays in the workspace like any other.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, String, cast, delete, func, insert, literal, select, update
from sqlalchemy.exc import SQLAlchemyError

from bandwright.errors import StoreError
from bandwright.words.fleet import Batch, Parcel
from bandwright.workspace import tables
from bandwright.workspace.documents import event_from_document, from_document, watched_from_document
from bandwright.workspace.exchange import FILES
from bandwright.workspace.records import WATCH_CAMPAIGN, DiskRecords
from bandwright.workspace.redact import hide, private_words, redact_site, with_hosts

__all__ = ["Outbox", "Outgoing"]

_MOST_RECORDS = 200
_MOST_CHARACTERS = 6_000_000  # of a batch before it is packed; one record may pass it alone
_FILES = {f.field: f for f in FILES}


@dataclass(frozen=True, slots=True)
class Outgoing:
    """The batch under way, and its bytes."""

    batch: Batch
    body: bytes


class Outbox:
    """What a workspace still has to tell its hub. encode: a batch to bytes. Raises StoreError."""

    def __init__(self, records: DiskRecords, *, site_toml: str, encode: Callable[[Batch], bytes], decode: Callable[[bytes], Batch]) -> None:
        self._records, self._engine, self._encode, self._decode = records, records.engine, encode, decode
        self._declared = redact_site(site_toml)
        self._words = private_words(site_toml)
        self._most = _MOST_RECORDS

    def waiting(self) -> int:
        """Return how many records the hub has not acknowledged."""
        with self._engine.connect() as c:
            kept = sum(c.execute(_unsent(kind, func.count())).scalar_one() for kind in _ORDER)
            return int(kept) + (self._declared_key(c) is not None)

    def next_batch(self, now: datetime) -> Outgoing | None:
        """Return the batch under way, or a new one that is then under way; None where everything is acknowledged."""
        try:
            with self._engine.begin() as c:
                row = c.execute(select(tables.outbox_batch).where(tables.outbox_batch.c.body.is_not(None)).order_by(tables.outbox_batch.c.sequence)).mappings().first()
                if row is not None:
                    return Outgoing(self._decode(row["body"]), row["body"])
                parcels = tuple(self._fresh(c))
                if not parcels:
                    return None
                last = c.execute(select(func.max(tables.outbox_batch.c.sequence))).scalar_one()
                batch = Batch(key=str(uuid.uuid4()), sequence=1 + (last or 0), parcels=parcels)
                body = self._encode(batch)
                rows = [[p.kind, p.key] for p in parcels]
                c.execute(insert(tables.outbox_batch), {"sequence": batch.sequence, "key": batch.key, "at": now, "body": body, "records": rows})
                return Outgoing(batch, body)
        except SQLAlchemyError as error:
            raise StoreError("the outbox cannot be used", given=str(error)) from error

    def acknowledged(self, batch: Batch) -> None:
        """Note that the hub has this batch. Saying so twice changes nothing."""
        with self._engine.begin() as c:
            _mark(c, batch.sequence, [(p, None) for p in batch.parcels])
            c.execute(update(tables.outbox_batch).where(tables.outbox_batch.c.sequence == batch.sequence).values(body=None, records=None))
        self._most = min(_MOST_RECORDS, 2 * self._most)

    def set_aside(self, batch: Batch, refused: dict[int, str]) -> None:
        """Note which records of a refused batch the hub will not take, by their place in it; the others go in a new batch."""
        with self._engine.begin() as c:
            _mark(c, batch.sequence, [(batch.parcels[i], reason) for i, reason in refused.items() if 0 <= i < len(batch.parcels)])
            c.execute(delete(tables.outbox_batch).where(tables.outbox_batch.c.sequence == batch.sequence))

    def smaller(self, batch: Batch) -> bool:
        """Make the batch anew with half the records; False where it holds only one."""
        if len(batch.parcels) == 1:
            return False
        self._most = max(1, len(batch.parcels) // 2)
        self._drop(batch.sequence)
        return True

    def expects(self, next_sequence: int) -> None:
        """Go on from the number that the hub expects.

        Where it is lower than ours, the hub has lost what came after (it was put back from a copy): all of that is sent again. Where it is
        higher, this workspace was put back: what the hub has already, it will say so.
        """
        with self._engine.begin() as c:
            b = tables.outbox_batch
            c.execute(delete(tables.outbox_sent).where(tables.outbox_sent.c.sequence >= next_sequence))
            c.execute(delete(b).where((b.c.sequence >= next_sequence) | b.c.body.is_not(None)))
            last = c.execute(select(func.max(b.c.sequence))).scalar_one() or 0
            if last < next_sequence - 1:  # keep the count in step, without a batch
                from datetime import UTC

                c.execute(insert(b), {"sequence": next_sequence - 1, "key": "counted on", "at": datetime.now(UTC), "body": None, "records": None})

    def aside(self) -> list[tuple[str, str, str]]:
        """Return what the hub would not take: (kind, key, reason)."""
        s = tables.outbox_sent
        with self._engine.connect() as c:
            return [tuple(r) for r in c.execute(select(s.c.kind, s.c.key, s.c.reason).where(s.c.reason.is_not(None)).order_by(s.c.kind, s.c.key))]

    def _drop(self, sequence: int) -> None:
        with self._engine.begin() as c:
            c.execute(delete(tables.outbox_batch).where(tables.outbox_batch.c.sequence == sequence))

    # what is not yet acknowledged

    def _declared_key(self, c: Connection) -> str | None:
        """Return the key under which what is declared goes out, or None where the hub has it."""
        s = tables.outbox_sent
        digest = hashlib.sha256(self._declared.encode()).hexdigest()[:32]
        last = c.execute(select(s.c.key).where(s.c.kind == "declared").order_by(s.c.sequence.desc())).scalars().first()
        if last is not None and last.partition(".")[0] == digest:
            return None
        count = c.execute(select(func.count()).select_from(s).where(s.c.kind == "declared")).scalar_one()
        return f"{digest}.{count}"

    def _fresh(self, c: Connection) -> Iterator[Parcel]:
        left, characters = self._most, 0
        if (key := self._declared_key(c)) is not None:
            yield Parcel(kind="declared", key=key, record={"site_toml": self._declared})
            left -= 1
        for kind in _ORDER:
            if left <= 0:
                return
            for key, record in _READ[kind](self._records, c, left):
                parcel = Parcel(kind=kind, key=key, record=self._leaving(kind, record))
                characters += len(json.dumps(parcel.record))
                if characters > _MOST_CHARACTERS and left < self._most:
                    return
                yield parcel
                left -= 1

    def _leaving(self, kind: str, record: Any) -> Any:
        """Return a record as it leaves: redacted, in characters and numbers that any JSON reader and any database takes."""
        file = _FILES[kind]
        document = file.write(record)
        words = self._words | with_hosts({document["far_end"]}) if kind == "measurements" and document["far_end"] else self._words
        return _plain(hide(file.redact(document), words))


def _plain(value: Any) -> Any:
    if isinstance(value, str):
        return "".join("\ufffd" if c == "\x00" or "\ud800" <= c <= "\udfff" else c for c in value)
    if isinstance(value, float):
        return value if value - value == 0 else str(value)  # inf and nan are no JSON
    if isinstance(value, list):
        return [_plain(v) for v in value]
    return {k: _plain(v) for k, v in value.items()} if isinstance(value, dict) else value


def _mark(c: Connection, sequence: int, rows: list[tuple[Parcel, str | None]]) -> None:
    s = tables.outbox_sent
    for parcel, reason in rows:
        if c.execute(select(s.c.key).where(s.c.kind == parcel.kind, s.c.key == parcel.key)).first() is None:
            c.execute(insert(s), {"kind": parcel.kind, "key": parcel.key, "sequence": sequence, "reason": reason})


def _unsent(kind: str, *what: Any) -> Any:
    """Return a query for the rows of a kind that are not acknowledged."""
    table, key, only = _TABLES[kind]
    s = tables.outbox_sent
    sent = select(literal(1)).where(s.c.kind == kind, s.c.key == key).exists()
    query = select(*what).select_from(table).where(~sent)
    return query if only is None else query.where(only)


def _numbered(table: Any) -> Any:
    return cast(table.c.id, String)


_TABLES: dict[str, tuple[Any, Any, Any]] = {
    "captures": (tables.capture, tables.capture.c.key, None),
    "readings": (tables.reading, _numbered(tables.reading), None),
    "measurements": (tables.measurement, tables.measurement.c.key, None),
    "designs": (tables.design, tables.design.c.key, None),
    "events": (tables.event, _numbered(tables.event), tables.event.c.campaign != WATCH_CAMPAIGN),
    "watched": (tables.event, _numbered(tables.event), tables.event.c.campaign == WATCH_CAMPAIGN),
}
_ORDER = tuple(_TABLES)  # captures before their readings, designs before their events


def _captures(records: DiskRecords, c: Connection, most: int) -> Iterator[tuple[str, Any]]:
    for key in c.execute(_unsent("captures", tables.capture.c.key).order_by(tables.capture.c.at).limit(most)).scalars().all():
        yield key, records.capture(key)


def _readings(_records: DiskRecords, c: Connection, most: int) -> Iterator[tuple[str, Any]]:
    from bandwright.words.radio import Reading

    t = tables.reading
    for number, document in c.execute(_unsent("readings", t.c.id, t.c.document).order_by(t.c.id).limit(most)).all():
        yield str(number), from_document(Reading, document)


def _measurements(records: DiskRecords, c: Connection, most: int) -> Iterator[tuple[str, Any]]:
    for key in c.execute(_unsent("measurements", tables.measurement.c.key).order_by(tables.measurement.c.at).limit(most)).scalars().all():
        yield key, records.measurement(key)


def _designs(_records: DiskRecords, c: Connection, most: int) -> Iterator[tuple[str, Any]]:
    from bandwright.words.campaign import Design

    t = tables.design
    for key, document in c.execute(_unsent("designs", t.c.key, t.c.document).order_by(t.c.id).limit(most)).all():
        yield key, from_document(Design, document)


def _events(_records: DiskRecords, c: Connection, most: int) -> Iterator[tuple[str, Any]]:
    t = tables.event
    for number, campaign, kind, document in c.execute(_unsent("events", t.c.id, t.c.campaign, t.c.kind, t.c.document).order_by(t.c.id).limit(most)).all():
        yield str(number), (campaign, event_from_document(kind, document))


def _watched(_records: DiskRecords, c: Connection, most: int) -> Iterator[tuple[str, Any]]:
    t = tables.event
    for number, kind, document in c.execute(_unsent("watched", t.c.id, t.c.kind, t.c.document).order_by(t.c.id).limit(most)).all():
        yield str(number), watched_from_document(kind, document)


_READ: dict[str, Callable[[DiskRecords, Connection, int], Iterator[tuple[str, Any]]]] = {
    "captures": _captures, "readings": _readings, "measurements": _measurements, "designs": _designs, "events": _events, "watched": _watched,
}  # fmt: skip
