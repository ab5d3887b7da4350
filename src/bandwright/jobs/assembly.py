"""The only module that names concrete edges: it puts a workspace's gateways, probes, records, clock and guard together."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from bandwright.errors import GatewayUnreachable, SecretError, UsageError
from bandwright.jobs.house import House, Left
from bandwright.ports import Gateway, Person, Probe, Question
from bandwright.privacy import Private
from bandwright.words.declared import Declared
from bandwright.words.site import Site

if TYPE_CHECKING:
    from bandwright.twin.world import TwinPerson, TwinWorld

__all__ = ["SECRETS_FILE", "Twin", "asker", "keep_secret", "open_house", "open_twin", "pairing_of", "recover"]

SECRETS_FILE = "secrets.toml"
_FAR_END = "far_end"


def open_house(folder: Path, *, person: Person | None = None, pair: str | None = None, may_be_undeclared: bool = False) -> House:
    """Return the house of a workspace folder. Nothing outside the disk is touched before it is asked for.

    pair: a pairing string that goes before the one that is kept. may_be_undeclared: a folder without `site.toml` will do.
    Raises DeclarationError, StoreError.
    """
    from bandwright.gateways import kinds
    from bandwright.gateways.guard import TimedReturn
    from bandwright.gateways.proof import shown
    from bandwright.workspace.clock import SystemClock
    from bandwright.workspace.declared import SITE_FILE, read_file
    from bandwright.workspace.records import DiskRecords

    missing = may_be_undeclared and not (folder / SITE_FILE).exists()
    declared = Declared(site=Site(name="not declared")) if missing else read_file(folder / SITE_FILE)
    for plan in declared.gateways:
        kinds.settings_of(plan)
    clock = SystemClock()

    def gateway(key: str) -> Gateway:
        return kinds.open_gateway(declared.gateway(key), clock=clock, ask=asker(person) if person is not None else None, secrets=_secrets(folder))

    def probe(_rig: str) -> Probe:
        return _probe(folder, declared, pair)

    return House(
        folder=folder,
        declared=declared,
        records=DiskRecords(folder),
        clock=clock,
        gateway_maker=gateway,
        probe_maker=probe,
        shown=shown,
        person=person,
        guard=TimedReturn(folder, declared.gateway, secrets_file=folder / SECRETS_FILE),
    )


def _probe(folder: Path, declared: Declared, pair: str | None) -> Probe:
    known = pair or pairing_of(folder)
    if known is not None:
        from bandwright.probe.near import NearEnd

        return NearEnd(None if pair else declared.far_end.address, known)
    if declared.far_end.download_url is not None:
        from bandwright.probe.https import HttpsProbe

        return HttpsProbe(declared.far_end.download_url, upload_url=declared.far_end.upload_url)
    raise UsageError(
        "there is nothing to measure against",
        todo="Run `bandwright far-end` on a server of yours and keep its string with `bandwright check --pair STRING`, or declare a download_url under [far_end]",
    )


def _secrets(folder: Path) -> Callable[[str], Private[str]]:
    from bandwright.gateways.secrets import file_secrets

    return file_secrets(folder / SECRETS_FILE)


def pairing_of(folder: Path) -> str | None:
    """Return the pairing string that is kept for a workspace, or None. Raises SecretError where the file cannot be used."""
    if not (folder / SECRETS_FILE).exists():
        return None
    try:
        return _secrets(folder)(_FAR_END).reveal(reason="the probe proves itself with it")
    except SecretError as error:
        if "is not in" in str(error):
            return None
        raise


def keep_secret(folder: Path, name: str, value: Private[str]) -> None:
    """Keep a secret of a workspace, in a file that only its owner can read. Raises SecretError for a pairing string with a slip in it."""
    from bandwright.gateways import secrets
    from bandwright.probe import pairing

    if name == _FAR_END:
        pairing.parse(value.reveal(reason="checked before it is kept"))
    folder.mkdir(parents=True, exist_ok=True)
    secrets.keep_secret(folder / SECRETS_FILE, name, value)


async def recover(folder: Path) -> tuple[str, ...]:
    """Put back what a guard's record on disk says, before anything else is done. Returns what was done, in sentences."""
    from bandwright.gateways import guard

    done = [*guard.outcomes(folder), *await guard.recover(folder)]
    return tuple(f"{r.gateway}: the former setting {'is back' if r.ok else 'could not be put back'} ({r.why})" for r in done)


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


def open_twin(folder: Path, *, seed: int | None = None) -> Twin:
    """Return the simulated practice in simulated time: its workspace in `folder`, its modem to be started with `await twin.start()`.

    Raises UsageError where the folder holds another site's declaration.
    """
    from bandwright.twin import practice
    from bandwright.twin.clock import SimulatedClock
    from bandwright.twin.world import TwinPerson, TwinWorld

    clock = SimulatedClock(practice.START)
    world = TwinWorld(clock, seed=practice.SEED if seed is None else seed)
    return Twin(folder=folder, world=world, person=TwinPerson(world))


class Twin:
    """The simulated practice and its workspace. The modem speaks AT over a loopback port; the campaign uses it like any other."""

    def __init__(self, *, folder: Path, world: TwinWorld, person: TwinPerson) -> None:
        self.folder, self.world, self.person = folder, world, person

    async def start(self) -> House:
        """Start the modem, write the site's declaration where there is none, and return the house of the workspace."""
        from bandwright.gateways import kinds
        from bandwright.gateways.proof import shown
        from bandwright.jobs.declare import new
        from bandwright.twin import practice
        from bandwright.workspace.declared import SITE_FILE, read_file
        from bandwright.workspace.records import DiskRecords

        host, port = await self.world.modem.serve_tcp()
        if not (self.folder / SITE_FILE).exists():
            new(self.folder, text=practice.site_toml())
        declared = read_file(self.folder / SITE_FILE)
        ask = asker(self.person)

        def gateway(key: str) -> Gateway:
            plan = declared.gateway(key)
            if plan.kind == "at-tcp":
                plan = replace(plan, settings=(("address", f"{host}:{port}"),))
            return kinds.open_gateway(plan, clock=self.world.clock, ask=ask)

        return House(
            folder=self.folder,
            declared=declared,
            records=DiskRecords(self.folder),
            clock=self.world.clock,
            gateway_maker=gateway,
            probe_maker=lambda _rig: self.world.probe,
            shown=shown,
            person=self.person,
        )

    async def close(self) -> None:
        """Stop the modem."""
        await self.world.modem.close()
