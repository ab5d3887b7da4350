"""What was measured, durable on disk: SQLite beside `site.toml` by default, PostgreSQL by URL.

Each `add_*` returns after its transaction is committed and synchronous. A record that is already there is left as it is, so a
job that was killed between writing and noting it may simply write again.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, Select, create_engine, event, insert, inspect, select
from sqlalchemy.exc import DBAPIError, IntegrityError, SQLAlchemyError

from bandwright.errors import DiskFull, StoreError
from bandwright.words.campaign import CampaignEvent, Design, Tested
from bandwright.words.measurement import Measurement, Method, Outcome, Phase, Size, Value
from bandwright.words.radio import Capture, Exchange, Reading
from bandwright.words.watch import WatchRecord
from bandwright.workspace import tables
from bandwright.workspace.documents import event_from_document, event_kind, from_document, to_document, watched_from_document

__all__ = ["RECORDS_FILE", "WATCH_CAMPAIGN", "DiskRecords", "capture_row", "design_row", "event_row", "measurement_rows", "reading_row", "translated", "watched_row"]

RECORDS_FILE = "records.db"
WATCH_CAMPAIGN = "~watch"
_MIGRATIONS = Path(__file__).parent / "migrations"


@contextmanager
def translated(what: str, folder: Path | None) -> Iterator[None]:
    """Turn the database's exceptions into ours. folder: where its disk can be looked at, for a database on this computer."""
    try:
        yield
    except DBAPIError as error:
        text = str(error.orig)
        if "full" in text or "No space" in text or ("disk I/O error" in text and _is_full(folder)):
            raise DiskFull(f"the disk is full while {what}", todo="Free some space and start again: all finished tests are kept") from error
        if "locked" in text:
            raise StoreError(f"another program holds the records while {what}", given=text, todo="Wait for it, or stop it") from error
        raise StoreError(f"the records cannot be used while {what}", given=text) from error
    except SQLAlchemyError as error:
        raise StoreError(f"the records cannot be used while {what}", given=str(error)) from error
    except OSError as error:
        if error.errno == 28:
            raise DiskFull(f"the disk is full while {what}", todo="Free some space and start again: all finished tests are kept") from error
        raise StoreError(f"the records cannot be used while {what}", given=str(error)) from error


def _is_full(folder: Path | None) -> bool:
    """Whether less than a WAL index (32 kB) fits: SQLite then answers "disk I/O error" instead of "full"."""
    return folder is not None and shutil.disk_usage(folder).free < 65_536


def _pragmas(connection: Any, _record: Any) -> None:
    cursor = connection.cursor()
    for line in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "busy_timeout=5000"):
        cursor.execute(f"PRAGMA {line}")
    cursor.close()


def _small(connection: Any, _record: Any) -> None:
    connection.execute("PRAGMA cache_size=-256")  # kB; SQLite's own default is 2,000


