"""The tables of `records.db`. What was measured is rows of quantity and value, so a new quantity needs no migration.

Times are UTC. The same tables serve SQLite and PostgreSQL. A change here goes with a migration beside it; a test runs
Alembic's own check that the two agree.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, Boolean, Column, DateTime, Dialect, Float, ForeignKey, Index, Integer, LargeBinary, MetaData, String, Table, Text
from sqlalchemy.types import TypeDecorator

__all__ = ["METADATA", "UtcTime", "capture", "design", "event", "measurement", "measurement_series", "measurement_value", "outbox_batch", "outbox_sent", "reading"]


class UtcTime(TypeDecorator[datetime]):
    """An aware UTC time; databases without time zones keep it as UTC."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002 -- SQLAlchemy's signature
        """Refuse naive times, store UTC."""
        if value is None:
            return None
        if value.tzinfo is None:
            msg = f"a time without a zone cannot be stored: {value!r}"
            raise ValueError(msg)
        return value.astimezone(UTC)

    def process_result_value(self, value: Any | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002 -- SQLAlchemy's signature
        """Return aware UTC."""
        if value is None:
            return None
        time: datetime = value
        return time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)


METADATA = MetaData(naming_convention={"ix": "ix_%(table_name)s_%(column_0_N_name)s", "pk": "pk_%(table_name)s", "fk": "fk_%(table_name)s_%(column_0_N_name)s", "uq": "uq_%(table_name)s_%(column_0_N_name)s"})

capture = Table(
    "capture",
    METADATA,
    Column("key", String(60), primary_key=True),
    Column("at", UtcTime, nullable=False, index=True),
    Column("kind", String(40), nullable=False),
    Column("gateway", String(60)),
    Column("moment", String(20)),
    Column("text", Text, nullable=False),
    Column("exchanges", JSON, nullable=False),
    Column("meta", JSON, nullable=False),
)

reading = Table(
    "reading",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("capture_key", String(60), ForeignKey("capture.key"), nullable=False, index=True),
    Column("at", UtcTime, nullable=False, index=True),
    Column("mode", String(10)),
    Column("registration", String(20)),
    Column("document", JSON, nullable=False),
)

measurement = Table(
    "measurement",
    METADATA,
    Column("key", String(60), primary_key=True),
    Column("at", UtcTime, nullable=False),
    Column("method", String(20), nullable=False),
    Column("outcome", String(10), nullable=False),
    Column("phase", String(20)),
    Column("reason", Text),
    Column("size", String(10), nullable=False),
    Column("setup_asked", String(130)),
    Column("setup_seen", String(130)),
    Column("moved", Boolean, nullable=False),
    Column("ramping", Boolean, nullable=False),
    Column("megabytes", Float, nullable=False),
    Column("seconds", Float, nullable=False),
    Column("far_end", String(120)),
    Column("entered_by", String(120)),
    Column("facts", JSON, nullable=False),
    Column("captures", JSON, nullable=False),
    Index("ix_measurement_at_setup_asked", "at", "setup_asked"),
    Index("ix_measurement_setup_asked_at", "setup_asked", "at"),
)

measurement_value = Table(
    "measurement_value",
    METADATA,
    Column("measurement_key", String(60), ForeignKey("measurement.key"), primary_key=True),
    Column("quantity", String(60), primary_key=True),
    Column("value", Float),
    Column("low", Float),
    Column("high", Float),
    Column("reason", Text),
)

measurement_series = Table(
    "measurement_series",
    METADATA,
    Column("measurement_key", String(60), ForeignKey("measurement.key"), primary_key=True),
    Column("name", String(60), primary_key=True),
    Column("numbers", JSON, nullable=False),
)

design = Table(
    "design",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("key", String(60), nullable=False, unique=True),
    Column("start", UtcTime, nullable=False),
    Column("document", JSON, nullable=False),
)

event = Table(
    "event",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("campaign", String(60), nullable=False, index=True),
    Column("at", UtcTime, nullable=False),
    Column("kind", String(30), nullable=False),
    Column("test", String(60), unique=True),  # key of the measurement of a Tested event: a test enters a campaign once
    Column("document", JSON, nullable=False),
)

# What goes to a hub is read from the tables above; these two say only what it has acknowledged. A batch's body is there until then.

outbox_batch = Table(
    "outbox_batch",
    METADATA,
    Column("sequence", Integer, primary_key=True, autoincrement=False),
    Column("key", String(36), nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("body", LargeBinary),
    Column("records", JSON),  # [kind, key] of each, while it is under way
)

outbox_sent = Table(
    "outbox_sent",
    METADATA,
    Column("kind", String(20), primary_key=True),
    Column("key", String(80), primary_key=True),
    Column("sequence", Integer, nullable=False, index=True),
    Column("reason", Text),  # why the hub will not have it, where it will not
)
