"""The table of dialects, in the order in which equipment is asked whether it speaks them."""

from __future__ import annotations

from bandwright.errors import DeclarationError
from bandwright.gateways.commands import Row
from bandwright.gateways.dialects.base import Dialect
from bandwright.gateways.dialects.generic import ACTIVE, CONTEXTS, SIM, Generic
from bandwright.gateways.dialects.lists import AccessTechnology, FourGFiveG, SystemSelection
from bandwright.gateways.dialects.masks import Profiles, ScanMode, SystemConfiguration
from bandwright.gateways.dialects.monitor import Monitor
from bandwright.gateways.dialects.preference import Preference
from bandwright.gateways.session import ATTENTION, ECHO

__all__ = ["CONNECTION", "DIALECTS", "allowed_rows", "dialect"]

DIALECTS: tuple[Dialect, ...] = (
    Preference(),
    ScanMode(),
    Profiles(),
    SystemSelection(),
    AccessTechnology(),
    FourGFiveG(),
    SystemConfiguration(),
    Monitor(),
    Generic(),
)

CONNECTION: tuple[Row, ...] = (SIM, CONTEXTS, ACTIVE)  # after a SIM or gateway change: what is set, read only


def dialect(key: str) -> Dialect:
    """Return the dialect of that key. Raises DeclarationError where there is none, with the keys there are."""
    rows = {row.key: row for row in DIALECTS}
    if key not in rows:
        raise DeclarationError("dialect of a gateway", given=key, allowed=", ".join(("auto", *rows)), todo="Leave it out to have the dialect found by asking.")
    return rows[key]


def allowed_rows() -> tuple[Row, ...]:
    """Return every command row there is: nothing else can be sent to a modem."""
    rows = [ATTENTION, ECHO, *CONNECTION]
    for one in DIALECTS:
        rows += one.rows()
    return tuple(dict.fromkeys(rows))
