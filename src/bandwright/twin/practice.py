"""The scenario of the demonstration: a two-room veterinary practice at the end of a valley, and what each of its setups could carry.

Weekdays from nine to five it holds video consultations and sends X-ray images to a specialist; the card terminal must answer;
in the evening the flat above streams. The supplied gateway on the window sill can only be read by pasting and cannot be tuned; an
own gateway stands beside it, or serves a panel antenna on the gable. The network carries the 5G downlink on a wide band that
reaches the valley weakly; where an LTE carrier holds the uplink, that uplink is thin and its queue swells. So the setup with the
most downlink is not the one that serves the needs. What is declared of the place stands in `practice.toml`; all figures are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from bandwright.twin.noise import key_of
from bandwright.twin.plan import MIDDLE, NSA_REGIMES, CarrierPlan, RigPlan, ServingSet, SetupPlan, SitePlan
from bandwright.twin.site import FreshSample, Moment, SimulatedSite
from bandwright.words.radio import Rat, Registration, Role

__all__ = ["PLAN", "SEED", "START", "SUPPLIED", "OneTestEach", "one_test_each", "site", "site_toml", "supplied_page"]

START = datetime(2026, 11, 30, 7, 30, tzinfo=UTC)  # a Monday
SEED = 20261130
SUPPLIED = "sill-supplied/automatic"
_BOOTED = datetime(2026, 11, 27, 16, 5, tzinfo=UTC)

# Channels: B20 6300 = 806.0 MHz, B3 1300 = 1815.0 MHz; SSBs on the raster: n28 154830 = 774.15 MHz, n78 639936 = 3599.04 MHz.
_B20 = CarrierPlan(rat=Rat.LTE, role=Role.PCELL, band="B20", arfcn=6300, pci=87, bandwidth_mhz=10, rsrp_dbm=-101, sinr_db=5, cell_id=0x1A2B302, up=True)
_B3 = CarrierPlan(rat=Rat.LTE, role=Role.PCELL, band="B3", arfcn=1300, pci=138, bandwidth_mhz=20, rsrp_dbm=-107, sinr_db=7, cell_id=0x1A2B30C, up=True)
_N78 = CarrierPlan(rat=Rat.NR, role=Role.PSCELL, band="n78", arfcn=639936, pci=211, bandwidth_mhz=100, rsrp_dbm=-113, sinr_db=3, scs_khz=30)
_N28 = CarrierPlan(rat=Rat.NR, role=Role.PCELL, band="n28", arfcn=154830, pci=333, bandwidth_mhz=10, rsrp_dbm=-99, sinr_db=6, cell_id=0x02A7C4001, up=True)
_PANEL_DB = {"B20": 6.0, "B3": 12.0, "n28": 6.0, "n78": 14.0}  # gain less feeder, and the wall that is no longer in the way


def _carriers(rig: str, *which: CarrierPlan) -> tuple[CarrierPlan, ...]:
    better = _PANEL_DB if rig == "gable-own" else {}
    return tuple(replace(c, rsrp_dbm=c.rsrp_dbm + better.get(c.band, 0.0), sinr_db=c.sinr_db + 0.6 * better.get(c.band, 0.0)) for c in which)


def _non_standalone(rig: str, tuning: str, bands: tuple[str, ...], anchors: tuple[CarrierPlan, ...], *, down_mbps: float, up_mbps: float, queue_kilobytes: float) -> SetupPlan:
    """Return a setup whose uplink an LTE anchor holds, and whose NR leg comes and goes."""
    both = len(anchors) == 2
    return SetupPlan(
        key=f"{rig}/{tuning}", rig=rig, mode="automatic" if tuning == "automatic" else "endc", bands=bands, down_mbps=down_mbps, up_mbps=up_mbps,
        delay_idle_ms=34.0, buffer_down_kilobytes=1200.0, buffer_up_kilobytes=queue_kilobytes, loss_ratio=0.003, load_down=0.30, load_up=0.40, regimes=NSA_REGIMES,
        carriers=_carriers(rig, *anchors, _N78), serving=(ServingSet(0.65, (0, 2)), ServingSet(0.35, (1, 2))) if both else (), warmup_scale=1.3, failed_share=0.012,
    )  # fmt: skip


def _standalone(rig: str, *, down_mbps: float, up_mbps: float) -> SetupPlan:
    """Return a setup that holds its uplink on a low NR band and adds the wide band downlink."""
    return SetupPlan(
        key=f"{rig}/standalone", rig=rig, mode="nr-sa", down_mbps=down_mbps, up_mbps=up_mbps, delay_idle_ms=23.0, buffer_down_kilobytes=500.0, buffer_up_kilobytes=110.0,
        loss_ratio=0.001, load_down=0.20, load_up=0.22, carriers=_carriers(rig, _N28, replace(_N78, role=Role.SCELL)), failed_share=0.008, bare_ln=-0.9,
    )  # fmt: skip


def _own(rig: str, *, down_mbps: float, up_mbps: float, standalone: SetupPlan) -> tuple[SetupPlan, ...]:
    """Return the five tunings of the own gateway on a rig; rates are those of the anchor on band 3."""
    automatic = _non_standalone(rig, "automatic", (), (_B3, _B20), down_mbps=0.93 * down_mbps, up_mbps=1.1 * up_mbps, queue_kilobytes=330.0)
    return (
        replace(automatic, moved_share=0.25, moved_to=(standalone.key,)),
        standalone,
        _non_standalone(rig, "non-standalone", (), (_B3, _B20), down_mbps=0.93 * down_mbps, up_mbps=1.1 * up_mbps, queue_kilobytes=330.0),
        _non_standalone(rig, "anchor 20", ("B20", "n78"), (_B20,), down_mbps=0.80 * down_mbps, up_mbps=1.6 * up_mbps, queue_kilobytes=260.0),
        _non_standalone(rig, "anchor 3", ("B3", "n78"), (_B3,), down_mbps=down_mbps, up_mbps=up_mbps, queue_kilobytes=380.0),
    )


PLAN = SitePlan(
    key="practice",
    timezone="Europe/London",
    layers=MIDDLE,
    rigs=(RigPlan(key="sill-supplied", mount_sd=0.06), RigPlan(key="sill-own", mount_sd=0.06), RigPlan(key="gable-own", mount_sd=0.08)),
    setups=(
        _non_standalone("sill-supplied", "automatic", (), (_B3, _B20), down_mbps=235.0, up_mbps=8.5, queue_kilobytes=420.0),
        *_own("sill-own", down_mbps=290.0, up_mbps=9.0, standalone=_standalone("sill-own", down_mbps=58.0, up_mbps=15.0)),
        *_own("gable-own", down_mbps=480.0, up_mbps=13.0, standalone=_standalone("gable-own", down_mbps=105.0, up_mbps=27.0)),
    ),
)


def site(seed: int = SEED) -> SimulatedSite:
    """Return one draw of the practice."""
    return SimulatedSite(PLAN, seed)


def site_toml(*, gateway_address: str = "192.0.2.1:5000", far_end_address: str = "198.51.100.20:8620") -> str:
    """Return the text of the practice's `site.toml`, with where its gateway and far end listen."""
    text = files("bandwright.twin").joinpath("practice.toml").read_text(encoding="utf-8")
    return text.replace('"192.0.2.1:5000"', f'"{gateway_address}"').replace('"198.51.100.20:8620"', f'"{far_end_address}"')


