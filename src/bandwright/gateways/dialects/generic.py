"""The dialect of TS 27.007: what every modem answers. It reads codes, not channels, and sets the mode only.

`+WS46` values: TS 27.007 V16.3, 5.9, as a public modem daemon quotes the table. No value there parts standalone from non-standalone, so
mode endc cannot be asked for. Bands and cells cannot be set by any command of this standard.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from bandwright.errors import GatewayRefused
from bandwright.gateways.commands import Command, Row, Whole
from bandwright.gateways.dialects.base import Answers, Dialect, Raw, Seen, Wanted
from bandwright.gateways.dialects.preference import EPS, FIVEGS, OPERATOR

__all__ = ["Generic"]

_S = "3GPP TS 27.007, "

EXTENDED = Row(key="cesq", template="AT+CESQ", expects="+CESQ:", source=_S + "8.69")
STRENGTH = Row(key="csq", template="AT+CSQ", expects="+CSQ:", source=_S + "8.5")
EPS_DETAIL = Row(key="cereg detail", template="AT+CEREG=2", source=_S + "10.1.22")
FIVEGS_DETAIL = Row(key="c5greg detail", template="AT+C5GREG=2", source=_S + "10.1.47")
SYSTEM_ASK = Row(key="ws46?", template="AT+WS46?", source=_S + "5.9")
SYSTEMS = Row(key="ws46 all", template="AT+WS46=?", source=_S + "5.9")
SYSTEM = Row(key="ws46", template="AT+WS46={n}", slots=(("n", Whole(12, 40)),), patience=3, changes=True, source=_S + "5.9")
CONTEXTS = Row(key="cgdcont?", template="AT+CGDCONT?", expects="+CGDCONT:", source=_S + "10.1.1")
ACTIVE = Row(key="cgact?", template="AT+CGACT?", expects="+CGACT:", source=_S + "10.1.10")
SIM = Row(key="cpin?", template="AT+CPIN?", expects="+CPIN:", source=_S + "8.3")

_MODES = {"automatic": (35, 37, 25), "nr-sa": (36,), "lte": (28,)}
_MEANS = {35: "automatic", 37: "automatic", 38: "automatic", 39: "automatic", 25: "automatic", 36: "nr-sa", 28: "lte"}


class Generic(Dialect):
    """The dialect of TS 27.007."""

    key = "TS 27.007"
    label = "3GPP TS 27.007"
    source = "3GPP TS 27.007"
    modes = ("automatic", "nr-sa", "lte")
    recognise = STRENGTH
    prepare = (EPS_DETAIL, FIVEGS_DETAIL)
    reads = (EXTENDED, STRENGTH, EPS, FIVEGS, OPERATOR)
    reads_under_load = (EXTENDED, EPS, FIVEGS)
    asks = (SYSTEM_ASK,)
    capability = (SYSTEMS,)
    writes = (SYSTEM,)

    def raw(self, answers: Answers) -> dict[str, str]:
        """Return the settings that read-back answers print."""
        found = re.search(r"^\s*(?:\+WS46:)?\s*(\d{2})\s*$", answers.get("ws46?", ""), re.MULTILINE)
        raw = {"ws46": found.group(1)} if found else {}
        systems = re.findall(r"\b\d{2}\b", answers.get("ws46 all", "").replace("WS46", ""))
        return raw | ({"ws46 all": ",".join(systems)} if systems else {})

    def seen(self, raw: Raw) -> Seen:
        """Return what the settings mean."""
        value = raw.get("ws46", "")
        return Seen(mode=_MEANS.get(int(value)) if value.isdecimal() else None)

    def write(self, want: Wanted, *, raw: Raw, supported: Sequence[str]) -> tuple[Command, ...]:
        """Return the commands from `raw` to what is wanted. Raises GatewayRefused."""
        del supported
        if not want.all_bands or want.pin is not None:
            raise GatewayRefused(
                "bands or a pinned cell", todo="3GPP TS 27.007 has no command for them, and no other dialect was recognised. Nothing was sent."
            )
        if want.mode not in _MODES:
            raise GatewayRefused("mode", given=want.mode, allowed=", ".join(_MODES), source="TS 27.007, 5.9")
        if "ws46" not in raw:
            raise GatewayRefused("this modem does not answer +WS46?", todo="What cannot be read back is not set. Nothing was sent.")
        can = {int(n) for n in raw.get("ws46 all", "").split(",") if n}
        value = next((n for n in _MODES[want.mode] if n in can or not can), None)
        if value is None:
            raise GatewayRefused("mode", given=want.mode, allowed=f"what +WS46=? lists: {raw['ws46 all']}", source="TS 27.007, 5.9")
        return () if raw["ws46"] == str(value) else (SYSTEM.fill(n=value),)

    def put_back(self, former: Raw, *, raw: Raw) -> tuple[Command, ...]:
        """Return the commands from `raw` back to `former`."""
        value = former.get("ws46", "")
        return (SYSTEM.fill(n=int(value)),) if value.isdecimal() and raw.get("ws46") != value else ()
