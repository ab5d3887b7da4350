"""Puts a hub together: its database, the form of what sites send, and their keys; and a site's outbox with its link to a hub."""

from __future__ import annotations

import secrets
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

from bandwright.errors import UsageError
from bandwright.jobs.assembly import SECRETS_FILE
from bandwright.jobs.fleet import Fleet
from bandwright.outlets import hubwire
from bandwright.outlets.hub import Patience, push
from bandwright.privacy import Private
from bandwright.words.declared import Declared
from bandwright.words.fleet import Batch, HubSite, Parcel, Pushed

if TYPE_CHECKING:
    from collections.abc import Callable

    from bandwright.workspace.hubstore import HubStore

__all__ = ["HUB_LINK", "HubEdges", "add_site", "open_fleet", "open_store", "push_site", "revoke_site"]

HUB_LINK = "hub"


class HubEdges:
    """The concrete edges of a hub."""

    def __init__(self, store: HubStore) -> None:
        self.store = store
        self._declared: dict[tuple[int, int], Declared | None] = {}

    def now(self) -> datetime:
        """Return the time, UTC."""
        return datetime.now(UTC)

    def decode(self, body: bytes) -> Batch:
        """Return the batch in these bytes."""
        return hubwire.decode_batch(body)

    def read(self, parcel: Parcel, now: datetime) -> object:
        """Return the word of a parcel."""
        from bandwright.workspace.hubstore import read_parcel

        return read_parcel(parcel, now=now)

    def read_declared(self, text: str) -> Declared:
        """Return what a text declares."""
        from bandwright.workspace.declared import read_declared

        return read_declared(text)

    def declared(self, site: int) -> Declared | None:
        """Return what a site declares, read once for each time it says it anew."""
        number, text = self.store.declaration(site)
        key = (site, number)
        if key not in self._declared:
            if len(self._declared) > 20_000:
                self._declared.clear()
            self._declared[key] = self.read_declared(text) if text else None
        return self._declared[key]

    def believed(self, header: str, *, method: str, path: str, body: bytes) -> int | None:
        """Return the site that signed a request, or None."""
        parsed = hubwire.parse_authorization(header)
        known = self.store.site_key(parsed[0]) if parsed is not None else None
        if parsed is None or known is None:
            return None
        site, public = known
        return site if hubwire.verified(public, parsed[1], method=method, path=path, body=body) else None


def open_store(url: str) -> HubStore:
    """Open a hub's database. Raises UsageError, StoreError."""
    try:
        from bandwright.workspace.hubstore import HubStore

        return HubStore(url)
    except ImportError:
        raise UsageError("what speaks to PostgreSQL is not installed", todo="pip install 'bandwright[hub]'") from None


def open_fleet(store: HubStore) -> Fleet:
    """Return the hub's work over a database."""
    return Fleet(HubEdges(store))


def add_site(store: HubStore, label: str, *, address: str, rotate: bool = False, certificate_sha256: str | None = None) -> tuple[HubSite, str]:
    """Add a site, or with rotate give one a new link and revoke its old ones. Returns the site, and the link, which is shown once and kept nowhere."""
    now = datetime.now(UTC)
    if rotate:
        known = [s for s in store.sites() if s.label == label]
        if not known:
            raise UsageError("there is no site of that name", given=label)
        site = known[0]
        store.revoke(now=now, site=site.number, role="site")
    else:
        site = store.add_site(label, now)
    name = secrets.token_hex(8)
    link, public = hubwire.make_link(address=address, credential=name, certificate_sha256=certificate_sha256)
    store.add_credential(name=name, role="site", site=site.number, label=label, verifier=public, now=now)
    return site, link


def revoke_site(store: HubStore, label: str) -> int:
    """Revoke every credential of a site, return how many. Raises UsageError."""
    known = [s for s in store.sites() if s.label == label]
    if not known:
        raise UsageError("there is no site of that name", given=label)
    return store.revoke(now=datetime.now(UTC), site=known[0].number)


async def push_site(folder: Path, *, patience: Patience | None = None, listener: Callable[[Pushed], None] | None = None) -> Pushed:
    """Push what a workspace has kept to its hub. Raises SecretError where no link is kept, StoreError, DeclarationError."""
    from bandwright.gateways.secrets import file_secrets
    from bandwright.workspace.clock import SystemClock
    from bandwright.workspace.declared import SITE_FILE, read_file
    from bandwright.workspace.outbox import Outbox
    from bandwright.workspace.records import DiskRecords

    read_file(folder / SITE_FILE)
    link = hubwire.parse_link(Private(file_secrets(folder / SECRETS_FILE)(HUB_LINK).reveal(reason="to find the hub")))
    records = DiskRecords(folder)
    try:
        box = Outbox(records, site_toml=(folder / SITE_FILE).read_text(encoding="utf-8"), encode=hubwire.encode_batch, decode=hubwire.decode_batch)
        return await push(box, link, clock=SystemClock(), rng=Random(secrets.randbits(32)), patience=patience, listener=listener)
    finally:
        records.close()
