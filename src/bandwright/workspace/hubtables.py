"""The hub's tables: the workspace's own, each row with its site, in monthly partitions; and what only a hub has.

The statements of `records` run on them unchanged. Which site's rows they see and may write is held by PostgreSQL itself: row security
lets a transaction see the rows of the one site that it has named, and none where it has named none. So the hub must not connect as a
superuser, whom row security does not bind.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, Final

from sqlalchemy import (
    BigInteger,
    Column,
    DateTime,
    Float,
    Identity,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    UniqueConstraint,
)

from bandwright.workspace import tables
from bandwright.workspace.tables import UtcTime

__all__ = [
    "FORM", "HUB", "PARTITIONED", "PRIVATE_TABLES", "SITE_VARIABLE", "TOLD_MONTHS", "batch", "credential", "declaration", "form", "hourly", "hourly_need", "month_of", "month_partition",
    "partition_statements", "policy_statements", "received", "site", "standing",
]  # fmt: skip

FORM: Final = 1  # of these tables; a hub refuses a database of another
SITE_VARIABLE: Final = "bandwright.site"
TOLD_MONTHS: Final = 36  # records up to so old get a partition of their month; older ones stand together

HUB = MetaData(naming_convention=tables.METADATA.naming_convention)


def _with_site(source: Table, *extra: Column[Any], key: tuple[str, ...], indexes: tuple[tuple[str, ...], ...] = (), by_month: bool = True) -> Table:
    """Return a workspace's table as the hub keeps it: its columns, the site before them, and a key that holds the site."""
    columns: list[Column[Any]] = []
    for c in source.columns:
        numbered = c.name == "id"
        columns.append(Column(c.name, BigInteger if numbered else c.type, *((Identity(),) if numbered else ()), nullable=c.nullable))
    options: dict[str, Any] = {"postgresql_partition_by": "RANGE (at)"} if by_month else {}
    made: Table = Table(
        source.name, HUB, Column("site", Integer, nullable=False), *columns, *extra, PrimaryKeyConstraint("site", *key, name=f"pk_{source.name}"),
        **options,
    )  # fmt: skip
    for names in indexes:
        Index(f"ix_{source.name}_site_{'_'.join(names)}", made.c.site, *(made.c[n] for n in names))
    if by_month:
        Index(f"ix_{source.name}_at", made.c.at, postgresql_using="brin")
    return made


capture = _with_site(tables.capture, key=("key", "at"), indexes=(("at",),))
reading = _with_site(tables.reading, key=("id", "at"), indexes=(("at",), ("capture_key",)))
measurement = _with_site(tables.measurement, key=("key", "at"), indexes=(("at",),))
measurement_value = _with_site(tables.measurement_value, Column("at", UtcTime, nullable=False), key=("measurement_key", "quantity", "at"))
measurement_series = _with_site(tables.measurement_series, Column("at", UtcTime, nullable=False), key=("measurement_key", "name", "at"))
design = _with_site(tables.design, key=("id",), indexes=(("key",),), by_month=False)
event = _with_site(tables.event, key=("id", "at"), indexes=(("campaign", "id"), ("at",)))

PARTITIONED: Final = ("capture", "reading", "measurement", "measurement_value", "measurement_series", "event")

