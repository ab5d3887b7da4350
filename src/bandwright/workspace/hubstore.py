"""The hub's database: sites and their credentials, batches taken whole or not at all, and the table of how sites stand. PostgreSQL only.

A batch is taken in one transaction that holds its site's row: its number must be the next, its UUID new, and each of its records new or
the same as the one that is there. So no record is kept twice, none is altered, and a hub that dies in the middle has kept nothing of
it: the site delivers it again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, create_engine, func, insert, inspect, select, text, update
from sqlalchemy.exc import IntegrityError

from bandwright.errors import UsageError
from bandwright.words.fleet import Batch, HubAnswer, HubSite, Parcel
from bandwright.words.radio import Capture, Reading
from bandwright.workspace import hubtables as t
from bandwright.workspace.exchange import FILES
from bandwright.workspace.hubrecords import SITE_OPTION, HubRecords, name_site
from bandwright.workspace.records import capture_row, design_row, event_row, measurement_rows, reading_row, translated, watched_row

__all__ = ["HubStore", "Increment", "read_parcel"]

Increment = dict[str, Any]  # what one record adds to its site's hours: hour, and the columns of `hourly` that are not 0
_FILES = {f.field: f for f in FILES}
_AHEAD = timedelta(days=2)


def read_parcel(parcel: Parcel, *, now: datetime) -> Any:
    """Return the word that a parcel holds, checked; for "declared" the text. Raises ValueError with what is wrong."""
    if parcel.kind == "declared":
        toml = parcel.record.get("site_toml")
        if not isinstance(toml, str) or len(toml) > 200_000:
            raise ValueError("it holds no site.toml")
        return toml
    try:
        word = _FILES[parcel.kind].read(parcel.record)
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
        raise ValueError(f"it is none of the {parcel.kind} as they are described") from None
    own = word[1] if isinstance(word, tuple) else word
    at = getattr(own, "at", None) or getattr(own, "start", None)
    if not isinstance(at, datetime) or at.tzinfo is None:
        raise ValueError("it has no time with a zone")
    if at > now + _AHEAD:
        raise ValueError(f"its time is ahead of the hub's clock: {at:%Y-%m-%d %H:%M}")
    if "\x00" in json.dumps(parcel.record, ensure_ascii=False):
        raise ValueError("it holds a character that cannot be kept")
    if parcel.kind in {"captures", "measurements", "designs"} and word.key != parcel.key:
        raise ValueError("its key is not the one it is sent under")
    return word


class HubStore:
    """The database of a hub. Raises StoreError; UsageError for one that cannot be a hub's."""

    def __init__(self, url: str, *, connections: int = 10) -> None:
        if not url.startswith("postgresql+psycopg://"):
            raise UsageError("the hub's database", given=url.partition(":")[0], allowed="postgresql+psycopg://...", todo="Install PostgreSQL 15 or newer, and the extra: pip install 'bandwright[hub]'")
        with translated("opening the hub's database", None):
            self._engine = create_engine(url, pool_size=connections, max_overflow=5, pool_pre_ping=True)
            name_site(self._engine)
            self._prepare()
        self._months: set[str] = set()

    def _prepare(self) -> None:
        with self._engine.begin() as c:
            c.execute(text("select pg_advisory_xact_lock(7201)"))
            if c.execute(text("select rolsuper or rolbypassrls from pg_roles where rolname = current_user")).scalar_one():
                raise UsageError("the hub's database role is one whom row security does not bind", allowed="a role without SUPERUSER and BYPASSRLS", todo="create role hub login; create database hub owner hub")
            if "hub_form" not in inspect(c).get_table_names():
                t.HUB.create_all(c)
                for line in (*t.partition_statements(), *t.policy_statements()):
                    c.execute(text(line))
                c.execute(insert(t.form), {"number": t.FORM})
            found = c.execute(select(t.form.c.number)).scalar_one()
        if found != t.FORM:
            raise UsageError("the hub's tables are of another form", given=found, allowed=str(t.FORM), todo="Run the version of this program that made them")

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def records(self, site: int) -> HubRecords:
        """Return one site's records."""
        return HubRecords(self._engine, site)

    # sites and credentials

    def add_site(self, label: str, now: datetime) -> HubSite:
        """Add a site. Raises UsageError where its label is taken."""
        try:
            with self._engine.begin() as c:
                number = c.execute(insert(t.site).returning(t.site.c.number), {"label": label, "made": now, "next_sequence": 1}).scalar_one()
                c.execute(insert(t.standing), {"site": number, "tests": 0})
        except IntegrityError:
            raise UsageError("there is a site of that name", given=label, todo="Name it otherwise") from None
        return HubSite(number=number, label=label, made=now)

    def sites(self) -> list[HubSite]:
        """Return all sites, by their label."""
        with self._engine.connect() as c:
            return [HubSite(**r) for r in c.execute(select(t.site).order_by(t.site.c.label)).mappings()]

    def add_credential(self, *, name: str, role: str, site: int | None, label: str, verifier: bytes, now: datetime) -> None:
        """Keep a credential: of a site's key the public half."""
        with self._engine.begin() as c:
            c.execute(insert(t.credential), {"name": name, "role": role, "site": site, "label": label, "verifier": verifier, "made": now})

    def revoke(self, *, now: datetime, site: int | None = None, name: str | None = None, role: str | None = None) -> int:
        """Revoke the credentials in force of a site, or that one; return how many."""
        k = t.credential.c
        query = update(t.credential).where(k.revoked.is_(None), *([k.site == site] if site is not None else []), *([k.name == name] if name is not None else []), *([k.role == role] if role is not None else []))
        with self._engine.begin() as c:
            return c.execute(query.values(revoked=now)).rowcount

    def site_key(self, name: str) -> tuple[int, bytes] | None:
        """Return (site, public key) of a site's credential in force."""
        k = t.credential.c
        with self._engine.connect() as c:
            row = c.execute(select(k.site, k.verifier).where(k.name == name, k.role == "site", k.revoked.is_(None))).first()
        return None if row is None else (int(row[0]), bytes(row[1]))

    # intake

    def next_sequence(self, site: int) -> int:
        """Return the number that the next batch of a site must have."""
        with self._engine.connect() as c:
            return int(c.execute(select(t.site.c.next_sequence).where(t.site.c.number == site)).scalar_one())

    def take(self, site: int, batch: Batch, body: bytes, words: Sequence[Any], increments: Sequence[Increment | None], *, now: datetime) -> HubAnswer:
        """Keep a batch, all or nothing; words and increments stand beside its parcels. Durable when this returns."""
        digest = hashlib.sha256(body).digest()
        self._make_months(words, now)
        with translated("taking a batch", None), self._engine.connect().execution_options(**{SITE_OPTION: site}) as c, c.begin() as transaction:
            expected = int(c.execute(select(t.site.c.next_sequence).where(t.site.c.number == site).with_for_update()).scalar_one())
            same = c.execute(select(t.batch.c.digest).where(t.batch.c.site == site, t.batch.c.key == batch.key)).scalar()
            if same is not None:
                if bytes(same) == digest:
                    return HubAnswer(kind="had", next_sequence=expected, had=len(batch.parcels), reason="already have it")
                return HubAnswer(kind="refused", next_sequence=expected, reason="a batch of this UUID is here and holds something else: it was altered")
            if batch.sequence != expected:
                why = "was used by another batch" if batch.sequence < expected else "leaves a gap"
                return HubAnswer(kind="refused", next_sequence=expected, reason=f"number {batch.sequence} {why}; the next is {expected}")
            fresh, altered = _new_ones(c, site, batch.parcels)
            if altered:
                transaction.rollback()
                return HubAnswer(kind="refused", next_sequence=expected, reason="it holds records that are here and say something else", refused=tuple((i, "a record of this key is here and says something else") for i in altered))
            _keep(c, site, [(batch.parcels[i], words[i]) for i in fresh], now)
            _add_up(c, site, [increments[i] for i in fresh], now)
            c.execute(insert(t.batch), {"site": site, "sequence": batch.sequence, "key": batch.key, "digest": digest, "at": now, "records": len(batch.parcels)})
            c.execute(update(t.site).where(t.site.c.number == site).values(next_sequence=expected + 1))
            return HubAnswer(kind="kept", next_sequence=expected + 1, kept=len(fresh), had=len(batch.parcels) - len(fresh))

    def _make_months(self, words: Iterable[Any], now: datetime) -> None:
        months = {m for w in words if (at := _at(w)) is not None and (m := t.month_of(at, now)) is not None} - self._months
        for month in sorted(months):
            with translated("making a month's partitions", None), self._engine.begin() as c:
                c.execute(text("select pg_advisory_xact_lock(7202)"))
                for table in t.PARTITIONED:
                    c.execute(text(t.month_partition(table, month)))
            self._months.add(month)

    def declaration(self, site: int) -> tuple[int, str]:
        """Return the newest declaration of a site and its number; (0, "") where it has said nothing yet."""
        d = t.declaration.c
        with self._engine.connect().execution_options(**{SITE_OPTION: site}) as c:
            row = c.execute(select(d.number, d.site_toml).where(d.site == site).order_by(d.number.desc()).limit(1)).first()
        return (0, "") if row is None else (int(row[0]), str(row[1]))

    # the table of sites

    def page(self, *, most: int = 50, after: int = 0) -> list[dict[str, Any]]:
        """Return rows of the table of sites: those never heard of first, then those heard of longest ago."""
        s = t.standing.c
        query = select(t.site.c.label, t.standing).join(t.site, t.site.c.number == s.site).order_by(s.last_heard.asc().nulls_first(), s.site).limit(most).offset(after)
        with self._engine.connect() as c:
            return [dict(r) for r in c.execute(query).mappings()]


