"""Read-back of tuning settings: from the answers to setting queries to what the gateway says it is set to. Pure: text to SettingsSeen.

A setting that reads back is half the proof of it; the other half is a later reading that shows it. Nothing here says whether a setting
is in force. `raw` keeps each setting verbatim under the words that set it again. Sources: RG50xQ & RM5xxQ Series Network Application Note
3.2 (+QNWPREFCFG, +QNWLOCK), AT command reference of the EM74xx/MC74xx modules (!SELRAT, !BAND), TS 27.007 5.9 (+WS46, numbers from memory),
the D-Bus interface of ModemManager 1.20, recorded answers for +QCFG, +XACT, +GTACT, ^SYSCFGEX; numbers of +CNMP and +GTACT from memory.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field

from bandwright.radio.bands import is_known_band
from bandwright.readings.at.line import Answer, answer_at
from bandwright.readings.normalise import plain
from bandwright.words.radio import Capture, SettingsSeen

__all__ = ["SETTING_ROWS", "SettingRow", "read_settings"]

AUTOMATIC, LTE, ENDC, NR_SA = "automatic", "lte", "endc", "nr-sa"
_SETTING = re.compile(r"(?<![\w+!^])([+^!][A-Z][A-Z0-9_]{1,15}) ?:")


@dataclass(slots=True)
class _Seen:
    """What has been read so far. lte, nr: allowed bands by technology, None where they were not said."""

    mode: str | None = None
    refused: set[str] = field(default_factory=set)  # kinds of NR that are switched off: "sa", "nsa"
    lte: list[str] | None = None
    nr: list[str] | None = None
    cell: str | None = None
    raw: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SettingRow:
    """One row: the tag whose answer is a setting, and its reader. source: where its meaning stands."""

    tag: str
    read: Callable[[Answer, _Seen], None]
    source: str


def read_settings(capture: Capture | str) -> SettingsSeen:
    """Return the tuning settings that a text says; what it does not say is None. Later answers win over earlier ones. Never fails."""
    text = plain(capture.text if isinstance(capture, Capture) else capture).text
    seen = _Seen()
    for found in _SETTING.finditer(text):
        row = _BY_TAG.get(found.group(1))
        if row is None:
            continue
        answer = answer_at(text, found, joins=False)
        if answer.fields and not answer.cut and "(" not in text[found.end() : answer.stop]:
            row.read(answer, seen)
    _router(text, seen)
    _daemon(text, seen)
    bands = None if seen.lte is None and seen.nr is None else tuple(dict.fromkeys([*(seen.lte or ()), *(seen.nr or ())]))
    return SettingsSeen(mode=_mode(seen), bands=bands, cell=seen.cell, capture=capture if isinstance(capture, Capture) else None, raw=tuple(seen.raw.items()))


def _mode(seen: _Seen) -> str | None:
    """Return the mode, with what is switched off taken into account: LTE and NR without stand-alone NR is EN-DC."""
    if seen.mode == AUTOMATIC and seen.refused == {"sa"}:
        return ENDC
    if seen.refused and (seen.mode == AUTOMATIC or (seen.mode == NR_SA and "sa" in seen.refused)):
        return None
    return seen.mode


def _bands(letter: str, numbers: list[int]) -> list[str]:
    return [name for number in sorted(set(numbers)) if is_known_band(name := f"{letter}{number}")]


def _from_mask(text: str) -> list[str] | None:
    """Return the LTE bands of a hexadecimal mask: bit n-1 is band n."""
    bare = text.removeprefix("0x").removeprefix("0X")
    if not re.fullmatch(r"[0-9A-Fa-f]{1,32}", bare):
        return None
    mask = int(bare, 16)
    return _bands("B", [bit + 1 for bit in range(mask.bit_length()) if mask >> bit & 1])


def _listed(letter: str, text: str) -> list[str]:
    return _bands(letter, [int(part) for part in text.split(":") if part.isdecimal() and len(part) < 4])


def _values(answer: Answer, first: int = 0) -> str:
    """Return the fields from one on as they were printed, quotes included."""
    return ",".join(f'"{token.text}"' if token.quoted else token.text for token in answer.fields[first:])


def _preferences(answer: Answer, seen: _Seen) -> None:
    """Read +QNWPREFCFG: "name",value, and +CSYSSEL, which names its bands alike."""
    name = answer.fields[0].text.lower()
    if len(answer.fields) < 2:
        return
    value = answer.fields[1].text
    seen.raw[f'{answer.tag}="{name}"'] = _values(answer, 1)
    if name == "mode_pref":
        names = set(value.upper().split(":"))
        seen.mode = AUTOMATIC if names == {"AUTO"} or {"LTE", "NR5G"} <= names else LTE if names == {"LTE"} else NR_SA if names == {"NR5G"} else None
    elif name == "nr5g_disable_mode":
        seen.refused = {"1": {"sa"}, "2": {"nsa"}}.get(value, set())
    elif name == "lte_band":
        seen.lte = _listed("B", value)
    elif name in {"nr5g_band", "nsa_nr5g_band"}:
        seen.nr = [*(seen.nr or ()), *_listed("n", value)]


def _lock(answer: Answer, seen: _Seen) -> None:
    """Read +QNWLOCK: "common/4g",count,earfcn,pci... and "common/5g",pci,arfcn,scs,band; a count of 0 is no lock."""
    name, values = answer.fields[0].text.lower(), [token.text for token in answer.fields[1:]]
    if not values:
        return
    seen.raw[f'{answer.tag}="{name}"'] = _values(answer, 1)
    if not all(value.isdecimal() for value in values):
        return
    if name == "common/4g" and values[0] == "1" and len(values) >= 3:
        seen.cell = f"lte:{values[1]}:{values[2]}"
    elif name == "common/5g" and len(values) >= 4:
        seen.cell = f"nr:{values[1]}:{values[0]}"


def _older(answer: Answer, seen: _Seen) -> None:
    """Read +QCFG: "nwscanmode",n and "band",older mask,LTE mask[,...]."""
    name, values = answer.fields[0].text.lower(), [token.text for token in answer.fields[1:]]
    if name not in {"nwscanmode", "band"} or not values:
        return
    seen.raw[f'{answer.tag}="{name}"'] = _values(answer, 1)
    if name == "nwscanmode":
        seen.mode = {"0": AUTOMATIC, "3": LTE}.get(values[0])
    elif len(values) >= 2:
        seen.lte = _from_mask(values[1])


def _two_figures(answer: Answer, seen: _Seen) -> None:
    """Read +WS46: n. 25 is all 3GPP systems of its edition, 28 E-UTRAN only, 36 NG-RAN only (TS 27.007 5.9, from memory)."""
    value = answer.fields[0].text
    seen.raw[answer.tag] = _values(answer)
    seen.mode = {"25": AUTOMATIC, "28": LTE, "36": NR_SA}.get(value, seen.mode)


def _selection(answer: Answer, seen: _Seen) -> None:
    """Keep +COPS: mode of selection and network, which tune nothing but must be put back."""
    seen.raw[answer.tag] = _values(answer)


def _selrat(answer: Answer, seen: _Seen) -> None:
    """Read !SELRAT: nn, name."""
    seen.raw[answer.tag] = answer.fields[0].text
    name = answer.fields[1].text.lower() if len(answer.fields) > 1 else ""
    seen.mode = AUTOMATIC if name.startswith("auto") else LTE if name == "lte only" else None


def _preferred_mode(answer: Answer, seen: _Seen) -> None:
    """Read +CNMP: n (numbers from memory)."""
    seen.raw[answer.tag] = answer.fields[0].text
    seen.mode = {"2": AUTOMATIC, "38": LTE, "71": NR_SA}.get(answer.fields[0].text)


def _kept(answer: Answer, seen: _Seen) -> None:
    """Keep a setting whose values are not settled, so that it can be put back."""
    seen.raw[answer.tag] = _values(answer)


def _coded_bands(values: list[str]) -> tuple[list[str], list[str]]:
    """Return the LTE and NR bands of codes 1nn and 50nn."""
    lte = [int(value[1:]) for value in values if re.fullmatch(r"1\d\d", value)]
    nr = [int(value[2:]) for value in values if re.fullmatch(r"50\d{1,3}", value)]
    return _bands("B", lte), _bands("n", nr)


def _xact(answer: Answer, seen: _Seen) -> None:
    """Read +XACT: rat,preferred,,bands."""
    values = [token.text for token in answer.fields]
    seen.raw[answer.tag] = _values(answer)
    seen.mode = {"2": LTE, "6": AUTOMATIC}.get(values[0])
    lte, _ = _coded_bands(values[3:])
    seen.lte = lte or None


def _gtact(answer: Answer, seen: _Seen) -> None:
    """Read +GTACT: rat,first,second,bands (numbers of rat from memory)."""
    values = [token.text for token in answer.fields]
    seen.raw[answer.tag] = _values(answer)
    seen.mode = {"2": LTE, "10": AUTOMATIC, "14": NR_SA, "17": AUTOMATIC, "20": AUTOMATIC}.get(values[0])
    lte, nr = _coded_bands(values[3:])
    seen.lte, seen.nr = lte or None, nr or None


def _syscfgex(answer: Answer, seen: _Seen) -> None:
    """Read ^SYSCFGEX: "order",older bands,roaming,domain,LTE mask,,. All bits set is "any band"."""
    values = [token.text for token in answer.fields]
    seen.raw[answer.tag] = _values(answer)
    seen.mode = {"00": AUTOMATIC, "03": LTE}.get(values[0])
    if len(values) >= 5 and values[4]:
        bare = values[4].upper()
        seen.lte = None if bare.startswith("7FFFFFFF") else _from_mask(bare)


def _band_profile(answer: Answer, seen: _Seen) -> None:
    """Keep !BAND: index, name. Its masks stand in the line below and are read by `_router`."""
    first = answer.fields[0].text
    if re.fullmatch(r"[0-9A-Fa-f]{2}", first):
        seen.raw[answer.tag] = first


_ROUTER = re.compile(r"(?<![\w-])(network-mode|5g-band|band)=(\"[^\"\n]*\"|[\w,-]*)")
_MASKS = re.compile(r"^!BAND:[^\n]*\n(?:[^\n]*\n)?[ \t]*([0-9A-Fa-f]{2}),[ \t]*([^\n]*?)[ \t]{2,}([0-9A-Fa-f]{8,16})[ \t]+([0-9A-Fa-f]{8,16})", re.MULTILINE)


def _router(text: str, seen: _Seen) -> None:
    """Read the settings that a router system prints as name=value, and the masks of a band profile."""
    profile = _MASKS.search(text)
    if profile is not None:
        seen.raw["!BAND"] = profile.group(1)
        seen.lte = _from_mask(profile.group(4))
    if "network-mode=" not in text and "5g-band=" not in text:
        return
    for found in _ROUTER.finditer(text):
        if found.end() == len(text):
            continue
        name, value = found.group(1), found.group(2).strip('"')
        seen.raw[name] = value
        numbers = [int(part) for part in value.split(",") if part.isdecimal() and len(part) < 4]
        if name == "network-mode":
            names = {part.strip() for part in value.split(",") if part.strip()}
            seen.mode = AUTOMATIC if not names or {"lte", "5g"} <= names else LTE if names == {"lte"} else NR_SA if names == {"5g"} else None
        elif name == "band" and numbers:
            seen.lte = _bands("B", numbers)
        elif numbers:
            seen.nr = _bands("n", numbers)


_MODES_TEXT = re.compile(r"(?:current|current-modes\"?)[ \t]*:[ \t]*\"?allowed: ([2-5g, ]+?);[ ]*preferred: (\w+)")
_MODES_BUS = re.compile(r"CurrentModes\W+(?:uint32 )?(\d+)\W+(?:uint32 )?(\d+)")
_BANDS_TEXT = re.compile(
    r"(?:Bands[ \t]*\|[ \t]*)?current(?:-bands\"?)?[ \t]*:[ \t]*\[?\"?((?:(?:eutran|ngran|utran|egsm|dcs|pcs|g850|cdma)[\w-]*[\", \n|\t]*)+)"
)
_BANDS_BUS = re.compile(r"CurrentBands\"?'?\W+((?:(?:uint32 )?\d+[, \n\]]*)+)")


def _daemon(text: str, seen: _Seen) -> None:
    """Read a modem daemon's current modes and bands, printed or as its numbers: E-UTRA n is 30+n (106 is 1136), NR n is 300+n, 256 any."""
    found = _MODES_TEXT.search(text)
    names: set[str] = set()
    if found is not None:
        seen.raw["CurrentModes"] = f"allowed: {found.group(1).strip()}; preferred: {found.group(2)}"
        names = {part.strip() for part in found.group(1).split(",")}
    elif (numbers := _MODES_BUS.search(text)) is not None:
        allowed = int(numbers.group(1)) & 0xFFFFFFFF
        seen.raw["CurrentModes"] = f"{numbers.group(1)},{numbers.group(2)}"
        names = {name for bit, name in ((2, "2g"), (4, "3g"), (8, "4g"), (16, "5g")) if allowed & bit}
    if names:
        seen.mode = LTE if names == {"4g"} else NR_SA if names == {"5g"} else AUTOMATIC if {"4g", "5g"} <= names or "4g" in names else None
    if (listed := _BANDS_TEXT.search(text)) is not None:
        words = listed.group(1)
        seen.raw["CurrentBands"] = " ".join(re.findall(r"[a-z]\w*-?\d*", words))
        seen.lte = _bands("B", [int(number) for number in re.findall(r"eutran-(\d+)", words)])
        seen.nr = _bands("n", [int(number) for number in re.findall(r"ngran-(\d+)", words)])
    elif (coded := _BANDS_BUS.search(text)) is not None:
        codes = [int(number) for number in re.findall(r"\b\d{1,4}\b", coded.group(1))]
        seen.raw["CurrentBands"] = ",".join(map(str, codes))
        if 256 not in codes:
            seen.lte = _bands("B", [code - 30 for code in codes if 31 <= code <= 115] + [106 for code in codes if code == 1136])
            seen.nr = _bands("n", [code - 300 for code in codes if 301 <= code <= 600])


