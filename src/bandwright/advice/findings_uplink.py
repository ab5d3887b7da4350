"""What the upload and the seasons may limit: power, the share of time, the leg that sends; rain and leaves.

Rows of the table of findings; what their fields mean stands in `finding_row`.
"""

from __future__ import annotations

from bandwright.advice.finding_row import FindingRow, Weight, no, yes

__all__ = ["UPLINK"]

UPLINK: tuple[FindingRow, ...] = (
    # --- uplink ---
    FindingRow(
        key="uplink_power_limited",
        sentence="The gateway already shouts as loud as it may; the mast barely hears it.",
        rule="1.5 dB or less of transmit power left under upload",
        priors={"up": 0.25, "delay_loaded": 0.04},
        weights=(
            Weight("headroom_db", 10, high=1.5001, group="power", source="TS 38.213 7.1.1"),
            Weight("headroom_db", 0.03, low=2.5001, group="power", source="TS 38.213 7.1.1", shown=True),
            Weight("unread_power_rsrp", 3, high=-100, group="power", source="measured: uploads below 5 Mbit/s in .5 to .7"),
            Weight("unread_power_rsrp", 0.3, low=-90, group="power", source="measured: in .02 to .10"),
        ),
        settle_by=("read_tx_power", "outdoors_by_hand"),
        remedy="outside, aim, feeder, a lower band: dB for dB",
        cost="mid",
        will_not_help=("other_plan", "wider_carrier", "more_streams"),
        source="TS 38.213 7.1.1, TS 36.213 5.1.1.1",
        needs=("headroom_db",),
    ),
    FindingRow(
        key="uplink_tdd_share",
        sentence="The wide 5G carrier lets you send only about a fifth of the time.",
        rule="the upload goes over an unpaired carrier with more than 2.5 dB of power to spare",
        priors={"up": 0.10},
        weights=(
            yes("tdd_with_room", 20, group="duplex", source="TS 38.331 TDD-UL-DL-Pattern"),
            no("on_tdd", 0.05, group="duplex"),
            Weight("headroom_db", 0.05, high=1.5001, group="power"),
            Weight("hour_lr", 0.2, low=3, group="hours"),
        ),
        settle_by=("fdd_uplink",),
        remedy="a mode or band with a paired uplink",
        cost="2 min, none",
        will_not_help=("bigger_antenna",),
        source="TS 38.331: .2286 of the time in DDDSU with 10:2:2",
        needs=("tdd_with_room", "hour_lr", "port_gap", "other_share"),
    ),
    FindingRow(
        key="uplink_nsa_anchor",
        sentence="Uploads go over the weak 4G anchor although 5G is strong.",
        rule="4G and 5G together, the upload over 4G at its power limit, 5G more than 10 dB stronger",
        priors={"up": 0.08},
        weights=(
            no("both_legs", 0.05, group="legs"),
            yes("weak_anchor", 30, group="leg", source="TS 38.323 5.2.1"),
            no("weak_anchor", 0.05, group="leg"),
            Weight("headroom_db", 0.05, low=2.5001, group="power"),
        ),
        settle_by=("sa_only", "other_anchor"),
        remedy="5G alone, or another anchor band",
        cost="2 min, none",
        will_not_help=("other_plan",),
        source="TS 38.323 5.2.1, TS 38.213 7.6.1",
        parents=("uplink_power_limited",),
    ),
    FindingRow(
        key="uplink_nsa_nr_weak",
        sentence="In mixed mode uploads go over the weak 5G leg; 4G alone would be better.",
        rule="uploads in 4G alone more than 1.8 times those in mixed mode, three tests or more each",
        priors={"up": 0.06},
        weights=(
            no("both_legs", 0.2, group="legs"),
            Weight("lte_only_gain", 80, low=1.8, group="modes", shown=True),
            Weight("lte_only_gain", 0.1, high=1.3, group="modes"),
            yes("weak_anchor", 0.2, group="leg"),
        ),
        settle_by=("lte_only",),
        remedy="the mode",
        cost="2 min, none",
        will_not_help=("other_plan",),
        source="TS 38.323 5.2.1",
        parents=("uplink_power_limited",),
    ),
    FindingRow(
        key="sa_mid_band_reach",
        sentence="5G alone must send on a band that does not reach that far.",
        rule="5G alone, an unpaired carrier, at the power limit",
        priors={"up": 0.05},
        weights=(
            yes("sa_at_limit", 60, group="leg", shown=True, source="12.19 dB of duty and free space"),
            no("sa_at_limit", 0.05, group="leg"),
            Weight("headroom_db", 0.02, low=2.5001, group="power", shown=True),
        ),
        settle_by=("fdd_uplink", "nsa_only", "lte_only"),
        remedy="a low-band uplink",
        cost="2 min, none",
        will_not_help=("other_plan",),
        source="TS 38.213 7.1.1; 12.19 dB of duty and free space against a paired 1.8 GHz carrier",
        parents=("uplink_power_limited",),
    ),
    # --- weather and season ---
    FindingRow(
        key="rain_mmwave",
        sentence="Heavy rain weakens this kind of signal.",
        rule="above 24 GHz, weaker by more than 4 dB in hours of more than 5 mm, back when dry",
        priors={"down": 0.01, "drops": 0.02},
        weights=(yes("rain_on_mmwave", 100, group="rain", shown=True, source="ITU-R P.838"), no("rain_on_mmwave", 0.05, group="rain")),
        settle_by=("dry_hour",),
        remedy="margin: aim",
        cost="30 min, none; ladder cautions",
        will_not_help=("other_plan",),
        source="ITU-R P.838-3, P.530",
        parents=("noise_limited", "within_expected"),
        needs=("rain_on_mmwave",),
    ),
    FindingRow(
        key="leaves_season",
        sentence="Leaves in the way: worse from May, better from November.",
        rule="4 dB or more better in winter than in summer, and it came back at least once",
        priors={"down": 0.015, "up": 0.015, "drops": 0.02},
        weights=(
            yes("leaves_returned", 60, group="season", shown=True, source="ITU-R P.833"),
            yes("fell_once", 3, group="season"),
            Weight("step_down_db", 0.2, low=6, group="step"),
        ),
        settle_by=("winter_compare",),
        remedy="height, a side step, another band",
        cost="mid; ladder cautions",
        will_not_help=("new_gateway",),
        source="ITU-R P.833",
        parents=("noise_limited", "uplink_power_limited", "within_expected"),
        needs=("leaves_returned",),
    ),
)