def _at(word: Any) -> datetime | None:
    own = word[1] if isinstance(word, tuple) else word
    at = getattr(own, "at", None) or getattr(own, "start", None)
    return at if isinstance(at, datetime) else None


def _new_ones(c: Connection, site: int, parcels: Sequence[Parcel]) -> tuple[list[int], list[int]]:
    """Note which records are here; return the places of new ones, and of those that are here and say something else."""
    origins = [hashlib.blake2b(f"{p.kind} {p.key}".encode(), digest_size=16).hexdigest() for p in parcels]
    digests = [hashlib.blake2b(json.dumps(p.record, sort_keys=True).encode(), digest_size=16).hexdigest() for p in parcels]
    noted = c.execute(
        text("insert into received (site, origin, digest) select :site, decode(o, 'hex'), decode(d, 'hex') from unnest(cast(:o as text[]), cast(:d as text[])) as u(o, d) on conflict do nothing returning encode(origin, 'hex')"),
        {"site": site, "o": origins, "d": digests},
    )  # fmt: skip
    new = set(noted.scalars())
    old = [i for i, o in enumerate(origins) if o not in new]
    altered: list[int] = []
    if old:
        rows = c.execute(text("select encode(origin, 'hex'), encode(digest, 'hex') from received where site = :site and encode(origin, 'hex') = any(:o)"), {"site": site, "o": [origins[i] for i in old]})
        here = {str(o): str(d) for o, d in rows}
        altered = [i for i in old if here[origins[i]] != digests[i]]
    return [i for i, o in enumerate(origins) if o in new], altered


