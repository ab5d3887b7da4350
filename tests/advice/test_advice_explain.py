"""What a reading alone can bear."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandwright.advice.diagnosis import explain_readings
from bandwright.advice.nexttest import sentences_of
from bandwright.words.answers import Finding
from bandwright.words.radio import Carrier, Field, FieldState, FieldValue, Rat, Reading, Role


def carrier(rat: Rat, role: Role, **values: FieldValue) -> Carrier:
    return Carrier(rat=rat, role=role, fields=tuple(Field(name=k, value=v) for k, v in values.items()))


def lte(role: Role = Role.PCELL, **values: FieldValue) -> Carrier:
    return carrier(Rat.LTE, role, **({"band": "B20", "pci": 9, "dl_bandwidth": 15.0, "rsrp": -92.0, "sinr": 14.0} | values))


def nr(role: Role = Role.PSCELL, **values: FieldValue) -> Carrier:
    return carrier(Rat.NR, role, **({"band": "n78", "pci": 41, "dl_bandwidth": 60.0, "scs": 30, "rsrp": -95.0, "sinr": 16.0} | values))


def explain(*carriers: Carrier) -> dict[str, Finding]:
    return {f.key: f for f in explain_readings([Reading(carriers=carriers)])}


def test_nothing_is_said_without_a_carrier_in_use() -> None:
    assert explain_readings([]) == ()
    assert explain_readings([Reading()]) == ()
    assert explain_readings([Reading(carriers=(lte(Role.NEIGHBOUR),))]) == ()


def test_what_the_widths_add_up_to() -> None:
    found = explain(lte(), nr())["width_sum"]
    assert found.sentence == "An LTE anchor of 15 MHz and an NR carrier of 60 MHz: 75 MHz down in all."
    several = explain(lte(), lte(Role.SCELL, band="B3", dl_bandwidth=20.0), nr(band="n78", dl_bandwidth="wide"))["width_sum"]
    assert several.sentence == "2 LTE carriers of 15 + 20 = 35 MHz: 35 MHz down in all, and 1 carrier of unknown width."
    assert explain(lte())["width_sum"].sentence == "An LTE carrier of 15 MHz: 15 MHz down in all."


def test_a_carrier_that_is_switched_off_counts_nothing_and_is_not_judged() -> None:
    found = explain(lte(), lte(Role.SCELL, band="B3", dl_bandwidth=20.0, rsrp=-80.0, sinr=0.0, state="configured-inactive"))
    assert found["width_sum"].sentence == "An LTE carrier of 15 MHz: 15 MHz down in all; 1 more is set up but switched off at that moment."
    assert "interference" not in found


def test_one_plain_sentence_for_each_carrier() -> None:
    found = [f.sentence for f in explain_readings([Reading(carriers=(lte(), nr()))]) if f.key == "carrier"]
    assert found == [
        "LTE B20: primary carrier, 15 MHz wide, RSRP -92 dBm, fair, SINR 14 dB, clean.",
        "NR n78: primary NR carrier of the pair, 60 MHz wide, RSRP -95 dBm, fair, SINR 16 dB, clean.",
    ]


def test_bands_are_named_however_they_were_read() -> None:
    def named(**values: FieldValue) -> str:
        return explain(carrier(Rat.LTE, Role.PCELL, **values))["carrier"].sentence.split(":")[0]

    assert named(band=3) == named(band="B3") == named(band="3") == "LTE B3"
    assert named(arfcn=1575) == "LTE B3"  # TS 36.101 table 5.7.3-1
    assert explain(carrier(Rat.NR, Role.PCELL, arfcn=693334))["carrier"].sentence.startswith("NR n79")
    assert "unknown band" in explain(carrier(Rat.NR, Role.PCELL, arfcn=640000))["carrier"].sentence  # n77 or n78


def test_ceiling_and_what_one_user_alone_would_get() -> None:
    found = explain(lte(dl_bandwidth=20.0, sinr=20.0, band="B3"))["ceiling"]
    numbers = {e.key: e.value for e in found.evidence}
    assert numbers["peak_mbps"] == 195.816  # TS 36.213 7.1.7: two layers, 256QAM, 100 blocks
    assert numbers["alone_mbps"] == pytest.approx(110.27, abs=0.005)  # TR 36.942 annex A
    assert "ceiling" not in explain(lte(), nr(sinr="?"))


def test_the_same_band_twice() -> None:
    assert "same_band_twice" in explain(lte(), lte(Role.SCELL, pci=10))
    assert "same_band_twice" not in explain(lte(), lte(Role.SCELL, pci=9))
    assert "same_band_twice" not in explain(lte(), lte(Role.NEIGHBOUR, pci=10))


def test_strong_but_not_clean() -> None:
    found = explain(lte(rsrp=-80.0, sinr=2.0))["interference"]
    assert "other cells" in found.sentence
    assert found.settle_by == sentences_of(("heading_sweep",))
    assert "noise" in explain(lte(rsrp=-121.0, sinr=2.0))
    assert not {"noise", "interference"} & set(explain(lte(rsrp=-80.0, sinr=12.0)))
    assert "overdriven" in explain(lte(rsrp=-50.0, sinr=5.0))


def test_a_wide_unpaired_carrier_as_the_uplink() -> None:
    found = explain(nr(Role.PCELL))["uplink_tdd"]
    assert "23 %" in found.sentence
    assert found.evidence[0].value == pytest.approx(0.2286, abs=5e-5)  # TS 38.331, DDDSU with 10:2:2
    assert "uplink_tdd" not in explain(lte())
    assert "uplink_path_open" in explain(lte(), nr())


def test_an_upload_at_its_power() -> None:
    assert "uplink_power" in explain(lte(tx_power=22.0))
    assert "uplink_power" not in explain(lte(tx_power=21.0))


def test_one_antenna_branch_below_the_other() -> None:
    assert "antenna_branch" in explain(lte(rsrp_per_port=(-88.0, -98.0)))
    assert "antenna_branch" not in explain(lte(rsrp_per_port=(-88.0, -97.0)))
    assert "antenna_branch" not in explain(lte(rsrp_per_port=(-88.0, -140.0)))  # an unused port reads the floor


def test_the_seam_between_two_cells() -> None:
    assert "on_the_seam" in explain(lte(), lte(Role.NEIGHBOUR, pci=210, rsrp=-94.0))
    assert "on_the_seam" not in explain(lte(), lte(Role.NEIGHBOUR, pci=210, rsrp=-96.0))
    assert "on_the_seam" not in explain(lte(), lte(Role.NEIGHBOUR, pci=210, rsrp=-94.0, band="B3"))


def test_rest_says_nothing_of_what_is_missing() -> None:
    assert "idle_says_nothing" in explain(lte())
    assert "idle_says_nothing" in explain(lte(), Carrier(rat=Rat.NR, role=Role.PSCELL, fields=(Field(name="band", value="n78"),)))
    assert "idle_says_nothing" not in explain(lte(), nr())


def test_what_cannot_be() -> None:
    found = explain(lte(band="B8", dl_bandwidth=20.0))["width_not_in_band"]
    assert "B8 has no width of 20 MHz" in found.sentence  # TS 36.521-1 table 5.4.2.1-1
    assert "one_way_primary" in explain(lte(band="B32", dl_bandwidth=20.0))
    assert not {"width_not_in_band", "one_way_primary"} & set(explain(lte(), nr()))


def test_readings_that_differ() -> None:
    found = [f.key for f in explain_readings([Reading(carriers=(lte(),)), Reading(carriers=(lte(), nr()))])]
    assert "carriers_vary" in found


def test_findings_of_a_reading_blame_nobody_and_show_rule_and_source() -> None:
    for finding in explain_readings([Reading(carriers=(lte(rsrp=-80.0, sinr=1.0, tx_power=23.0), nr(), lte(Role.SCELL, pci=77)))]):
        assert finding.status == "fact"
        assert finding.certainty is None
        assert finding.evidence
        assert all(e.rule and e.source for e in finding.evidence)


_NUMBERS = st.one_of(st.none(), st.floats(-200, 200), st.integers(-200, 300))


@settings(deadline=None, max_examples=150)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(list(Rat)),
            st.sampled_from(list(Role)),
            st.sampled_from(["B3", "B8", "B32", "n78", "n80", "n257", "x", "B999"]),
            st.lists(_NUMBERS, min_size=5, max_size=5),
        ),
        max_size=4,
    )
)
def test_no_reading_raises(rows: list[tuple[Rat, Role, str, list[float | None]]]) -> None:
    names = ("pci", "dl_bandwidth", "rsrp", "sinr", "tx_power")
    carriers = [
        Carrier(
            rat=rat,
            role=role,
            fields=(
                Field(name="band", value=band),
                *(Field(name=n, value=v, state=FieldState.OK if v is not None else FieldState.UNKNOWN) for n, v in zip(names, values, strict=True)),
            ),
        )
        for rat, role, band, values in rows
    ]
    for finding in explain_readings([Reading(carriers=tuple(carriers))]):
        assert "rsrq" not in finding.sentence.lower()
