"""`bandwright walk` and `bandwright aim`: guided jobs in which a person carries or turns and the program reads."""

from __future__ import annotations

import asyncio
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from bandwright.cli.screens import TerminalPerson, print_json, say

if TYPE_CHECKING:
    from bandwright.advice.walk import WalkAnswer
    from bandwright.jobs.house import House

__all__ = ["show_aim", "show_walk"]


def show_walk(site: Path, *, spots: list[str], rig: str | None, attic: list[str], accept: bool, as_json: bool) -> None:
    """Guide a walk through the house and print the ranking; the best two places become rigs in site.toml where that is accepted."""
    asyncio.run(_walk(site, spots, rig, attic, accept=accept, as_json=as_json))


async def _walk(site: Path, spots: list[str], rig: str | None, attic: list[str], *, accept: bool, as_json: bool) -> None:
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.walk import walk

    house = open_house(site, person=TerminalPerson())
    found = None
    try:
        async for event in walk(house, spots=spots, rig=rig, attic=attic):
            found = event.answer or found
            if as_json:
                print_json("walk", asdict(event), line=True)
            elif event.kind == "visited":
                say(event.text)
            elif event.kind == "answer":
                print(event.text)
                for row in event.answer.spots if event.answer is not None else ():
                    sinr = f", SINR {row.sinr.low:.0f} to {row.sinr.high:.0f} dB" if row.sinr is not None else ""
                    print(f"  {row.spot}: {round(100 * row.chance_best)} in 100 that it is the best, {row.visits} visits{sinr}")
    finally:
        await house.close()
    if found is not None:
        _offer_rigs(house, found, rig=rig, accept=accept, may_ask=not as_json)


def _offer_rigs(house: House, answer: WalkAnswer, *, rig: str | None, accept: bool, may_ask: bool) -> None:
    """Offer the best places as rigs of a trial, and write them where that is accepted."""
    from bandwright.jobs.assembly import add_rigs
    from bandwright.jobs.walk import accept_spots, rigs_from

    rigs = rigs_from(house, answer, rig=rig)
    if not rigs:
        return
    places = " and ".join(r.place for r in rigs)
    if not accept and may_ask and sys.stdin.isatty():
        say(f"Write {places} into site.toml as rigs of a trial? y or Enter for no:")
        accept = sys.stdin.readline().strip().lower() in {"y", "yes"}
    if accept:
        declared = accept_spots(answer, rigs, lambda chosen, why: add_rigs(house.folder, chosen, why))
        say(f"{places}: in site.toml now, {len(declared.setups)} setups in all. See what a trial of them takes: bandwright design")


def show_aim(site: Path, *, rig: str, from_deg: float, arc_deg: float, as_json: bool) -> None:
    """Guide the search for a heading."""
    asyncio.run(_aim(site, rig, from_deg, arc_deg, as_json=as_json))


async def _aim(site: Path, rig: str, from_deg: float, arc_deg: float, *, as_json: bool) -> None:
    from bandwright.jobs.aim import aim
    from bandwright.jobs.assembly import open_house

    house = open_house(site, person=TerminalPerson())
    try:
        async for event in aim(house, rig=rig, from_deg=from_deg, arc_deg=arc_deg):
            if as_json:
                print_json("aim", asdict(event), line=True)
            elif event.kind == "read":
                say(event.text)
            elif event.kind == "answer":
                print(event.text)
                for fit in event.fits:
                    for peak in fit.peaks[1:]:
                        print(f"  another peak at {peak.heading_deg:.0f}°, {peak.below_best_db:.1f} dB below: a candidate for a trial")
    finally:
        await house.close()
