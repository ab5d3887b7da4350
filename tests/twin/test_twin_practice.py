from __future__ import annotations

import tomllib
from datetime import date, timedelta

import numpy as np
import pytest

from bandwright.twin import practice
from bandwright.words.radio import Mode

OFFICE = tuple(1.0 if 9 <= h < 17 else 0.0 for h in range(24))


@pytest.fixture(scope="module")
def redraws():
    return practice.one_test_each(120, seed=5, hours_by_weight=OFFICE, fresh=3000)


def test_what_is_declared_is_what_is_simulated():
    declared = tomllib.loads(practice.site_toml())
    combined = [
        f"{rig['key']}/{tuning['key']}" for rig in declared["rig"] for tuning in declared["tuning"] if rig["gateway"] in tuning["gateways"]
    ]
    assert combined == [s.key for s in practice.PLAN.setups]
    by_key = {t["key"]: t for t in declared["tuning"]}
    for setup in practice.PLAN.setups:
        tuning = by_key[setup.key.split("/")[1]]
        assert setup.mode == tuning.get("mode", "automatic")
        assert list(setup.bands) == tuning.get("bands", [])
    assert declared["site"]["timezone"] == practice.PLAN.timezone
    assert declared["campaign"]["in_use"] == practice.SUPPLIED
    assert declared["line"][0]["plmn"] == "001-01"


def test_prices_and_last_days_are_there_and_lie_after_the_start():
    declared = tomllib.loads(practice.site_toml())
    last = [row["returnable_until"] for kind in ("gateway", "rig") for row in declared[kind] if "returnable_until" in row]
    assert last
    assert min(last) > practice.START.date() + timedelta(days=int(declared["campaign"]["allowance_days"]))
    assert all(isinstance(d, date) for d in last)
    assert declared["gateway"][1]["price"].endswith("GBP")


def test_addresses_can_be_filled_in():
    declared = tomllib.loads(practice.site_toml(gateway_address="127.0.0.1:5001", far_end_address="127.0.0.1:8700"))
    assert declared["gateway"][1]["address"] == "127.0.0.1:5001"
    assert declared["far_end"]["address"] == "127.0.0.1:8700"


def test_the_setup_with_the_most_downlink_has_an_uplink_that_starves(redraws):
    truth = dict(redraws.truth)
    fastest = max(truth, key=lambda k: truth[k].down_mbps.mean())
    assert fastest == "gable-own/anchor 3"
    served = truth["gable-own/standalone"]
    for key in (fastest, "gable-own/standalone"):
        assert np.isfinite(truth[key].down_mbps).all()
    assert np.median(truth[fastest].up_mbps) < 10.0  # what the X-ray images ask
    assert np.median(truth[fastest].delay_loaded_up_ms) > 300.0  # what the consultations allow
    assert np.median(served.up_mbps) > 10.0
    assert np.median(served.delay_loaded_up_ms) < 150.0


def test_one_test_each_is_a_redraw_of_everything(redraws):
    assert len(redraws.hour) == 120
    for key, moments in redraws.figures:
        assert len(moments) == 120
        assert {m.setup for m in moments} == {key}
        rates = np.log([m.down_mbps for m in moments])
        assert len(set(rates)) == 120
        assert abs(np.corrcoef(rates[:-1], rates[1:])[0, 1]) < 0.35  # 119 pairs: standard error .09
    at = [m.at for _, moments in redraws.figures for m in moments[:1]]
    assert at == sorted(at)  # each setup once, in the order declared
    assert timedelta(hours=1) < at[-1] - at[0] < timedelta(hours=2.5)


def test_redraws_follow_from_the_seed():
    small = [practice.one_test_each(3, seed=s, hours_by_weight=OFFICE, fresh=5) for s in (1, 1, 2)]
    down = [[m.down_mbps for _, moments in o.figures for m in moments] for o in small]
    assert down[0] == down[1]
    assert down[0] != down[2]
    assert (dict(small[0].truth)[practice.SUPPLIED].up_mbps == dict(small[1].truth)[practice.SUPPLIED].up_mbps).all()


def test_the_supplied_page_changes_with_time_and_names_what_it_shows():
    place = practice.site()
    pages = [practice.supplied_page(place, practice.START + timedelta(hours=9 * i)) for i in range(12)]
    assert len(set(pages)) == 12
    assert all("Network (PLMN): 001-01" in p or "searching" in p for p in pages)
    assert any("EARFCN: 1300" in p for p in pages)
    assert any("EARFCN: 6300" in p for p in pages)
    loaded = practice.supplied_page(place, practice.START, load_s=60.0)
    shown = place.moment(practice.SUPPLIED, practice.START, load_s=60.0).carriers
    for carrier in shown:
        assert f"PCI: {carrier['pci']}" in loaded
        assert f"{carrier['rsrp_dbm']} dBm" in loaded
    assert "NR-ARFCN: 639936" in loaded


def test_no_setup_shows_carriers_outside_its_mode():
    for setup in practice.PLAN.setups:
        if setup.mode != "automatic":
            assert setup.shown_mode() is {"nr-sa": Mode.NR_SA, "endc": Mode.ENDC}[setup.mode]
        if setup.bands:
            assert {c.band for c in setup.carriers} == set(setup.bands)
