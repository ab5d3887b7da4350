"""What runs until it is stopped: the page, the far end, the twin."""

from __future__ import annotations

import asyncio
from pathlib import Path

from bandwright.cli.screens import say

__all__ = ["run_twin", "serve_page", "start_far_end"]


def serve_page(site: Path, *, lan: bool, port: int | None) -> None:
    """Serve the page of a site."""
    from bandwright.web.serve import serve

    serve(site, port=port if port is not None else _page_port(site), lan=lan, say=say)


def _page_port(site: Path) -> int:
    from bandwright.errors import DeclarationError
    from bandwright.jobs.assembly import open_house
    from bandwright.words.settings import defaults

    try:
        settings = open_house(site).declared.settings
    except DeclarationError:
        settings = defaults()
    return int(settings["page_port"])


def start_far_end(
    *, port: int, listen: str, folder: Path, address: str | None, label: str, new_key: bool, revoke: str | None, monthly_gb: float | None, responsiveness: str
) -> None:
    """Run the far end, or manage its keys."""
    from bandwright.errors import UsageError
    from bandwright.jobs.assembly import far_end_key, revoke_far_end_key, run_far_end

    if responsiveness not in {"off", "paired", "public"}:
        raise UsageError("--responsiveness", given=responsiveness, allowed="off, paired or public")
    if revoke is not None:
        revoke_far_end_key(folder, label=revoke)
        print(f"The key {revoke!r} is revoked.")
        return
    where, pairing = far_end_key(folder, label=label, address=address, port=port, fresh=new_key)
    print(f"Address: {where}")
    print("Pairing string (a secret; keep it at the near end with `bandwright check --pair STRING`):")
    print(pairing, flush=True)
    if new_key:
        return
    asyncio.run(run_far_end(folder, port=port, listen=listen, monthly_gb=monthly_gb, responsiveness=responsiveness, started=lambda p: say(f"Listening on port {p} (TCP and UDP). Ctrl-C ends it.")))


def run_twin(*, folder: Path, seed: int | None) -> None:
    """Run the simulated site in real time."""
    folder.mkdir(parents=True, exist_ok=True)
    asyncio.run(_live(folder, seed))


async def _live(folder: Path, seed: int | None) -> None:
    from bandwright.jobs.assembly_twin import LiveTwin

    async with LiveTwin(folder, seed=seed) as twin:
        twin.declare()
        say(f"The simulated practice runs: its modem at {twin.modem_address[0]}:{twin.modem_address[1]}, its far end at {twin.far_end_address}.")
        say(f"In another terminal: bandwright reading --from own --site {folder}   or   bandwright measure --site {folder}")
        say("Ctrl-C ends it.")
        await asyncio.Event().wait()