def _keep(c: Connection, site: int, kept: Sequence[tuple[Parcel, Any]], now: datetime) -> None:
    rows: dict[str, list[dict[str, Any]]] = {}

    def put(table: str, *more: dict[str, Any]) -> None:
        rows.setdefault(table, []).extend(more)

    for parcel, word in kept:
        if isinstance(word, str):
            number = c.execute(select(func.count()).select_from(t.declaration).where(t.declaration.c.site == site)).scalar_one()
            c.execute(insert(t.declaration), {"site": site, "number": number + 1, "at": now, "site_toml": word})
        elif isinstance(word, Capture):
            put("capture", capture_row(word))
        elif isinstance(word, Reading):
            put("reading", reading_row(word))
        elif parcel.kind == "measurements":
            row, values, series = measurement_rows(word)
            put("measurement", row)
            put("measurement_value", *({**v, "at": word.at} for v in values))
            put("measurement_series", *({**s, "at": word.at} for s in series))
        elif parcel.kind == "designs":
            put("design", design_row(word))
        elif parcel.kind == "events":
            put("event", event_row(*word))
        else:
            put("event", watched_row(word))
    for table, found in rows.items():
        _insert(c, table, [{"site": site, **r} for r in found])


def _insert(c: Connection, table: str, rows: list[dict[str, Any]], *, conflict: str = "") -> None:
    """Insert rows by one statement, however many: the database unpacks them."""
    if not rows:
        return
    names = ", ".join(f'"{n}"' for n in rows[0])
    document = json.dumps(rows, default=lambda v: v.isoformat() if isinstance(v, datetime) else str(v))
    document = document if "Infinity" not in document and "NaN" not in document else json.dumps(_spelt(rows), default=lambda v: v.isoformat() if isinstance(v, datetime) else str(v))
    c.execute(text(f"insert into {table} ({names}) select {names} from jsonb_populate_recordset(null::{table}, cast(:rows as jsonb)) {conflict}"), {"rows": document})  # noqa: S608 -- names of our own tables


