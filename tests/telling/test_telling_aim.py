"""What the Aim page says: figures with signs and noise, orders for each step, candidates, and the sun's refusals."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest

from bandwright.antenna.aiming import AimFit, AimStep, Mark, Peak
from bandwright.antenna.bearings import sun_position
from bandwright.telling.accounts.aim import aim_plan, aim_told, found_sentence, sun_document
from bandwright.telling.document import Items, Plate
from bandwright.telling.plain import document_lines
from bandwright.words.answers import Estimate

AT = datetime(2026, 11, 3, 9, 48, 7, tzinfo=UTC)
TURN = AimStep(kind="turn", phase="fine", heading_deg=215.0, done=2, of=14)
FOUND = AimFit(state="found", heading=Estimate(value=358.0, low=352.0, high=364.0, unit="deg", level=0.9), peaks=(Peak(heading_deg=0.0, level_db=-90.0, below_best_db=0.0),), beamwidth_deg=60.0)


def heard(**changes: Any) -> Any:
    return SimpleNamespace(**{"kind": "read", "at": AT, "heading_deg": 210.0, "value_db": -92.0, "change_db": 1.64, "noise_db": 0.82, "best_deg": 220.0, "left_s": None, "lost": False, "compass_deg": 206.0} | changes)


def told(last: Any, *, step: AimStep = TURN, hold: Any = None, fits: tuple[AimFit, ...] = (), compass: float | None = 211.0) -> Any:
    return aim_told(last, step, quantity="rsrp", compass_deg=compass, hold=hold, fits=fits, timezone="Europe/London")


@pytest.mark.parametrize(("change", "shown"), [(1.64, "+1.6"), (-3.0, "−3.0"), (0.01, "0.0"), (-0.01, "0.0")])
def test_the_figure_is_the_change_with_its_sign_and_noise(change: float, shown: str) -> None:
    says = told(heard(change_db=change))
    assert (says.figure, says.unit, says.give) == (shown, "dB", "give or take 0.8\u00a0dB")
    assert str(says.label) == "Panel at 210°. Change from the best heading so far (220°):"
    assert says.read == "level (RSRP), read at 09:48:07"
    assert str(says.orders[0]) == "Next: 215° true, by compass 211°."


def test_the_first_heading_shows_its_level_and_none_shows_nothing() -> None:
    says = told(heard(change_db=None, best_deg=None, noise_db=None))
    assert (says.figure, says.unit, says.give) == ("−92", "dBm", "")
    assert told(None).figure == ""
    assert "No level was read there" in str(told(heard(value_db=None)).label)


def test_holding_still_counts_down_and_says_silence() -> None:
    hold = heard(kind="hold", left_s=4.0, lost=True, heading_deg=215.0)
    says = told(heard(), hold=hold)
    assert str(says.orders[0]).replace("\u00a0", " ") == "Hold still 4 s more."
    assert "does not answer now" in str(says.orders[-1])
    assert says.figure == "+1.6"


def test_without_a_position_no_compass_is_named() -> None:
    assert str(told(heard(), compass=None).orders[0]) == "Next: 215° true."


def test_the_end_says_the_heading_round_north_with_its_range() -> None:
    assert str(found_sentence([FOUND])) == "Set it to 358° true (352° to 4°, nine times in ten), and tighten."
    assert "true, by compass 4° (352°" in str(found_sentence([FOUND], declination_deg=-6.0))
    edge = AimFit(state="go on turning", heading=None, peaks=(), turn_towards_deg=30.0)
    assert "Go on turning towards 30°" in str(found_sentence([edge]))
    assert "any will do" in str(found_sentence([AimFit(state="flat", heading=None, peaks=())]))
    assert str(told(heard(), step=AimStep(kind="finish", phase="fine"), fits=(FOUND,)).orders[0]).startswith("Set it to 358°")


def test_separate_peaks_are_candidates() -> None:
    marked = [Mark(heading_deg=h, level_db=v, noise_db=0.8, readings=5) for h, v in ((0.0, -92.0), (90.0, -110.0), (212.0, -90.0))]
    fit = AimFit(state="too few", heading=None, peaks=(Peak(heading_deg=212.0, level_db=-90.0, below_best_db=0.0), Peak(heading_deg=0.0, level_db=-92.0, below_best_db=2.0)))
    plate, _, items = aim_plan(marked, [fit], (), TURN, quantity="rsrp")
    assert isinstance(plate, Plate)
    assert isinstance(items, Items)
    assert [str(i).replace("\u00a0", " ") for i in items.items] == ["212°, the strongest", "0°, 2.0 dB below it"]
    assert aim_plan([], [], (), TURN, quantity="rsrp") == ()


def test_the_sun_says_its_shadow_its_time_and_how_far_to_turn() -> None:
    at = datetime(2026, 3, 20, 9, 0, tzinfo=UTC)
    sun = sun_position(latitude_deg=48.0, longitude_deg=11.0, at=at)  # azimuth 135.84 by an ephemeris
    text = "\n".join(document_lines(sun_document(SimpleNamespace(position=sun, why_not="", from_at=None), timezone="Europe/Berlin", headings=[330.0, 300.0])))
    assert "315.8° true now" in text
    assert "09:00:00 UTC, 10:00 at the site" in text
    assert "330° true: 14° clockwise from the shadow" in text
    assert "300° true: 16° anticlockwise from the shadow" in text
    assert "Never look at the sun" in text
    later = sun_document(SimpleNamespace(position=sun, why_not="The sun is 63° high: above 60° a shadow is too short and turns too fast.", from_at=at), timezone="UTC")
    assert "cannot be used now" in str(later.headline)
    none = sun_document(SimpleNamespace(position=None, why_not="The position of the site is not declared.", from_at=None), timezone="UTC")
    assert "Never look at the sun" in "\n".join(document_lines(none))
