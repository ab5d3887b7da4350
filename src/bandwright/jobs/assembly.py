"""The only module, with `assembly_twin`, that names concrete edges: it puts a workspace's gateways, probes, records, clock and guard together."""

from __future__ import annotations

import socket
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, get_args

from bandwright.errors import GatewayUnreachable, SecretError, UsageError
from bandwright.jobs.house import House, Left, Terrain
from bandwright.jobs.righting import Righting, after_righting
from bandwright.ports import Gateway, Person, Probe, Question
from bandwright.privacy import Private
from bandwright.words.declared import Declared
from bandwright.words.rig import Rig
from bandwright.words.site import Site

if TYPE_CHECKING:
    from bandwright.probe.outcome import Check

__all__ = ["ELEVATION_FOLDER", "FAR_END", "SECRETS_FILE", "add_rigs", "asker", "boot_unit", "check_far_end", "far_end_key", "found_here", "keep_secret", "kind_rows", "open_house", "pairing_of", "recover", "revoke_far_end_key", "run_far_end"]

SECRETS_FILE = "secrets.toml"
ELEVATION_FOLDER = "elevation"
FAR_END = "far_end"
_RECOVER_S = 20.0  # a gateway that cannot be reached so long does not hold up what a person asked for; its record stays


def open_house(folder: Path, *, person: Person | None = None, pair: str | None = None, may_be_undeclared: bool = False, responsiveness: bool = False) -> House:
    """Return the house of a workspace folder. Nothing outside the disk is touched before it is asked for.

    pair: a pairing string that goes before the one that is kept. may_be_undeclared: a folder without `site.toml` will do.
    responsiveness: measurements also ask for round trips per minute under load, where the far end offers it.
    Raises DeclarationError, StoreError.
    """
    from bandwright.gateways import kinds
    from bandwright.gateways.connection import lacking
    from bandwright.gateways.guard import TimedReturn
    from bandwright.gateways.proof import shown
    from bandwright.workspace.clock import SystemClock
    from bandwright.workspace.declared import SITE_FILE, read_file
    from bandwright.workspace.lock import RunLock
    from bandwright.workspace.records import DiskRecords

    missing = may_be_undeclared and not (folder / SITE_FILE).exists()
    declared = Declared(site=Site(name="not declared")) if missing else read_file(folder / SITE_FILE)
    for plan in declared.gateways:
        kinds.settings_of(plan)
    clock = SystemClock()
    righting = Righting(lambda: recover(folder))

    def gateway(key: str) -> Gateway:
        opened = kinds.open_gateway(declared.gateway(key), clock=clock, ask=asker(person) if person is not None else None, secrets=_secrets(folder))
        return after_righting(opened, righting)

    def probe(rig: str) -> Probe:
        interfaces = {r.key: declared.gateway(r.gateway).interface for r in declared.rigs}
        return _probe(folder, declared, pair, interface=interfaces.get(rig), responsiveness=responsiveness)

    return House(
        folder=folder,
        declared=declared,
        records=DiskRecords(folder),
        clock=clock,
        gateway_maker=gateway,
        probe_maker=probe,
        shown=shown,
        lacking=lacking,
        person=person,
        terrain=lambda: _terrain(folder, declared),
        run_lock=lambda: RunLock(folder),
        guard=TimedReturn(folder, declared.gateway, secrets_file=folder / SECRETS_FILE),
    )


def _probe(folder: Path, declared: Declared, pair: str | None, *, interface: str | None, responsiveness: bool) -> Probe:
    from bandwright.probe.contact import Resolve, resolve

    look_up: Resolve = resolve
    if interface is not None:
        from bandwright.probe.names import resolve_through

        look_up = resolve_through(interface)
    known = pair or pairing_of(folder)
    if known is not None:
        from bandwright.probe.near import NearEnd, NearEndSettings

        settings = NearEndSettings(congestion_control=str(declared.settings["congestion_control"]) or None, responsiveness=responsiveness, look_up=look_up)
        return NearEnd(None if pair else declared.far_end.address, known, settings=settings)
    if declared.far_end.download_url is not None:
        from bandwright.probe.https import HttpsProbe, HttpsSettings

        return HttpsProbe(declared.far_end.download_url, upload_url=declared.far_end.upload_url, settings=HttpsSettings(look_up=look_up))
    raise UsageError(
        "there is nothing to measure against",
        todo="Run `bandwright far-end` on a server of yours and keep its string with `bandwright check --pair STRING`, or declare a download_url under [far_end]",
    )


def _terrain(folder: Path, declared: Declared) -> Terrain | None:
    """Return the elevation files of a workspace, or None where there are none. Raises TerrainError for a file that cannot be used as it is."""
    place = folder / ELEVATION_FOLDER
    if not place.is_dir() or not any(place.iterdir()):
        return None
    from bandwright.workspace.elevation import Unit, open_terrain

    unit: Unit | None = next((u for u in get_args(Unit) if u == declared.site.elevation_unit), None)
    return open_terrain(place, unit=unit)


def _secrets(folder: Path) -> Callable[[str], Private[str]]:
    from bandwright.gateways.secrets import file_secrets

    return file_secrets(folder / SECRETS_FILE)


