"""Dialects whose bands are lists of numbers: C (`+CPSI`, `+CNMP`, `+CSYSSEL`), E (`+XACT`), F (`+GTACT`).

None of their documented commands parts standalone from non-standalone, so mode endc cannot be asked for, and none pins a cell in a way that
we have seen documented with its fields. `+XACT` and `+GTACT` number a band as 100 + n for LTE (103 is B3); `+GTACT` writes an NR band as the
digits 50 before its number (5078 is n78, 501 is n1). Values: test suites of public modem software; `+CSYSSEL`: public code that uses it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from bandwright.errors import GatewayRefused
from bandwright.gateways.commands import Choice, Command, Numbers, Row, Whole
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
from bandwright.gateways.dialects.preference import EPS, FIVEGS, OPERATOR

__all__ = ["AccessTechnology", "FourGFiveG", "SystemSelection"]

_MANUAL = "AT Command Manual V1.00.01 of the +CPSI dialect, 4.2.14"
_TEST = "test suite of a public modem daemon"
_CODE = "public code that uses it"

CPSI = Row(key="cpsi", template="AT+CPSI?", expects="+CPSI:", source=_MANUAL)
CNMP_ASK = Row(key="cnmp?", template="AT+CNMP?", expects="+CNMP:", source=_MANUAL)
CNMP = Row(key="cnmp", template="AT+CNMP={n}", slots=(("n", Whole(2, 109)),), patience=3, changes=True, source=_MANUAL)
_C_LISTS = ("lte_band", "nr5g_band", "nsa_nr5g_band")
C_ASKS = tuple(Row(key=f"csyssel {name}?", template=f'AT+CSYSSEL="{name}"', expects="+CSYSSEL:", source=_CODE) for name in _C_LISTS)
CSYSSEL = Row(
    key="csyssel",
    template='AT+CSYSSEL="{list}",{bands}',
    slots=(("list", Choice(_C_LISTS)), ("bands", Numbers(1, 512))),
    patience=3,
    changes=True,
    source=_CODE,
)

XCESQ = Row(key="xcesq", template="AT+XCESQ?", expects="+XCESQ:", source=_TEST)
XACT_ASK = Row(key="xact?", template="AT+XACT?", expects="+XACT:", source=_TEST)
XACT_ALL = Row(key="xact all", template="AT+XACT=?", expects="+XACT:", source=_TEST)
XACT = Row(
    key="xact",
    template="AT+XACT={rat},{first},{second},{bands}",
    slots=(("rat", Whole(0, 6)), ("first", Choice(("", "0", "1", "2"))), ("second", Choice(("", "0", "1", "2"))), ("bands", Numbers(0, 299, separator=","))),
    patience=3,
    changes=True,
    source=_TEST,
)

GTCCINFO = Row(key="gtccinfo", template="AT+GTCCINFO?", expects="+GTCCINFO:", source=_TEST)
GTACT_ASK = Row(key="gtact?", template="AT+GTACT?", expects="+GTACT:", source=_TEST)
GTACT_ALL = Row(key="gtact all", template="AT+GTACT=?", expects="+GTACT:", source=_TEST)
GTACT = Row(
    key="gtact",
    template="AT+GTACT={rat},{first},{second},{bands}",
    slots=(
        ("rat", Whole(0, 20)),
        ("first", Choice(("", "0", "1", "2", "3", "4", "5", "6"))),
        ("second", Choice(("", "0", "1", "2", "3", "4", "5", "6"))),
        ("bands", Numbers(0, 50512, separator=",")),
    ),
    patience=3,
    changes=True,
    source=_TEST,
)


class SystemSelection(Dialect):
    """The dialect of `+CPSI`. `+CNMP` 2 automatic, 38 LTE, 71 NR, 109 LTE and NR."""

    key = "+CPSI"
    label = "+CPSI and +CNMP"
    source = _MANUAL
    modes = ("automatic", "nr-sa", "lte")
    can_choose_bands = True
    recognise = CNMP_ASK
    reads = (CPSI, EXTENDED, EPS, FIVEGS, OPERATOR)
    reads_under_load = (CPSI, EPS, FIVEGS)
    asks = (CNMP_ASK, *C_ASKS)
    writes = (CNMP, CSYSSEL)

    def raw(self, answers: Answers) -> dict[str, str]:
        """Return the settings that read-back answers print."""
        found = last_value("cnmp", answers.get("cnmp?", ""), "+CNMP:")
        for row in C_ASKS:
            for line in information(answers.get(row.key, ""), row.expects):
                name, _, value = line.partition(",")
                if name.strip('"') in _C_LISTS:
                    found[name.strip('"')] = value.strip()
        return found

    def seen(self, raw: Raw) -> Seen:
        """Return what the settings mean."""
        mode = {"2": "automatic", "109": "automatic", "38": "lte", "71": "nr-sa"}.get(raw.get("cnmp", ""))
        lte, sa, nsa = (_colons(raw.get(name)) for name in _C_LISTS)
        if mode is None or lte is None or (sa is None and mode != "lte"):
            return Seen(mode=mode)
        nr = () if mode == "lte" else (sa or ()) + ((nsa or ()) if mode == "automatic" else ())
        return Seen(mode=mode, bands=band_names(() if mode == "nr-sa" else lte, nr))

    def supported(self, answers: Answers, raw: Raw) -> tuple[str, ...]:
        """Return the bands that are configured: the equipment says of no others."""
        del answers
        lte, sa, nsa = (_colons(raw.get(name)) for name in _C_LISTS)
        return band_names(lte or (), (sa or ()) + (nsa or ()))

    def write(self, want: Wanted, *, raw: Raw, supported: Sequence[str]) -> tuple[Command, ...]:
        """Return the commands from `raw` to what is wanted. Raises GatewayRefused."""
        refuse_pin(want, self)
        refuse_mode(want, self)
        lte = tuple(int(b[1:]) for b in supported if b[0] == "B") if want.all_bands else want.lte
        nr = tuple(int(b[1:]) for b in supported if b[0] == "n") if want.all_bands else want.nr
        lists = {
            "lte_band": lte if want.all_bands or want.mode != "nr-sa" else (),
            "nr5g_band": nr,
            "nsa_nr5g_band": nr if want.mode != "nr-sa" or want.all_bands else (),
        }
        if want.mode == "lte" and not want.all_bands:
            lists["nr5g_band"] = lists["nsa_nr5g_band"] = ()
        missing = [name for name, bands in lists.items() if bands and name not in raw]
        if missing and not want.all_bands:
            raise GatewayRefused("bands", todo=f"This modem does not read back {missing[0]}; what cannot be read back is not set. Nothing was sent.")
        commands = [CSYSSEL.fill(list=name, bands=bands) for name, bands in lists.items() if bands and name in raw and _colons(raw[name]) != bands]
        value = {"automatic": "2", "nr-sa": "71", "lte": "38"}[want.mode]
        return (*commands, *(() if raw.get("cnmp") == value else (CNMP.fill(n=int(value)),)))

    def put_back(self, former: Raw, *, raw: Raw) -> tuple[Command, ...]:
        """Return the commands from `raw` back to `former`."""
        commands = [CSYSSEL.fill(list=n, bands=bands) for n in _C_LISTS if (bands := _colons(former.get(n))) and not same_value(former[n], raw.get(n))]
        if former.get("cnmp", "").isdecimal() and former["cnmp"] != raw.get("cnmp"):
            commands.append(CNMP.fill(n=int(former["cnmp"])))
        return tuple(commands)


class _ActList(Dialect):
    """What `+XACT` and `+GTACT` share: one command holds technology, preferences and bands."""

    word = ""
    ask: Row
    every: Row
    command: Row
    rats: tuple[tuple[str, tuple[int, ...]], ...] = ()  # mode -> values, the one to set first
    first = second = ""

    def raw(self, answers: Answers) -> dict[str, str]:
        """Return the settings that read-back answers print."""
        return last_value(self.word, answers.get(self.ask.key, ""), self.ask.expects)

    def seen(self, raw: Raw) -> Seen:
        """Return what the settings mean."""
        rat, _, _, numbers = self._parts(raw)
        mode = next((mode for mode, values in self.rats if rat in values), None)
        lte, nr = self._decoded(numbers)
        bands = band_names(() if mode == "nr-sa" else lte, () if mode == "lte" else nr) if numbers and 0 not in numbers else None
        return Seen(mode=mode, bands=bands)

    def supported(self, answers: Answers, raw: Raw) -> tuple[str, ...]:
        """Return the bands that can be chosen, as far as the equipment says."""
        text = " ".join(information(answers.get(self.every.key, ""), self.every.expects))
        lte, nr = self._decoded(tuple(int(n) for n in re.findall(r"\d+", text)))
        return band_names(lte, nr) or (self.seen(raw).bands or ())

    def write(self, want: Wanted, *, raw: Raw, supported: Sequence[str]) -> tuple[Command, ...]:
        """Return the commands from `raw` to what is wanted. Raises GatewayRefused."""
        refuse_pin(want, self)
        refuse_mode(want, self)
        if self.word not in raw:
            raise GatewayRefused(f"this modem does not answer {self.ask.template}", todo="What cannot be read back is not set. Nothing was sent.")
        rat, first, second, numbers = self._parts(raw)
        values = dict(self.rats)[want.mode]
        value = rat if rat in values else values[0]
        lte = tuple(int(b[1:]) for b in supported if b[0] == "B") if want.all_bands else want.lte
        nr = tuple(int(b[1:]) for b in supported if b[0] == "n") if want.all_bands else want.nr
        bands = self._encoded(() if want.mode == "nr-sa" else lte, () if want.mode == "lte" else nr)
        if value == rat and (self._decoded(numbers) == self._decoded(bands) or (want.all_bands and not supported)):
            return ()
        both = want.mode == "automatic"
        return (self.command.fill(rat=value, first=(first or self.first) if both else "", second=(second or self.second) if both else "", bands=bands or (0,)),)

    def put_back(self, former: Raw, *, raw: Raw) -> tuple[Command, ...]:
        """Return the commands from `raw` back to `former`."""
        if self.word not in former or self._sorted(former) == self._sorted(raw):
            return ()
        rat, first, second, numbers = self._parts(former)
        return (self.command.fill(rat=rat, first=first, second=second, bands=numbers or (0,)),)

    def _parts(self, raw: Raw) -> tuple[int | None, str, str, tuple[int, ...]]:
        parts = [*fields(raw.get(self.word, "")), "", "", ""]
        return (int(parts[0]) if parts[0].isdecimal() else None), parts[1], parts[2], tuple(int(part) for part in parts[3:] if part.isdecimal())

    def _sorted(self, raw: Raw) -> tuple[int | None, str, str, tuple[int, ...]]:
        """The parts with bands in order: equipment may print them in another order than they were sent."""
        rat, first, second, numbers = self._parts(raw)
        return rat, first, second, tuple(sorted(numbers))

    def _decoded(self, numbers: Sequence[int]) -> tuple[tuple[int, ...], tuple[int, ...]]:
        lte = tuple(sorted(n - 100 for n in numbers if 101 <= n <= 199))
        nr = tuple(sorted(int(str(n)[2:]) for n in numbers if n >= 501 and str(n).startswith("50")))
        return lte, nr

    def _encoded(self, lte: Sequence[int], nr: Sequence[int]) -> tuple[int, ...]:
        return (*(100 + n for n in lte), *(int(f"50{n}") for n in nr))


class AccessTechnology(_ActList):
    """The dialect of `+XCESQ`. `+XACT` 2 LTE; 4 UMTS and LTE, 6 with GSM. It knows no NR."""

    key = "+XCESQ"
    label = "+XCESQ and +XACT"
    source = _TEST
    modes = ("automatic", "lte")
    can_choose_bands = True
    word, ask, every, command = "xact", XACT_ASK, XACT_ALL, XACT
    rats = (("automatic", (4, 5, 6)), ("lte", (2,)))
    first = "2"
    recognise = XACT_ASK
    reads = (XCESQ, STRENGTH, EPS, OPERATOR)
    reads_under_load = (XCESQ, EPS)
    asks = (XACT_ASK,)
    capability = (XACT_ALL,)
    writes = (XACT,)


class FourGFiveG(_ActList):
    """The dialect of `+GTCCINFO`. `+GTACT` 2 LTE, 14 NR, 17 LTE and NR, 20 with UMTS, 10 automatic."""

    key = "+GTCCINFO"
    label = "+GTCCINFO and +GTACT"
    source = _TEST
    modes = ("automatic", "nr-sa", "lte")
    can_choose_bands = True
    word, ask, every, command = "gtact", GTACT_ASK, GTACT_ALL, GTACT
    rats = (("automatic", (17, 20, 10)), ("nr-sa", (14,)), ("lte", (2,)))
    first, second = "6", "3"
    recognise = GTACT_ASK
    reads = (GTCCINFO, EXTENDED, EPS, FIVEGS, OPERATOR)
    reads_under_load = (GTCCINFO, EPS, FIVEGS)
    asks = (GTACT_ASK,)
    capability = (GTACT_ALL,)
    writes = (GTACT,)


def _colons(text: str | None) -> tuple[int, ...] | None:
    if text is None or not re.fullmatch(r"\d+(?::\d+)*", text):
        return None
    return tuple(sorted({int(n) for n in text.split(":")} - {0}))
