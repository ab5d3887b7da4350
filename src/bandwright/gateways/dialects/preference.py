"""The dialect of `+QENG`, `+QCAINFO`, `+QNWPREFCFG`, `+QNWLOCK`.

Reads are as the Network Application Note, editions 3.2 and 3.3, prints them. The settings are known from public code that uses them
only: `"nr5g_disable_mode"` 0 allows both, 1 takes standalone away, 2 takes non-standalone away; `"nr5g_band"` lists the bands of
standalone, `"nsa_nr5g_band"` those of non-standalone. What the equipment uses is the configured list cut by the carrier policy
(`"policy_band"`): a band outside it is accepted, answered OK, and never used. A list of no bands is printed as 0.
`"common/5g"` pins standalone cells only. A pin without `"save_ctrl"` is gone after a restart of the modem, which is what we want.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from bandwright.errors import GatewayRefused
from bandwright.gateways.commands import Choice, Command, Numbers, Row, Whole, Words
from bandwright.gateways.dialects.base import Answers, Dialect, Pin, Raw, Seen, Wanted, band_names, fields, information, same_value

__all__ = ["Preference"]

_READ = "Network Application Note 3.2"
_CODE = "public code that uses it"

_MODE_WORDS = ("AUTO", "LTE", "NR5G", "WCDMA")
_LISTS = ("lte_band", "nr5g_band", "nsa_nr5g_band")
_PINS = ("common/4g", "common/5g")
_SCS_KHZ = (15, 30, 60, 120, 240)

SERVING = Row(key="qeng serving", template='AT+QENG="servingcell"', expects="+QENG:", source=_READ)
NEIGHBOURS = Row(key="qeng neighbours", template='AT+QENG="neighbourcell"', expects="+QENG:", source=_READ)
CARRIERS = Row(key="qcainfo", template="AT+QCAINFO", expects="+QCAINFO:", source=_READ)
EPS = Row(key="cereg", template="AT+CEREG?", expects="+CEREG:", source="3GPP TS 27.007, 10.1.22")
FIVEGS = Row(key="c5greg", template="AT+C5GREG?", expects="+C5GREG:", source="3GPP TS 27.007, 10.1.47")
OPERATOR = Row(key="cops", template="AT+COPS?", expects="+COPS:", source="3GPP TS 27.007, 7.3")

MODE_ASK = Row(key="mode_pref?", template='AT+QNWPREFCFG="mode_pref"', expects="+QNWPREFCFG:", source=_CODE)
DISABLE_ASK = Row(key="nr5g_disable_mode?", template='AT+QNWPREFCFG="nr5g_disable_mode"', expects="+QNWPREFCFG:", source=_CODE)
LTE_ASK = Row(key="lte_band?", template='AT+QNWPREFCFG="lte_band"', expects="+QNWPREFCFG:", source=_CODE)
SA_ASK = Row(key="nr5g_band?", template='AT+QNWPREFCFG="nr5g_band"', expects="+QNWPREFCFG:", source=_CODE)
NSA_ASK = Row(key="nsa_nr5g_band?", template='AT+QNWPREFCFG="nsa_nr5g_band"', expects="+QNWPREFCFG:", source=_CODE)
LTE_PIN_ASK = Row(key="common/4g?", template='AT+QNWLOCK="common/4g"', expects="+QNWLOCK:", source=_CODE)
NR_PIN_ASK = Row(key="common/5g?", template='AT+QNWLOCK="common/5g"', expects="+QNWLOCK:", source=_CODE)
POLICY = Row(key="policy_band?", template='AT+QNWPREFCFG="policy_band"', expects="+QNWPREFCFG:", source=_CODE)
CAPABILITY = Row(key="ue_capability_band?", template='AT+QNWPREFCFG="ue_capability_band"', expects="+QNWPREFCFG:", source=_CODE)

MODE = Row(key="mode_pref", template='AT+QNWPREFCFG="mode_pref",{modes}', slots=(("modes", Words(_MODE_WORDS)),), patience=3, changes=True, source=_CODE)
DISABLE = Row(
    key="nr5g_disable_mode", template='AT+QNWPREFCFG="nr5g_disable_mode",{what}', slots=(("what", Whole(0, 2)),), patience=3, changes=True, source=_CODE
)
BANDS = Row(
    key="bands", template='AT+QNWPREFCFG="{list}",{bands}', slots=(("list", Choice(_LISTS)), ("bands", Numbers(1, 512))), patience=3, changes=True, source=_CODE
)
LTE_PIN = Row(
    key="common/4g",
    template='AT+QNWLOCK="common/4g",1,{earfcn},{pci}',
    slots=(("earfcn", Whole(0, 262143)), ("pci", Whole(0, 503))),
    patience=3,
    changes=True,
    source=_CODE,
)
NR_PIN = Row(
    key="common/5g",
    template='AT+QNWLOCK="common/5g",{pci},{arfcn},{scs},{band}',
    slots=(("pci", Whole(0, 1007)), ("arfcn", Whole(0, 3279165)), ("scs", Whole(15, 240)), ("band", Whole(1, 512))),
    patience=3,
    changes=True,
    source=_CODE,
)
UNPIN = Row(key="unpin", template='AT+QNWLOCK="{which}",0', slots=(("which", Choice(_PINS)),), patience=3, changes=True, source=_CODE)


class Preference(Dialect):
    """The dialect of `+QENG`."""

    key = "+QENG"
    label = "+QENG and +QNWPREFCFG"
    source = "Network Application Note 3.2 (reads); public code (settings)"
    modes = ("automatic", "nr-sa", "endc", "lte")
    can_pin_cell = True
    can_choose_bands = True
    recognise = MODE_ASK
    reads = (SERVING, CARRIERS, NEIGHBOURS, EPS, FIVEGS, OPERATOR)
    reads_under_load = (SERVING, CARRIERS, EPS, FIVEGS)
    asks = (MODE_ASK, DISABLE_ASK, LTE_ASK, SA_ASK, NSA_ASK, LTE_PIN_ASK, NR_PIN_ASK)
    capability = (POLICY, CAPABILITY)
    writes = (MODE, DISABLE, BANDS, LTE_PIN, NR_PIN, UNPIN)

    def raw(self, answers: Answers) -> dict[str, str]:
        """Return the settings that read-back answers print."""
        found: dict[str, str] = {}
        for row in self.asks:
            for line in information(answers.get(row.key, ""), row.expects):
                name, _, value = line.partition(",")
                if name.strip('"') == row.key.rstrip("?"):
                    found[name.strip('"')] = value.strip()
        return found

    def seen(self, raw: Raw) -> Seen:
        """Return what the settings mean."""
        mode = _mode(raw)
        lte, sa, nsa = (_bands(raw.get(name)) for name in _LISTS)
        sa_nsa = None if sa is None or nsa is None else (*sa, *nsa)
        nr = {"lte": (), "nr-sa": sa, "endc": nsa, "automatic": sa_nsa, None: None}[mode]
        lte = () if mode == "nr-sa" else lte
        bands = None if lte is None or nr is None else band_names(lte, nr)
        return Seen(mode=mode, bands=bands, cell=_cell(raw))

    def supported(self, answers: Answers, raw: Raw) -> tuple[str, ...]:
        """Return the bands that can be chosen, as far as the equipment says."""
        for row in self.capability:  # the policy says what may be used; the capability is only what is configured and may be used
            lists = {fields(line)[0]: fields(line)[1] for line in information(answers.get(row.key, ""), row.expects) if len(fields(line)) == 2}
            found = [_bands(lists.get(name)) for name in _LISTS]
            if any(found):
                return band_names(found[0] or (), (*(found[1] or ()), *(found[2] or ())))
        lte, sa, nsa = (_bands(raw.get(name)) for name in _LISTS)
        return band_names(lte or (), (*(sa or ()), *(nsa or ())))

    def write(self, want: Wanted, *, raw: Raw, supported: Sequence[str]) -> tuple[Command, ...]:
        """Return the commands from `raw` to what is wanted. Raises GatewayRefused."""
        if want.pin is not None and want.pin.rat == "nr":
            _check_nr_pin(want)
        lte_all = tuple(int(name[1:]) for name in supported if name[0] == "B")
        nr_all = tuple(int(name[1:]) for name in supported if name[0] == "n")
        lte, nr = (lte_all, nr_all) if want.all_bands else (want.lte, want.nr)
        lists = {
            "lte_band": lte if want.all_bands or want.mode != "nr-sa" else (),
            "nr5g_band": nr if want.all_bands or want.mode in ("nr-sa", "automatic") else (),
            "nsa_nr5g_band": nr if want.all_bands or want.mode in ("endc", "automatic") else (),
        }
        modes = {"automatic": ("AUTO",), "nr-sa": ("NR5G",), "endc": ("LTE", "NR5G"), "lte": ("LTE",)}[want.mode]
        disable = {"automatic": 0, "nr-sa": 2, "endc": 1, "lte": 0}[want.mode]
        held = [pin for which in _PINS if (pin := _raw_pin(which, raw.get(which, "0"))) is not None]
        keep = want.pin is not None and held == [want.pin]
        commands = [] if keep else [UNPIN.fill(which=which) for which in _PINS if raw.get(which, "0") != "0"]
        commands += [BANDS.fill(list=name, bands=bands) for name, bands in lists.items() if bands and _bands(raw.get(name)) != bands]
        if raw.get("nr5g_disable_mode") != str(disable):
            commands.append(DISABLE.fill(what=disable))
        if set(raw.get("mode_pref", "").split(":")) != set(modes):
            commands.append(MODE.fill(modes=modes))
        if want.pin is not None and not keep:
            commands.append(_pin(want.pin))
        return tuple(commands)

    def put_back(self, former: Raw, *, raw: Raw) -> tuple[Command, ...]:
        """Return the commands from `raw` back to `former`."""
        commands = [UNPIN.fill(which=which) for which in _PINS if raw.get(which, "0") != "0" and not same_value(raw[which], former.get(which))]
        for name in _LISTS:
            bands = _bands(former.get(name))
            if bands and not same_value(former[name], raw.get(name)):
                commands.append(BANDS.fill(list=name, bands=bands))
        if former.get("nr5g_disable_mode", "").isdecimal() and former["nr5g_disable_mode"] != raw.get("nr5g_disable_mode"):
            commands.append(DISABLE.fill(what=int(former["nr5g_disable_mode"])))
        if former.get("mode_pref") and not same_value(former["mode_pref"], raw.get("mode_pref")):
            commands.append(MODE.fill(modes=tuple(former["mode_pref"].split(":"))))
        for which in _PINS:
            pin = _raw_pin(which, former.get(which, "0"))
            if pin is not None and not same_value(former[which], raw.get(which)):
                commands.append(_pin(pin))
        return tuple(commands)


def _mode(raw: Raw) -> str | None:
    words = set(raw.get("mode_pref", "").split(":")) - {"", "WCDMA"}
    disable = raw.get("nr5g_disable_mode", "0")
    if "AUTO" in words or words == {"LTE", "NR5G"}:
        return {"0": "automatic", "1": "endc"}.get(disable)  # 2: LTE and standalone without EN-DC, which no mode of ours names
    if words == {"NR5G"}:
        return None if disable == "1" else "nr-sa"
    return "lte" if words == {"LTE"} else None


def _bands(text: str | None) -> tuple[int, ...] | None:
    """Return the bands of a list like 1:3:20; 0 is an empty list; None where it was not printed."""
    if text is None or not re.fullmatch(r"\d+(?::\d+)*", text):
        return None
    return tuple(sorted({int(n) for n in text.split(":")} - {0}))


def _raw_pin(which: str, value: str) -> Pin | None:
    numbers = [int(part) for part in fields(value) if part.isdecimal()]
    if which == "common/4g" and len(numbers) >= 3 and numbers[0] == 1:
        return Pin("lte", numbers[1], numbers[2])
    if which == "common/5g" and len(numbers) == 4:
        return Pin("nr", numbers[1], numbers[0], numbers[2], numbers[3])
    return None


def _cell(raw: Raw) -> str | None:
    """Return the pinned cell, "" where the read-back says that none is, None where it does not say."""
    for which in _PINS:
        pin = _raw_pin(which, raw.get(which, "0"))
        if pin is not None:
            return f"{pin.rat}:{pin.channel}:{pin.pci}"
    return "" if all(raw.get(which) == "0" for which in _PINS) else None


def _check_nr_pin(want: Wanted) -> None:
    pin = want.pin
    if want.mode == "endc":
        raise GatewayRefused(
            "an NR cell pinned in EN-DC", todo="This dialect pins NR cells in standalone mode only; pin the LTE anchor instead. Nothing was sent."
        )
    if pin is None or pin.scs_khz not in _SCS_KHZ or pin.band is None:
        raise GatewayRefused(
            "cell", given=None if pin is None else f"nr:{pin.channel}:{pin.pci}", allowed="nr:ARFCN:PCI:SCS_KHZ:BAND for this dialect", todo="Nothing was sent."
        )


def _pin(pin: Pin) -> Command:
    if pin.rat == "lte":
        return LTE_PIN.fill(earfcn=pin.channel, pci=pin.pci)
    return NR_PIN.fill(pci=pin.pci, arfcn=pin.channel, scs=pin.scs_khz, band=pin.band)
