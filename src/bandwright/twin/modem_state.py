"""What the twin's modem knows: the radio's state as plain words and numbers, and the settings it holds. What they mean is for others to find out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["CarrierState", "ModemSettings", "RadioState"]


CarrierState = Mapping[str, Any]
"""One carrier as the twin's site knows it, a plain mapping. Needed: rat (lte, nr), role (pcell, scell, pscell, neighbour), band ("B3", "n78"),
arfcn, pci, bandwidth_mhz, rsrp_dbm, rsrq_db, sinr_db. Used where given: scs_khz, rssi_dbm, tx_power_dbm (None when idle), cqi, cell_id, tac,
active (False for a configured secondary cell without data)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RadioState:
    """What the modem prints. mode: lte, endc, nr-sa, none. registration: home, roaming, searching, denied, limited, none. connected: data flows."""

    mode: str = "none"
    registration: str = "none"
    carriers: Sequence[CarrierState] = ()
    plmn: str = "001-01"
    operator: str = "TEST"
    tac: int = 0x1A2B
    cell_id: int = 0x1A2D003
    connected: bool = False

    def first(self, *roles: str) -> CarrierState | None:
        """Return the first carrier in one of these roles."""
        return next((c for c in self.carriers if c.get("role") in roles), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class ModemSettings:
    """The settings as the modem holds them."""

    mode_pref: str = "AUTO"
    nr5g_disable_mode: int = 0
    lte_band: tuple[int, ...] = ()
    nr5g_band: tuple[int, ...] = ()
    nsa_nr5g_band: tuple[int, ...] = ()
    pin_lte: tuple[int, int] | None = None  # earfcn, pci
    pin_nr: tuple[int, int, int, int] | None = None  # pci, arfcn, scs_khz, band

    @property
    def mode(self) -> str:
        """The mode these settings allow: automatic, nr-sa, endc, lte."""
        words = set(self.mode_pref.split(":"))
        if words in ({"LTE"}, {"LTE", "WCDMA"}):
            return "lte"
        if words == {"NR5G"}:
            return "nr-sa"
        return "endc" if self.nr5g_disable_mode == 1 else "automatic"

    @property
    def bands(self) -> tuple[str, ...]:
        """The bands these settings allow in their mode."""
        lte = () if self.mode == "nr-sa" else self.lte_band
        nr = {"lte": (), "nr-sa": self.nr5g_band, "endc": self.nsa_nr5g_band}.get(self.mode, (*self.nr5g_band, *self.nsa_nr5g_band))
        return (*(f"B{n}" for n in sorted(lte)), *(f"n{n}" for n in sorted(set(nr))))

    @property
    def cell(self) -> str | None:
        """The pinned cell: "lte:EARFCN:PCI" or "nr:ARFCN:PCI:SCS_KHZ:BAND"."""
        if self.pin_lte is not None:
            return f"lte:{self.pin_lte[0]}:{self.pin_lte[1]}"
        if self.pin_nr is not None:
            pci, arfcn, scs, band = self.pin_nr
            return f"nr:{arfcn}:{pci}:{scs}:{band}"
        return None
