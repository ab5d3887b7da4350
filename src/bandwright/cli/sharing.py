"""`bandwright export` and `bandwright import`: one file out, one file in."""

from __future__ import annotations

import asyncio
from dataclasses import asdict
from pathlib import Path

from bandwright.cli.screens import print_json, say
from bandwright.errors import UsageError
from bandwright.jobs.share import Proposed, Taken

__all__ = ["show_export", "show_import"]


def show_export(site: Path, *, out: Path, campaign: str | None, help_parcel: bool, proposal: bool, whole: bool, as_json: bool) -> None:
    """Write one file and say what is in it."""
    from bandwright.jobs import share

    if sum((campaign is not None, help_parcel, proposal)) > 1 or (whole and (help_parcel or proposal)):
        raise UsageError("--campaign, --help-parcel and --proposal exclude each other, and the last two are always redacted")
    if help_parcel:
        from bandwright.jobs.check import check

        say("Looking at what can be used, for the parcel ...")
        sent = share.send_help_parcel(site, out, checks=asyncio.run(check(site)))
    elif proposal:
        sent = share.propose(site, out)
    else:
        sent = share.send(site, out, campaign=campaign, whole=whole)
    if as_json:
        print_json("export", {"file": str(sent.out), "kind": sent.kind, "redacted": sent.redacted, "rows": dict(sent.rows)})
        return
    holds = ", ".join(f"{count} {what}" for what, count in sent.rows) or "what is declared, no measurement yet"
    print(f"{sent.out} is written: {sent.kind}, {holds}.")
    if sent.redacted:
        print("Identities, addresses, positions, prices and names are left out. The cells it heard are not: who has a list of cells could find the area.")
    else:
        print("Nothing is left out but the secrets: give it only to people who may know where this place is.")


def show_import(site: Path, *, file: Path, accept: bool, as_json: bool) -> int:
    """Take one file and say what it did; 3 for a proposal that waits to be accepted."""
    from bandwright.jobs.share import take

    taken = take(site, file, accept=accept)
    waits = taken.proposed is not None and not taken.accepted
    if as_json:
        rows = {what: {"added": added, "there_already": there} for what, added, there in taken.kept.rows} if taken.kept else {}
        asked = None if taken.proposed is None else asdict(taken.proposed)
        checks = [asdict(c) for c in taken.checks]
        print_json("import", {"kind": taken.kind, "declared_written": taken.declared_written, "rows": rows, "checks": checks, "proposed": asked, "accepted": taken.accepted})
    else:
        _print(taken, file)
    return 3 if waits else 0


def _print(taken: Taken, file: Path) -> None:
    if taken.proposed is not None:
        _print_proposed(taken.proposed)
        if taken.accepted:
            print("Accepted. Start it with `bandwright run`.")
        else:
            print(f"Nothing was changed. To accept it: bandwright import {file} --accept")
        return
    if taken.declared_written:
        print("site.toml is written, as it came.")
    for what, added, there in taken.kept.rows if taken.kept else ():
        print(f"{what}: {added} added, {there} there already")
    for c in taken.checks:
        print(f"{ {True: 'ok', False: 'NOT', None: ''}[c.ok]:<5}{c.what}: {c.text}")


def _print_proposed(asked: Proposed) -> None:
    d = asked.design
    print(f"A campaign is proposed: {len(d.setups)} setups for {', '.join(n.label or n.key for n in d.needs)}.")
    for setup in d.setups:
        print(f"  {setup.label or setup.key}{'  (may leave the place without service for some minutes; the former setting then comes back by itself)' if setup.key in asked.risky else ''}")
    print(f"It may use {d.allowance.data_gb:g} GB, {d.allowance.days:g} days and {d.allowance.rig_changes} changes of the rig.")
    for tuning in asked.new_tunings:
        print(f"  It would add to site.toml: tuning {tuning.key} (mode {tuning.mode}{', bands ' + ', '.join(tuning.bands) if tuning.bands else ''}{', cell ' + tuning.cell if tuning.cell else ''})")
    for what in asked.missing:
        print(f"  It does not fit: {what}")
