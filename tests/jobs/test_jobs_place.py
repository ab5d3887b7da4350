"""What the place says on real ground: the way, its clearance, what height brings, the area of an unknown mast, and every fallback said.

Independent figures: the geodesic and the loss of anchor B (36.50 N 84.10 W, 35 m, to 36.55 N 84.16 W) are those of tests/workspace/test_workspace_elevation.py.
"""

from __future__ import annotations

import asyncio
import importlib.util
import math
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from bandwright.errors import RangeError, UsageError
from bandwright.jobs.assembly import open_house
from bandwright.jobs.place import PlaceAnswer, place
from bandwright.telling.accounts.place import place_document
from bandwright.telling.plain import document_lines
from bandwright.words.radio import Capture

_spec = importlib.util.spec_from_file_location("real_place", Path(__file__).with_name("real_place.py"))
assert _spec is not None
assert _spec.loader is not None
real: ModuleType = importlib.util.module_from_spec(_spec)
sys.modules["real_place"] = real
_spec.loader.exec_module(real)

NOW = datetime(2026, 11, 3, 12, tzinfo=UTC)


class Clock:
    def now(self) -> datetime:
        return NOW

    def monotonic_s(self) -> float:
        return 0.0

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(0)


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return real.write_ground(tmp_path_factory.mktemp("ground") / "ground.tif")


def house(folder: Path, ground: Path | None, **options: Any):
    real.write_place(folder, ground=False, **options)
    if ground is not None:
        (folder / "elevation").mkdir(exist_ok=True)
        (folder / "elevation" / ground.name).symlink_to(ground)
    return replace(open_house(folder), clock=Clock())


def read(house_: Any, *, steps: int | None = None, at: datetime = NOW, band: int = 20, arfcn: int = 6300) -> None:
    timing = "" if steps is None else f', "timing_advance": {steps}'
    text = f'{{"cell": {{"rat": "LTE", "band": {band}, "earfcn": {arfcn}, "pci": 12, "rsrp": -97{timing}}}}}\n'
    house_.records.add_capture(Capture(key=f"c{at.isoformat()}", at=at, kind="pasted", text=text))


def told(answer: PlaceAnswer) -> str:
    return "\n".join(document_lines(place_document(answer)))


def test_the_way_to_a_declared_mast_on_real_ground(tmp_path: Path, ground: Path) -> None:
    answer = place(house(tmp_path, ground, mast=real.MAST))
    (view,) = answer.views
    assert view.way.distance_m == pytest.approx(7724.132, abs=0.01)  # WGS 84 geodesic (anchor B)
    assert view.clear is not None
    # The edge, by hand: the line from mast to antenna, the bulge at 4/3 of 6371 km, and the ground that the file holds there.
    at, total = view.clear.worst_at_m, view.way.distance_m
    index = view.clear.distance_m.index(at)
    radius = math.sqrt(299.792458 / answer.frequency_mhz * at * (total - at) / total)
    assert (view.clear.line_m[index] - view.clear.surface_m[index]) / radius == pytest.approx(view.clear.worst_share, abs=2e-3)
    assert not view.clear.clear
    assert view.clear.raise_site_m is not None
    raised = house(tmp_path / "raised", ground, mast=real.MAST)
    rigs = tuple(replace(r, antenna=replace(r.antenna, height_m=7.0 + view.clear.raise_site_m + 0.01)) if r.key == "gable" else r for r in raised.declared.rigs)
    lifted = place(replace(raised, declared=replace(raised.declared, rigs=rigs))).views[0].clear
    assert lifted is not None
    assert lifted.clear


def test_height_brings_what_the_full_model_says_of_the_same_path(tmp_path: Path, ground: Path) -> None:
    here = house(tmp_path, ground, mast=real.MAST)
    read(here, band=3, arfcn=1300)  # 1815 MHz, TS 36.101 5.7.3
    answer = place(here)
    assert answer.frequency_mhz == pytest.approx(1815.0)
    gains = {g.height_m: g for g in answer.views[0].gains}
    # Anchor B at 1.8 GHz (another program's P.1812): 141.8110 dB at 2 m, 140.2385 dB at 10 m; 1815 MHz and steps of 10 m differ by some hundredths.
    assert gains[10.0].terrain_db == pytest.approx(141.8110 - 140.2385, abs=0.15)
    assert gains[10.0].low_db < gains[10.0].terrain_db < gains[10.0].high_db
    assert (gains[2.0].low_db, gains[2.0].high_db) == (0.0, 0.0)


def test_masts_are_ordered_by_what_their_ways_take(tmp_path: Path, ground: Path) -> None:
    answer = place(house(tmp_path, ground, mast=real.SECOND + real.MAST))
    assert [v.name for v in answer.views] == ["hill mast", "ridge mast"]
    assert answer.views[1].height_assumed
    assert "mast 30 m high" in answer.assumed
    text = told(answer)
    assert "Hill mast lies at 136° true, 142° by compass, 7.7 km away." in text