def _spelt(value: Any) -> Any:
    """Return a value with numbers that JSON cannot write as texts, which the database reads as numbers."""
    if isinstance(value, float) and value - value != 0:
        return str(value)
    if isinstance(value, list | tuple):
        return [_spelt(v) for v in value]
    return {k: _spelt(v) for k, v in value.items()} if isinstance(value, dict) else value


_SUMS = ("tests", "failed", "void", "megabytes", "down_n", "down_ln", "up_n", "up_ln", "delay_n", "delay_ln", "outages", "outage_s")


def _add_up(c: Connection, site: int, increments: Sequence[Increment | None], now: datetime) -> None:
    """Add to the site's hours, and to its row in the table, what came in."""
    hours: dict[datetime, dict[str, float]] = {}
    needs: dict[tuple[datetime, str], list[int]] = {}
    last: datetime | None = None
    for one in increments:
        if one is None:
            continue
        sums = hours.setdefault(one["hour"], dict.fromkeys(_SUMS, 0))
        for name in _SUMS:
            sums[name] += one.get(name, 0)
        for need, met in one.get("needs", ()):
            counted = needs.setdefault((one["hour"], need), [0, 0])
            counted[0] += 1
            counted[1] += met
        if one.get("tests"):
            last = max(filter(None, (last, one["at"])))
    adds = ", ".join(f"{n} = hourly.{n} + excluded.{n}" for n in _SUMS)
    _insert(c, "hourly", [{"site": site, "hour": h, **s} for h, s in hours.items()], conflict=f"on conflict (site, hour) do update set {adds}")
    rows = [{"site": site, "hour": h, "need": n, "tests": k[0], "met": k[1]} for (h, n), k in needs.items()]
    _insert(c, "hourly_need", rows, conflict="on conflict (site, hour, need) do update set tests = hourly_need.tests + excluded.tests, met = hourly_need.met + excluded.met")
    s = t.standing.c
    tests = int(sum(h["tests"] for h in hours.values()))
    values: dict[str, Any] = {"last_heard": now, "tests": s.tests + tests}
    if last is not None:
        values["last_test"] = func.greatest(func.coalesce(s.last_test, last), last)
    c.execute(update(t.standing).where(s.site == site).values(**values))