class DiskRecords:
    """Records in a database; see `ports.Records`. where: the workspace folder, or a database URL."""

    def __init__(self, where: Path | str) -> None:
        self.url = f"sqlite:///{where / RECORDS_FILE}" if isinstance(where, Path) else where
        self._folder = where if isinstance(where, Path) else None
        with self._translated("opening them"):
            self._engine: Engine = create_engine(self.url)
            if self._engine.dialect.name == "sqlite":
                event.listen(self._engine, "connect", _pragmas)
            self._prepare()

    def _translated(self, what: str) -> AbstractContextManager[None]:
        return translated(what, self._folder)

    def _prepare(self) -> None:
        """Create the tables, or bring them up to this version."""
        found = inspect(self._engine).get_table_names()
        if "alembic_version" not in found and "measurement" not in found:
            tables.METADATA.create_all(self._engine)
            self._alembic("stamp")
        elif not self._is_current():
            self._alembic("upgrade")

    def _is_current(self) -> bool:
        newest = max(p.stem.split("_")[0] for p in (_MIGRATIONS / "versions").glob("[0-9]*.py"))
        with self._engine.connect() as c:
            return c.exec_driver_sql("select version_num from alembic_version").scalar() == newest

    def _alembic(self, verb: str) -> None:
        from alembic import command
        from alembic.config import Config

        config = Config()
        config.set_main_option("script_location", str(_MIGRATIONS))
        with self._engine.begin() as connection:
            config.attributes["connection"] = connection
            getattr(command, verb)(config, "head")

    @property
    def engine(self) -> Engine:
        """The database, for what stands beside the records in it."""
        return self._engine

    def keep_small(self) -> None:
        """Hold the database's page cache to a quarter of a megabyte, for a process that stays for weeks and reads little."""
        if self._engine.dialect.name == "sqlite":
            event.listen(self._engine, "connect", _small)
            self._engine.dispose()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    # writing

    def _write(self, what: str, *rows: tuple[Any, Any]) -> bool:
        """Insert rows of (table, values or list of values) in one transaction; False where they are there already."""
        with self._translated(what):
            try:
                with self._engine.begin() as c:
                    for table, values in rows:
                        if values:
                            c.execute(insert(table), values)
            except IntegrityError as error:
                if "FOREIGN" in str(error.orig).upper():
                    raise
                return False
        return True

    def add_capture(self, capture: Capture) -> None:
        """Keep a capture, before anyone reads it."""
        self._write("keeping a capture", (tables.capture, capture_row(capture)))

    def add_reading(self, reading: Reading) -> None:
        """Keep a reading of a capture that was kept before. Raises StoreError where the capture is not there."""
        if reading.capture_key is None or reading.at is None:
            raise StoreError("a reading is kept only with its capture and its time")
        self._write("keeping a reading", (tables.reading, reading_row(reading)))

    def add_measurement(self, measurement: Measurement) -> None:
        """Keep a finished measurement: its row, its values and its series, all or nothing."""
        row, values, series = measurement_rows(measurement)
        self._write("keeping a measurement", (tables.measurement, row), (tables.measurement_value, values), (tables.measurement_series, series))

    def add_design(self, design: Design) -> None:
        """Keep a design. A design of that key that is there already stays as it is."""
        self._write("keeping a design", (tables.design, design_row(design)))

    def add_event(self, campaign: str, event: CampaignEvent) -> None:
        """Keep a campaign event. A test enters a campaign once."""
        self._write("keeping an event", (tables.event, event_row(campaign, event)))

    def add_watched(self, *records: WatchRecord) -> None:
        """Keep what the watch saw, all or nothing; it stands among the events, under a name that no campaign has."""
        self._write("keeping what the watch saw", (tables.event, [watched_row(r) for r in records]))

    # reading

    def _rows(self, what: str, query: Select[Any]) -> list[Any]:
        with self._translated(what), self._engine.connect() as c:
            return list(c.execute(query).mappings())

    def captures(self, *, since: datetime | None = None, limit: int | None = None) -> Sequence[Capture]:
        """Return captures, oldest first; with a limit the newest of them."""
        return [_capture(r) for r in self._latest("reading captures", select(tables.capture), tables.capture.c.at, since, limit)]

    def capture(self, key: str) -> Capture | None:
        """Return the capture of that key, or None."""
        rows = self._rows("reading a capture", select(tables.capture).where(tables.capture.c.key == key))
        return _capture(rows[0]) if rows else None

    def readings(self, *, since: datetime | None = None, limit: int | None = None) -> Sequence[Reading]:
        """Return readings, oldest first; with a limit the newest of them."""
        return [from_document(Reading, r["document"]) for r in self._latest("reading readings", select(tables.reading), tables.reading.c.at, since, limit)]

    def _latest(self, what: str, query: Select[Any], at: Any, since: datetime | None, limit: int | None) -> list[Any]:
        if since is not None:
            query = query.where(at >= since)
        if limit is None:
            return self._rows(what, query.order_by(at))
        return self._rows(what, query.order_by(at.desc()).limit(limit))[::-1]

    def measurements(self, *, setup: str | None = None, since: datetime | None = None, limit: int | None = None) -> Sequence[Measurement]:
        """Return measurements, oldest first; with a limit the newest of them."""
        query = select(tables.measurement)
        if setup is not None:
            query = query.where(tables.measurement.c.setup_asked == setup)
        heads = self._latest("reading measurements", query, tables.measurement.c.at, since, limit)
        return self._with_values(heads)

    def measurement(self, key: str) -> Measurement | None:
        """Return the measurement of that key, or None."""
        found = self._with_values(self._rows("reading a measurement", select(tables.measurement).where(tables.measurement.c.key == key)))
        return found[0] if found else None

    def measurement_count(self) -> int:
        """Return how many measurements are kept."""
        from sqlalchemy import func

        with self._translated("counting measurements"), self._engine.connect() as c:
            return int(c.execute(select(func.count()).select_from(tables.measurement)).scalar_one())

    def _with_values(self, heads: list[Any]) -> list[Measurement]:
        values: dict[str, list[Value]] = {}
        series: dict[str, list[tuple[str, tuple[float, ...]]]] = {}
        keys = [h["key"] for h in heads]
        with self._translated("reading measurements"), self._engine.connect() as c:
            for start in range(0, len(keys), 500):
                part = keys[start : start + 500]
                _collect(c, part, values, series)
        return [_measurement(h, tuple(values.get(h["key"], ())), tuple(series.get(h["key"], ()))) for h in heads]

    def designs(self) -> Sequence[Design]:
        """Return all designs, oldest first."""
        return [from_document(Design, r["document"]) for r in self._rows("reading designs", select(tables.design).order_by(tables.design.c.id))]

    def events(self, campaign: str) -> Sequence[CampaignEvent]:
        """Return a campaign's events in the order of recording."""
        query = select(tables.event).where(tables.event.c.campaign == campaign).order_by(tables.event.c.id)
        return [event_from_document(r["kind"], r["document"]) for r in self._rows("reading a campaign", query)]

    def watched(self, *, since: datetime | None = None) -> Sequence[WatchRecord]:
        """Return what the watch kept, in the order of recording. since: by the time a record is about."""
        query = select(tables.event).where(tables.event.c.campaign == WATCH_CAMPAIGN)
        if since is not None:
            query = query.where(tables.event.c.at >= since)
        return [watched_from_document(r["kind"], r["document"]) for r in self._rows("reading what the watch saw", query.order_by(tables.event.c.id))]


