"""What a near end asks of a far end, checked: anything that is not exactly what version 1 knows, within the owner's limits, is refused.

Plain functions of what came over the wire; nothing of it is believed before it went through here.
"""

from __future__ import annotations

from typing import Any

from bandwright.probe.limits import Limits, Refusal
from bandwright.probe.search import ENOUGH_S

__all__ = ["asked_load", "bounded", "hexadecimal", "load_number"]


def hexadecimal(text: object, length: int) -> bytes | None:
    """Return the octets of a hexadecimal text of that length, or None."""
    if not isinstance(text, str) or len(text) != 2 * length:
        return None
    try:
        return bytes.fromhex(text)
    except ValueError:
        return None


def load_number(message: dict[str, Any]) -> int:
    """Return the number of the load a message speaks of; 0, which no load has, where it names none."""
    given = message.get("load")
    return given if isinstance(given, int) else 0


def bounded(given: object, low: float, high: float) -> float | None:
    """Return a number within its bounds, or None."""
    if isinstance(given, bool) or not isinstance(given, int | float) or not low <= given <= high:
        return None
    return given


def asked_load(message: dict[str, Any], limits: Limits) -> dict[str, Any] | Refusal:
    """Return what load is asked for, every member checked and cut to the owner's limits, or why it is refused."""
    kind, direction, cc = message.get("kind"), message.get("direction"), message.get("cc")
    numbers = {
        "seconds": bounded(message.get("seconds"), 0.05, limits.load_seconds),
        "streams": bounded(message.get("streams", 1), 1, limits.streams),
        "max_octets": bounded(message.get("max_octets"), 1000, 1e13),
        "max_mbps": bounded(message.get("max_mbps", limits.load_mbps), 0.01, 1e6),
        "start_mbps": bounded(message.get("start_mbps", 0.0), 0.0, 1e5),
        "enough_s": bounded(message.get("enough_s", ENOUGH_S if kind == "udp" else 0.0), 0.1 if kind == "udp" else 0.0, 30.0),
        "payload": bounded(message.get("payload", 1200), 64, 1472),
    }
    if kind not in ("tcp", "udp") or direction not in ("down", "up") or not isinstance(cc, str | None) or None in numbers.values():
        return Refusal("limits", f"Such a load is not allowed: at most {limits.load_seconds:g} s and {limits.streams} streams.")
    known = {k: v for k, v in numbers.items() if v is not None}
    known["max_mbps"] = min(known["max_mbps"], limits.load_mbps)
    return {"kind": kind, "direction": direction, "cc": cc, **known, "streams": int(known["streams"]), "payload": int(known["payload"])}