def supplied_page(place: SimulatedSite, at_utc: datetime, *, mounting: int = 0, load_s: float = 0.0) -> str:
    """Return what a person would copy from the supplied gateway's page at that time: labelled text."""
    moment = place.moment(SUPPLIED, at_utc, mounting=mounting, load_s=load_s)
    hours = max(0.0, (at_utc - _BOOTED).total_seconds() / 3600.0)
    lines = ["Connection overview", f"Up since: {int(hours // 24)} days {int(hours % 24):02d}:{int(hours * 60 % 60):02d}"]
    if moment.registration is not Registration.HOME:
        return "\n".join([*lines, "Registration: searching", "Network: --", ""])
    technology = "5G NSA" if any(c["rat"] == "nr" for c in moment.carriers) else "LTE"
    lines += ["Registration: home network", "Network (PLMN): 001-01", f"Technology: {technology}"]
    for carrier in moment.carriers:
        nr = carrier["rat"] == "nr"
        lines += ["", "5G cell" if nr else "LTE cell", f"Band: {carrier['band']}", f"{'NR-ARFCN' if nr else 'EARFCN'}: {carrier['arfcn']}", f"PCI: {carrier['pci']}"]
        lines += [f"Bandwidth: {carrier['bandwidth_mhz']:g} MHz", f"{'SS-RSRP' if nr else 'RSRP'}: {carrier['rsrp_dbm']} dBm", f"{'SS-RSRQ' if nr else 'RSRQ'}: {carrier['rsrq_db']} dB"]
        lines += [f"{'SS-SINR' if nr else 'SINR'}: {carrier['sinr_db']} dB"]
        if not nr:
            lines += [f"Cell ID: {carrier['cell_id']:#x}", f"TAC: {carrier['tac']:#x}"]
    return "\n".join([*lines, ""])


@dataclass(frozen=True, kw_only=True)
class OneTestEach:
    """What a person finds who tests each setup once, in n redraws, and fresh samples from which the truth follows.

    Arrays of n: `hour` is the local hour of the first test. figures: (setup, moments), one for each redraw.
    """

    n: int
    seed: int
    hour: NDArray[np.float64]
    figures: tuple[tuple[str, tuple[Moment, ...]], ...]
    truth: tuple[tuple[str, FreshSample], ...]


def one_test_each(n: int = 1000, *, seed: int = SEED, hours_by_weight: tuple[float, ...], fresh: int = 4000) -> OneTestEach:
    """Return n redraws of one afternoon's comparison: each setup once, in the order declared, seven minutes apart.

    Between rigs 20 minutes pass, and each rig is mounted anew. Nobody warms the link up before a test. hours_by_weight: 24 weights of the needs'
    hours, for the truth's fresh samples, `fresh` of each setup. Redraws are weeks apart, so that they share nothing.
    """
    rng = np.random.default_rng(key_of(seed, "one test each"))
    place = site(seed)
    begin_h = 8.0 + 11.0 * rng.random(n)
    monday = datetime(2027, 1, 4, tzinfo=UTC)
    found: dict[str, list[Moment]] = {s.key: [] for s in PLAN.setups}
    for i in range(n):
        at = monday + timedelta(days=7 * i + int(rng.integers(7)), hours=float(begin_h[i]))
        rig = PLAN.setups[0].rig
        for setup in PLAN.setups:
            at += timedelta(minutes=20 if setup.rig != rig else 7)
            rig = setup.rig
            found[setup.key].append(place.moment(setup.key, at, mounting=i, since_change_s=90.0, load_s=0.0))
    truth = tuple((s.key, place.sample_fresh(s.key, fresh, hours_by_weight, rng)) for s in PLAN.setups)
    return OneTestEach(n=n, seed=seed, hour=begin_h, figures=tuple((k, tuple(v)) for k, v in found.items()), truth=truth)
