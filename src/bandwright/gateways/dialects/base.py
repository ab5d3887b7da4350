"""What a dialect is: its allow-listed commands, and the pure steps between a tuning, commands, and read-back texts.

A dialect asks nothing itself. The gateway sends its commands and gives it the answers; what it returns are commands to send or
values that were read. Dialects are named by their command words.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bandwright.errors import GatewayRefused
from bandwright.gateways.commands import Command, Row
from bandwright.words.rig import Tuning

__all__ = [
    "MODES",
    "Answers",
    "Dialect",
    "Pin",
    "Raw",
    "Seen",
    "Wanted",
    "band_names",
    "fields",
    "information",
    "pinned",
    "refuse_mode",
    "refuse_pin",
    "same_value",
    "wanted",
]

MODES = ("automatic", "nr-sa", "endc", "lte")

Answers = Mapping[str, str]  # row key -> the text that answered it; rows that were refused are absent
Raw = Mapping[str, str]  # setting -> its value as printed

_BAND = re.compile(r"([Bn])(\d{1,3})")


@dataclass(frozen=True, slots=True)
class Pin:
    """A cell to stay on. rat: lte or nr."""

    rat: str
    channel: int
    pci: int
    scs_khz: int | None = None
    band: int | None = None


@dataclass(frozen=True, slots=True)
class Wanted:
    """A tuning, with its bands parted by technology and its mode narrowed to what those bands allow."""

    mode: str
    lte: tuple[int, ...]
    nr: tuple[int, ...]
    all_bands: bool
    pin: Pin | None


@dataclass(frozen=True, slots=True)
class Seen:
    """What a read-back says; None is "not said", and cell "" is "none is pinned"."""

    mode: str | None = None
    bands: tuple[str, ...] | None = None
    cell: str | None = None


class Dialect:
    """Base of all dialects: reads the radio state, sets nothing."""

    key = ""
    label = ""
    source = ""
    modes: tuple[str, ...] = ()
    can_pin_cell = False
    can_choose_bands = False
    recognise: Row
    prepare: tuple[Row, ...] = ()  # sent once after opening; refusals are ignored
    reads: tuple[Row, ...] = ()
    reads_under_load: tuple[Row, ...] = ()
    asks: tuple[Row, ...] = ()
    capability: tuple[Row, ...] = ()
    writes: tuple[Row, ...] = ()

    @property
    def can_tune(self) -> bool:
        """Whether it can set anything."""
        return bool(self.modes or self.can_choose_bands or self.can_pin_cell)

    def rows(self) -> tuple[Row, ...]:
        """Return every row of this dialect: its whole allow-list."""
        return (self.recognise, *self.prepare, *self.reads, *self.reads_under_load, *self.asks, *self.capability, *self.writes)

    def raw(self, answers: Answers) -> dict[str, str]:
        """Return the settings that read-back answers print."""
        del answers
        return {}

    def seen(self, raw: Raw) -> Seen:
        """Return what the settings mean."""
        del raw
        return Seen()

    def supported(self, answers: Answers, raw: Raw) -> tuple[str, ...]:
        """Return the bands that can be chosen, as far as the equipment says."""
        del answers, raw
        return ()

    def write(self, want: Wanted, *, raw: Raw, supported: Sequence[str]) -> tuple[Command, ...]:
        """Return the commands that bring the settings from `raw` to what is wanted. Raises GatewayRefused where they cannot."""
        del want, raw, supported
        raise GatewayRefused(
            f"equipment of dialect {self.label} is only read", todo="Its settings are not documented, so none is sent; set it on its own page."
        )

    def put_back(self, former: Raw, *, raw: Raw) -> tuple[Command, ...]:
        """Return the commands that bring the settings from `raw` back to `former`."""
        del former, raw
        raise GatewayRefused(f"equipment of dialect {self.label} is only read", todo="Set it back on its own page.")


def wanted(tuning: Tuning, *, label: str = "this gateway") -> Wanted:
    """Return a tuning as what is to be set. Raises GatewayRefused where mode, bands and cell contradict one another."""
    if tuning.mode not in MODES:
        raise GatewayRefused("mode", given=tuning.mode, allowed=", ".join(MODES))
    lte: list[int] = []
    nr: list[int] = []
    for name in tuning.bands:
        found = _BAND.fullmatch(name)
        if found is None:
            raise GatewayRefused("band", given=name, allowed="names like B20 or n78")
        (lte if found.group(1) == "B" else nr).append(int(found.group(2)))
    mode = tuning.mode
    if tuning.bands:
        if mode == "automatic" and not (lte and nr):
            mode = "lte" if lte else "nr-sa"
        if (mode in ("endc", "lte") and not lte) or (mode in ("endc", "nr-sa") and not nr):
            need = {"endc": "an LTE band (the anchor) and an NR band", "lte": "an LTE band", "nr-sa": "an NR band"}[mode]
            raise GatewayRefused(f"mode {mode} with bands {', '.join(tuning.bands)}", todo=f"It needs {need}. Nothing was sent to {label}.")
    pin = pinned(tuning.cell) if tuning.cell else None
    if pin is not None and ((pin.rat == "lte" and mode == "nr-sa") or (pin.rat == "nr" and mode == "lte")):
        raise GatewayRefused(f"mode {mode} with a pinned {pin.rat.upper()} cell", todo="The mode excludes that cell. Nothing was sent.")
    return Wanted(mode=mode, lte=tuple(sorted(set(lte))), nr=tuple(sorted(set(nr))), all_bands=not tuning.bands, pin=pin)


def pinned(cell: str) -> Pin:
    """Return a cell written as "lte:EARFCN:PCI" or "nr:ARFCN:PCI[:SCS_KHZ:BAND]". Raises GatewayRefused."""
    parts = cell.split(":")
    numbers = [int(part) for part in parts[1:] if part.isascii() and part.isdecimal()]
    if len(numbers) == len(parts) - 1:
        if parts[0] == "lte" and len(numbers) == 2 and numbers[0] <= 262143 and numbers[1] <= 503:
            return Pin("lte", *numbers)
        if parts[0] == "nr" and len(numbers) in (2, 4) and numbers[0] <= 3279165 and numbers[1] <= 1007:
            return Pin("nr", *numbers)
    raise GatewayRefused(
        "cell", given=cell, allowed="lte:EARFCN:PCI or nr:ARFCN:PCI:SCS_KHZ:BAND", source="TS 36.101 5.7.3, TS 38.104 5.4.2, TS 38.211 7.4.2.1"
    )


def refuse_pin(want: Wanted, speaks: Dialect) -> None:
    """Raise GatewayRefused where a pinned cell is wanted of a dialect that has no command for it."""
    if want.pin is not None:
        raise GatewayRefused("a pinned cell", todo=f"No command for it is documented for dialect {speaks.label}. Nothing was sent.")


def refuse_mode(want: Wanted, speaks: Dialect) -> None:
    """Raise GatewayRefused where a mode is wanted that a dialect has no command for."""
    if want.mode not in speaks.modes:
        raise GatewayRefused(
            "mode", given=want.mode, allowed=", ".join(speaks.modes), todo=f"Dialect {speaks.label} has no command for others. Nothing was sent."
        )


def band_names(lte: Sequence[int] = (), nr: Sequence[int] = ()) -> tuple[str, ...]:
    """Return band names in their usual order: B1, B3, ..., n1, n78."""
    return (*(f"B{n}" for n in sorted(set(lte))), *(f"n{n}" for n in sorted(set(nr))))


def information(text: str, prefix: str) -> list[str]:
    """Return what follows `prefix` in each line that begins with it, e.g. prefix "+CNMP:"."""
    return [line[len(prefix) :].strip() for line in map(str.strip, text.splitlines()) if line.startswith(prefix)]


def last_value(name: str, text: str, prefix: str) -> dict[str, str]:
    """Return the last line that begins with `prefix`, under a name; {} where there is none."""
    lines = information(text, prefix)
    return {name: lines[-1]} if lines else {}


def same_value(one: str | None, other: str | None) -> bool:
    """Whether two printed settings mean the same: case, quotes, blanks, "0x" and leading zeros aside, and the order of lists joined by colons."""
    return _plain(one) == _plain(other)


def _plain(printed: str | None) -> tuple[tuple[str, ...], ...] | None:
    if printed is None:
        return None
    parts = printed.replace('"', "").casefold().split(",")
    return tuple(tuple(sorted(word.strip().removeprefix("0x").lstrip("0") or "0" for word in part.split(":"))) for part in parts)


def fields(values: str) -> list[str]:
    """Return comma-separated values; commas inside quotes do not part, and quotes are taken off."""
    return [part.strip() for part in next(csv.reader([" ".join(values.splitlines())], skipinitialspace=True), [])]
