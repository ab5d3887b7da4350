"""What a simulated place is meant to be: its rigs, setups, carriers, and how large each layer of its variation is.

Frozen values only; `twin.model` turns them into figures and `twin.site` into a draw. Figures have their source beside them, by number:
[1] "Deriving Cell Load from RSRQ Measurements", TMA 2018; [2] "How Mature is 5G Deployment?", IFIP Networking 2024;
[3] "Beyond Throughput, the Next Generation", MMSys 2020; [4] "Classic Meets Modern", SIGCOMM 2020; [5] "Beyond Throughput: a 4G LTE
Dataset", MMSys 2018; [6] MTU 5G uplink measurements, 2022; [7] the MobiCom 2020 paper on device-assisted cell selection.
What none of them gives is marked "assumed".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from bandwright.errors import UsageError
from bandwright.words.radio import Mode, Rat, Role

__all__ = ["CALM", "MIDDLE", "NSA_REGIMES", "WILD", "CarrierPlan", "Layers", "Regimes", "RigPlan", "ServingSet", "SetupPlan", "Shift", "SitePlan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierPlan:
    """One carrier that a setup can use, as a modem would show it at a typical moment."""

    rat: Rat
    role: Role
    band: str  # "B20", "n78"
    arfcn: int
    pci: int
    bandwidth_mhz: float
    rsrp_dbm: float
    sinr_db: float
    scs_khz: int = 15
    cell_id: int = 0x1A2B301
    tac: int = 0x21
    up: bool = False  # carries uplink too


@dataclass(frozen=True, slots=True)
class ServingSet:
    """Carriers that serve together, by their places in the setup's list, and how often (weights need not add up to 1)."""

    share: float
    carriers: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Regimes:
    """States between which the rate jumps within seconds, where an NR leg comes and goes.

    down_ln, up_ln: ln rate of each state against the setup's level (the best state is 0); sd: of ln rate at 1 s within the state;
    transitions: chance of going from row to column in a second.
    """

    down_ln: tuple[float, ...]
    up_ln: tuple[float, ...]
    sd: tuple[float, ...]
    transitions: tuple[tuple[float, ...], ...]

    @property
    def shares(self) -> tuple[float, ...]:
        """The share of time in each state, from the transitions."""
        matrix = np.array(self.transitions)
        matrix = matrix / matrix.sum(axis=1, keepdims=True)
        system = np.vstack((matrix.T - np.eye(len(matrix)), np.ones(len(matrix))))
        solution = np.linalg.lstsq(system, np.append(np.zeros(len(matrix)), 1.0), rcond=None)[0]
        return tuple(float(x) for x in solution)


