"""The table of quantities: one row each. Readings, measurements, the page, exports and metrics read it; a new quantity is one row.

`better` says which way is better: +1 more, -1 less, 0 neither. low and high are the range in which a value is plausible.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

__all__ = ["QUANTITIES", "Quantity", "quantity"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One row: key (with its unit where it is a measurement's), unit, plausible range, decimals, label, source."""

    key: str
    unit: str
    label: str
    low: float | None = None
    high: float | None = None
    better: int = 0
    decimals: int = 0
    of: str = "carrier"  # carrier, device, measurement, near_end, far_end
    source: str = ""


def _carrier(key: str, unit: str, label: str, low: float | None = None, high: float | None = None, better: int = 0, decimals: int = 0, source: str = "") -> Quantity:
    return Quantity(key=key, unit=unit, label=label, low=low, high=high, better=better, decimals=decimals, source=source)


def _test(key: str, unit: str, label: str, low: float | None = 0, high: float | None = None, better: int = 0, decimals: int = 1, source: str = "") -> Quantity:
    return Quantity(key=key, unit=unit, label=label, low=low, high=high, better=better, decimals=decimals, of="measurement", source=source)


QUANTITIES: tuple[Quantity, ...] = (
    _carrier("band", "", "band", source="TS 36.101 5.5, TS 38.101-1 5.2"),
    _carrier("arfcn", "channel number", "channel", 0, 3279165, source="TS 36.101 5.7.3, TS 38.104 5.4.2.1"),
    _carrier("ul_arfcn", "channel number", "uplink channel", 0, 3279165, source="TS 36.101 5.7.3"),
    _carrier("pci", "", "physical cell id", 0, 1007, source="TS 36.211 6.11, TS 38.211 7.4.2"),
    _carrier("dl_bandwidth", "MHz", "width down", 1.4, 2000, better=1, decimals=1, source="TS 36.101 5.6, TS 38.101-1 5.3.5"),
    _carrier("ul_bandwidth", "MHz", "width up", 1.4, 2000, better=1, decimals=1, source="TS 36.101 5.6, TS 38.101-1 5.3.5"),
    _carrier("scs", "kHz", "subcarrier spacing", 15, 960, source="TS 38.211 4.2"),
    _carrier("rsrp", "dBm", "RSRP", -156, -31, better=1, decimals=1, source="TS 36.214 5.1.1, TS 38.215 5.1.1"),
    _carrier("rsrq", "dB", "RSRQ", -43, 20, better=1, decimals=1, source="TS 36.214 5.1.3, TS 38.215 5.1.3"),
    _carrier("sinr", "dB", "SINR", -23, 40, better=1, decimals=1, source="TS 36.214 5.1.11, TS 38.215 5.1.5"),
    _carrier("rssi", "dBm", "RSSI", -120, -10, decimals=1, source="TS 36.214 5.1.3"),
    _carrier("tx_power", "dBm", "transmit power", -50, 33, better=-1, decimals=1, source="TS 36.101 6.2, TS 38.101-1 6.2"),
    _carrier("srxlev", "dB", "Srxlev", -100, 120, better=1, source="TS 36.304 5.2.3.2"),
    _carrier("rsrp_per_port", "dBm", "RSRP per port", -156, -31, better=1),
    _carrier("rsrq_per_port", "dB", "RSRQ per port", -43, 20, better=1),
    _carrier("sinr_per_port", "dB", "SINR per port", -23, 40, better=1),
    _carrier("rssi_per_port", "dBm", "RSSI per port", -120, -10),
    _carrier("cell_id", "", "cell identity", 0, 68719476735, source="TS 23.003 19.6"),
    _carrier("tac", "", "tracking area", 0, 16777215, source="TS 23.003 19.4.2.3"),
    _carrier("enb_id", "", "base station id", 0, 268435455, source="TS 36.413 9.2.1.37"),
    _carrier("plmn", "", "network", source="TS 23.003 2.2"),
    _carrier("duplex", "", "duplex"),
    _carrier("state", "", "state"),
    _carrier("cqi", "", "CQI", 0, 15, better=1, source="TS 36.213 7.2.3, TS 38.214 5.2.2.1"),
    _carrier("rank", "layers", "rank", 1, 8, better=1, source="TS 38.214 5.2.2.2"),
    _carrier("mcs", "", "MCS", 0, 31, better=1, source="TS 38.214 5.1.3.1"),
    _carrier("modulation", "", "modulation"),
    _carrier("dl_layers", "layers", "layers down", 1, 8, better=1),
    _carrier("ul_layers", "layers", "layers up", 1, 4, better=1),
    _carrier("timing_advance", "", "timing advance", 0, 3846, source="TS 36.213 4.2.3, TS 38.213 4.2"),
    Quantity(key="uptime_h", unit="h", label="uptime", low=0, decimals=1, of="device"),
    Quantity(key="temperature_c", unit="°C", label="temperature", low=-60, high=150, better=-1, of="device"),
    _test("goodput_down_mbps", "Mbit/s", "goodput down", better=1),
    _test("goodput_up_mbps", "Mbit/s", "goodput up", better=1),
    _test("goodput_down_single_mbps", "Mbit/s", "goodput down, one stream", better=1),
    _test("capacity_down_mbps", "Mbit/s", "capacity down", better=1, source="RFC 9097"),
    _test("capacity_up_mbps", "Mbit/s", "capacity up", better=1, source="RFC 9097"),
    _test("delay_idle_ms", "ms", "round trip, idle", better=-1, source="RFC 8762, RFC 2681"),
    _test("delay_idle_p95_ms", "ms", "round trip, idle, 95th percentile", better=-1, source="RFC 8762, RFC 5481"),
    _test("delay_first_ms", "ms", "first round trip after silence", better=-1),
    _test("delay_loaded_down_ms", "ms", "round trip, downlink loaded", better=-1, source="RFC 8762"),
    _test("delay_loaded_up_ms", "ms", "round trip, uplink loaded", better=-1, source="RFC 8762"),
    _test("delay_loaded_down_p95_ms", "ms", "round trip, downlink loaded, 95th percentile", better=-1),
    _test("delay_loaded_up_p95_ms", "ms", "round trip, uplink loaded, 95th percentile", better=-1),
    _test("delay_variation_down_ms", "ms", "delay variation down, 95th percentile", better=-1, source="RFC 5481"),
    _test("delay_variation_up_ms", "ms", "delay variation up, 95th percentile", better=-1, source="RFC 5481"),
    _test("loss_ratio", "", "packets lost, both ways, idle", 0, 1, better=-1, decimals=4, source="RFC 2680"),
    _test("loss_down_ratio", "", "packets lost down", 0, 1, better=-1, decimals=4, source="RFC 2680"),
    _test("loss_up_ratio", "", "packets lost up", 0, 1, better=-1, decimals=4, source="RFC 2680"),
    _test("first_hop_idle_ms", "ms", "first hop, idle", better=-1, decimals=2),
    _test("first_hop_loaded_down_ms", "ms", "first hop, downlink loaded", better=-1, decimals=2),
    _test("first_hop_loaded_up_ms", "ms", "first hop, uplink loaded", better=-1, decimals=2),
    _test("probes_sent", "packets", "probes sent", decimals=0),
    _test("probes_lost", "packets", "probes lost", decimals=0, better=-1),
    _test("first_hop_probes_sent", "packets", "first-hop probes sent", decimals=0),
    _test("first_hop_probes_lost", "packets", "first-hop probes lost", decimals=0, better=-1),
    _test("round_trips_per_minute", "1/min", "responsiveness", better=1, decimals=0),
    _test("path_mtu", "octets", "path MTU", 68, 65535, decimals=0, source="RFC 8899"),
)


@cache
def _by_key() -> dict[str, Quantity]:
    return {row.key: row for row in QUANTITIES}


def quantity(key: str) -> Quantity | None:
    """Return the row of that key, or None."""
    return _by_key().get(key)
