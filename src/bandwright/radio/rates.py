"""What carriers can carry: the most the standard allows, and what is to be expected.

The peak is TS 38.306's approximate maximum (NR) or the largest transport block (LTE). It is 1.4 to 2.3 times what a good signal
carries and is never an expectation. The expected rate is the truncated Shannon map over layers, times blocks, time share and 0.9
for first-transmission errors. Around it lies what the cell's other users take, which no reading shows: the interval is wide.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

from bandwright.errors import ChannelError, UsageError
from bandwright.radio.bands import Direction, is_fr2, lte_resource_blocks, nr_default_scs_khz, nr_resource_blocks, split_band
from bandwright.radio.blocks import lte_transport_block_bits
from bandwright.radio.links import layered_efficiency
from bandwright.radio.tdd import usual_share
from bandwright.words.answers import Forecast

__all__ = [
    "FIRST_TRANSMISSION_SHARE",
    "CarrierState",
    "carrier_peak_mbps",
    "carrier_rate_mbps",
    "expected_rate_mbps",
    "lte_peak_mbps",
    "nr_peak_mbps",
    "peak_rate_mbps",
]

# Link adaptation aims at 10 % errors of the first transmission (TS 38.214, 5.2.2.1), so about 0.9 of what is scheduled arrives at once.
FIRST_TRANSMISSION_SHARE = 0.9
_ASSUMED_LAYERS = 2

# Ratio of measured to computed downlink rate, 547 runs of a minute on LTE at one place: median and spread of its logarithm, with
# the share of the cell's blocks known, and without it.
_RATIO_SHARE_KNOWN = (1.04, 0.47)
_RATIO_SHARE_UNKNOWN = (0.58, 0.55)

# TS 38.306, 4.1.2: overhead by (FR2, direction).
_OVERHEAD = {(False, "down"): 0.14, (True, "down"): 0.18, (False, "up"): 0.08, (True, "up"): 0.10}
_MAX_CODE_RATE = 948 / 1024

# The highest I_TBS by bits per symbol and direction. TS 36.213 tables 7.1.7.1-1, 7.1.7.1-1A, 8.6.1-1.
_LTE_TOP_TBS = {("down", 2): 9, ("down", 4): 15, ("down", 6): 26, ("down", 8): 33, ("up", 2): 10, ("up", 4): 19, ("up", 6): 26}


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierState:
    """What matters of one carrier in one direction.

    rat: "lte" or "nr". bandwidth_mhz: the channel's width in this direction. sinr_db: as read; None where it is not known.
    layers: rank under load; None is "not read". scs_khz: None is 15 for LTE and the band's usual one for NR. duplex: FDD, TDD,
    SDL or SUL. share: of time in this direction; None is the usual one of the duplex. band: "B3", "n78"; only to find what is
    not given. resource_blocks: where they were read instead of a width.
    """

    rat: str
    bandwidth_mhz: float
    sinr_db: float | None = None
    layers: int | None = None
    scs_khz: int | None = None
    duplex: str = "FDD"
    share: float | None = None
    band: str | None = None
    resource_blocks: int | None = None


def nr_peak_mbps(
    *,
    resource_blocks: int,
    scs_khz: int,
    layers: int,
    bits_per_symbol: int = 8,
    scaling: float = 1.0,
    direction: Direction = "down",
    fr2: bool = False,
) -> float:
    """Return the approximate maximum rate of one NR carrier in Mbit/s, before any TDD share.

    scaling: the device's factor, 1, 0.8, 0.75 or 0.4. Raises UsageError for layers < 1 or blocks < 1.
    Source: TS 38.306, 4.1.2.
    """
    if layers < 1 or resource_blocks < 1:
        raise UsageError("layers and resource blocks", given=(layers, resource_blocks), allowed="1 or more")
    symbols_per_s = 14_000 * scs_khz / 15
    return 1e-6 * layers * bits_per_symbol * scaling * _MAX_CODE_RATE * resource_blocks * 12 * symbols_per_s * (1 - _OVERHEAD[fr2, direction])


def lte_peak_mbps(*, resource_blocks: int, layers: int, bits_per_symbol: int = 6, direction: Direction = "down") -> float:
    """Return the largest transport block of one LTE carrier per millisecond in Mbit/s, before any TDD share.

    layers: 1, 2 or 4. On 6 and 15 blocks two layers count as twice one (the table's columns for them are not here).
    Raises UsageError for a modulation the direction has not; CodeError for other blocks or layers.
    Source: TS 36.213, 7.1.7 and 8.6.
    """
    top = _LTE_TOP_TBS.get((direction, bits_per_symbol))
    if top is None:
        raise UsageError(f"bits per symbol {direction}", given=bits_per_symbol, allowed="2, 4, 6 and 8 down; 2, 4, 6 up")
    if resource_blocks < 25 and layers > 1:
        return layers * lte_peak_mbps(resource_blocks=resource_blocks, layers=1, bits_per_symbol=bits_per_symbol, direction=direction)
    return lte_transport_block_bits(tbs_index=top, resource_blocks=resource_blocks, layers=layers) / 1000


def carrier_rate_mbps(carrier: CarrierState, *, direction: Direction = "down") -> float:
    """Return what one carrier would carry for one user alone at its SINR, in Mbit/s.

    L min(cap, alpha log2(1 + SINR/L)) N_RB 12 SCS share 0.9, L the layers read under load, else 2.
    Raises ChannelError for a width the tables lack, UsageError where the SINR is not known.
    Source: TR 36.942 annex A for the map, TS 38.214 5.2.2.1 for the 0.9; the rest is arithmetic.
    """
    if carrier.sinr_db is None:
        raise UsageError("an expected rate needs the carrier's SINR", todo="Read the radio state again, under load.")
    layers = carrier.layers or _ASSUMED_LAYERS
    efficiency = layered_efficiency(carrier.sinr_db, layers, direction=direction)
    return efficiency * _blocks(carrier) * 12 * _scs_khz(carrier) / 1000 * _share(carrier, direction) * FIRST_TRANSMISSION_SHARE


def carrier_peak_mbps(
    carrier: CarrierState,
    *,
    direction: Direction = "down",
    bits_per_symbol: int | None = None,
    layers: int | None = None,
) -> float:
    """Return the most the standard allows on one carrier in its time share, in Mbit/s.

    bits_per_symbol: None is 8 (256QAM) down; up 8 for NR, 6 for LTE. layers: None is what was read, else 2 down and 1 up.
    """
    count = layers or carrier.layers or (_ASSUMED_LAYERS if direction == "down" else 1)
    share = _share(carrier, direction)
    if carrier.rat == "lte":
        bits = bits_per_symbol or (8 if direction == "down" else 6)
        usable = 4 if count >= 4 else 2 if count >= 2 else 1
        return lte_peak_mbps(resource_blocks=_blocks(carrier), layers=usable, bits_per_symbol=bits, direction=direction) * share
    bits = bits_per_symbol or 8
    peak = nr_peak_mbps(
        resource_blocks=_blocks(carrier),
        scs_khz=_scs_khz(carrier),
        layers=count,
        bits_per_symbol=bits,
        direction=direction,
        fr2=_in_fr2(carrier),
    )
    return peak * share


def peak_rate_mbps(carriers: Iterable[CarrierState], *, direction: Direction = "down") -> float:
    """Return the sum of the carriers' peaks in Mbit/s. EN-DC adds its LTE and NR parts. Source: TS 38.306, 4.1.2."""
    return math.fsum(carrier_peak_mbps(c, direction=direction) for c in carriers)


def expected_rate_mbps(
    carriers: Sequence[CarrierState],
    *,
    direction: Direction = "down",
    cell_share: float | None = None,
    level: float = 0.90,
) -> Forecast:
    """Return the rate to be expected from carriers in use, in Mbit/s, with its interval.

    cell_share: which share of the cell's blocks this user gets, 0..1; None is "not known", which is usual: the median is then
    0.58 of what the carriers would carry for one user alone, and the interval wider. Carriers without a SINR are left out and
    named in the assumptions. The uplink's spread was not measured: the downlink's is lent to it, and said.
    Raises UsageError for no usable carrier, or a share or level outside its range.
    Source: TR 36.942 annex A; ratio and spread measured on 547 LTE runs of a minute (icell19 traces).
    """
    if not 0 < level < 1:
        raise UsageError("level", given=level, allowed="between 0 and 1")
    if cell_share is not None and not 0 < cell_share <= 1:
        raise UsageError("cell_share", given=cell_share, allowed="above 0, at most 1")
    usable = [c for c in carriers if c.sinr_db is not None]
    if not usable:
        raise UsageError("no carrier with a SINR: nothing to expect a rate from", todo="Read the radio state under load.")
    alone = math.fsum(carrier_rate_mbps(c, direction=direction) for c in usable)
    ratio, spread = _RATIO_SHARE_UNKNOWN if cell_share is None else (_RATIO_SHARE_KNOWN[0] * cell_share, _RATIO_SHARE_KNOWN[1])
    ceiling = peak_rate_mbps(usable, direction=direction)
    median = min(alone * ratio, ceiling)
    reach = NormalDist().inv_cdf((1 + level) / 2) * spread
    return Forecast(
        quantity="goodput_down_mbps" if direction == "down" else "goodput_up_mbps",
        median=median,
        low=median * math.exp(-reach),
        high=min(median * math.exp(reach), ceiling),
        level=level,
        unit="Mbit/s",
        ceiling=ceiling,
        assumptions=_assumptions(carriers, usable, direction, cell_share, alone),
        source="TR 36.942 annex A; TS 38.306 4.1.2; TS 36.213 7.1.7; spread measured on LTE runs of a minute",
    )


def _assumptions(
    carriers: Sequence[CarrierState], usable: Sequence[CarrierState], direction: Direction, cell_share: float | None, alone: float
) -> tuple[str, ...]:
    said = [f"alone in the cell these carriers would carry about {alone:.0f} Mbit/s"]
    if cell_share is None:
        said.append("the share of the cell that others take is not known")
    if len(usable) < len(carriers):
        said.append(f"{len(carriers) - len(usable)} carrier(s) without a SINR are left out")
    if direction == "down" and any(c.layers is None for c in usable):
        said.append("two layers where the rank under load was not read")
    if any(c.duplex == "TDD" and c.share is None for c in usable):
        said.append("TDD pattern DDDSU: 74 % down, 23 % up")
    if direction == "up":
        said.append("the spread is the downlink's; power is not the limit")
    return tuple(said)


def _share(carrier: CarrierState, direction: Direction) -> float:
    return usual_share(carrier.duplex, direction) if carrier.share is None else carrier.share


def _in_fr2(carrier: CarrierState) -> bool:
    return carrier.rat == "nr" and carrier.band is not None and is_fr2(split_band(carrier.band)[1])


def _scs_khz(carrier: CarrierState) -> int:
    if carrier.rat == "lte":
        return 15
    if carrier.scs_khz is not None:
        return carrier.scs_khz
    if carrier.band is not None:
        return nr_default_scs_khz(split_band(carrier.band)[1])
    return 30 if carrier.duplex == "TDD" else 15


def _blocks(carrier: CarrierState) -> int:
    if carrier.resource_blocks is not None:
        return carrier.resource_blocks
    if carrier.rat == "lte":
        return lte_resource_blocks(carrier.bandwidth_mhz)
    if carrier.rat == "nr":
        return nr_resource_blocks(carrier.bandwidth_mhz, _scs_khz(carrier), fr2=_in_fr2(carrier))
    raise ChannelError("radio technology", given=carrier.rat, allowed='"lte" or "nr"')
