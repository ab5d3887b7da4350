"""Many sites: take what they push, and say which of them need somebody.

The store is a port, so that nothing here names a database. Whether a test met the needs of its site is worked out as it comes in, by
the same science that judges a campaign, and added to the site's hours; the table of sites reads sums, never what was measured.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from bandwright.needs.fulfilment import score
from bandwright.words.declared import Declared
from bandwright.words.fleet import Batch, HubAnswer
from bandwright.words.measurement import Measurement, Outcome
from bandwright.words.watch import OutageKept

__all__ = ["Fleet", "SiteRow", "Store"]

_SILENT = timedelta(hours=26)  # a push a day, and two hours


class Store(Protocol):
    """The hub's store."""

    def site_key(self, name: str) -> tuple[int, bytes] | None:
        """Return (site, public key) of a credential in force."""
        ...

    def next_sequence(self, site: int) -> int:
        """Return the number that a site's next batch must have."""
        ...

    def take(self, site: int, batch: Batch, body: bytes, words: Sequence[Any], increments: Sequence[dict[str, Any] | None], *, now: datetime) -> HubAnswer:
        """Keep a batch, all or nothing."""
        ...

    def page(self, *, most: int = 50, after: int = 0) -> list[dict[str, Any]]:
        """Return rows of the table of sites, those heard of longest ago first."""
        ...


class Edges(Protocol):
    """What turns bytes into words, and speaks for the store's form; put together in `assembly_hub`."""

    @property
    def store(self) -> Store:
        """Where it is kept."""
        ...

    def decode(self, body: bytes) -> Batch:
        """Return the batch in these bytes. Raises UserFault."""
        ...

    def read(self, parcel: Any, now: datetime) -> Any:
        """Return the word of a parcel. Raises ValueError."""
        ...

    def declared(self, site: int) -> Declared | None:
        """Return what a site declares, as it last said."""
        ...

    def read_declared(self, text: str) -> Declared:
        """Return what a text declares. Raises DeclarationError."""
        ...

    def believed(self, header: str, *, method: str, path: str, body: bytes) -> int | None:
        """Return the site that signed a request, or None."""
        ...

    def now(self) -> datetime:
        """Return the time, UTC."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteRow:
    """One row of the table of sites. silent: nothing was heard for longer than a day and some hours, or ever. todo: "" where nothing is to be done."""

    site: int
    label: str
    silent: bool
    why: str
    todo: str
    tests: int
    last_heard: datetime | None
    last_test: datetime | None


class Fleet:
    """The hub's work."""

    def __init__(self, edges: Edges) -> None:
        self._edges = edges

    def site_of(self, header: str, *, method: str, path: str, body: bytes = b"") -> int | None:
        """Return the site that signed a request, or None where nobody in force did."""
        return self._edges.believed(header, method=method, path=path, body=body)

    def next_sequence(self, site: int) -> int:
        """Return the number that a site's next batch must have."""
        return self._edges.store.next_sequence(site)

    def take(self, site: int, body: bytes) -> HubAnswer:
        """Take a batch of a site: keep it whole, know it again, or refuse it with the reason. Raises UserFault for bytes that are no batch."""
        now, edges = self._edges.now(), self._edges
        batch = edges.decode(body)
        words: list[Any] = []
        refused: list[tuple[int, str]] = []
        declared = edges.declared(site)
        for place, parcel in enumerate(batch.parcels):
            try:
                word = edges.read(parcel, now)
                if isinstance(word, str):
                    declared = edges.read_declared(word)
                words.append(word)
            except ValueError as error:
                refused.append((place, str(error)))
            except Exception as error:  # a declaration that cannot be used is the site's, whatever is wrong with it
                from bandwright.errors import DeclarationError

                if not isinstance(error, DeclarationError):
                    raise
                refused.append((place, str(error)[:300]))
        if refused:
            return HubAnswer(kind="refused", next_sequence=edges.store.next_sequence(site), reason="it holds records that cannot be kept", refused=tuple(refused))
        return edges.store.take(site, batch, body, words, [_increment(w, declared) for w in words], now=now)

    def table(self, *, page: int = 1, most: int = 50) -> list[SiteRow]:
        """Return a page of the table of sites, those that have been silent longest first."""
        now = self._edges.now()
        return [_row(r, now) for r in self._edges.store.page(most=most, after=most * (page - 1))]


def _row(r: dict[str, Any], now: datetime) -> SiteRow:
    heard: datetime | None = r["last_heard"]
    why = todo = ""
    if heard is None:
        why, todo = "never heard of", "give the place its link, and run `bandwright push` there"
    elif now - heard > _SILENT:
        why, todo = f"silent for {(now - heard).total_seconds() / 3600:.0f} h", "ask at the place whether its computer has power and the connection works"
    return SiteRow(site=r["site"], label=r["label"], silent=bool(why), why=why, todo=todo, tests=r["tests"], last_heard=heard, last_test=r["last_test"])


def _increment(word: Any, declared: Declared | None) -> dict[str, Any] | None:
    """Return what a record adds to its site's hours, or None."""
    if isinstance(word, OutageKept):
        return {"hour": _hour(word.at), "at": word.at, "outages": 1, "outage_s": max(0.0, (word.end - word.at).total_seconds())}
    if not isinstance(word, Measurement):
        return None
    out: dict[str, Any] = {"hour": _hour(word.at), "at": word.at, "tests": 1, "failed": int(word.outcome is Outcome.FAILED), "void": int(word.outcome is Outcome.VOID), "megabytes": word.megabytes}
    for name, quantity in (("down", "goodput_down_mbps"), ("up", "goodput_up_mbps"), ("delay", "delay_loaded_up_ms")):
        value = word.number(quantity)
        if value is not None and value > 0 and math.isfinite(value):
            out |= {f"{name}_n": 1, f"{name}_ln": math.log(value)}
    if declared is not None and declared.needs:
        local = word.at.astimezone(ZoneInfo(declared.site.timezone))
        found = score(declared.needs, word, weekday=local.weekday(), minute=60 * local.hour + local.minute + local.second / 60)
        out["needs"] = tuple((r.need, int(r.met)) for r in found.results if r.met is not None) if not found.out_of_hours else ()
    return out


def _hour(at: datetime) -> datetime:
    return at.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