# words as rows of their tables


def capture_row(capture: Capture) -> dict[str, Any]:
    """Return a capture as its row."""
    return {
        "key": capture.key,
        "at": capture.at,
        "kind": capture.kind,
        "gateway": capture.gateway,
        "moment": capture.moment,
        "text": capture.text,
        "exchanges": [asdict(x) for x in capture.exchanges],
        "meta": [list(m) for m in capture.meta],
    }


def reading_row(reading: Reading) -> dict[str, Any]:
    """Return a reading as its row."""
    return {"capture_key": reading.capture_key, "at": reading.at, "mode": reading.mode, "registration": reading.registration, "document": to_document(reading)}


def measurement_rows(measurement: Measurement) -> tuple[dict[str, Any], list[dict[str, Any]], list[dict[str, Any]]]:
    """Return a measurement as its row, its values' rows and its series' rows."""
    m = measurement
    row = {
        "key": m.key, "at": m.at, "method": m.method, "outcome": m.outcome, "phase": m.phase, "reason": m.reason, "size": m.size,
        "setup_asked": m.setup_asked, "setup_seen": m.setup_seen, "moved": m.moved, "ramping": m.ramping, "megabytes": m.megabytes,
        "seconds": m.seconds, "far_end": m.far_end, "entered_by": m.entered_by, "facts": [list(f) for f in m.facts], "captures": [list(c) for c in m.captures],
    }  # fmt: skip
    values = [{"measurement_key": m.key, **asdict(v)} for v in m.values]
    series = [{"measurement_key": m.key, "name": name, "numbers": list(numbers)} for name, numbers in m.series]
    return row, values, series


def design_row(design: Design) -> dict[str, Any]:
    """Return a design as its row."""
    return {"key": design.key, "start": design.start, "document": to_document(design)}


def event_row(campaign: str, event: CampaignEvent) -> dict[str, Any]:
    """Return a campaign's event as its row."""
    return {"campaign": campaign, "at": event.at, "kind": event_kind(event), "test": event.test if isinstance(event, Tested) else None, "document": to_document(event)}


def watched_row(record: WatchRecord) -> dict[str, Any]:
    """Return what the watch saw as its row among the events."""
    return {"campaign": WATCH_CAMPAIGN, "at": record.at, "kind": type(record).__name__, "test": None, "document": to_document(record)}


def _collect(c: Connection, keys: list[str], values: dict[str, list[Value]], series: dict[str, list[tuple[str, tuple[float, ...]]]]) -> None:
    v, s = tables.measurement_value, tables.measurement_series
    for r in c.execute(select(v).where(v.c.measurement_key.in_(keys))).mappings():
        values.setdefault(r["measurement_key"], []).append(Value(quantity=r["quantity"], value=r["value"], low=r["low"], high=r["high"], reason=r["reason"]))
    for r in c.execute(select(s).where(s.c.measurement_key.in_(keys))).mappings():
        series.setdefault(r["measurement_key"], []).append((r["name"], tuple(r["numbers"])))


def _capture(r: Any) -> Capture:
    exchanges = tuple(Exchange(**x) for x in r["exchanges"])
    meta = tuple((str(a), str(b)) for a, b in r["meta"])
    return Capture(key=r["key"], at=r["at"], kind=r["kind"], text=r["text"], exchanges=exchanges, gateway=r["gateway"], moment=r["moment"], meta=meta)


def _measurement(r: Any, values: tuple[Value, ...], series: tuple[tuple[str, tuple[float, ...]], ...]) -> Measurement:
    return Measurement(
        key=r["key"], at=r["at"], method=Method(r["method"]), outcome=Outcome(r["outcome"]), phase=Phase(r["phase"]) if r["phase"] else None, reason=r["reason"],
        size=Size(r["size"]), setup_asked=r["setup_asked"], setup_seen=r["setup_seen"], moved=r["moved"], ramping=r["ramping"], values=values, series=series,
        facts=tuple((str(k), v) for k, v in r["facts"]), megabytes=r["megabytes"], seconds=r["seconds"], captures=tuple((str(a), str(b)) for a, b in r["captures"]),
        far_end=r["far_end"], entered_by=r["entered_by"],
    )  # fmt: skip
