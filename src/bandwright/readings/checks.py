"""Cross-checks: what is printed in one place against what is printed in another, and each value against its range.

Knows the ranges of quantities, which band holds which channel, and what a floor of a range means beside an unknown state. A value that
fails is kept as a field without a value, with the reason; nothing is rescaled or corrected, except that a channel number cut to 16 bits is
offered as derived. Sources: TS 36.101 5.5 to 5.7, TS 38.101-1 5.2 to 5.4, TS 36.211 6.11, TS 38.211 7.4.2, TS 36.413 9.2.1.37.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from bandwright.errors import ChannelError
from bandwright.quantities import quantity
from bandwright.radio.bands import is_known_band, lte_band_of_earfcn, lte_bandwidths_mhz, nr_bands_of_arfcn
from bandwright.readings.draft import Draft, null_field, ok_field
from bandwright.words.radio import Field, FieldState, Rat, Role

__all__ = ["check_carrier"]

# The same few channels and bands come again and again in a text.
_lte_band = lru_cache(maxsize=1024)(lte_band_of_earfcn)
_nr_bands = lru_cache(maxsize=1024)(nr_bands_of_arfcn)
_known_band = lru_cache(maxsize=1024)(is_known_band)
_LTE_WIDTHS = {1.4, 3, 5, 10, 15, 20}
_NR_WIDTHS = {3, 5, 7, 10, 15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100, 200, 400, 800, 1600, 2000}
_LTE_RANGES = {"pci": (0, 503), "rsrp": (-156, -44), "rsrq": (-34, 3), "cell_id": (0, 268435455), "tac": (0, 65535), "arfcn": (0, 262143), "sinr": (-23, 40)}
_FLOORS = {"rsrp": (-140, -156), "rsrq": (-20, -19.5, -43), "rssi": (-117, -113, -120), "sinr": (-20, -23)}


def check_carrier(draft: Draft, warnings: list[str], *, whole: bool = True) -> None:
    """Check one carrier in place: ranges, floors, channel against band, widths, identity against node; then derive a band from its channel.

    whole: that the text does not end within the carrier, so that a band which is not printed will not come.
    """
    _ranges(draft)
    _floors(draft)
    _whole_band_power(draft)
    _channel(draft, warnings, whole=whole)
    _uplink_channel(draft)
    _widths(draft, warnings)
    _node(draft, warnings)
    _ports(draft, warnings)


def _null(draft: Draft, item: Field, why: str, state: FieldState) -> None:
    span = item.span
    draft.fields[item.name] = replace(null_field(item.name, why, 0, 0, state), span=span)


def _number(draft: Draft, name: str) -> float | None:
    item = draft.fields.get(name)
    return item.value if item is not None and isinstance(item.value, int | float) else None


def _ranges(draft: Draft) -> None:
    for item in list(draft.fields.values()):
        value = item.value
        if not isinstance(value, int | float):
            continue
        row = quantity(item.name)
        low, high = (row.low, row.high) if row is not None else (None, None)
        if draft.rat is Rat.LTE and item.name in _LTE_RANGES:
            low, high = _LTE_RANGES[item.name]
        if (low is not None and value < low) or (high is not None and value > high):
            _null(draft, item, f"{value} is outside {low}..{high}", FieldState.IMPLAUSIBLE)
        elif item.name in {"dl_bandwidth", "ul_bandwidth"} and value not in (_LTE_WIDTHS if draft.rat is Rat.LTE else _NR_WIDTHS):
            _null(draft, item, f"no channel is {value} MHz wide", FieldState.IMPLAUSIBLE)
        elif item.name == "band" and not _known_band(f"{'B' if draft.rat is Rat.LTE else 'n'}{value}"):
            _null(draft, item, f"there is no band {value}", FieldState.IMPLAUSIBLE)
        elif item.name == "scs" and value not in {15, 30, 60, 120, 240, 480, 960}:
            _null(draft, item, f"no subcarrier spacing is {value} kHz", FieldState.IMPLAUSIBLE)


def _floors(draft: Draft) -> None:
    """Take floors of their ranges for defaults where RSRP itself stands at its floor: nothing was measured."""
    if _number(draft, "rsrp") not in _FLOORS["rsrp"]:
        return
    for name, floors in _FLOORS.items():
        if _number(draft, name) in floors:
            _null(draft, draft.fields[name], "the floor of its range, beside no other level: a default", FieldState.UNKNOWN)


def _whole_band_power(draft: Draft) -> None:
    """Drop an RSSI below the RSRP of the same carrier: it contains it (TS 36.214 5.1.3), so that it is a default or of another cell."""
    level, power = _number(draft, "rsrp"), _number(draft, "rssi")
    if level is not None and power is not None and power < level:
        _null(draft, draft.fields["rssi"], f"conflict: below the RSRP of {level:g} dBm, which it contains", FieldState.CONFLICTING)


def _uplink_channel(draft: Draft) -> None:
    """Drop an LTE uplink channel that no band has: they begin at 18000, where the band is not one of TDD (TS 36.101 table 5.7.3-1)."""
    item = draft.fields.get("ul_arfcn")
    if draft.rat is Rat.LTE and item is not None and isinstance(item.value, int) and item.value < 18000:
        _null(draft, item, f"conflict: {item.value} is no uplink channel", FieldState.CONFLICTING)


def _channel(draft: Draft, warnings: list[str], *, whole: bool) -> None:
    arfcn, band = draft.fields.get("arfcn"), draft.fields.get("band")
    if arfcn is None or not isinstance(arfcn.value, int) or isinstance(arfcn.value, bool):
        return
    if draft.rat is Rat.LTE:
        held = _lte_band(arfcn.value)
        if band is None:
            if held is not None and whole:
                draft.fields["band"] = replace(ok_field("band", held, 0, 0, derived=True, why="the one band that holds the channel"), span=arfcn.span)
            elif held is None and draft.role not in {Role.NEIGHBOUR, Role.SCAN}:
                warnings.append(f"no LTE band holds channel {arfcn.value}")
        elif isinstance(band.value, int) and held != band.value:
            _conflict(draft, arfcn, band.value, warnings)
    else:
        bands = _nr_bands(arfcn.value)
        if band is None:
            if len(bands) == 1 and whole:
                draft.fields["band"] = replace(ok_field("band", bands[0], 0, 0, derived=True, why="the one band that holds the channel"), span=arfcn.span)
        elif isinstance(band.value, int) and band.value not in bands:
            _conflict(draft, arfcn, band.value, warnings)


def _conflict(draft: Draft, arfcn: Field, band: int, warnings: list[str]) -> None:
    """Drop a channel that its printed band does not hold; offer it with the 16 bits it may have lost."""
    number = int(arfcn.value) if isinstance(arfcn.value, int) else 0
    label = f"B{band}" if draft.rat is Rat.LTE else f"n{band}"
    if draft.rat is Rat.LTE and number < 65536 and _lte_band(number + 65536) == band:
        why = f"{number} is no channel of {label}, {number + 65536} is: cut to 16 bits"
        draft.fields["arfcn"] = replace(ok_field("arfcn", number + 65536, 0, 0, why=why, derived=True), span=arfcn.span)
        warnings.append(why)
        return
    why = f"conflict: channel {number} does not lie in {label}"
    _null(draft, arfcn, why, FieldState.CONFLICTING)
    warnings.append(why)


def _widths(draft: Draft, warnings: list[str]) -> None:
    band, width = _number(draft, "band"), draft.fields.get("dl_bandwidth")
    if draft.rat is not Rat.LTE or band is None or width is None or not isinstance(width.value, int | float):
        return
    try:
        allowed = lte_bandwidths_mhz(int(band))
    except ChannelError:
        return
    if width.value not in allowed:
        why = f"conflict: B{int(band)} has no carriers of {width.value} MHz"
        _null(draft, width, why, FieldState.CONFLICTING)
        warnings.append(why)


def _node(draft: Draft, warnings: list[str]) -> None:
    cell, node = _number(draft, "cell_id"), draft.fields.get("enb_id")
    if cell is None or node is None or not isinstance(node.value, int) or draft.rat is not Rat.LTE:
        return
    if int(cell) >> 8 != node.value and int(cell) != node.value:
        why = f"conflict: cell {int(cell)} belongs to node {int(cell) >> 8}, not {node.value}"
        _null(draft, node, why, FieldState.CONFLICTING)
        warnings.append(why)


def _ports(draft: Draft, warnings: list[str]) -> None:
    """Say where the best port is far from the combined level: two sources, or two moments. 10 dB: common practice, no source."""
    level, ports = _number(draft, "rsrp"), draft.fields.get("rsrp_per_port")
    if level is None or ports is None or not isinstance(ports.value, tuple):
        return
    best = max((port for port in ports.value if port is not None), default=None)
    if best is not None and abs(best - level) >= 10:
        warnings.append(f"RSRP {level:g} dBm and the best port's {best:g} dBm differ: two sources, both kept")
