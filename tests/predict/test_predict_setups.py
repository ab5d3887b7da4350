"""Predicted scores for a trial: what a tuning leaves, what a rig does, and what is not known."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from bandwright.antenna.patterns import Omni
from bandwright.errors import UsageError
from bandwright.predict.carriers import ActiveCarrier
from bandwright.predict.change import Side
from bandwright.predict.forecast import Device, downlink_formula_mbps
from bandwright.predict.setups import KnownRig, carriers_allowed, predict_scores, setup_forecasts
from bandwright.words.radio import Rat, Role
from bandwright.words.rig import Setup, Tuning
from bandwright.words.site import Hours, Need, Requirements


def carrier(rat: Rat, band: str, *, sinr: float, rsrp: float = -105.0, mhz: float = 1800.0, blocks: int = 100, duplex: str = "FDD") -> ActiveCarrier:
    return ActiveCarrier(
        of=band, rat=rat, role=Role.PCELL, band=band, duplex=duplex, frequency_mhz=mhz, blocks=blocks, ul_blocks=blocks, rsrp_dbm=rsrp, sinr_db=sinr, layers=2, uplink=duplex != "SDL"
    )


B3, B20, B32 = carrier(Rat.LTE, "B3", sinr=8.0), carrier(Rat.LTE, "B20", sinr=14.0, mhz=806.0, blocks=50), carrier(Rat.LTE, "B32", sinr=15.0, duplex="SDL")
N78 = carrier(Rat.NR, "n78", sinr=12.0, mhz=3500.0, blocks=273)
ALL = (B3, B20, B32, N78)


def bands(left: tuple[ActiveCarrier, ...]) -> list[str | None]:
    return [c.band for c in left]


@pytest.mark.parametrize(
    ("tuning", "left"),
    [
        (Tuning(key="a"), ["B3", "B20", "B32", "n78"]),
        (Tuning(key="l", mode="lte"), ["B3", "B20", "B32"]),
        (Tuning(key="s", mode="nr-sa"), ["n78"]),
        (Tuning(key="e", mode="endc", bands=("B20", "n78")), ["B20", "n78"]),
        (Tuning(key="x", mode="endc", bands=("n78",)), []),  # no anchor
        (Tuning(key="d", bands=("B32",)), []),  # downlink only can never be the primary cell (TS 36.101 5.5)
        (Tuning(key="n", bands=("B7",)), []),
    ],
)
def test_what_a_tuning_leaves(tuning: Tuning, left: list[str]) -> None:
    assert bands(carriers_allowed(ALL, tuning)) == left


TUNINGS = {t.key: t for t in (Tuning(key="all"), Tuning(key="b20", bands=("B20",)), Tuning(key="b7", bands=("B7",)))}
SILL = Side(pattern=Omni(gain_dbi=2.0), built_in=True, building="traditional")
NEED = Need(key="n", kind="any", requirements=Requirements(downlink_mbps=40.0), hours=Hours("always", ()))


def setups(*pairs: tuple[str, str]) -> list[Setup]:
    return [Setup(key=f"{r}/{t}", rig=r, tuning=t) for r, t in pairs]


def test_forecast_of_a_read_rig_is_the_formula_over_what_is_left() -> None:
    rigs = {"sill": KnownRig(side=SILL, carriers=(B3, B20))}
    found = setup_forecasts(setups(("sill", "all"), ("sill", "b20"), ("sill", "b7")), tunings=TUNINGS, rigs=rigs)
    parts = [downlink_formula_mbps(sinr_db=c.sinr_db or 0.0, layers=2, blocks=c.blocks or 0, scs_khz=15) for c in (B3, B20)]
    assert found["sill/all"][0].median == pytest.approx(0.58 * sum(parts))
    assert found["sill/b20"][0].median == pytest.approx(0.58 * parts[1])
    assert "sill/b7" not in found
    one = setup_forecasts(setups(("sill", "all")), tunings=TUNINGS, rigs={"sill": replace(rigs["sill"], device=Device(max_dl_carriers=1))})
    assert one["sill/all"][0].median == pytest.approx(0.58 * max(parts))
    low, high = found["sill/all"][0].low, found["sill/all"][0].high
    assert math.log(high / low) == pytest.approx(2 * 1.2816 * 0.55, abs=1e-3)  # 80 % of a residual of 0.55


def test_a_rig_that_was_never_read_is_reckoned_from_one_that_was() -> None:
    rigs = {"sill": KnownRig(side=SILL, carriers=(replace(B3, rsrp_dbm=-119.0, sinr_db=3.0),)), "wall": KnownRig(side=Side(pattern=Omni(gain_dbi=2.0), built_in=True))}
    found = setup_forecasts(setups(("sill", "all"), ("wall", "all")), tunings=TUNINGS, rigs=rigs)
    sill, wall = found["sill/all"], found["wall/all"]
    assert wall[0].median > 1.5 * sill[0].median  # some 15 dB of wall, noise-limited
    assert wall[1].median > 1.5 * sill[1].median
    assert math.log(wall[0].high / wall[0].low) > math.log(sill[0].high / sill[0].low)
    scores = predict_scores(setups(("sill", "all"), ("wall", "all")), needs=[NEED], tunings=TUNINGS, rigs=rigs)
    assert -1.0 <= scores["sill/all"] < scores["wall/all"] <= 1.0


def test_nothing_known_and_what_is_not_given() -> None:
    assert predict_scores(setups(("sill", "all")), needs=[NEED], tunings=TUNINGS, rigs={"sill": KnownRig()}) == {}
    blind = KnownRig(carriers=(replace(B3, sinr_db=None),))
    assert setup_forecasts(setups(("sill", "all")), tunings=TUNINGS, rigs={"sill": blind}) == {}
    for pair in (("roof", "all"), ("sill", "none")):
        with pytest.raises(UsageError):
            setup_forecasts(setups(pair), tunings=TUNINGS, rigs={"sill": KnownRig()})
