"""`bandwright hub` and `bandwright push`: look after many sites, and send one's records there."""

from __future__ import annotations

import asyncio
from dataclasses import asdict
from pathlib import Path

from bandwright.cli.screens import print_json, say
from bandwright.errors import UsageError

__all__ = ["show_push", "start_hub"]


def start_hub(
    *, database: str, address: str, port: int, listen: str, certificate: Path | None, key: Path | None, add: str | None, rotate: str | None, revoke: str | None, sites: bool, as_json: bool
) -> None:
    """Run the hub, or manage its sites."""
    from bandwright.jobs.assembly_hub import add_site, open_fleet, open_store, revoke_site

    store = open_store(database)
    label = add or rotate
    if label is not None:
        if not address.startswith("https://") and not address.startswith("http://127.0.0.1"):
            raise UsageError("--address", given=address, allowed="the https:// address under which sites reach this hub")
        site, link = add_site(store, label, address=address, rotate=rotate is not None)
        say(f"Site {site.number}, {site.label}. Its link is a secret and is shown this once; keep it there with: bandwright check --keep-secret hub")
        print(link)
    elif revoke is not None:
        say(f"{revoke_site(store, revoke)} credential(s) of {revoke!r} revoked.")
    elif sites:
        rows = open_fleet(store).table(most=100_000)
        if as_json:
            print_json("hub", {"sites": [asdict(r) for r in rows]})
        else:
            for r in rows:
                heard = "never" if r.last_heard is None else f"{r.last_heard:%Y-%m-%d %H:%M} UTC"
                print(f"{r.label}: {r.tests} tests, last heard {heard}" + (f"; {r.why}: {r.todo}" if r.silent else ""))
    else:
        import uvicorn

        from bandwright.web.hub.intake import create_hub

        if (certificate is None) != (key is None):
            raise UsageError("--certificate and --key go together")
        if certificate is None and listen not in {"127.0.0.1", "::1", "localhost"}:
            raise UsageError("--listen", given=listen, allowed="127.0.0.1 behind a server that does TLS", todo="Or give --certificate and --key")
        say(f"The hub listens at {listen} port {port}. Ctrl-C ends it.")
        uvicorn.run(create_hub(open_fleet(store)), host=listen, port=port, log_level="warning", ssl_certfile=certificate, ssl_keyfile=key, timeout_graceful_shutdown=5)


def show_push(site: Path, *, as_json: bool) -> int:
    """Push what is kept to the hub; 0 when everything is there, 6 when the hub could not be reached or would not have it."""
    from bandwright.jobs.assembly_hub import push_site

    done = asyncio.run(push_site(site, listener=lambda p: say(f"{p.kept + p.had} records acknowledged, {p.waiting} waiting")))
    if as_json:
        print_json("push", asdict(done))
    else:
        print(f"{done.kept} records sent, {done.had} were there already, {done.waiting} wait." + (f" {done.set_aside} set aside: {'; '.join(done.why)}." if done.set_aside else "") + (f" Stopped: {done.stopped}." if done.stopped else ""))
    return 6 if done.stopped else 0