def pairing_of(folder: Path) -> str | None:
    """Return the pairing string that is kept for a workspace, or None. Raises SecretError where the file cannot be used."""
    if not (folder / SECRETS_FILE).exists():
        return None
    try:
        return _secrets(folder)(FAR_END).reveal(reason="the probe proves itself with it")
    except SecretError as error:
        if "is not in" in str(error):
            return None
        raise


def keep_secret(folder: Path, name: str, value: Private[str]) -> None:
    """Keep a secret of a workspace, in a file that only its owner can read. Raises SecretError for a pairing string with a slip in it."""
    from bandwright.gateways import secrets
    from bandwright.probe import pairing

    if name == FAR_END:
        pairing.parse(value.reveal(reason="checked before it is kept"))
    folder.mkdir(parents=True, exist_ok=True)
    secrets.keep_secret(folder / SECRETS_FILE, name, value)


async def recover(folder: Path) -> tuple[str, ...]:
    """Put back what a guard's record on disk says, before anything else is done. Returns what was done, in sentences."""
    from bandwright.gateways import guard, returns

    done = [*returns.outcomes(folder), *await guard.recover(folder, timeout_s=_RECOVER_S)]
    return tuple(f"{r.gateway}: the former setting {'is back' if r.ok else 'could not be put back'} ({r.why})" for r in done)


def add_rigs(folder: Path, rigs: Sequence[Rig], why: Sequence[str]) -> Declared:
    """Write rigs into a workspace's `site.toml`, each below a comment, and return what is declared now. Raises DeclarationError, StoreError."""
    from bandwright.workspace import adding

    return adding.add_rigs(folder, rigs, why=why)


def boot_unit(folder: Path) -> str:
    """Return what puts a gateway's former settings back when this computer starts after a power cut, for this operating system."""
    from bandwright.gateways import guard

    return guard.boot_unit(folder)


def asker(person: Person) -> Callable[[Question], Awaitable[str]]:
    """Return how a gateway that a person reads and sets asks that person: "stop" ends the sitting, "skip" is "it cannot be done"."""

    async def ask(question: Question) -> str:
        answer = await person.ask(question)
        word = answer.strip().lower()
        if word == "stop":
            raise Left
        if word == "skip":
            if question.kind == "paste":
                raise GatewayUnreachable("nothing was pasted")
            return "cannot"
        return answer

    return ask


async def check_far_end(folder: Path) -> Check | None:
    """Return whether the paired far end can be reached and believes us; None where none is paired. Raises SecretError, DeclarationError."""
    from bandwright.probe.near import check
    from bandwright.workspace.declared import SITE_FILE, read_file

    known = pairing_of(folder)
    if known is None:
        return None
    address = read_file(folder / SITE_FILE).far_end.address if (folder / SITE_FILE).exists() else None
    return await check(address, known)


def kind_rows() -> list[tuple[str, str, str, list[tuple[str, str, str]]]]:
    """Return the table of gateway kinds: key, label, about, and its settings as (name, default, meaning)."""
    from bandwright.gateways.kinds import KINDS

    return [(k.key, k.label, k.about, [(n, "required" if f.is_required() else repr(f.default), f.description or "") for n, f in k.settings.model_fields.items()]) for k in KINDS]


def far_end_key(folder: Path, *, label: str, address: str | None, port: int, fresh: bool) -> tuple[str, str]:
    """Return (address, pairing string) of a far end's key: the one of that label, or a new one where there is none.

    fresh: always a new one; SecretError where its label is taken.
    """
    from bandwright.probe import far, keys

    folder.mkdir(parents=True, exist_ok=True)
    where = address or f"{socket.gethostname()}:{port}"
    where = where if ":" in where else f"{where}:{port}"
    known = None if fresh else next((k for k in keys.list_keys(folder) if k.label == label and k.revoked is None), None)
    row = keys.add_key(folder, label) if known is None else known
    return where, far.pairing_string(folder, address=where, row=row)


def revoke_far_end_key(folder: Path, *, label: str) -> int:
    """Revoke every key of that label; return how many. Raises UsageError where there is none."""
    from bandwright.probe import keys

    known = [k for k in keys.list_keys(folder) if k.revoked is None]
    rows = [k for k in known if k.label == label]
    if not rows:
        raise UsageError("no key in force has that label", given=label, allowed=", ".join(k.label for k in known) or "none is in force")
    for row in rows:
        keys.revoke_key(folder, row.key_id)
    return len(rows)


async def run_far_end(folder: Path, *, port: int, listen: str, monthly_gb: float | None, responsiveness: str, started: Callable[[int], None]) -> None:
    """Run the far end until it is stopped. responsiveness: "off", "paired" (under a one-use path) or "public". Raises UsageError where the port is taken."""
    from bandwright.probe.far import FarEndSettings, serve
    from bandwright.probe.limits import Limits

    limits = Limits() if monthly_gb is None else Limits(megabytes_per_month=1000 * monthly_gb)
    hosts = () if listen in {"", "::", "*"} else (listen,)
    settings = FarEndSettings(state=folder, hosts=hosts, port=port, limits=limits, responsiveness=responsiveness != "off", responsiveness_public=responsiveness == "public")
    await serve(settings, started=started)


def found_here() -> list[tuple[str, str, str]]:
    """Return what this computer has for reading gateways: (what, what was found, what to do about what is missing)."""
    from bandwright.gateways.discover import discover

    return [(f.what, f.text, f.todo or "") for f in discover()]
