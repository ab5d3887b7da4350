"""From a reading to what a rate needs of each carrier: blocks, spacing, share of time, SINR, layers.

Knows widths, blocks and duplex; does not know rates. What was not printed stays None, and `missing` says what a forecast
lacks, so that nothing is invented on the way.
"""

from __future__ import annotations

from dataclasses import dataclass

from bandwright.words.radio import Carrier, Rat, Reading, Role

__all__ = ["USUAL_SHARES", "CarrierState", "TddShares", "blocks_for", "carrier_states", "is_tdd"]

# TS 36.101 table 5.6-1.
_LTE_BLOCKS: dict[float, int] = {1.4: 6, 3.0: 15, 5.0: 25, 10.0: 50, 15.0: 75, 20.0: 100}

# TS 38.101-1 and -2, table 5.3.2-1: (subcarrier spacing kHz) -> width MHz -> blocks.
_NR_BLOCKS: dict[int, dict[float, int]] = {
    15: {3: 15, 5: 25, 7: 35, 10: 52, 15: 79, 20: 106, 25: 133, 30: 160, 35: 188, 40: 216, 45: 242, 50: 270},
    30: {5: 11, 10: 24, 15: 38, 20: 51, 25: 65, 30: 78, 35: 92, 40: 106, 45: 119, 50: 133, 60: 162, 70: 189, 80: 217, 90: 245, 100: 273},
    60: {10: 11, 15: 18, 20: 24, 25: 31, 30: 38, 35: 44, 40: 51, 45: 58, 50: 65, 60: 79, 70: 93, 80: 107, 90: 121, 100: 135, 200: 264},
    120: {50: 32, 100: 66, 200: 132, 400: 264},
}

# TS 36.101 table 5.5-1 and TS 38.101 table 5.2-1.
_LTE_TDD = frozenset(range(33, 55))
_NR_TDD = frozenset({34, 38, 39, 40, 41, 46, 47, 48, 50, 51, 53, 54, 77, 78, 79, 90, 96, 101, 102, 104, *range(257, 264)})
_DOWN_ONLY = {Rat.LTE: frozenset({29, 32, 67, 69, 75, 76}), Rat.NR: frozenset({29, 67, 75, 76})}


@dataclass(frozen=True, slots=True, kw_only=True)
class TddShares:
    """Share of time in each direction on a TDD carrier, 0..1. Default: DDDSU with S 10:2:2 (TS 38.331 TDD-UL-DL-Pattern)."""

    down: float = 0.7429
    up: float = 0.2286


USUAL_SHARES = TddShares()


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierState:
    """One carrier in use, as far as a rate needs it.

    of: label, e.g. "LTE B20 1" (radio, band, place among the reading's serving carriers). blocks: resource blocks down, ul_blocks: up.
    layers: as read under load, or None. uplink: whether the device may send on it as the reading stands.
    rsrp_dbm is per resource element; frequency_mhz only where a channel or band told it.
    """

    of: str
    rat: Rat
    role: Role
    band: str | None = None
    frequency_mhz: float | None = None
    blocks: int | None = None
    ul_blocks: int | None = None
    scs_khz: int = 15
    down_share: float = 1.0
    up_share: float = 1.0
    rsrp_dbm: float | None = None
    sinr_db: float | None = None
    layers: int | None = None
    uplink: bool = False
    missing: tuple[str, ...] = ()


def blocks_for(rat: Rat, *, bandwidth_mhz: float, scs_khz: int) -> int | None:
    """Return the resource blocks of a carrier, or None where the pair is not in the table. Source: TS 36.101 5.6, TS 38.101-1 and -2 5.3.2."""
    table = _LTE_BLOCKS if rat is Rat.LTE else _NR_BLOCKS.get(scs_khz, {})
    return next((blocks for width, blocks in table.items() if abs(width - bandwidth_mhz) < 0.05), None)


def is_tdd(rat: Rat, band: int) -> bool:
    """Whether a band divides time, not frequency. Source: TS 36.101 table 5.5-1, TS 38.101-1 and -2 table 5.2-1."""
    return band in (_LTE_TDD if rat is Rat.LTE else _NR_TDD)


def carrier_states(reading: Reading, *, tdd: TddShares = USUAL_SHARES) -> tuple[CarrierState, ...]:
    """Return the carriers in use of a reading, in its order. tdd: shares where a carrier is TDD; the reading cannot tell its pattern."""
    return tuple(_state(carrier, tdd, place) for place, carrier in enumerate(reading.serving(), start=1))


def _state(carrier: Carrier, tdd: TddShares, place: int) -> CarrierState:
    band = _band_number(carrier)
    scs = int(carrier.number("scs") or (15 if carrier.rat is Rat.LTE else _usual_scs(band)))
    blocks = _blocks(carrier, "dl_bandwidth", scs)
    divided = _duplex_says_tdd(carrier, band)
    prefix = "B" if carrier.rat is Rat.LTE else "n"
    shown = f"{carrier.rat.value.upper()} {prefix}{band}" if band is not None else carrier.rat.value.upper()
    missing = [name for name, there in (("width", blocks), ("SINR", carrier.number("sinr")), ("band", band)) if there is None]
    layers = carrier.number("rank") or carrier.number("dl_layers")
    return CarrierState(
        of=f"{shown} {place}",
        rat=carrier.rat,
        role=carrier.role,
        band=None if band is None else f"{prefix}{band}",
        blocks=blocks,
        ul_blocks=_blocks(carrier, "ul_bandwidth", scs) or blocks,
        scs_khz=scs,
        down_share=tdd.down if divided else 1.0,
        up_share=tdd.up if divided else 1.0,
        rsrp_dbm=carrier.number("rsrp"),
        sinr_db=carrier.number("sinr"),
        layers=None if layers is None else max(1, round(layers)),
        uplink=carrier.role in {Role.PCELL, Role.PSCELL, Role.SERVING} and not (band is not None and band in _DOWN_ONLY[carrier.rat]),
        missing=tuple(missing),
    )


def _band_number(carrier: Carrier) -> int | None:
    found = carrier.get("band")
    if found is None or found.value is None:
        return None
    if isinstance(found.value, str):
        digits = found.value.strip().lstrip("Bbn")
        return int(digits) if digits.isdigit() else None
    return int(found.number) if found.number is not None else None


def _blocks(carrier: Carrier, name: str, scs_khz: int) -> int | None:
    width = carrier.number(name)
    return None if width is None else blocks_for(carrier.rat, bandwidth_mhz=width, scs_khz=scs_khz)


def _usual_scs(band: int | None) -> int:
    """The spacing that networks use where a reading does not say: 15 kHz in FDD bands, 30 in TDD below 6 GHz, 120 above (common practice, no source)."""
    if band is None:
        return 30
    if band >= 257:
        return 120
    return 30 if is_tdd(Rat.NR, band) else 15


def _duplex_says_tdd(carrier: Carrier, band: int | None) -> bool:
    duplex = carrier.get("duplex")
    if duplex is not None and isinstance(duplex.value, str):
        return duplex.value.strip().upper() == "TDD"
    return band is not None and is_tdd(carrier.rat, band)
