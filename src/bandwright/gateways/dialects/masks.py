"""Dialects whose bands are bit masks: A older (`+QCFG`), B (`!SELRAT`, `!BAND`), G (`^SYSCFGEX`). Bit n - 1 stands for band Bn; all know LTE only.

B chooses among profiles that the modem holds; defining a profile needs an unlock code, which is not sent. A mask of all ones means
"all bands", and says nothing of which the equipment has. Values: test suites of a public modem daemon; `!SELRAT` 06 and the "no change"
band value 0 of `+QCFG`: from memory.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from bandwright.errors import GatewayRefused
from bandwright.gateways.commands import Choice, Command, HexMask, Row, Whole
from bandwright.gateways.dialects.base import (
    Answers,
    Dialect,
    Raw,
    Seen,
    Wanted,
    band_names,
    fields,
    information,
    last_value,
    refuse_mode,
    refuse_pin,
    same_value,
)
from bandwright.gateways.dialects.generic import EXTENDED, STRENGTH
from bandwright.gateways.dialects.preference import CARRIERS, EPS, OPERATOR, SERVING

__all__ = ["Profiles", "ScanMode", "SystemConfiguration"]

_TEST = "test suite of a public modem daemon"
_ALL = 0x7FFFFFFFFFFFFFFF

SCAN_ASK = Row(key="nwscanmode?", template='AT+QCFG="nwscanmode"', expects="+QCFG:", source=_TEST)
BAND_ASK = Row(key="qcfg band?", template='AT+QCFG="band"', expects="+QCFG:", source=_TEST)
SCAN = Row(key="nwscanmode", template='AT+QCFG="nwscanmode",{n}', slots=(("n", Whole(0, 3)),), patience=3, changes=True, source=_TEST)
BAND = Row(key="qcfg band", template='AT+QCFG="band",0,{mask}', slots=(("mask", HexMask(128)),), patience=3, changes=True, source=_TEST)

GSTATUS = Row(key="gstatus", template="AT!GSTATUS?", expects="!GSTATUS:", source=_TEST)
LTEINFO = Row(key="lteinfo", template="AT!LTEINFO?", expects="!LTEINFO:", source=_TEST)
SELRAT_ASK = Row(key="selrat?", template="AT!SELRAT?", expects="!SELRAT:", source=_TEST)
PROFILE_ASK = Row(key="band?", template="AT!BAND?", source=_TEST)
PROFILES = Row(key="band all", template="AT!BAND=?", source=_TEST)
SELRAT = Row(key="selrat", template="AT!SELRAT={n}", slots=(("n", HexMask(8)),), patience=3, changes=True, source=_TEST)
PROFILE = Row(key="band", template="AT!BAND={index}", slots=(("index", HexMask(8)),), patience=3, changes=True, source=_TEST)

HCSQ = Row(key="hcsq", template="AT^HCSQ?", expects="^HCSQ:", source=_TEST)
SYSCFG_ASK = Row(key="syscfgex?", template="AT^SYSCFGEX?", expects="^SYSCFGEX:", source=_TEST)
SYSCFG = Row(
    key="syscfgex",
    template='AT^SYSCFGEX="{order}",{gw},{roam},{domain},{mask},,',
    slots=(
        ("order", Choice(("00", "01", "02", "03", "0203", "0302", "0201", "030201", "030202", "020301", "0301"))),
        ("gw", HexMask(64)),
        ("roam", Whole(0, 2)),
        ("domain", Whole(0, 4)),
        ("mask", HexMask(64)),
    ),
    patience=3,
    changes=True,
    source=_TEST,
)


class ScanMode(Dialect):
    """The dialect of `+QENG`, older LTE families. `"nwscanmode"` 0 automatic, 3 LTE only."""

    key = "+QENG older"
    label = "+QENG and +QCFG"
    source = _TEST
    modes = ("automatic", "lte")
    can_choose_bands = True
    recognise = SCAN_ASK
    reads = (SERVING, CARRIERS, EPS, OPERATOR)
    reads_under_load = (SERVING, CARRIERS, EPS)
    asks = (SCAN_ASK, BAND_ASK)
    writes = (SCAN, BAND)

    def raw(self, answers: Answers) -> dict[str, str]:
        """Return the settings that read-back answers print."""
        found = {}
        for row in self.asks:
            for line in information(answers.get(row.key, ""), "+QCFG:"):
                parts = fields(line)
                if parts[:1] == ["nwscanmode"] and len(parts) >= 2:
                    found["nwscanmode"] = parts[1]
                elif parts[:1] == ["band"] and len(parts) >= 3:
                    found["band"] = parts[2].lower().removeprefix("0x").upper()
        return found

    def seen(self, raw: Raw) -> Seen:
        """Return what the settings mean."""
        return Seen(mode={"0": "automatic", "3": "lte"}.get(raw.get("nwscanmode", "")), bands=_named(raw.get("band")))

    def supported(self, answers: Answers, raw: Raw) -> tuple[str, ...]:
        """Return the bands that are configured: the equipment says of no others."""
        del answers
        return _named(raw.get("band")) or ()

    def write(self, want: Wanted, *, raw: Raw, supported: Sequence[str]) -> tuple[Command, ...]:
        """Return the commands from `raw` to what is wanted. Raises GatewayRefused."""
        refuse_pin(want, self)
        refuse_mode(want, self)
        lte = tuple(int(b[1:]) for b in supported) if want.all_bands else want.lte
        commands = []
        if lte and _mask(lte) != _number(raw.get("band")):
            commands.append(BAND.fill(mask=_mask(lte)))
        value = {"automatic": 0, "lte": 3}[want.mode]
        return (*commands, *(() if raw.get("nwscanmode") == str(value) else (SCAN.fill(n=value),)))

    def put_back(self, former: Raw, *, raw: Raw) -> tuple[Command, ...]:
        """Return the commands from `raw` back to `former`."""
        commands = []
        mask, mode = _number(former.get("band")), former.get("nwscanmode", "")
        if mask and not same_value(former["band"], raw.get("band")):
            commands.append(BAND.fill(mask=mask))
        if mode.isdecimal() and mode != raw.get("nwscanmode"):
            commands.append(SCAN.fill(n=int(mode)))
        return tuple(commands)


class Profiles(Dialect):
    """The dialect of `!GSTATUS`. `!SELRAT` 00 automatic, 06 LTE only; bands by profiles that the modem already holds."""

    key = "!GSTATUS"
    label = "!GSTATUS and !SELRAT"
    source = _TEST
    modes = ("automatic", "lte")
    can_choose_bands = True
    recognise = SELRAT_ASK
    reads = (GSTATUS, LTEINFO, EPS, OPERATOR)
    reads_under_load = (GSTATUS, EPS)
    asks = (SELRAT_ASK, PROFILE_ASK, PROFILES)
    writes = (SELRAT, PROFILE)

    def raw(self, answers: Answers) -> dict[str, str]:
        """Return the settings that read-back answers print; `profiles` holds index=mask of every profile."""
        found = {name: value[:2] for name, value in last_value("selrat", answers.get("selrat?", ""), "!SELRAT:").items() if re.match(r"[0-9A-F]{2}\b", value)}
        current = _profiles(answers.get("band?", ""))
        if len(current) == 1:
            found["band"] = next(iter(current))
        held = _profiles(answers.get("band all", "")) | current
        if held:
            found["profiles"] = " ".join(f"{index}={mask}" for index, mask in sorted(held.items()))
        return found

    def seen(self, raw: Raw) -> Seen:
        """Return what the settings mean."""
        mask = _held(raw).get(raw.get("band", ""))
        return Seen(mode={"00": "automatic", "06": "lte"}.get(raw.get("selrat", "")), bands=_named(mask))

    def supported(self, answers: Answers, raw: Raw) -> tuple[str, ...]:
        """Return the bands of the widest profile."""
        del answers
        masks = [_number(mask) or 0 for mask in _held(raw).values()]
        return _named(f"{max(masks, default=0):X}") or ()

    def write(self, want: Wanted, *, raw: Raw, supported: Sequence[str]) -> tuple[Command, ...]:
        """Return the commands from `raw` to what is wanted. Raises GatewayRefused."""
        refuse_pin(want, self)
        refuse_mode(want, self)
        lte = tuple(int(b[1:]) for b in supported) if want.all_bands else want.lte
        commands = []
        held = _held(raw)
        if _number(held.get(raw.get("band", ""))) != _mask(lte):
            index = next((index for index, mask in held.items() if _number(mask) == _mask(lte)), None)
            if index is None and not want.all_bands:
                had = "; ".join(", ".join(_named(mask) or ()) for mask in held.values() if _named(mask))
                raise GatewayRefused(
                    "bands",
                    given=", ".join(band_names(lte)),
                    allowed=f"the profiles this modem holds: {had or 'none was read'}",
                    todo="Making a profile needs an unlock code, which is not sent.",
                )
            if index is not None:
                commands.append(PROFILE.fill(index=int(index, 16)))
        value = {"automatic": 0x00, "lte": 0x06}[want.mode]
        return (*commands, *(() if _number(raw.get("selrat")) == value else (SELRAT.fill(n=value),)))

    def put_back(self, former: Raw, *, raw: Raw) -> tuple[Command, ...]:
        """Return the commands from `raw` back to `former`."""
        commands = []
        for name, row, slot in (("band", PROFILE, "index"), ("selrat", SELRAT, "n")):
            value = _number(former.get(name))
            if value is not None and not same_value(former[name], raw.get(name)):
                commands.append(row.fill(**{slot: value}))
        return tuple(commands)


class SystemConfiguration(Dialect):
    """The dialect of `^HCSQ`. The first value "00" is automatic, "03" LTE only; the fields between are kept as they are."""

    key = "^HCSQ"
    label = "^HCSQ and ^SYSCFGEX"
    source = _TEST
    modes = ("automatic", "lte")
    can_choose_bands = True
    recognise = SYSCFG_ASK
    reads = (HCSQ, STRENGTH, EXTENDED, EPS, OPERATOR)
    reads_under_load = (HCSQ, EPS)
    asks = (SYSCFG_ASK,)
    writes = (SYSCFG,)

    def raw(self, answers: Answers) -> dict[str, str]:
        """Return the settings that read-back answers print."""
        return last_value("syscfgex", answers.get("syscfgex?", ""), "^SYSCFGEX:")

    def seen(self, raw: Raw) -> Seen:
        """Return what the settings mean."""
        parts = fields(raw.get("syscfgex", ""))
        if len(parts) < 5:
            return Seen()
        return Seen(mode="lte" if parts[0] == "03" else "automatic" if parts[0] == "00" or "03" in parts[0] else None, bands=_named(parts[4]))

    def write(self, want: Wanted, *, raw: Raw, supported: Sequence[str]) -> tuple[Command, ...]:
        """Return the commands from `raw` to what is wanted. Raises GatewayRefused."""
        del supported
        refuse_pin(want, self)
        refuse_mode(want, self)
        parts = fields(raw.get("syscfgex", ""))
        if len(parts) < 5:
            raise GatewayRefused("this modem does not answer ^SYSCFGEX?", todo="What cannot be read back is not set. Nothing was sent.")
        order, mask = {"automatic": "00", "lte": "03"}[want.mode], _ALL if want.all_bands else _mask(want.lte)
        same_mode = self.seen(raw).mode == want.mode
        same_bands = _named(parts[4]) is None if want.all_bands else _number(parts[4]) == mask
        return () if same_mode and same_bands else (_system(parts, order=order, mask=mask),)

    def put_back(self, former: Raw, *, raw: Raw) -> tuple[Command, ...]:
        """Return the commands from `raw` back to `former`."""
        parts = fields(former.get("syscfgex", ""))
        if len(parts) < 5 or same_value(former["syscfgex"], raw.get("syscfgex")):
            return ()
        return (_system(parts, order=parts[0], mask=_number(parts[4]) or _ALL),)


def _system(parts: Sequence[str], *, order: str, mask: int) -> Command:
    roam, domain = (int(part) if part.isdecimal() else -1 for part in parts[2:4])
    return SYSCFG.fill(order=order, gw=_number(parts[1]) or 0, roam=roam, domain=domain, mask=mask)


def _number(hexadecimal: str | None) -> int | None:
    text = (hexadecimal or "").removeprefix("0x")
    return int(text, 16) if re.fullmatch(r"[0-9A-Fa-f]{1,32}", text) else None


def _mask(bands: Sequence[int]) -> int:
    return sum(1 << (n - 1) for n in set(bands))


def _named(hexadecimal: str | None) -> tuple[str, ...] | None:
    """Return the bands of a mask, or None where it says none, or all ones."""
    mask = _number(hexadecimal)
    if not mask or mask & 0xFFFFFFFFFFFF == 0xFFFFFFFFFFFF:
        return None
    return band_names([n + 1 for n in range(mask.bit_length()) if mask >> n & 1])


def _held(raw: Raw) -> dict[str, str]:
    return dict(item.split("=", 1) for item in raw.get("profiles", "").split() if "=" in item)


def _profiles(text: str) -> dict[str, str]:
    """Return index -> LTE mask of the profiles in a table of `!BAND`, by the order of the mask columns in its heading."""
    found: dict[str, str] = {}
    columns: list[str] = []
    for line in text.splitlines():
        if "Band Mask" in line:
            columns = re.findall(r"(\w+) Band Mask", line)
        row = re.match(r"\s*([0-9A-Fa-f]{2}),\s*(.*?)((?:\s+[0-9A-Fa-f]{8,32})+)\s*$", line)
        if row and "L" in columns:
            masks = row.group(3).split()
            if columns.index("L") < len(masks):
                found[row.group(1).upper()] = masks[columns.index("L")].lstrip("0") or "0"
    return found