# 17 / 69 / 198 Mbit/s, sd .76 / .33 / .21 [3]. The uplink of the states is assumed: the NR leg carried from a fifth to nearly all of it.
NSA_REGIMES = Regimes(
    down_ln=(math.log(17 / 198), math.log(69 / 198), 0.0),
    up_ln=(-0.9, -0.35, 0.0),
    sd=(0.76, 0.33, 0.21),
    transitions=((0.872, 0.080, 0.048), (0.140, 0.792, 0.068), (0.101, 0.032, 0.866)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layers:
    """Sizes of the layers: sd of ln rate unless the name says otherwise.

    day: common to all setups, a new draw each day. drift: setup against setup, from day to day (three fifths, 30 h) and over hours (2 h).
    test: beyond what the window's own seconds leave; slow_share of its variance lasts slow_h hours, the rest fast_min minutes;
    common_share of its variance is common to all setups of the site (a cell's load), the rest each setup's own.
    within: one second; within_ar of its variance lasts within_s seconds, the rest is white.
    dip_share: chance that a test falls into a dip of mean depth dip_ln. test_corr and within_corr: downlink with uplink.
    """

    day_down: float
    day_up: float
    test_down: float
    test_up: float
    within_down: float
    within_up: float
    within_ar_down: float
    within_ar_up: float
    within_s_down: float
    within_s_up: float
    drift: float
    slow_share: float
    slow_h: float = 1.36
    fast_min: float = 4.0
    common_share: float = 0.5
    test_corr: float = 0.45
    within_corr: float = 0.3
    dip_share: float = 0.02
    dip_ln: float = 0.25
    delay: float = 0.18
    loss: float = 1.2


# A calm outdoor LTE site. With what seconds and dips add: tests .115 and .15, lag 1 h .20-.26, 2 h .11 (exp(-1/1.36) = .48), days .035 and .07, both
# ways together .52 [1]. Seconds: [4], uplink [6]. drift, common share: assumed.
CALM = Layers(
    day_down=0.025, day_up=0.06, test_down=0.085, test_up=0.115, within_down=0.11, within_up=0.13, within_ar_down=0.4, within_ar_up=0.5,
    within_s_down=8.0, within_s_up=42.0, drift=0.03, slow_share=0.95, test_corr=0.30,
)  # fmt: skip
# With what seconds add, tests .37 (quartiles over places .13 and .75) [2], .45 [7]; one second .36 (.30-.44), a .7, 14 s [5]; successive tests nearly
# independent (r .05) [7]. drift, common share: assumed.
MIDDLE = Layers(
    day_down=0.10, day_up=0.10, test_down=0.25, test_up=0.28, within_down=0.36, within_up=0.30, within_ar_down=0.7, within_ar_up=0.5,
    within_s_down=14.0, within_s_up=42.0, drift=0.07, slow_share=0.4, dip_ln=0.35,
)  # fmt: skip
# To go with regimes, which give the seconds: 10 s means .94, 60 s means .70, successive downloads .42 .24 .19 .07 at lags 1, 2, 3, 5 [3]. drift: assumed.
WILD = Layers(
    day_down=0.15, day_up=0.15, test_down=0.60, test_up=0.50, within_down=0.44, within_up=0.44, within_ar_down=0.7, within_ar_up=0.7,
    within_s_down=16.0, within_s_up=20.0, drift=0.12, slow_share=0.2, dip_share=0.03, dip_ln=0.5, delay=0.35,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class RigPlan:
    """A rig: how well its mounting repeats. mount_sd: of ln rate, a new draw at each mounting; a bad mounting costs bad_mount_ln more. Assumed."""

    key: str
    mount_sd: float = 0.06
    bad_mount_share: float = 0.0
    bad_mount_ln: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupPlan:
    """What one setup can carry, and what the network does to it.

    down_mbps, up_mbps: typical, with the cell empty, fully warmed up, all carriers, best regime. ceiling_*: what plan or port allow.
    buffer_*_kilobytes: what stands in the queue under load; a queue in octets swells as the rate falls. loss_ratio: mean, idle.
    load_down, load_up: rho of `busyness`; hour_shift_h: its busy hours come later. hour_ln: (amplitude, peak hour) of a daily wave of its own.
    serving: () is all carriers always. warmup_scale: 0 adds no carriers; 1 as measured; more is slower. bare_ln: ln rate before they are added.
    moved_share: how often the network holds the device on one of moved_to instead; more often when busy.
    failed_share: of tests, in bursts of failed_burst_min minutes.
    """

    key: str
    rig: str
    mode: str = "automatic"
    bands: tuple[str, ...] = ()
    down_mbps: float
    up_mbps: float
    delay_idle_ms: float = 35.0
    buffer_down_kilobytes: float = 600.0
    buffer_up_kilobytes: float = 150.0
    loss_ratio: float = 0.002
    ceiling_down_mbps: float | None = None
    ceiling_up_mbps: float | None = None
    load_down: float = 0.24
    load_up: float = 0.36
    hour_shift_h: float = 0.0
    hour_ln: tuple[float, float] = (0.0, 0.0)
    regimes: Regimes | None = None
    carriers: tuple[CarrierPlan, ...] = ()
    serving: tuple[ServingSet, ...] = ()
    warmup_scale: float = 1.0
    bare_ln: float = -0.5
    moved_share: float = 0.0
    moved_to: tuple[str, ...] = ()
    failed_share: float = 0.01
    failed_burst_min: float = 20.0
    cell: str = ""  # setups with the same word share their cell's noise; "" is the site's
    layers: Layers | None = None  # None: the site's

    def shown_mode(self) -> Mode:
        """Return the mode that the carriers make."""
        rats = {c.rat for c in self.carriers}
        if rats == {Rat.LTE, Rat.NR}:
            return Mode.ENDC
        return Mode.NR_SA if rats == {Rat.NR} else Mode.LTE


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """A lasting change: from a time on, some setups (() is all) change by these ln rates, and failures by a factor."""

    at: datetime
    setups: tuple[str, ...] = ()
    down_ln: float = 0.0
    up_ln: float = 0.0
    failed_factor: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SitePlan:
    """A place as it is meant. window_s: seconds that one moment's figures average over."""

    key: str
    setups: tuple[SetupPlan, ...]
    rigs: tuple[RigPlan, ...]
    layers: Layers = MIDDLE
    timezone: str = "UTC"
    window_s: int = 8
    shifts: tuple[Shift, ...] = ()

    def setup(self, key: str) -> SetupPlan:
        """Return the setup of that key. Raises UsageError."""
        found = next((s for s in self.setups if s.key == key), None)
        if found is None:
            raise UsageError("simulated setup", given=key, allowed=", ".join(s.key for s in self.setups))
        return found

    def match(self, rig: str, *, mode: str, bands: Sequence[str]) -> SetupPlan | None:
        """Return the setup that a gateway's settings on a rig make, or None where the plan has none of that mode and bands."""
        return next((s for s in self.setups if s.rig == rig and s.mode == mode and set(s.bands) == set(bands)), None)
