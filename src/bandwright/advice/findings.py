"""The table of findings: what may limit a connection, one row each, with everything that is known of it.

A row says the finding in the householder's words, how likely it is beforehand by symptom, what each piece of evidence weighs, of
which finding it is a special case, which tests settle it, what remedies it at which cost, and what will not help. Likelihood ratios
are against "unknown cause"; without a source of their own they are common practice, and a study may replace them here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from bandwright.errors import UsageError

__all__ = ["FINDINGS", "UNKNOWN_PRIORS", "FindingRow", "Weight", "ancestors", "descendants", "finding_row"]


@dataclass(frozen=True, slots=True)
class Weight:
    """One rule: where evidence `key` is at least `low` and below `high`, the finding is `ratio` times as likely.

    ratio: None takes the evidence's own value, to the power of `power` (an evidence that is itself a likelihood ratio).
    group: of all rules of one group only the one that says most speaks. shown: the evidence is a demonstration (before and after, one
    against the other, a state read directly), which may weigh up to 100 either way; a correlation weighs at most 30.
    """

    key: str
    ratio: float | None
    low: float | None = None
    high: float | None = None
    group: str = ""
    shown: bool = False
    power: float = 1.0
    source: str = "common practice, no source"

    def holds(self, value: float) -> bool:
        """Whether the rule speaks at that value."""
        return (self.low is None or value >= self.low) and (self.high is None or value < self.high)

    def of(self, value: float) -> float:
        """Return the likelihood ratio at that value."""
        return value**self.power if self.ratio is None else self.ratio


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRow:
    """One finding. rule: what it is judged by, in words. priors: by symptom. parents: of which findings it is a special case.

    needs: evidence that must be known before it may be claimed, because it tells it from its look-alikes; "down:key" only for that
    symptom. own: groups whose items count as its own (none: all); what several findings explain alike is nobody's own. settle_by: tests.
    will_not_help: keys of remedies that would be money or effort lost.
    """

    key: str
    sentence: str
    rule: str
    priors: Mapping[str, float]
    weights: tuple[Weight, ...]
    settle_by: tuple[str, ...]
    remedy: str
    cost: str
    will_not_help: tuple[str, ...]
    source: str
    parents: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    own: tuple[str, ...] = ()
    needs_no_item: bool = False


UNKNOWN_PRIORS: Mapping[str, float] = {"down": 0.12, "up": 0.12, "delay": 0.25, "delay_loaded": 0.15, "loss": 0.20, "drops": 0.25, "cannot_connect": 0.25}

_YES, _NO = 0.5, 0.5  # yes/no evidence is 1 or 0
_MEASURED = "measured on 547 runs of a minute, LTE"


def _yes(key: str, ratio: float, *, group: str = "", shown: bool = False, source: str = "common practice, no source") -> Weight:
    return Weight(key, ratio, low=_YES, group=group or key, shown=shown, source=source)


def _no(key: str, ratio: float, *, group: str = "", shown: bool = False) -> Weight:
    return Weight(key, ratio, high=_NO, group=group or key, shown=shown)


# What the rate says against what the radio would carry. Below 0.4 the radio's quality is not the whole story, above 0.6 it may be.
_NOT_RADIO = (
    Weight("rate_ratio", 2.2, high=0.4, group="rate", source=_MEASURED),
    Weight("rate_ratio", 1.5, low=0.4, high=0.55, group="rate", source=_MEASURED),
    Weight("rate_ratio", 0.4, low=0.55, group="rate", source=_MEASURED),
)
_RADIO = (
    Weight("rate_ratio", 0.08, high=0.4, group="rate", source=_MEASURED),
    Weight("rate_ratio", 0.6, low=0.4, high=0.55, group="rate", source=_MEASURED),
)
# What holds the rate at one figure: steady within a test, the same between tests, at all hours.
_CAP = (
    Weight("cv_with_history", 12, high=0.05, group="flat", source="measured: in none of 612 fixed LTE tests"),
    Weight("cv", 4, high=0.05, group="flat", source="measured: .13 to .61 at mmWave and in 3 s samples"),
    Weight("cv", 0.05, low=0.08, group="flat", source="measured"),
    _yes("same_figure", 15, group="same figure", source="derived: chance .002 among five radio-limited tests"),
    Weight("figure_spread", 0.08, low=1.3, group="same figure", source="derived"),
    Weight("hour_lr", 0.1, low=3, group="hours"),
)
# The same for findings that may hold the rate at one figure but need not.
_MAY_CAP = (
    Weight("cv_with_history", 12, high=0.05, group="flat", source="measured: in none of 612 fixed LTE tests"),
    Weight("cv", 4, high=0.05, group="flat", source="measured: .13 to .61 at mmWave and in 3 s samples"),
    _yes("same_figure", 15, group="same figure", source="derived: chance .002 among five radio-limited tests"),
)
_HOP_CLEARS = Weight("hop_share", 0.04, high=0.15, group="first hop", source="measured: .00-.01 on the radio")


FINDINGS: tuple[FindingRow, ...] = (
    # --- inside the house ---
    FindingRow(
        key="wifi_limit",
        sentence="The Wi-Fi between this computer and the gateway is the narrow place, not the mobile network.",
        rule="on Wi-Fi, more than 0.3 of the rise of the delay under load stands before the gateway",
        priors={"down": 0.12, "up": 0.07, "delay": 0.08, "delay_loaded": 0.12},
        weights=(
            *_NOT_RADIO,
            Weight("wifi_hop_share", 25, low=0.3, group="first hop", source="measured: .98-1.04 on Wi-Fi"),
            Weight("hop_share", 3, low=0.3, group="first hop"),
            _HOP_CLEARS,
            _no("wifi", 0.02, group="link", shown=True),
            Weight("hour_lr", 0.5, low=3, group="hours"),
        ),
        settle_by=("cable",),
        remedy="a cable, or 5 GHz, or the gateway nearer",
        cost="5 min, low",
        will_not_help=("bigger_antenna", "other_plan", "other_bands"),
        source="PAM 2016; arXiv 2311.05499: above 800 Mbit/s Wi-Fi limits always",
        needs=("wifi",),
    ),
    FindingRow(
        key="wifi_loss",
        sentence="Packets get lost inside the house, before the gateway.",
        rule="more than half of the proved loss is already there at the first hop",
        priors={"loss": 0.20, "drops": 0.05, "cannot_connect": 0.02},
        weights=(
            Weight("loss_before_gateway", 25, low=0.5, group="loss"),
            Weight("loss_before_gateway", 0.05, high=0.5, group="loss"),
            _no("wifi", 0.5, group="link"),
        ),
        settle_by=("cable",),
        remedy="a cable, or 5 GHz, or the gateway nearer",
        cost="5 min, low",
        will_not_help=("bigger_antenna",),
        source="RFC 7680",
        needs=("wifi",),
    ),
    FindingRow(
        key="port_limit",
        sentence="The network socket or cable is the narrow place: it runs at the speed that was measured.",
        rule="the rate is within 3 % of 0.941 of the port's speed",
        priors={"down": 0.03, "up": 0.02},
        weights=(
            *_NOT_RADIO,
            *_CAP,
            Weight("port_gap", 15, low=-0.03, high=0.03, group="near port", source="RFC 6349: 0.941 of nominal"),
            Weight("port_gap", 0.02, high=-0.03, group="near port", source="RFC 6349", shown=True),
            Weight("cable_hop_share", 3, low=0.3, group="first hop"),
        ),
        settle_by=("gigabit_cable",),
        remedy="a cable with eight wires, another port",
        cost="5 min, low",
        will_not_help=("bigger_antenna", "other_plan"),
        source="RFC 6349; IEEE 802.3",
        own=("near port",),
    ),
    FindingRow(
        key="near_end_slow",
        sentence="This computer cannot go faster.",
        rule="its processor is above 0.8 busy, or its receive window held the transfer back in more than 0.1 of the time",
        priors={"down": 0.03, "up": 0.02},
        weights=(
            *_NOT_RADIO,
            *_MAY_CAP,
            _yes("near_busy", 20, group="near end", source="measured"),
            _no("near_busy", 0.05, group="near end"),
            Weight("hour_lr", 0.2, low=3, group="hours"),
        ),
        settle_by=("second_computer",),
        remedy="another computer, fewer streams",
        cost="10 min, none",
        will_not_help=("bigger_antenna", "other_plan"),
        source="measured",
        own=("near end",),
    ),
    FindingRow(
        key="home_traffic",
        sentence="Others at home were using the line during the test.",
        rule="more than 0.2 of all traffic was not the test's",
        priors={"down": 0.05, "up": 0.04, "delay": 0.10, "delay_loaded": 0.08, "loss": 0.03},
        weights=(
            *_NOT_RADIO,
            Weight("other_share", 30, low=0.2, group="house"),
            Weight("other_share", 0.05, high=0.02, group="house"),
        ),
        settle_by=("idle_house",),
        remedy="repeat in an idle house; queue management",
        cost="5 min, none",
        will_not_help=("other_plan", "bigger_antenna"),
        source="common practice, no source",
    ),
    FindingRow(
        key="bloat_home",
        sentence="A router of yours holds the queue: everything waits there.",
        rule="over a cable, more than 0.3 of the rise of the delay stands before the gateway, and it rises by more than 200 ms",
        priors={"delay_loaded": 0.15},
        weights=(
            Weight("cable_hop_share", 25, low=0.3, group="first hop", source="measured"),
            _HOP_CLEARS,
            Weight("rise_ms", 4, low=200, group="rise"),
            Weight("rise_ms", 0.2, high=50, group="rise"),
        ),
        settle_by=("cable",),
        remedy="shaping at 90 % of the slow figure in that router (fq_codel, cake)",
        cost="10 min, none",
        will_not_help=("bigger_antenna", "other_bands"),
        source="RFC 8290, RFC 7567",
        needs=("wifi",),
    ),
    FindingRow(
        key="bloat_radio",
        sentence="Under load everything waits in the mobile network's or the gateway's queue.",
        rule="the delay rises by more than 200 ms under load, less than 0.15 of it before the gateway",
        priors={"delay_loaded": 0.35, "delay": 0.02},
        weights=(
            Weight("hop_share", 4, high=0.15, group="first hop", source="measured"),
            Weight("hop_share", 0.05, low=0.3, group="first hop", source="measured"),
            Weight("rise_ms", 4, low=200, group="rise"),
            Weight("rise_ms", 0.2, high=50, group="rise"),
        ),
        settle_by=("shape_at_router",),
        remedy="shaping at the router, varying with the rate; an upload limit",
        cost="10 min, none",
        will_not_help=("bigger_antenna", "new_wifi"),
        source="IMC 2012, Tackling bufferbloat in 3G/4G",
        needs=("hop_share",),
    ),
    FindingRow(
        key="idle_wake",
        sentence="After a pause the radio sleeps, and the first click waits.",
        rule="the first round trip is over 2.5 times and 300 ms above the steady one, whose 95th percentile is below three times its median",
        priors={"delay": 0.30},
        weights=(_yes("first_wake", 20, source="measured on two networks: 89-93 % of pauses above 13 s"), _no("first_wake", 0.2)),
        settle_by=("steady_ping",),
        remedy="a keep-alive every five seconds: costs some data and power",
        cost="2 min, none",
        will_not_help=("bigger_antenna", "other_plan"),
        source="TS 38.331, RRC inactivity; measured",
    ),
    # --- the gateway ---
    FindingRow(
        key="gateway_hot",
        sentence="The gateway gets too hot and slows down.",
        rule="tests at 75 °C and more run below 0.6 of cool ones with carriers dropped and the SINR the same",
        priors={"down": 0.02, "up": 0.01, "drops": 0.05},
        parents=("within_expected",),
        weights=(_yes("hot_step", 100, group="heat", shown=True), _no("hot_step", 0.05, group="heat")),
        settle_by=("soak_load", "log_temperature"),
        remedy="shade, air, out of boxes",
        cost="15 min, low",
        will_not_help=("bigger_antenna", "other_plan"),
        source="common practice, no source",
    ),
    FindingRow(
        key="gateway_restarts",
        sentence="The gateway restarts by itself.",
        rule="outages end with the gateway just started",
        priors={"drops": 0.20, "cannot_connect": 0.02},
        weights=(Weight("restarts", 40, low=0.75, group="outages", shown=True), Weight("restarts", 0.1, high=0.25, group="outages")),
        settle_by=("read_gateway_log",),
        remedy="power supply, firmware, a schedule that restarts it",
        cost="10 min, low",
        will_not_help=("bigger_antenna",),
        source="common practice, no source",
    ),
    FindingRow(
        key="setting_not_applied",
        sentence="The setting was accepted but is not in force.",
        rule="two readings, one under load, show a band or mode outside what was asked",
        priors={"down": 0.03, "up": 0.03, "drops": 0.02, "cannot_connect": 0.02},
        weights=(
            Weight("not_in_force", 40, low=2, group="asked", shown=True),
            Weight("not_in_force", 3, low=1, high=2, group="asked"),
            Weight("not_in_force", 0.02, high=1, group="asked", shown=True),
        ),
        settle_by=("read_back",),
        remedy="the other command, the policy that cuts the list, a restart",
        cost="5 min, none",
        will_not_help=("bigger_antenna", "repeating"),
        source="common practice, no source",
        parents=("within_expected",),
    ),
    FindingRow(
        key="port_dead",
        sentence="One of the two antenna connections is dead: a loose plug or the wrong socket.",
        rule="antenna ports 10 dB or more apart; rank 1 at a SINR above 15 dB",
        priors={"down": 0.02, "up": 0.01, "drops": 0.01},
        weights=(
            Weight("port_spread_db", 20, low=10, group="ports"),
            Weight("port_spread_db", 0.1, high=8, group="ports"),
            _yes("rank_one", 4, group="rank"),
            _yes("rank_two_seen", 0.1, group="rank"),
        ),
        settle_by=("swap_ports",),
        remedy="connector, pigtail",
        cost="20 min, low",
        will_not_help=("bigger_antenna", "other_plan"),
        source="common practice, no source, for 10 dB; a wall indoors makes 3 to 8 dB",
        parents=("rank_low", "within_expected"),
    ),
    FindingRow(
        key="rank_low",
        sentence="Both antenna ports are strong yet carry the same stream: their polarisation is the same.",
        rule="rank 1 at a SINR above 15 dB with ports within 5 dB",
        priors={"down": 0.02},
        weights=(
            *_RADIO,
            _yes("same_stream", 20, group="rank"),
            _yes("rank_one", 2, group="rank"),
            _yes("rank_two_seen", 0.05, group="rank"),
            Weight("port_spread_db", 0.2, low=10, group="ports"),
        ),
        settle_by=("rotate_antenna", "built_in_antenna"),
        remedy="a dual-slant pair, or one antenna of the pair turned by 90 degrees",
        cost="mid",
        will_not_help=("bigger_antenna", "other_plan"),
        source="TS 38.214 5.2.2.2",
        parents=("within_expected",),
    ),
    FindingRow(
        key="feeder_loss",
        sentence="The cable eats what the antenna gains.",
        rule="a feeder of more than 6 dB, or outside less than 3 dB better than the built-in antenna",
        priors={"down": 0.02, "up": 0.02},
        weights=(
            *_RADIO,
            Weight("feeder_loss_db", 6, low=6.0001, group="feeder"),
            Weight("feeder_loss_db", 0.05, high=3, group="feeder"),
            Weight("outdoor_gain_db", 30, high=3, group="feeder gain"),
            Weight("outdoor_gain_db", 0.1, low=6, group="feeder gain"),
        ),
        settle_by=("built_in_antenna",),
        remedy="a short thick cable, or the gateway at the antenna",
        cost="mid",
        will_not_help=("bigger_antenna", "other_plan"),
        source="common practice, no source",
        parents=("noise_limited", "uplink_power_limited", "within_expected"),
    ),
    # --- quality of the radio ---
    FindingRow(
        key="noise_limited",
        sentence="The signal is simply weak.",
        rule="SINR below 10 dB and less than 4 dB above thermal noise",
        priors={"down": 0.06, "delay": 0.03, "loss": 0.02, "drops": 0.08, "cannot_connect": 0.05},
        weights=(
            *_RADIO,
            _yes("poor_by_noise", 12, group="quality", source="k T0 and a noise figure of 7 dB"),
            Weight("noise_gap_db", 0.03, low=8, group="quality", source="k T0", shown=True),
            Weight("sinr_db", 0.03, low=13, group="quality", shown=True),
        ),
        settle_by=("outdoors_by_hand", "heading_sweep"),
        remedy="outside, higher, more gain: every dB counts",
        cost="mid",
        will_not_help=("other_plan",),
        source="k T0 and a noise figure of 7 dB (ITU-R M.2412, from memory)",
        parents=("within_expected",),
        needs=("noise_gap_db",),
    ),
    FindingRow(
        key="interference_limited",
        sentence="The signal is strong, but other cells shout over it.",
        rule="SINR below 10 dB though more than 8 dB above thermal noise",
        priors={"down": 0.07, "loss": 0.02, "drops": 0.06},
        weights=(
            *_RADIO,
            _yes("poor_by_others", 12, group="quality", source="k T0 and a noise figure of 7 dB"),
            Weight("sinr_db", 0.03, low=13, group="quality", shown=True),
            Weight("noise_gap_db", 0.1, high=4, group="quality"),
            Weight("neighbour_gap_db", 2, high=10, group="neighbours"),
            _yes("overdriven", 0.1, group="overload"),
        ),
        settle_by=("heading_sweep",),
        remedy="directivity, not gain; another band or cell",
        cost="30 min, mid",
        will_not_help=("bigger_antenna", "amplifier"),
        source="common practice, no source",
        parents=("within_expected",),
    ),
    FindingRow(
        key="sector_overlap",
        sentence="Two cells reach you equally strongly; you sit on the seam.",
        rule="another cell on the channel within 3 dB, and SINR below 10 dB",
        priors={"down": 0.02, "drops": 0.04, "loss": 0.02},
        weights=(
            *_RADIO,
            _yes("on_the_seam", 40, group="neighbours", shown=True),
            Weight("neighbour_gap_db", 0.05, low=5.0, group="neighbours"),
            Weight("sinr_db", 0.03, low=13, group="quality", shown=True),
            Weight("cell_changes", 3, low=5, group="changes"),
        ),
        settle_by=("heading_sweep", "pin_other_cell"),
        remedy="a narrower beam, another sector or band",
        cost="30 min, mid",
        will_not_help=("bigger_antenna",),
        source="TS 36.211 6.11, TS 38.211 7.4.2",
        parents=("interference_limited", "within_expected"),
    ),
    FindingRow(
        key="misaim",
        sentence="The antenna no longer points at the mast.",
        rule="RSRP fell by more than 6 dB at once and stayed there, on the same cell",
        priors={"down": 0.02, "up": 0.02, "drops": 0.02},
        weights=(
            Weight("step_down_db", 40, low=6, group="step", shown=True),
            Weight("step_down_db", 0.5, high=4, group="step"),
            _yes("fell_once", 3, group="season"),
            _yes("leaves_returned", 0.1, group="season"),
            Weight("port_spread_db", 0.1, low=10, group="ports"),
        ),
        settle_by=("heading_sweep",),
        remedy="aim it again",
        cost="30 min, none; ladder cautions",
        will_not_help=("new_gateway",),
        source="common practice, no source",
        parents=("noise_limited", "uplink_power_limited", "within_expected"),
        needs=("step_down_db",),
    ),
    FindingRow(
        key="overload_near_mast",
        sentence="So close to the mast that the receiver is overdriven.",
        rule="RSRP above -55 dBm and SINR below 13 dB",
        priors={"down": 0.01},
        weights=(_yes("overdriven", 60, group="overload", shown=True), _no("overdriven", 0.03, group="overload")),
        settle_by=("attenuate",),
        remedy="a smaller antenna, a pad, indoors",
        cost="none",
        will_not_help=("bigger_antenna",),
        source="TS 36.101 7.4",
        parents=("within_expected",),
    ),
    FindingRow(
        key="reselection_ping_pong",
        sentence="The gateway keeps hopping between cells.",
        rule="more than 10 cell changes an hour",
        priors={"down": 0.02, "delay": 0.04, "loss": 0.04, "drops": 0.15},
        weights=(
            Weight("cell_changes", 40, low=10, group="changes", shown=True, source="measured at fixed places: worst 86 an hour"),
            Weight("cell_changes", 0.1, high=1, group="changes", source="measured: median 0"),
        ),
        settle_by=("pin_other_cell", "force_bands"),
        remedy="pin a cell, with a timed return; aim",
        cost="10 min, none",
        will_not_help=("other_plan",),
        source="TS 38.331, event A3; measured",
    ),
    FindingRow(
        key="nr_leg_unstable",
        sentence="The fast 5G leg comes and goes.",
        rule="5G seen in 10 to 80 % of looks under load, or a test with two levels more than four times apart",
        priors={"down": 0.03, "drops": 0.10},
        weights=(_yes("nr_leg", 25, group="nr leg", source="measured"), _no("nr_leg", 0.1, group="nr leg")),
        settle_by=("sa_only", "lte_only", "heading_sweep"),
        remedy="aim for 5G, or 4G alone where steadiness matters",
        cost="30 min, none",
        will_not_help=("new_wifi",),
        source="measured: the leg needs 1 to 12 s after the start",
    ),
    # --- carriers ---
    FindingRow(
        key="ca_idle_reading",
        sentence="Only one carrier was read at rest; under load there are more. Nothing is wrong.",
        rule="fewer carriers at rest than under load, and that was the complaint",
        priors={"down": 0.03},
        weights=(
            *_RADIO,
            _yes("one_carrier_complaint", 30, group="carriers"),
            _no("fewer_at_idle", 0.03, group="carriers", shown=True),
        ),
        settle_by=("read_under_load",),
        remedy="none",
        cost="none",
        will_not_help=("new_gateway",),
        source="TS 38.321 5.9: secondary carriers are switched off without traffic",
        parents=("within_expected",),
    ),
    FindingRow(
        key="ca_not_aggregated",
        sentence="Other strong carriers are there but not joined.",
        rule="one carrier under load though the gateway can more, and other bands are heard above -105 dBm",
        priors={"down": 0.05},
        weights=(
            *_RADIO,
            _yes("joined_none", 15, group="carriers"),
            _yes("all_in_use", 0.03, group="carriers", shown=True),
            Weight("joined_none", 0.5, high=_NO, group="carriers"),
        ),
        settle_by=("force_bands",),
        remedy="the band list; another gateway",
        cost="low to high",
        will_not_help=("bigger_antenna",),
        source="TS 38.331 BandCombination",
        parents=("within_expected",),
        needs=("joined_none",),
    ),
    FindingRow(
        key="scell_deactivated",
        sentence="A second carrier is set up but switched off most of the time.",
        rule="a secondary carrier reads inactive under load, or the number of carriers varies between loaded tests",
        priors={"down": 0.03},
        weights=(
            _yes("scell_inactive", 60, group="scell", shown=True, source="TS 38.321 5.9"),
            _no("scell_inactive", 0.1, group="scell"),
            _yes("counts_vary", 20, group="counts"),
            _no("counts_vary", 0.5, group="counts"),
            _yes("hot_step", 0.1, group="heat"),
        ),
        settle_by=("force_bands", "heading_sweep"),
        remedy="aim for that band",
        cost="30 min, none",
        will_not_help=("other_plan",),
        source="TS 38.321 5.9",
        parents=("ca_not_aggregated", "within_expected"),
    ),
    FindingRow(
        key="capability_limit",
        sentence="The gateway itself cannot use more.",
        rule="carriers, layers or width at its stated maximum, and the rate is what that gives",
        priors={"down": 0.03},
        weights=(*_RADIO, _yes("at_capability", 2, group="capability"), _no("at_capability", 0.1, group="capability")),
        settle_by=("other_gateway", "force_bands"),
        remedy="another gateway",
        cost="high",
        will_not_help=("bigger_antenna",),
        source="TS 36.306, TS 38.306",
        parents=("within_expected",),
        needs=("at_capability",),
    ),
    FindingRow(
        key="sa_low_band_primary",
        sentence="5G stays on a narrow low band although a wide one is heard.",
        rule="5G alone, one carrier below 1 GHz under load, a mid-band cell heard above -105 dBm",
        priors={"down": 0.015},
        weights=(*_RADIO, _yes("low_although_wide", 40, group="low band", shown=True), _no("low_although_wide", 0.03, group="low band")),
        settle_by=("pin_mid_band",),
        remedy="band list, mode",
        cost="2 min, none",
        will_not_help=("bigger_antenna",),
        source="measured in 2021: 36 against 103 Mbit/s",
        parents=("ca_not_aggregated", "within_expected"),
    ),
    FindingRow(
        key="within_expected",
        sentence="The line gives what its carriers, signal and plan allow.",
        rule="the rate is 0.55 to 1.8 of what the carriers would carry alone, no cap, no effect of the hour",
        priors={"down": 0.10},
        weights=(
            Weight("rate_ratio", 4, low=0.55, high=1.8, group="rate", source=_MEASURED),
            Weight("rate_ratio", 0.5, low=0.4, high=0.55, group="rate", source=_MEASURED),
            Weight("rate_ratio", 0.06, high=0.4, group="rate", source=_MEASURED),
            Weight("rate_ratio", 0.3, low=1.8, group="rate", source=_MEASURED),
            _yes("capacity_unused", 0.1, group="capacity"),
            Weight("hour_lr", 0.3, low=3, group="hours"),
            _yes("same_figure", 0.1, group="same figure"),
            _yes("cap_passed", 0.5, group="cap passed"),
            Weight("sinr_db", 0.25, high=10, group="quality"),
        ),
        settle_by=("hourly_series", "force_bands"),
        remedy="needs other carriers or a better SINR",
        cost="mid",
        will_not_help=("bigger_antenna", "buying_at_random"),
        source="TR 36.942 annex A; measured",
        needs=("rate_ratio", "hour_lr", "not_in_force", "cap_passed", "port_gap", "other_share"),
        needs_no_item=True,
    ),
    # --- network and plan ---
    FindingRow(
        key="cell_load",
        sentence="The mast is busy at that hour; you share it.",
        rule="nights faster than evenings with the same signal; the rate below 0.4 of what the carriers would carry alone",
        priors={"down": 0.15, "up": 0.12},
        weights=(
            *_NOT_RADIO,
            Weight("hour_lr", None, group="hours", source="measured at one cell"),
            Weight("cell_load_idle", 2, low=0.6, group="cell use", source="our algebra, TS 36.214 5.1.3"),
            Weight("cell_load_idle", 0.5, high=0.25, group="cell use", source="our algebra, TS 36.214 5.1.3"),
            _yes("evenings_since_cap", 0.25, group="since cap"),
            _yes("same_figure", 0.08, group="same figure"),
            _yes("capacity_unused", 0.1, group="rate"),
        ),
        settle_by=("repeat_at_0400", "second_plan", "pin_other_cell"),
        remedy="another cell, band, operator, or hours",
        cost="low to mid",
        will_not_help=("bigger_antenna", "new_gateway"),
        source="measured; TR 36.942 annex A",
        needs=("cap_passed", "hour_lr", "other_share", "hop_share", "down:rate_ratio", "up:headroom_db"),
        own=("hours",),
    ),
    FindingRow(
        key="plan_throttle",
        sentence="The subscription holds the rate at one figure.",
        rule="one figure at all hours, steady within each test, at the plan's figure, or since the cap was passed",
        priors={"down": 0.06, "up": 0.05, "loss": 0.04},
        weights=(
            *_NOT_RADIO,
            *_CAP,
            Weight("plan_gap", 15, low=-0.12, high=0.05, group="figure"),
            Weight("plan_gap", 0.02, low=0.10, group="figure", shown=True),
            _yes("cap_passed", 4, group="cap passed"),
            _no("cap_passed", 0.7, group="cap passed"),
            _yes("all_since_cap", 12, group="since cap"),
            _yes("near_busy", 0.3, group="near end"),
            Weight("kinds_apart", 0.05, low=4, group="kinds"),
            Weight("port_gap", 0.1, low=-0.03, high=0.03, group="near port"),
            Weight("far_port_gap", 0.1, low=-0.03, high=0.03, group="far port"),
        ),
        settle_by=("second_plan", "after_reset"),
        remedy="the plan",
        cost="money",
        will_not_help=("bigger_antenna", "other_bands", "new_gateway"),
        source="SIGCOMM 2016, An Internet-Wide Analysis of Traffic Policing",
        needs=("port_gap", "near_busy", "far_busy", "down:cv", "figure_spread", "cap_passed"),
        own=("figure", "cap passed", "since cap"),
    ),
    FindingRow(
        key="deprioritised",
        sentence="Past the cap you are served after others when it is busy.",
        rule="the cap is passed, evenings slower since, nights not, and the rate is not flat",
        priors={"down": 0.05, "up": 0.03},
        weights=(
            *_NOT_RADIO,
            Weight("hour_lr", None, group="hours", power=0.9, source="measured at one cell"),
            Weight("cell_load_idle", 2, low=0.6, group="cell use", source="our algebra, TS 36.214 5.1.3"),
            Weight("cell_load_idle", 0.5, high=0.25, group="cell use", source="our algebra, TS 36.214 5.1.3"),
            _yes("cap_passed", 4, group="cap passed"),
            _no("cap_passed", 0.25, group="cap passed"),
            _yes("evenings_since_cap", 12, group="since cap"),
            _no("evenings_since_cap", 0.3, group="since cap"),
            _yes("capacity_unused", 0.1, group="rate"),
            _yes("same_figure", 0.08, group="same figure"),
        ),
        settle_by=("second_plan", "after_reset"),
        remedy="the plan",
        cost="money",
        will_not_help=("bigger_antenna",),
        source="TS 23.203 6.1.7, QCI priority; its use by plans is common practice, no source",
        needs=("cap_passed", "rate_ratio", "evenings_since_cap"),
    ),
    FindingRow(
        key="shaped_traffic",
        sentence="Only some kinds of traffic are slowed.",
        rule="one source more than four times slower than another within minutes",
        priors={"down": 0.015, "up": 0.01},
        weights=(
            *_NOT_RADIO,
            *_MAY_CAP,
            Weight("kinds_apart", 60, low=4, group="kinds", shown=True),
            Weight("kinds_apart", 0.05, high=2, group="kinds"),
        ),
        settle_by=("other_protocol", "other_far_end"),
        remedy="ask the provider, or do without",
        cost="none",
        will_not_help=("bigger_antenna",),
        source="IMC 2015, Identifying Traffic Differentiation in Mobile Networks",
        own=("kinds",),
    ),
    # --- path and far end ---
    FindingRow(
        key="single_flow_limit",
        sentence="One transfer alone cannot fill this line; several can.",
        rule="one stream runs at what its loss and delay allow, and the line has more than twice that",
        priors={"down": 0.03},
        weights=(
            *_NOT_RADIO[:2],
            _yes("single_flow", 20, group="flow", source="Mathis and others 1997; RFC 8312"),
            Weight("capacity_over_single", 4, low=2.0, group="flow"),
            Weight("capacity_over_single", 0.03, high=1.2, group="flow", shown=True),
            _yes("bbr", 0.05, group="sender"),
        ),
        settle_by=("more_streams", "udp_capacity"),
        remedy="software with several streams; BBR at the sender",
        cost="none",
        will_not_help=("bigger_antenna",),
        source="Mathis and others 1997; RFC 8312",
        own=("flow",),
    ),
    FindingRow(
        key="far_end_limit",
        sentence="The server at the other end is the limit.",
        rule="its processor is above 0.8 busy, or the rate is within 3 % of its port",
        priors={"down": 0.02, "up": 0.02, "cannot_connect": 0.03, "loss": 0.01},
        weights=(
            *_NOT_RADIO,
            *_MAY_CAP,
            _yes("far_busy", 12, group="far end"),
            _no("far_busy", 0.3, group="far end"),
            Weight("far_port_gap", 15, low=-0.03, high=0.03, group="far port", source="RFC 6349: 0.941 of nominal"),
            Weight("far_port_gap", 0.3, high=-0.03, group="far port"),
        ),
        settle_by=("other_far_end",),
        remedy="another server; the test says nothing of the setup",
        cost="none",
        will_not_help=("bigger_antenna", "other_plan", "new_gateway"),
        source="RFC 6349",
        own=("far end", "far port"),
    ),
    FindingRow(
        key="loss_radio",
        sentence="Packets get lost on the radio.",
        rule="loss beyond the gateway, to two far ends alike",
        priors={"loss": 0.20, "drops": 0.04},
        weights=(
            _yes("beyond_gateway", 3, group="loss"),
            _yes("beyond_and_alike", 8, group="loss"),
            _yes("one_far_end_only", 0.05, group="loss"),
            Weight("loss_before_gateway", 0.05, low=0.5, group="loss"),
            Weight("sinr_db", 2, high=0, group="quality"),
            Weight("sinr_db", 0.25, low=10, group="quality"),
        ),
        settle_by=("other_far_end", "pin_other_cell", "heading_sweep"),
        remedy="a better SINR, another cell",
        cost="30 min, none",
        will_not_help=("new_wifi",),
        source="TS 36.321, TS 36.322: HARQ and RLC leave near zero, so steady loss means handovers or stalls",
        needs=("beyond_and_alike",),
    ),
    FindingRow(
        key="loss_beyond",
        sentence="Packets get lost past the mobile network.",
        rule="loss to one far end, none to another over the same radio",
        priors={"loss": 0.15},
        weights=(
            _yes("beyond_gateway", 3, group="loss"),
            _yes("one_far_end_only", 30, group="loss"),
            _yes("beyond_and_alike", 0.3, group="loss"),
            Weight("loss_before_gateway", 0.05, low=0.5, group="loss"),
        ),
        settle_by=("other_far_end",),
        remedy="another server; report it",
        cost="none",
        will_not_help=("bigger_antenna", "new_gateway"),
        source="RFC 7680",
        needs=("one_far_end_only",),
    ),
    FindingRow(
        key="mtu_black_hole",
        sentence="Small packets pass, big ones vanish.",
        rule="connections open, but transfers fail with fewer than two segments delivered",
        priors={"cannot_connect": 0.12, "drops": 0.01},
        weights=(_yes("big_packets_vanish", 40, group="mtu", shown=True, source="RFC 8899"), _no("big_packets_vanish", 0.05, group="mtu")),
        settle_by=("small_mtu",),
        remedy="MTU 1358 to 1400, or an MSS clamp at the router",
        cost="5 min, none",
        will_not_help=("bigger_antenna",),
        source="RFC 8899; TS 24.301 6.6.4.2",
    ),
    FindingRow(
        key="cgnat",
        sentence="You share an address: nobody can call in from outside.",
        rule="a shared address, inbound fails while outbound works",
        priors={"cannot_connect": 0.12},
        weights=(
            _yes("behind_shared", 40, group="address", shown=True, source="RFC 6598"),
            _yes("shared_address", 4, group="address", source="RFC 6598"),
            _no("shared_address", 0.05, group="address"),
        ),
        settle_by=("both_families",),
        remedy="IPv6, a tunnel from inside, a plan with a public address",
        cost="low",
        will_not_help=("bigger_antenna", "new_gateway"),
        source="RFC 6598",
        needs=("behind_shared",),
    ),
    FindingRow(
        key="ipv6_only",
        sentence="Only newer addresses work here; an old-style number fails.",
        rule="only IPv6 addresses are given out",
        priors={"cannot_connect": 0.10},
        weights=(_yes("ipv6_only", 30, group="family", source="RFC 7050"), _no("ipv6_only", 0.05, group="family")),
        settle_by=("both_families",),
        remedy="use names; 464XLAT in the router",
        cost="none",
        will_not_help=("bigger_antenna",),
        source="RFC 7050, RFC 6877",
    ),
    FindingRow(
        key="name_lookup",
        sentence="Looking up names fails; the line itself works.",
        rule="the name phase fails while addresses connect",
        priors={"cannot_connect": 0.20, "drops": 0.05, "delay": 0.03},
        weights=(_yes("names_fail", 40, group="names", shown=True), _no("names_fail", 0.05, group="names")),
        settle_by=("direct_name",),
        remedy="another resolver",
        cost="2 min, none",
        will_not_help=("bigger_antenna", "other_bands"),
        source="RFC 1035",
    ),
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
            _yes("tdd_with_room", 20, group="duplex", source="TS 38.331 TDD-UL-DL-Pattern"),
            _no("on_tdd", 0.05, group="duplex"),
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
            _no("both_legs", 0.05, group="legs"),
            _yes("weak_anchor", 30, group="leg", source="TS 38.323 5.2.1"),
            _no("weak_anchor", 0.05, group="leg"),
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
            _no("both_legs", 0.2, group="legs"),
            Weight("lte_only_gain", 80, low=1.8, group="modes", shown=True),
            Weight("lte_only_gain", 0.1, high=1.3, group="modes"),
            _yes("weak_anchor", 0.2, group="leg"),
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
            _yes("sa_at_limit", 60, group="leg", shown=True, source="12.19 dB of duty and free space"),
            _no("sa_at_limit", 0.05, group="leg"),
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
        weights=(_yes("rain_on_mmwave", 100, group="rain", shown=True, source="ITU-R P.838"), _no("rain_on_mmwave", 0.05, group="rain")),
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
            _yes("leaves_returned", 60, group="season", shown=True, source="ITU-R P.833"),
            _yes("fell_once", 3, group="season"),
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


@cache
def _by_key() -> dict[str, FindingRow]:
    return {row.key: row for row in FINDINGS}


def finding_row(key: str) -> FindingRow:
    """Return the row of that key. Raises UsageError where there is none."""
    if key not in _by_key():
        raise UsageError("finding", given=key, allowed=", ".join(_by_key()))
    return _by_key()[key]


@cache
def ancestors(key: str) -> frozenset[str]:
    """Return all findings of which this one is a special case."""
    found: set[str] = set()
    waiting = list(_by_key()[key].parents) if key in _by_key() else []
    while waiting:
        parent = waiting.pop()
        if parent not in found:
            found.add(parent)
            waiting += _by_key()[parent].parents
    return frozenset(found)


@cache
def descendants(key: str) -> frozenset[str]:
    """Return all findings that are special cases of this one."""
    return frozenset(row.key for row in FINDINGS if key in ancestors(row.key))
