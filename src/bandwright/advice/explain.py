"""What a reading alone can bear: sentences on its carriers, what they add up to, and what looks odd, each with its rule.

Nothing here blames. A reading does not say what others take of the cell, and a carrier that is not shown at rest is not evidence
of its absence. RSRQ is not used: under one's own load it says nothing of the cell's.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations

from bandwright.advice.case import SeenCarrier, SeenReading
from bandwright.advice.case_words import seen_reading
from bandwright.advice.evidence_base import carrier_state, duplex_of_carrier
from bandwright.advice.nexttest import sentences_of
from bandwright.errors import RangeError
from bandwright.radio.bands import duplex_of, is_known_band, lte_bandwidths_mhz, nr_bandwidths_mhz, split_band
from bandwright.radio.carriers import aggregated_width
from bandwright.radio.levels import noise_gap_db
from bandwright.radio.rates import carrier_peak_mbps, carrier_rate_mbps
from bandwright.radio.tdd import usual_share
from bandwright.words.answers import Evidence, Finding
from bandwright.words.radio import Reading

__all__ = ["explain_readings"]

_CP = "common practice, no source"


def explain_readings(readings: Sequence[Reading]) -> tuple[Finding, ...]:
    """Return the findings that readings alone can bear, of the last one that shows a carrier in use; () where none does."""
    seen = [seen_reading(r) for r in readings]
    shown = [r for r in seen if r.serving]
    if not shown:
        return ()
    found: list[Finding] = [_carrier_sentence(c) for c in shown[-1].serving]
    for rule in RULES:
        found += rule(shown[-1])
    found += _counts_differ(shown)
    return tuple(found)


def _fact(key: str, sentence: str, *items: tuple[str, float | str | None], rule: str, source: str = _CP, settle_by: tuple[str, ...] = ()) -> Finding:
    return Finding(
        key=key, sentence=sentence, evidence=tuple(Evidence(key=k, value=v, rule=rule, source=source) for k, v in items), settle_by=sentences_of(settle_by), source=source
    )


def _name(c: SeenCarrier) -> str:
    kind = "NR" if c.rat == "nr" else "LTE"
    return f"{kind} {c.band}" if c.band is not None else f"an {kind} carrier of unknown band"


def _scs_khz(c: SeenCarrier) -> int:
    return 15 if c.rat == "lte" else c.scs_khz or (30 if duplex_of_carrier(c) == "TDD" else 15)


_ROLES = {"pcell": "primary carrier", "scell": "secondary carrier", "pscell": "primary NR carrier of the pair", "serving": "carrier in use"}


def _carrier_sentence(c: SeenCarrier) -> Finding:
    """One plain sentence on one carrier: what it is, how wide, how strong, how clean."""
    parts = [f"{_name(c)}: {_ROLES.get(c.role, c.role)}"]
    if c.width_mhz is not None:
        parts.append(f"{c.width_mhz:g} MHz wide")
    if c.rsrp_dbm is not None:
        parts.append(f"RSRP {c.rsrp_dbm:g} dBm, {_strength(c.rsrp_dbm)}")
    if c.sinr_db is not None:
        parts.append(f"SINR {c.sinr_db:g} dB, {_quality(c.sinr_db)}")
    if c.active is False:
        parts.append("switched off at that moment")
    items = [(k, v) for k, v in (("dl_bandwidth", c.width_mhz), ("rsrp", c.rsrp_dbm), ("sinr", c.sinr_db)) if v is not None]
    sentence = ", ".join(parts) + "."
    return _fact("carrier", sentence[0].upper() + sentence[1:], *items, rule="strength by RSRP, quality by SINR; words by common practice")


def _strength(rsrp: float) -> str:
    return "very strong" if rsrp > -75 else "strong" if rsrp > -85 else "fair" if rsrp > -100 else "weak" if rsrp > -115 else "very weak"


def _quality(sinr: float) -> str:
    return "very clean" if sinr >= 20 else "clean" if sinr >= 13 else "fair" if sinr >= 5 else "poor" if sinr >= 0 else "very poor"


def _width_sum(reading: SeenReading) -> list[Finding]:
    """What the widths add up to, down and up."""
    used = [c for c in reading.serving if c.active is not False]
    rows = [(c.rat, c.band if c.band is not None and is_known_band(c.band) else None, c.width_mhz) for c in used if c.rat in {"lte", "nr"}]
    down = aggregated_width(rows)
    if down.total_mhz <= 0:
        return []
    lte, nr = [c for c in used if c.rat == "lte"], [c for c in used if c.rat == "nr"]
    parts = [p for p in (_sum_part(lte, down.lte_mhz, "LTE", anchor=bool(nr)), _sum_part(nr, down.nr_mhz, "NR", anchor=False)) if p]
    whole = f"{' and '.join(parts)}: {down.total_mhz:g} MHz down in all"
    if down.unknown:
        whole += f", and {down.unknown} carrier{'s' if down.unknown > 1 else ''} of unknown width"
    asleep = [c for c in reading.serving if c.active is False]
    if asleep:
        whole += f"; {len(asleep)} more {'is' if len(asleep) == 1 else 'are'} set up but switched off at that moment"
    sentence = whole[0].upper() + whole[1:] + "."
    return [
        _fact(
            "width_sum",
            sentence,
            ("dl_bandwidth", down.total_mhz),
            ("lte_mhz", down.lte_mhz),
            ("nr_mhz", down.nr_mhz),
            rule="widths of the carriers in use, added up",
            source="TS 36.101 5.6A, TS 38.101-1 5.3A",
        )
    ]


def _sum_part(carriers: list[SeenCarrier], mhz: float, word: str, *, anchor: bool) -> str:
    if not carriers or mhz <= 0:
        return ""
    if len(carriers) == 1:
        return f"an {word} {'anchor' if anchor else 'carrier'} of {mhz:g} MHz"
    widths = " + ".join(f"{c.width_mhz:g}" for c in carriers if c.width_mhz is not None)
    return f"{len(carriers)} {word} carriers of {widths} = {mhz:g} MHz"


def _ceiling(reading: SeenReading) -> list[Finding]:
    """The most these carriers allow, and what they would carry alone at the SINR read."""
    states = [carrier_state(c) for c in reading.serving if c.active is not False]
    known = [s for s in states if s is not None]
    try:
        peak = sum(carrier_peak_mbps(s) for s in known)
        alone = sum(carrier_rate_mbps(s) for s in known)
    except RangeError:
        return []
    if not known or len(known) < len(states) or peak <= 0:
        return []
    sentence = f"These carriers allow at most {peak:.0f} Mbit/s down; at this SINR one user alone in the cell would get about {alone:.0f} ({100 * alone / peak:.0f} %), and others take their share of that."
    return [
        _fact(
            "ceiling",
            sentence,
            ("peak_mbps", peak),
            ("alone_mbps", alone),
            rule="peak of the standard; truncated Shannon map over the layers read, else two, times 0.9",
            source="TS 38.306 4.1.2, TS 36.213 7.1.7, TR 36.942 annex A",
        )
    ]


def _uplink(reading: SeenReading) -> list[Finding]:
    """Which carrier carries the upload, how much of the time, and whether it is at its power."""
    powered = [c for c in reading.serving if c.tx_power_dbm is not None]
    sender = max(powered, key=lambda c: c.tx_power_dbm or -99) if powered else reading.serving[0] if len(reading.serving) == 1 else None
    found: list[Finding] = []
    if sender is None:
        if {c.rat for c in reading.serving} == {"lte", "nr"}:
            found.append(
                _fact(
                    "uplink_path_open",
                    "LTE and NR together: the reading does not say which of them carries the upload.",
                    ("carriers", float(len(reading.serving))),
                    rule="a split bearer sends on its primary path below a threshold, on either above",
                    source="TS 38.323 5.2.1",
                    settle_by=("read_tx_power",),
                )
            )
        return found
    if duplex_of_carrier(sender) == "TDD":
        share = usual_share("TDD", "up")
        found.append(
            _fact(
                "uplink_tdd",
                f"Uploads go over {_name(sender)}, which is unpaired: it sends about {100 * share:.0f} % of the time in the usual pattern, and reaches less far for it.",
                ("uplink_share", share),
                rule="DDDSU with 10:2:2 symbols; networks choose their own",
                source="TS 38.331 TDD-UL-DL-Pattern",
            )
        )
    if sender.tx_power_dbm is not None:
        left = 23.0 - sender.tx_power_dbm
        if left <= 1.5:
            text = f"{_name(sender)[0].upper()}{_name(sender)[1:]} sends at {sender.tx_power_dbm:g} dBm, at or near the usual limit of 23: the upload is held back by power if this was read while uploading."
            found.append(
                _fact(
                    "uplink_power",
                    text,
                    ("tx_power", sender.tx_power_dbm),
                    ("headroom_db", left),
                    rule="1.5 dB or less below 23 dBm (class 3)",
                    source="TS 36.101 6.2, TS 38.101-1 6.2",
                )
            )
    return found


def _same_band_twice(reading: SeenReading) -> list[Finding]:
    found = []
    for a, b in combinations(reading.serving, 2):
        if a.band is not None and (a.rat, a.band) == (b.rat, b.band) and a.pci is not None and b.pci is not None and a.pci != b.pci:
            text = f"Band {a.band} is in use twice, from cells {a.pci} and {b.pci}: two sectors or two masts serve you, or one of the two lines is a neighbour."
            found.append(
                _fact(
                    "same_band_twice",
                    text,
                    ("pci", f"{a.pci}, {b.pci}"),
                    rule="one band, two carriers in use, different PCI; carriers of one sector usually share theirs",
                )
            )
    return found


def _strong_poor(reading: SeenReading) -> list[Finding]:
    found = []
    for c in reading.serving:
        if c.rsrp_dbm is None or c.sinr_db is None or c.active is False:
            continue
        gap = noise_gap_db(rsrp_dbm=c.rsrp_dbm, sinr_db=c.sinr_db, scs_khz=_scs_khz(c))
        items = (("rsrp", c.rsrp_dbm), ("sinr", c.sinr_db), ("noise_gap_db", gap))
        name = _name(c)[0].upper() + _name(c)[1:]
        if c.rsrp_dbm > -55 and c.sinr_db < 13:
            found.append(
                _fact(
                    "overdriven",
                    f"{name} is so strong ({c.rsrp_dbm:g} dBm) and yet not clean that the receiver may be overdriven.",
                    *items,
                    rule="RSRP above -55 dBm, SINR below 13 dB",
                    source="TS 36.101 7.4",
                    settle_by=("attenuate",),
                )
            )
        elif c.sinr_db < 10 and gap > 8:
            strong = "strong" if c.rsrp_dbm > -85 else "strong enough"
            text = f"{name} is {strong} ({c.rsrp_dbm:g} dBm) but not clean (SINR {c.sinr_db:g} dB): what disturbs it lies {gap:.0f} dB above noise, so other cells are the likely cause. Directivity helps, gain alone does not."
            found.append(
                _fact(
                    "interference",
                    text,
                    *items,
                    rule="SINR below 10 dB, more than 8 dB above thermal noise at a noise figure of 7 dB",
                    source="k T0 B",
                    settle_by=("heading_sweep",),
                )
            )
        elif c.sinr_db < 10 and gap < 4:
            text = f"{name} is simply weak ({c.rsrp_dbm:g} dBm, SINR {c.sinr_db:g} dB): it stands at the noise. Every dB counts."
            found.append(
                _fact(
                    "noise",
                    text,
                    *items,
                    rule="SINR below 10 dB, less than 4 dB above thermal noise at a noise figure of 7 dB",
                    source="k T0 B",
                    settle_by=("outdoors_by_hand",),
                )
            )
    return found


def _ports(reading: SeenReading) -> list[Finding]:
    found = []
    for c in reading.serving:
        if len(c.ports) >= 2 and max(c.ports) - min(c.ports) >= 10:
            spread = max(c.ports) - min(c.ports)
            text = f"{_name(c)[0].upper()}{_name(c)[1:]}: one antenna branch is {spread:.0f} dB below the other: a loose plug, or the wrong socket."
            found.append(
                _fact(
                    "antenna_branch", text, ("port_spread_db", spread), rule="branches 10 dB or more apart; a wall makes 3 to 8 dB", settle_by=("swap_ports",)
                )
            )
    return found


def _seam(reading: SeenReading) -> list[Finding]:
    serving = reading.primary
    if serving is None or serving.rsrp_dbm is None:
        return []
    found = []
    for other in reading.carriers:
        if other.in_use or other.rat != serving.rat or other.rsrp_dbm is None or other.pci == serving.pci:
            continue
        same = other.arfcn == serving.arfcn if other.arfcn is not None and serving.arfcn is not None else other.band is not None and other.band == serving.band
        gap = serving.rsrp_dbm - other.rsrp_dbm
        if same and gap <= 3:
            text = f"Cell {other.pci if other.pci is not None else '?'} is heard as strongly as the serving one on the same channel ({gap:.0f} dB below): you sit between two cells."
            found.append(
                _fact(
                    "on_the_seam",
                    text,
                    ("neighbour_gap_db", gap),
                    rule="another cell within 3 dB on the channel",
                    settle_by=("heading_sweep", "pin_other_cell"),
                )
            )
    return found[:1]


def _idle_leg(reading: SeenReading) -> list[Finding]:
    """A single LTE carrier, or an NR leg without values, says nothing of what joins under load."""
    bare = [c for c in reading.serving if c.rat == "nr" and c.rsrp_dbm is None and c.sinr_db is None]
    only = reading.serving[0]
    if len(reading.serving) == 1 and only.rat == "lte" and (only.band, only.rsrp_dbm, only.width_mhz) != (None, None, None):
        text = "One LTE carrier is shown. At rest a gateway shows no more: further carriers, and an NR leg, join under load. Read again while a download runs."
    elif bare:
        text = "The NR leg shows no values. At rest it sleeps, so that says nothing of how good it is. Read again while a download runs."
    else:
        return []
    return [
        _fact(
            "idle_says_nothing",
            text,
            ("carriers", float(len(reading.serving))),
            rule="secondary carriers are switched on by traffic and off again after inactivity",
            source="TS 38.321 5.9; measured",
            settle_by=("read_under_load",),
        )
    ]


def _impossible(reading: SeenReading) -> list[Finding]:
    """Widths the band does not have, and downlink-only bands as a primary carrier."""
    found = []
    for c in reading.serving:
        if c.band is None or not is_known_band(c.band):
            continue
        rat, number = split_band(c.band)
        if c.width_mhz is not None:
            allowed = set(lte_bandwidths_mhz(number)) if rat == "lte" else {w for scs in (15, 30, 60, 120, 480, 960) for w in nr_bandwidths_mhz(number, scs)}
            if c.width_mhz not in allowed:
                text = f"{c.band} has no width of {c.width_mhz:g} MHz: one of the two is misread."
                found.append(
                    _fact(
                        "width_not_in_band",
                        text,
                        ("dl_bandwidth", c.width_mhz),
                        rule="widths the band allows: " + ", ".join(f"{w:g}" for w in sorted(allowed)),
                        source="TS 36.101 table 5.6.1-1, TS 38.101-1 table 5.3.5-1",
                    )
                )
        if c.role == "pcell" and duplex_of(c.band) in {"SDL", "SUL"}:
            text = f"{c.band} cannot be a primary carrier, because it goes one way only: the role or the band is misread."
            found.append(
                _fact(
                    "one_way_primary",
                    text,
                    ("band", c.band),
                    rule="downlink-only and uplink-only bands serve as additional carriers",
                    source="TS 36.101 table 5.5-1, TS 38.101-1 table 5.2-1",
                )
            )
    return found


def _counts_differ(shown: Sequence[SeenReading]) -> list[Finding]:
    counts = [len(r.serving) for r in shown]
    if min(counts) == max(counts):
        return []
    text = f"Between {min(counts)} and {max(counts)} carriers were in use over these {len(counts)} readings: carriers come with load and go without."
    return [
        _fact(
            "carriers_vary",
            text,
            ("fewest", float(min(counts))),
            ("most", float(max(counts))),
            rule="carriers in use, reading by reading",
            source="TS 38.321 5.9",
        )
    ]


RULES: tuple[Callable[[SeenReading], list[Finding]], ...] = (
    _width_sum,
    _ceiling,
    _uplink,
    _same_band_twice,
    _strong_poor,
    _ports,
    _seam,
    _idle_leg,
    _impossible,
)
