"""`bandwright place`: which way the mast is, how clear the way to it is, and what each metre of height brings."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from bandwright.cli.screens import print_document, print_json

__all__ = ["show_place"]


def show_place(site: Path, *, rig: str | None, as_json: bool) -> None:
    """Print what the place says. Positions are printed in neither form."""
    from bandwright.jobs.assembly import open_house
    from bandwright.jobs.place import MastView, PlaceAnswer, place

    answer: PlaceAnswer = place(open_house(site), rig=rig)
    if as_json:

        def told(view: MastView) -> dict[str, Any]:
            clear = view.clear
            tight = None if clear is None else {"worst_share": clear.worst_share, "from_site_m": view.way.distance_m - clear.worst_at_m, "edge_loss_db": clear.edge_loss_db, "clear": clear.clear, "raise_site_m": clear.raise_site_m}
            return {"name": view.name, "guessed": view.guessed, "true_deg": view.way.true_deg, "magnetic_deg": view.way.magnetic_deg, "distance_m": view.way.distance_m, "clearance": tight, "height_gains": [asdict(g) for g in view.gains]}

        area = answer.area
        where = None if area is None else {"level": area.level, "along_m": area.along_m, "across_m": area.across_m, "area_km2": area.area_km2, "best_azimuth_deg": area.best_azimuth_deg, "best_range_m": area.best_range_m}
        print_json(
            "place",
            {
                "height_m": answer.height_m,
                "frequency_mhz": answer.frequency_mhz,
                "ways": [told(v) for v in answer.views],
                "area": where,
                "missing": [asdict(m) for m in answer.missing],
                "assumed": list(answer.assumed),
            },
        )
        return
    from bandwright.telling.accounts.place import place_document

    print_document(place_document(answer))
