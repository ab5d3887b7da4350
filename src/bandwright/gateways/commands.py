"""Commands that may be sent, as rows of tables: the only place where the text of a command comes from.

A `Row` is a template whose slots accept a closed set of values each. `Row.fill` makes a `Command`; nothing else can, and the
lines to the equipment accept nothing but a `Command`. So what is in no table cannot be sent: there is no list of
forbidden commands that somebody would have to keep complete.

`forbidden` is for the one place where the text is the user's own (kind `remote`): it knows the families of commands that
this program never sends, and is a second net, not the first.
Source of the families: 3GPP TS 27.007 and the command manuals of the dialects in `dialects`.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import InitVar, dataclass, field
from typing import Protocol

from bandwright.errors import GatewayRefused, OurFault

__all__ = ["Choice", "Command", "HexMask", "Numbers", "Row", "Slot", "Whole", "Words", "forbidden"]

_MINT = object()
_PRINTABLE = re.compile(r"[ -~]+")


class Slot(Protocol):
    """A place in a template: what may stand there."""

    def text(self, value: object) -> str | None:
        """Return the value as it is sent, or None where it may not stand here."""
        ...

    def allowed(self) -> str:
        """Return what may stand here, for a sentence."""
        ...


@dataclass(frozen=True, slots=True)
class Choice:
    """One of a closed set of words."""

    words: tuple[str, ...]

    def text(self, value: object) -> str | None:
        """Return the value as it is sent, or None where it may not stand here."""
        return value if isinstance(value, str) and value in self.words else None

    def allowed(self) -> str:
        """Return what may stand here, for a sentence."""
        return ", ".join(self.words)


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole number in low..high. digits: the least number of digits, with leading zeros."""

    low: int
    high: int
    digits: int = 1

    def text(self, value: object) -> str | None:
        """Return the value as it is sent, or None where it may not stand here."""
        if isinstance(value, bool) or not isinstance(value, int) or not self.low <= value <= self.high:
            return None
        return f"{value:0{self.digits}d}"

    def allowed(self) -> str:
        """Return what may stand here, for a sentence."""
        return f"{self.low}..{self.high}"


@dataclass(frozen=True, slots=True)
class Numbers:
    """A list of whole numbers in low..high, parted by `separator`. empty: what stands for no number, or None where there must be one."""

    low: int
    high: int
    separator: str = ":"
    empty: str | None = None

    def text(self, value: object) -> str | None:
        """Return the value as it is sent, or None where it may not stand here."""
        if isinstance(value, str) or not isinstance(value, Sequence):
            return None
        if not value:
            return self.empty
        one = Whole(self.low, self.high)
        texts = [one.text(item) for item in value]
        known = [item for item in texts if item is not None]
        return self.separator.join(known) if len(known) == len(texts) else None

    def allowed(self) -> str:
        """Return what may stand here, for a sentence."""
        return f"whole numbers {self.low}..{self.high}"


@dataclass(frozen=True, slots=True)
class Words:
    """A list of words out of a closed set, parted by `separator`; at least one, none twice."""

    words: tuple[str, ...]
    separator: str = ":"

    def text(self, value: object) -> str | None:
        """Return the value as it is sent, or None where it may not stand here."""
        if isinstance(value, str) or not isinstance(value, Sequence) or not value or len(set(value)) != len(value):
            return None
        return self.separator.join(value) if all(item in self.words for item in value) else None

    def allowed(self) -> str:
        """Return what may stand here, for a sentence."""
        return f"any of {', '.join(self.words)}"