def test_the_relief_holds_site_and_masts_and_leaves_unknown_ground_blank(tmp_path: Path, ground: Path) -> None:
    answer = place(house(tmp_path, ground))
    for relief in (answer.wide, answer.slim):
        assert relief is not None
        for view in answer.views:
            assert relief.west_m < view.east_m < relief.east_m
            assert relief.south_m < view.north_m < relief.north_m
        assert relief.west_m < 0.0 < relief.east_m
        assert np.isfinite(relief.light).mean() > 0.5
    assert answer.wide is not None
    assert np.isnan(answer.wide.light).any()  # beyond the file's edge


def test_an_unknown_mast_is_an_area_with_a_probability(tmp_path: Path, ground: Path) -> None:
    here = house(tmp_path, ground, mast="")
    read(here, steps=24, at=NOW - timedelta(hours=3))
    answer = place(here)
    assert answer.area is not None
    assert answer.area_with_terrain
    assert answer.timing[0].distance_m == pytest.approx(24 * 78.07, abs=0.1)  # TS 36.211 8.1: 16 T_s one way is 78.07 m
    assert answer.timing[0].age_h == pytest.approx(3.0)
    rows, columns = np.nonzero(answer.area.inside)
    held = answer.area.probability[rows, columns].sum()
    assert 0.80 <= held < 0.83
    assert answer.views[0].guessed
    text = told(answer)
    for words in ("The mast is not known; 80 in 100 that it stands within", "A guess:", "3 h old", "Shaded: 80 in 100 that the mast stands here"):
        assert words in text
    assert "One heading is worth trying" not in text


def test_without_ground_rings_still_say_something_and_the_lack_is_said(tmp_path: Path) -> None:
    here = house(tmp_path, None, mast="")
    read(here, steps=24)
    answer = place(here)
    assert answer.area is not None
    assert not answer.area_with_terrain
    assert answer.wide is None
    assert "There is no elevation file" in told(answer)


def test_ground_that_does_not_reach_round_is_a_stated_fallback(tmp_path: Path, ground: Path) -> None:
    here = house(tmp_path, ground, mast="", position="latitude_deg = 36.55\nlongitude_deg = -84.40")
    read(here, steps=60)
    answer = place(here)
    assert not answer.area_with_terrain
    assert any("do not reach far enough round" in a for a in answer.assumed)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"position": ""}, "The position of the site is not declared. Give latitude_deg"),
        ({"position": "latitude_deg = 36.55"}, "The position of the site is not declared"),
        ({"position": "latitude_deg = 40.0\nlongitude_deg = -84.16"}, "The elevation files do not serve"),
        ({"mast": "[[mast]]\nlatitude_deg = 36.2\nlongitude_deg = -84.1\n"}, "The way to the mast cannot be drawn"),
        ({"mast": "[[mast]]\nlatitude_deg = 38.0\nlongitude_deg = -84.1\n"}, "no mast serves a home from there"),
        ({"mast": "[[mast]]\nlatitude_deg = 36.551\nlongitude_deg = -84.16\n"}, "What height brings on the way to the mast is not worked out: path length"),
    ],
)
def test_what_cannot_be_said_is_said_with_what_to_do_and_without_a_position(tmp_path: Path, ground: Path, options: dict[str, str], words: str) -> None:
    text = told(place(house(tmp_path, ground, **options)))
    assert words in " ".join(text.split())
    for secret in ("36.55", "84.16", "36.2", "38.0"):
        assert secret not in text


def test_a_site_on_the_sea_and_a_file_of_unknown_unit_are_said(tmp_path: Path) -> None:
    import rasterio
    from rasterio.transform import from_bounds

    here = house(tmp_path, None)
    (tmp_path / "elevation").mkdir()
    path = tmp_path / "elevation" / "flat.tif"
    with rasterio.open(path, "w", driver="GTiff", height=50, width=50, count=1, dtype="int16", crs="EPSG:4326", transform=from_bounds(-84.5, 36.3, -84.0, 36.8, 50, 50)) as out:
        out.write(np.zeros((50, 50), dtype=np.int16), 1)
    assert "does not say the unit of its heights" in told(place(here))
    (tmp_path / "site.toml").write_text((tmp_path / "site.toml").read_text().replace('name = "Shoulder"', 'name = "Shoulder"\nelevation_unit = "m"'))
    metres = replace(open_house(tmp_path), clock=Clock())
    assert "lies on the sea" in told(place(metres))


def test_a_rig_that_is_not_declared_and_a_mast_on_the_spot_are_refused(tmp_path: Path, ground: Path) -> None:
    with pytest.raises(UsageError, match="not declared"):
        place(house(tmp_path / "a", ground), rig="nobody")
    with pytest.raises(RangeError, match="same place twice"):
        place(house(tmp_path / "b", ground, mast="[[mast]]\nlatitude_deg = 36.55\nlongitude_deg = -84.16\n"))


def test_cautions_stand_before_every_number_that_invites_a_climb(tmp_path: Path, ground: Path) -> None:
    lines = document_lines(place_document(place(house(tmp_path, ground))))
    first = next(i for i, line in enumerate(lines) if line.startswith("CAUTION: First the cautions"))
    assert first < next(i for i, line in enumerate(lines) if "above the line" in line)
    second = next(i for i, line in enumerate(lines) if line.startswith("CAUTION: Height"))
    assert second < next(i for i, line in enumerate(lines) if "each metre brings" in line)
