"""Where a setup may breach a plan's terms or local rules: said before anything is set. Pure.

What a contract allows cannot be known here, so nothing is forbidden by it: the declared terms are put beside the setups that they may touch.
"""

from __future__ import annotations

import re

from bandwright.words.declared import Declared
from bandwright.words.rig import Rig, Tuning
from bandwright.words.site import Line

__all__ = ["permitted"]

_PLACE = re.compile(r"(?i)\b(address|premises|location|place|cell|mast|home|site)\b")
_DEVICE = re.compile(r"(?i)\b(device|gateway|router|modem|equipment|imei|supplied)\b")


def permitted(declared: Declared) -> tuple[str, ...]:
    """Return what to check before these setups are tried, in sentences, the declared terms in quotation marks; () where nothing is known to stand in the way."""
    lines = {line.key: line for line in declared.lines}
    said: list[str] = []
    for key, line in lines.items():
        said += _of_line(line, [rig for rig in declared.rigs if rig.line == key], declared)
    pinned = [t.key for t in declared.tunings if t.cell is not None]
    if pinned:
        said.append(f"{_both(pinned)} {'stays' if len(pinned) == 1 else 'stay'} on one cell: where a plan ties the service to an address or a cell, ask the provider first.")
    aimed = [rig.key for rig in declared.rigs if rig.antenna.kind != "built-in"]
    if aimed:
        said.append(f"{_both(aimed)}: local rules may limit what an outside antenna sends (the device's power and the antenna's gain together), and where one may be put up.")
    return tuple(said)


def _of_line(line: Line, rigs: list[Rig], declared: Declared) -> list[str]:
    gateways = {rig.gateway for rig in rigs}
    places = {rig.place for rig in rigs if rig.place}
    found = []
    for term in line.terms:
        touched = []
        if _DEVICE.search(term) and len(gateways) > 1:
            touched.append(f"its SIM is to be used in {_both(sorted(gateways))}")
        if _PLACE.search(term) and (len(places) > 1 or any(_moves_cell(t) for t in declared.tunings)):
            touched.append("setups differ in place or cell")
        about = f", and {' and '.join(touched)}" if touched else ""
        found.append(f"Line {line.key} says \u201c{term}\u201d{about}: see that these setups keep to it.")
    return found


def _moves_cell(tuning: Tuning) -> bool:
    return tuning.cell is not None


def _both(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
