"""Reading cases: what is understood, and that nothing else can hurt."""

from __future__ import annotations

from datetime import UTC, datetime

from hypothesis import given, settings
from hypothesis import strategies as st

from bandwright.advice.case import Case
from bandwright.advice.case_json import case_from_json
from bandwright.advice.case_words import case_from_words
from bandwright.advice.diagnosis import diagnose
from bandwright.words.declared import Declared
from bandwright.words.measurement import Measurement, Method, Value
from bandwright.words.radio import Carrier, Field, Mode, Rat, Reading, Role
from bandwright.words.rig import FeederPlan, GatewayPlan, Rig
from bandwright.words.site import Line, Site

SYMPTOMS = ("down", "up", "delay", "delay_loaded", "loss", "drops", "cannot_connect")


def test_an_empty_record_is_an_empty_case() -> None:
    assert case_from_json({}) == Case()


def test_blocks_that_are_null_are_not_known_and_blocks_that_are_empty_are() -> None:
    assert case_from_json({"declared": None}).plan is None
    plan = case_from_json({"declared": {"plan": {"cap_gb": None}}}).plan
    assert plan is not None
    assert plan.cap_gb is None


def test_ports_that_are_not_used_are_left_out() -> None:
    record = {"readings": [{"carriers": [{"rat": "lte", "role": "pcell", "fields": {"rsrp_per_port": [-88, -140, -44, None, -91]}}]}]}
    assert case_from_json(record).readings[0].carriers[0].ports == (-88, -91)


def test_states_of_a_carrier() -> None:
    def active(state: str | None) -> bool | None:
        return case_from_json({"readings": [{"carriers": [{"rat": "lte", "fields": {"state": state}}]}]}).readings[0].carriers[0].active

    assert active("configured, inactive") is False
    assert active("deactivated") is False
    assert active("activated") is True
    assert active("CONNECT") is None
    assert active(None) is None


def test_links() -> None:
    assert [
        c.near_end.wifi if c.near_end else None for c in (case_from_json({"near_end": {"link": x}}) for x in ("Wi-Fi 5 GHz", "ethernet", "wired", "usb", None))
    ] == [True, False, False, None, None]


def test_feeders_in_any_form() -> None:
    def loss(rig: object) -> float | None:
        return case_from_json({"declared": {"rig": rig}}).feeder_loss_db

    assert loss({"feeder_loss_db": 8}) == 8
    assert loss({"feeder": {"loss_db": 7.5}}) == 7.5
    assert loss({"feeder": "15 m of thin cable, 9.5 dB"}) == 9.5
    assert loss({"feeder_length_m": 15}) is None
    assert loss({"antenna": "omni, 5 dBi"}) is None


def test_comparisons_in_any_form() -> None:
    by_label = case_from_json({"comparison": {"built_in": {"rsrp": -100}, "outdoor": {"rsrp": -98}}}).comparison
    assert [(c.label, c.numbers["rsrp"]) for c in by_label] == [("built_in", -100), ("outdoor", -98)]
    rows = [{"mode": "lte", "goodput_up_mbps": x} for x in (9, 12, 10)] + [{"mode": "nsa", "goodput_up_mbps": 4}]
    by_row = case_from_json({"comparison": rows}).comparison
    assert [(c.label, c.numbers["goodput_up_mbps"], c.tests) for c in by_row] == [("lte", 10, 3), ("nsa", 4, 1)]
    flat = case_from_json({"comparison": {"lte_only_up_mbps": [11, 12, 13], "nsa_up_mbps": [3, 4, 5]}}).comparison
    assert [(c.label, c.numbers["goodput_up_mbps"], c.tests) for c in flat] == [("lte_only", 12, 3), ("nsa", 4, 3)]
    kinds = case_from_json(
        {"measurement": {"by_protocol": [{"protocol": "https", "goodput_down_mbps": 80}, {"protocol": "quic", "goodput_down_mbps": 8}]}}
    ).comparison
    assert [c.label for c in kinds] == ["https", "quic"]


def test_months_in_any_form() -> None:
    for months in ([{"month": "2025-01", "rsrp": -98}], {"2025-01": -98}, [{"year": 2025, "month": 1, "rsrp_dbm": -98}]):
        (month,) = case_from_json({"history_monthly": months}).months
        assert (month.year, month.number, month.rsrp_dbm) == (2025, 1, -98)
    assert case_from_json({"history_monthly": [{"month": 13, "rsrp": -98}]}).months == ()


