"""Gateway, antenna, feeder, rig, tuning and setup: what can be chosen."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

__all__ = ["AntennaPlan", "FeederPlan", "GatewayPlan", "Rig", "Setup", "Tuning", "setup_key"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GatewayPlan:
    """A gateway as declared. settings: those of its kind (address, port, speed, ...), as plain pairs.

    switches_antenna: it can switch between its own antenna and an outside one, so that choice is a tuning.
    """

    key: str
    kind: str
    settings: tuple[tuple[str, str], ...] = ()
    interface: str | None = None  # near end's network interface towards it
    price: str | None = None
    returnable_until: date | None = None
    switches_antenna: bool = False
    capability: tuple[tuple[str, float], ...] = ()  # max_dl_carriers, max_dl_layers, power_class_dbm, ...


@dataclass(frozen=True, slots=True, kw_only=True)
class AntennaPlan:
    """An antenna as declared."""

    kind: str = "built-in"
    gain_dbi: float | None = None
    beamwidth_deg: float | None = None
    height_m: float | None = None  # above ground
    azimuth_deg: float | None = None  # true
    downtilt_deg: float | None = None
    ports: int = 2
    price: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FeederPlan:
    """A feeder as declared: losses by frequency per 10 m, in dB."""

    length_m: float
    loss_db_per_10m: tuple[tuple[float, float], ...] = ()  # (frequency_mhz, loss_db)
    connectors: int = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """What is slow to change: whose SIM, gateway, antenna, feeder, mount, position, heading."""

    key: str
    line: str
    gateway: str
    place: str = ""
    antenna: AntennaPlan = field(default_factory=AntennaPlan)
    feeder: FeederPlan | None = None
    change_minutes: float = 15.0  # a person's minutes to go over to this rig
    change_minutes_from: tuple[tuple[str, float], ...] = ()  # per rig it is changed from, where declared or measured
    price: str | None = None
    returnable_until: date | None = None
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuning:
    """What is quick to change. mode: automatic, nr-sa, endc, lte. bands: () is "as they are allowed now", i.e. all."""

    key: str
    mode: str = "automatic"
    bands: tuple[str, ...] = ()  # "B20", "n78"
    cell: str | None = None  # "lte:EARFCN:PCI" or "nr:ARFCN:PCI:SCS_KHZ:BAND"
    antenna: str | None = None  # "own" or "outside", where the gateway switches
    gateways: tuple[str, ...] = ()  # () is all that can be tuned
    label: str = ""

    @property
    def is_risky(self) -> bool:
        """Whether it may leave the site without service: a pinned cell or a single band."""
        return self.cell is not None or len(self.bands) == 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """One rig with one tuning: the thing that is compared. predicted_score: from physics, on the scale of scores, or None."""

    key: str
    rig: str
    tuning: str
    label: str = ""
    predicted_score: float | None = None


def setup_key(rig: str, tuning: str) -> str:
    """Return the key of a setup: "rig/tuning"."""
    return f"{rig}/{tuning}"