declaration = Table(
    "declaration",
    HUB,
    Column("site", Integer, nullable=False),
    Column("number", Integer, nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("site_toml", Text, nullable=False),
    PrimaryKeyConstraint("site", "number", name="pk_declaration"),
)

# Hours of a site, made as records come in, so that no page reads what was measured to draw its overview. Sums, so that hours add up.
hourly = Table(
    "hourly",
    HUB,
    Column("site", Integer, nullable=False),
    Column("hour", DateTime(timezone=True), nullable=False),
    *(Column(n, Integer, nullable=False) for n in ("tests", "failed", "void")),
    Column("megabytes", Float, nullable=False),
    *(c for n in ("down", "up", "delay") for c in (Column(f"{n}_n", Integer, nullable=False), Column(f"{n}_ln", Float, nullable=False))),
    Column("outages", Integer, nullable=False),
    Column("outage_s", Float, nullable=False),
    PrimaryKeyConstraint("site", "hour", name="pk_hourly"),
)

hourly_need = Table(
    "hourly_need",
    HUB,
    Column("site", Integer, nullable=False),
    Column("hour", DateTime(timezone=True), nullable=False),
    Column("need", String(60), nullable=False),
    Column("tests", Integer, nullable=False),
    Column("met", Integer, nullable=False),
    PrimaryKeyConstraint("site", "hour", "need", name="pk_hourly_need"),
)

PRIVATE_TABLES: Final = (*PARTITIONED, "design", "declaration", "hourly", "hourly_need")

# What the hub itself keeps.

form = Table("hub_form", HUB, Column("number", Integer, primary_key=True, autoincrement=False))

site = Table(
    "site",
    HUB,
    Column("number", Integer, Identity(), primary_key=True),
    Column("label", String(120), nullable=False, unique=True),
    Column("made", UtcTime, nullable=False),
    Column("next_sequence", Integer, nullable=False),
)

credential = Table(
    "credential",
    HUB,
    Column("name", String(16), primary_key=True),
    Column("role", String(12), nullable=False),  # site
    Column("site", Integer, index=True),
    Column("label", String(120), nullable=False),
    Column("verifier", LargeBinary, nullable=False),  # the public half of a site's key
    Column("made", UtcTime, nullable=False),
    Column("revoked", UtcTime),
    Index("ix_credential_verifier", "verifier"),
)

batch = Table(
    "batch",
    HUB,
    Column("site", Integer, nullable=False),
    Column("sequence", Integer, nullable=False),
    Column("key", String(36), nullable=False),
    Column("digest", LargeBinary, nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("records", Integer, nullable=False),
    PrimaryKeyConstraint("site", "sequence", name="pk_batch"),
    UniqueConstraint("site", "key", name="uq_batch_site_key"),
)

received = Table(  # each record once, whatever its month: 16 bytes that name it, 16 that tell whether it is the same
    "received",
    HUB,
    Column("site", Integer, nullable=False),
    Column("origin", LargeBinary, nullable=False),
    Column("digest", LargeBinary, nullable=False),
    PrimaryKeyConstraint("site", "origin", name="pk_received"),
)

standing = Table(
    "standing",
    HUB,
    Column("site", Integer, primary_key=True, autoincrement=False),
    Column("tests", BigInteger, nullable=False),
    Column("last_heard", UtcTime, index=True),
    Column("last_test", UtcTime),
)


def month_of(at: datetime, now: datetime) -> str | None:
    """Return the month whose partition holds a time, like "2026_11"; None where those stand together that have none of their own."""
    at = at.astimezone(UTC)
    return f"{at.year}_{at.month:02}" if now - timedelta(days=31 * TOLD_MONTHS) <= at <= now + timedelta(days=31) else None


def month_partition(table: str, month: str) -> str:
    """Return the statement that makes a month's partition where it is not there."""
    year, number = (int(x) for x in month.split("_"))
    after = f"{year + number // 12}-{number % 12 + 1:02}-01"
    return f"create table if not exists {table}_{month} partition of {table} for values from ('{year}-{number:02}-01 00:00+00') to ('{after} 00:00+00')"


def partition_statements() -> list[str]:
    """Return the statements that make the partitions of what is too old for one of its own month."""
    return [f"create table {name}_earlier partition of {name} default" for name in PARTITIONED]


def policy_statements() -> list[str]:
    """Return the statements that show a transaction the rows of the site it has named, and nothing else, even to the tables' owner."""
    rule = f"site = nullif(current_setting('{SITE_VARIABLE}', true), '')::integer"
    out = []
    for name in PRIVATE_TABLES:
        out += [f"alter table {name} enable row level security", f"alter table {name} force row level security", f"create policy one_site on {name} using ({rule}) with check ({rule})"]
    return out