SETTING_ROWS: tuple[SettingRow, ...] = (
    SettingRow("+QNWPREFCFG", _preferences, "Network Application Note 3.2"),
    SettingRow("+QNWLOCK", _lock, "Network Application Note 3.2"),
    SettingRow("+QCFG", _older, "recorded answers"),
    SettingRow("+WS46", _two_figures, "TS 27.007 5.9, from memory"),
    SettingRow("+COPS", _selection, "TS 27.007 7.3"),
    SettingRow("!SELRAT", _selrat, "AT command reference, EM74xx/MC74xx"),
    SettingRow("!BAND", _band_profile, "AT command reference, EM74xx/MC74xx"),
    SettingRow("+CNMP", _preferred_mode, "from memory"),
    SettingRow("+CNBP", _kept, "AT manual of the +CPSI dialect, V1.00.01 (name)"),
    SettingRow("+CSYSSEL", _preferences, "AT manual of the +CPSI dialect, V1.00.01 (name)"),
    SettingRow("+CCELLCFG", _kept, "AT manual of the +CPSI dialect, V1.00.01 (name)"),
    SettingRow("+C5GCELLCFG", _kept, "AT manual of the +CPSI dialect, V1.00.01 (name)"),
    SettingRow("+XACT", _xact, "recorded answers"),
    SettingRow("+GTACT", _gtact, "recorded answers; numbers of rat from memory"),
    SettingRow("^SYSCFGEX", _syscfgex, "recorded answers"),
)

_BY_TAG = {row.tag: row for row in SETTING_ROWS}
