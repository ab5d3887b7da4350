"""Which tunings are worth trying at a site: modes, each band left out in turn, each strong band as the anchor. Pure.

All subsets of bands are far too many (2^n), so the list holds only what answers a question a person would ask: is standalone better, is
NR worth having, which band does harm, which anchor is best. Prediction and the trial's own elimination prune it further.
A band that was never heard at the site is in no list of few bands; one heard below `weak_dbm` is not proposed on its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import chain

from bandwright.gateways.proof import band_of
from bandwright.ports import GatewayAbilities
from bandwright.words.radio import Reading
from bandwright.words.rig import Tuning

__all__ = ["excludes", "heard", "propose"]

WEAK_DBM = -118.0  # common practice, no source: below it a carrier is rarely worth serving from


def propose(abilities: GatewayAbilities, seen: Iterable[Reading], *, most: int = 12, weak_dbm: float = WEAK_DBM) -> tuple[Tuning, ...]:
    """Return tunings worth trying, the most telling first, at most `most`. Their label says what each is for and what it excludes.

    seen: readings taken at the site, at best some under load and some with neighbours.
    """
    if not abilities.can_tune:
        return ()
    strength = heard(seen)
    usable = [band for band in sorted(strength, key=lambda b: -strength[b]) if not abilities.bands or band in abilities.bands]
    found = chain(_modes(abilities), _without(abilities, usable), _anchors(abilities, usable, strength, weak_dbm))
    kept: dict[tuple[str, frozenset[str]], Tuning] = {}
    for tuning in found:
        kept.setdefault((tuning.mode, frozenset(tuning.bands)), tuning)
    return tuple(kept.values())[:most]


def excludes(tuning: Tuning, abilities: GatewayAbilities) -> tuple[str, ...]:
    """Return what a tuning takes away: modes and bands that the gateway could use otherwise."""
    lost: list[str] = []
    lost += {"nr-sa": ["LTE", "EN-DC"], "endc": ["NR standalone"], "lte": ["NR"], "automatic": []}.get(tuning.mode, [])
    if tuning.bands:
        lost += [band for band in abilities.bands if band not in tuning.bands and not _shut_out(band, tuning.mode)]
    if tuning.cell:
        lost.append("every other cell")
    return tuple(lost)


def heard(seen: Iterable[Reading]) -> dict[str, float]:
    """Return each band heard at the site and its strongest RSRP in dBm; a band heard without a level counts as -140."""
    strength: dict[str, float] = {}
    for reading in seen:
        for carrier in reading.carriers:
            band = band_of(carrier)
            if band is not None:
                level = carrier.number("rsrp")
                strength[band] = max(strength.get(band, -140.0), -140.0 if level is None else level)
    return strength


def _modes(abilities: GatewayAbilities) -> list[Tuning]:
    texts = {"automatic": "as it chooses itself", "endc": "LTE with NR added, no standalone", "nr-sa": "NR standalone only", "lte": "LTE only"}
    has_nr = not abilities.bands or any(band[0] == "n" for band in abilities.bands)
    rows = [(mode, text) for mode, text in texts.items() if mode in abilities.modes and (has_nr or mode in ("automatic", "lte"))]
    return [_tuning(mode, (), text, abilities) for mode, text in rows]


def _without(abilities: GatewayAbilities, usable: Sequence[str]) -> list[Tuning]:
    """Leave one band out at a time: the cheapest question about which band does harm. Bands of one technology stay when the other's last would go."""
    if not abilities.bands:
        return []
    found = []
    for band in usable:
        rest = tuple(b for b in abilities.bands if b != band)
        if rest and any(b in usable for b in rest):
            same_left = any(b[0] == band[0] for b in rest)
            mode = "automatic" if same_left else ("lte" if band[0] == "n" else "nr-sa")
            if mode in abilities.modes:
                found.append(_tuning(mode, rest, f"without {band}", abilities, only_key=f"without {band}"))
    return found


def _anchors(abilities: GatewayAbilities, usable: Sequence[str], strength: dict[str, float], weak_dbm: float) -> list[Tuning]:
    """One LTE band as the anchor, with every NR band that was heard; then one LTE band alone; then one NR band standalone."""
    if not abilities.bands:
        return []
    strong = [band for band in usable if strength[band] >= weak_dbm]
    lte, nr = [b for b in strong if b[0] == "B"], tuple(b for b in strong if b[0] == "n")
    found = []
    if "endc" in abilities.modes and nr:
        found += [_tuning("endc", (band, *nr), f"anchor {band}", abilities, only_key=f"anchor {band}") for band in lte]
    if "nr-sa" in abilities.modes and len(nr) > 1:
        found += [_tuning("nr-sa", (band,), f"standalone on {band}", abilities, only_key=f"standalone {band}") for band in nr]
    if "lte" in abilities.modes and len(lte) > 1:
        found += [_tuning("lte", (band,), f"LTE on {band}", abilities, only_key=f"lte {band}") for band in lte]
    return found


def _tuning(mode: str, bands: tuple[str, ...], text: str, abilities: GatewayAbilities, *, only_key: str | None = None) -> Tuning:
    bare = Tuning(key=only_key or {"nr-sa": "standalone", "endc": "non-standalone", "lte": "lte", "automatic": "automatic"}[mode], mode=mode, bands=bands)
    lost = excludes(bare, abilities)
    return Tuning(key=bare.key, mode=mode, bands=bands, label=f"{text}; excludes {', '.join(lost)}" if lost else text)


def _shut_out(band: str, mode: str) -> bool:
    """Whether the mode alone already excludes a band."""
    return (mode == "lte" and band[0] == "n") or (mode == "nr-sa" and band[0] == "B")
