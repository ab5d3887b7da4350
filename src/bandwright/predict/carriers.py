"""From a reading to what a rate needs of each carrier: blocks, spacing, share of time, frequency, SINR, layers.

Knows which field of a reading says what; the tables are `radio`'s. What was not printed stays None, and `missing` says what a
forecast lacks, so that nothing is invented on the way.
"""

from __future__ import annotations

from dataclasses import dataclass

from bandwright.errors import ChannelError
from bandwright.radio.bands import (
    LTE_BANDS,
    NR_BANDS,
    band_label,
    duplex_of,
    is_fr2,
    is_known_band,
    lte_resource_blocks,
    nr_default_scs_khz,
    nr_resource_blocks,
    split_band,
)
from bandwright.radio.channels import earfcn_to_mhz, nr_arfcn_to_mhz
from bandwright.radio.tdd import TddShares, usual_share
from bandwright.words.radio import Carrier, Rat, Reading, Role

__all__ = ["ActiveCarrier", "active_carriers"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ActiveCarrier:
    """One carrier in use, as far as a rate needs it.

    of: label, e.g. "LTE B20 1" (radio, band, place among the reading's serving carriers). bandwidth_mhz, blocks: down; ul_blocks: up.
    layers: as read under load, or None. uplink: whether the device may send on it as the reading stands.
    rsrp_dbm is per resource element. frequency_mhz: of the channel, or the middle of the band. missing: what a rate needs and was not read.
    """

    of: str
    rat: Rat
    role: Role
    band: str | None = None
    duplex: str = "FDD"
    frequency_mhz: float | None = None
    bandwidth_mhz: float | None = None
    blocks: int | None = None
    ul_blocks: int | None = None
    scs_khz: int = 15
    down_share: float = 1.0
    up_share: float = 1.0
    rsrp_dbm: float | None = None
    sinr_db: float | None = None
    layers: int | None = None
    tx_power_dbm: float | None = None
    uplink: bool = False
    missing: tuple[str, ...] = ()


def active_carriers(reading: Reading, *, tdd: TddShares | None = None) -> tuple[ActiveCarrier, ...]:
    """Return the carriers in use of a reading, in its order. tdd: shares where a carrier is TDD, the usual ones where left out."""
    return tuple(_active(carrier, tdd, place) for place, carrier in enumerate(reading.serving(), start=1))


def _active(carrier: Carrier, tdd: TddShares | None, place: int) -> ActiveCarrier:
    band = _band(carrier)
    scs = _scs_khz(carrier, band)
    duplex = _duplex(carrier, band)
    blocks = _blocks(carrier, "dl_bandwidth", scs, band)
    divided = duplex == "TDD" and tdd is not None
    layers = carrier.number("rank") or carrier.number("dl_layers")
    missing = [name for name, there in (("width", blocks), ("SINR", carrier.number("sinr")), ("band", band)) if there is None]
    return ActiveCarrier(
        of=f"{carrier.rat.value.upper()} {band + ' ' if band else ''}{place}",
        rat=carrier.rat,
        role=carrier.role,
        band=band,
        duplex=duplex,
        frequency_mhz=_frequency_mhz(carrier, band),
        bandwidth_mhz=carrier.number("dl_bandwidth"),
        blocks=blocks,
        ul_blocks=_blocks(carrier, "ul_bandwidth", scs, band) or blocks,
        scs_khz=scs,
        down_share=tdd.down if tdd is not None and divided else usual_share(duplex, "down"),
        up_share=tdd.up if tdd is not None and divided else usual_share(duplex, "up"),
        rsrp_dbm=carrier.number("rsrp"),
        sinr_db=carrier.number("sinr"),
        layers=None if layers is None else max(1, round(layers)),
        tx_power_dbm=carrier.number("tx_power"),
        uplink=carrier.role in {Role.PCELL, Role.PSCELL, Role.SERVING} and duplex != "SDL",
        missing=tuple(missing),
    )


def _band(carrier: Carrier) -> str | None:
    """Return "B3" or "n78", whether the reading holds "B3", "3", 3 or "n78"; None where it holds none that a table has."""
    found = carrier.get("band")
    if found is None or found.value is None or isinstance(found.value, tuple):
        return None
    digits = str(found.value).strip().lstrip("Bbn").removesuffix(".0")
    if not digits.isdigit():
        return None
    label = band_label(carrier.rat.value, int(digits))
    return label if is_known_band(label) else None


def _scs_khz(carrier: Carrier, band: str | None) -> int:
    if carrier.rat is Rat.LTE:
        return 15
    read = carrier.number("scs")
    if read is not None:
        return int(read)
    return 30 if band is None else nr_default_scs_khz(split_band(band)[1])


def _duplex(carrier: Carrier, band: str | None) -> str:
    said = carrier.get("duplex")
    if said is not None and isinstance(said.value, str) and said.value.strip().upper() in {"FDD", "TDD", "SDL", "SUL"}:
        return said.value.strip().upper()
    return "FDD" if band is None else duplex_of(band)


def _blocks(carrier: Carrier, name: str, scs_khz: int, band: str | None) -> int | None:
    width = carrier.number(name)
    if width is None:
        return None
    try:
        if carrier.rat is Rat.LTE:
            return lte_resource_blocks(width)
        return nr_resource_blocks(width, scs_khz, fr2=band is not None and is_fr2(split_band(band)[1]))
    except ChannelError:
        return None


def _frequency_mhz(carrier: Carrier, band: str | None) -> float | None:
    number = carrier.number("arfcn")
    if number is not None:
        try:
            return earfcn_to_mhz(int(number)) if carrier.rat is Rat.LTE else nr_arfcn_to_mhz(int(number))
        except ChannelError:
            pass
    if band is None:
        return None
    rat, place = split_band(band)
    row = LTE_BANDS[place] if rat == "lte" else NR_BANDS[place]
    low, high = row.dl_low_mhz or row.ul_low_mhz, row.dl_high_mhz or row.ul_high_mhz
    return None if low is None or high is None else (low + high) / 2.0