def test_outages_and_power_classes() -> None:
    assert [o.uptime_after_h for o in case_from_json({"outages": [{"uptime_s": 72}, {"uptime_before_h": 500, "uptime_after_h": 0.02}]}).outages] == [0.02, 0.02]
    capability = case_from_json({"declared": {"capability": {"power_class": 2}}}).capability
    assert capability is not None
    assert capability.power_class_dbm == 26  # TS 38.101-1 6.2.1


_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda x: st.lists(x, max_size=4) | st.dictionaries(st.text(max_size=8), x, max_size=4),
    max_leaves=12,
)
_KEYS = st.sampled_from(["declared", "readings", "measurement", "near_end", "far_end", "history", "comparison", "outages", "events", "history_monthly", "need"])


@settings(deadline=None, max_examples=150)
@given(st.dictionaries(_KEYS, _JSON, max_size=8), st.sampled_from(SYMPTOMS))
def test_nonsense_is_absent_and_claims_nothing(record: dict[str, object], symptom: str) -> None:
    (found,) = diagnose(case_from_json(record | {"not_met": [symptom]}))
    assert found.claims == ()


_FIELDS = [
    "goodput_down_mbps",
    "delay_idle_ms",
    "probes_sent",
    "probes_lost",
    "series_down_mbps",
    "at",
    "failures",
    "by_far_end",
    "address",
    "loss_down_ratio",
    "delay_loaded_down_ms",
]


@settings(deadline=None, max_examples=150)
@given(st.dictionaries(st.sampled_from(_FIELDS), _JSON, max_size=8), st.sampled_from(SYMPTOMS))
def test_a_measurement_with_any_values_raises_nothing(measurement: dict[str, object], symptom: str) -> None:
    diagnose(case_from_json({"measurement": measurement, "not_met": [symptom]}))


def test_a_case_from_the_words() -> None:
    carrier = Carrier(
        rat=Rat.LTE,
        role=Role.PCELL,
        fields=(
            Field(name="band", value="B3"),
            Field(name="rsrp", low=-91, high=-90),
            Field(name="sinr", value=12.0),
            Field(name="rsrp_per_port", value=(-88.0, None, -140.0, -101.0)),
            Field(name="state", value="inactive"),
        ),
    )
    at = datetime(2026, 3, 10, 20, 10, tzinfo=UTC)
    measurement = Measurement(
        key="m",
        at=at,
        method=Method.NEAR_FAR,
        values=(Value(quantity="goodput_down_mbps", value=20.0), Value(quantity="goodput_up_mbps", reason="not asked")),
        facts=(("near_end.link", "wifi"), ("near_end.port_speed_mbps", 1000), ("far_end.port_speed_mbps", None), ("streams", 4), ("address", "shared")),
        series=(("series_down_mbps", (1.0, 2.0)),),
    )
    earlier = Measurement(
        key="e", at=at, method=Method.NEAR_FAR, values=(Value(quantity="goodput_down_mbps", value=40.0),), facts=(("rsrp", -92.0), ("pci", 9), ("band", "B3"))
    )
    rig = Rig(key="r", line="l", gateway="g", feeder=FeederPlan(length_m=15, loss_db_per_10m=((800.0, 3.0), (1800.0, 5.0))))
    declared = Declared(
        site=Site(name="s", timezone="Europe/Helsinki"),
        lines=(Line(key="l", cap_gb_per_month=100.0, used_gb=40.0),),
        gateways=(GatewayPlan(key="g", kind="serial", capability=(("max_dl_carriers", 2.0), ("power_class_dbm", 26.0))),),
        rigs=(rig,),
    )
    case = case_from_words(
        not_met=["down", "sideways"],
        readings=[("load_down", Reading(mode=Mode.LTE, carriers=(carrier,)))],
        measurement=measurement,
        declared=declared,
        rig=rig,
        history=[earlier],
    )
    assert case.not_met == ("down",)
    assert case.plan is not None
    assert (case.plan.cap_gb, case.plan.used_gb) == (100, 40)
    assert case.capability is not None
    assert (case.capability.max_dl_carriers, case.capability.power_class_dbm) == (2, 26)
    assert case.feeder_loss_db == 7.5
    seen = case.readings[0].carriers[0]
    assert (seen.band, seen.rsrp_dbm, seen.sinr_db, seen.ports, seen.active) == ("B3", -90.5, 12.0, (-88.0, -101.0), False)
    assert case.measurement is not None
    assert case.measurement.at == datetime.fromisoformat("2026-03-10T22:10")  # local
    assert case.measurement.get("goodput_up_mbps") is None
    assert case.near_end is not None
    assert case.near_end.wifi
    assert case.history[0].rsrp_dbm == -92
    assert case.history[0].down_mbps == 40