@dataclass(frozen=True, slots=True)
class HexMask:
    """A bit mask of up to `bits` bits, printed as hexadecimal digits."""

    bits: int = 64

    def text(self, value: object) -> str | None:
        """Return the value as it is sent, or None where it may not stand here."""
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 1 << self.bits:
            return None
        return f"{value:X}"

    def allowed(self) -> str:
        """Return what may stand here, for a sentence."""
        return f"a mask of {self.bits} bits"


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One command that may be sent.

    key: its name. template: its text, slots in braces. expects: the start of the lines that answer it; "" where only a final
    result comes. patience: how many times the usual time-out it may take. changes: whether it alters a setting.
    """

    key: str
    template: str
    slots: tuple[tuple[str, Slot], ...] = ()
    expects: str = ""
    patience: float = 1.0
    changes: bool = False
    source: str = ""

    def fill(self, **values: object) -> Command:
        """Return the command with its slots filled. Raises GatewayRefused where a value may not stand in its slot."""
        slots = dict(self.slots)
        if slots.keys() != values.keys():
            raise OurFault(f"command row {self.key!r} takes {sorted(slots)}, was given {sorted(values)}")
        texts: dict[str, str] = {}
        for name, slot in slots.items():
            text = slot.text(values[name])
            if text is None:
                raise GatewayRefused(f"{name} of {self.key}", given=str(values[name]), allowed=slot.allowed(), todo="Nothing was sent.")
            texts[name] = text
        filled = self.template
        for name, text in texts.items():
            filled = filled.replace("{" + name + "}", text)
        return Command(filled, self, _MINT)


@dataclass(frozen=True, slots=True)
class Command:
    """A command that may be sent. Only `Row.fill` makes one."""

    text: str
    row: Row
    mint: InitVar[object] = field(default=None)

    def __post_init__(self, mint: object) -> None:
        if mint is not _MINT or not _PRINTABLE.fullmatch(self.text):
            raise OurFault("a command is made by a row of the command tables only", given=self.text)


@dataclass(frozen=True, slots=True)
class _Family:
    pattern: re.Pattern[str]
    what: str


def _family(pattern: str, what: str) -> _Family:
    return _Family(re.compile(pattern, re.IGNORECASE), what)


_FAMILIES: tuple[_Family, ...] = (
    _family(r"\+EGMR|\+SIMEI|\^PHYNUM|NVENCRYPT|\^DATALOCK", "writes a device identity"),
    _family(r"\b(?:IMEI|MEID|ESN)\s*[=,]|(?:write|set|change|repair)[-_ ]?(?:imei|meid)", "writes a device identity"),
    _family(
        r"\bAT&[FW]\d?(?!\w)|[;\s]&[FW]\d?(?!\w)|\+QPRTPARA|!CUSTOM|!IMAGE|!PRIID|!USB[VP]ID|\+QMBNCFG|\+QNVF?W|\^NVWR",
        "resets or rewrites the equipment's own files",
    ),
    _family(
        r"restore_band|\+GTFCCLOCK|factory|restore[-_]?defaults?|firmware|fota|upgrade|flash|\+QFOTADL|\+QFASTBOOT", "resets the equipment or loads firmware"
    ),
    _family(
        r"\+CPIN\s*=|\+CLCK|\+CPWD|\^CARDLOCK|\+CSIM|\+CRSM|\+QUIMSLOT|SWITCH_SLOT|(?:dms|uim)-\w*pin|simlock|unlock[-_]?(?:sim|code)",
        "touches SIM locks or the SIM's files",
    ),
    _family(
        r"\bATD\s*[*#\d>L\"']|[;\s]D\s*[*#\d]|\+CMG[SW]|\+CMSS|\+CUSD|\bsms(?:_|-)?(?:send|tool)|send[-_]?sms|--messaging-create|--voice-create|ussd",
        "makes calls, sends messages or spends money",
    ),
    _family(r"usbnet|!USBCOMP|\+GTUSBMODE|\+IPR\s*=|\+QUSBCFG", "changes the mode of a port"),
    _family(
        r"\+CFUN\s*=|\+QPOWD|!RESET|\+CRESET|\+CPOF|\^RESET|\^SMSO|\+COPS\s*=\s*2|operating-mode|--reset\b|\breboot\b|\bpoweroff\b|\bshutdown\b|airplane|flight",
        "turns the radio off, restarts or powers off",
    ),
    _family(r"\+COPS\s*=\s*\?|\+QSCAN|--3gpp-scan|network-scan", "scans, which interrupts service"),
)


def forbidden(text: str) -> str | None:
    """Return what a text would do that this program never asks for, or None where it knows no such thing of it.

    None is no promise: what a request of the user's own does cannot be known from its text. Percent-encoding, full-width forms and
    blanks inside a command are undone first.
    """
    from urllib.parse import unquote

    plain = text
    for _ in range(3):
        plain = unquote(plain)
    plain = unicodedata.normalize("NFKC", plain).replace("\\", "")
    squeezed = re.sub(r"[\s\"']+", "", plain)
    for family in _FAMILIES:
        if family.pattern.search(plain) or family.pattern.search(squeezed):
            return family.what
    return None
