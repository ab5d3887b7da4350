"""`bandwright walk` and `bandwright aim`: guided jobs in which a person carries or turns and the program reads."""

from __future__ import annotations

import asyncio
from dataclasses import asdict
from pathlib import Path

from bandwright.cli.screens import TerminalPerson, print_json, say

__all__ = ["show_aim", "show_walk"]


def show_walk(site: Path, *, spots: list[str], rig: str | None, attic: list[str], as_json: bool) -> None:
    """Guide a walk through the house and print the ranking."""
    asyncio.run(_walk(site, spots, rig, attic, as_json=as_json))


async def _walk(site: Path, spots: list[str], rig: str | None, attic: list[str], *, as_json: bool) -> None:
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.walk import walk

    house = open_house(site, person=TerminalPerson())
    try:
        async for event in walk(house, spots=spots, rig=rig, attic=attic):
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
