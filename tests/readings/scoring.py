"""The scorer: a reading against what a text means, by the project's rules for what is invented, missed or right.

expected: mode, registration, carriers with rat, role and fields. A value for a field that is not expected is invented, unless `derivable`
names it and the reading marks it as derived; a different value is wrong; a missing one, or null where a value is expected, is missed,
unless `accept_null` allows it. `never` names values that must not appear for a quantity.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

SERVING = {"pcell", "scell", "pscell", "serving"}


@dataclass
class Score:
    right: int = 0
    missed: list[str] = field(default_factory=list)
    invented: list[str] = field(default_factory=list)

    @property
    def precise(self) -> bool:
        return not self.invented

    def add(self, other: Score) -> None:
        self.right += other.right
        self.missed += other.missed
        self.invented += other.invented


def _compatible(one: str, other: str) -> bool:
    return one == other or ("serving" in {one, other} and {one, other} <= SERVING)


def _same(got: Any, want: Any) -> bool:
    if isinstance(got, list | tuple) and isinstance(want, list | tuple):
        return len(got) == len(want) and all(_same(a, b) for a, b in zip(got, want, strict=True))
    if isinstance(got, int | float) and isinstance(want, int | float) and not isinstance(got, bool):
        return abs(got - want) < 0.051 if isinstance(got, float) or isinstance(want, float) else got == want
    return got == want


def _has_value(item: dict[str, Any]) -> bool:
    return item.get("value") is not None or (("low" in item or "high" in item) and not (item.get("low") is None and item.get("high") is None))


def _right(got: dict[str, Any], want: dict[str, Any]) -> bool:
    if "low" in want or "high" in want:
        if "low" in got or "high" in got:
            return _same(got.get("low"), want.get("low")) and _same(got.get("high"), want.get("high"))
        return False
    accepted = [want.get("value"), *want.get("also_accept", [])]
    return any(value is not None and _same(got.get("value"), value) for value in accepted)


def _distance(got: dict[str, Any], want: dict[str, Any]) -> int:
    """Return how many fields agree, to pair carriers of one technology."""
    return sum(1 for name, item in want["fields"].items() if name in got["fields"] and _has_value(got["fields"][name]) and _right(got["fields"][name], item))


def _pair(
    got: list[dict[str, Any]], want: list[dict[str, Any]]
) -> tuple[list[tuple[dict[str, Any], dict[str, Any]]], list[dict[str, Any]], list[dict[str, Any]]]:
    pairs, left = [], list(got)
    missing = []
    for carrier in want:
        fitting = [c for c in left if c["rat"] == carrier["rat"] and _compatible(c["role"], carrier["role"])]
        if not fitting:
            missing.append(carrier)
            continue
        best = max(fitting, key=lambda c: _distance(c, carrier))
        left.remove(best)
        pairs.append((best, carrier))
    return pairs, left, missing


def score(name: str, got: dict[str, Any], expected: dict[str, Any]) -> Score:
    """Score one reading (as plain data) against one expectation."""
    result = Score()
    _score_state(name, got, expected, result)
    pairs, surplus, missing = _pair(got["carriers"], expected.get("carriers", []))
    for carrier in surplus:
        result.invented += [f"{name}: {carrier['rat']} {carrier['role']} {key}={item}" for key, item in carrier["fields"].items() if _has_value(item)]
    for carrier in missing:
        result.missed += [
            f"{name}: {carrier['rat']} {carrier['role']} {key}" for key, item in carrier["fields"].items() if _has_value(item) and not item.get("accept_null")
        ]
    for mine, theirs in pairs:
        _score_carrier(name, mine, theirs, result)
    for never in expected.get("never", []):
        _score_never(name, got, never, result)
    for piece in expected.get("unread", []):
        if not any(piece["text"] in span["text"] or span["text"] in piece["text"] for span in got["unread"]):
            result.invented.append(f"{name}: {piece['text']!r} was not left over")
    return result


def _score_state(name: str, got: dict[str, Any], expected: dict[str, Any], result: Score) -> None:
    mode = expected.get("mode")
    if mode is not None:
        if got["mode"] == mode:
            result.right += 1
        elif got["mode"] is None:
            result.missed.append(f"{name}: mode {mode}")
        else:
            result.invented.append(f"{name}: mode {got['mode']} for {mode}")
    registration = expected.get("registration") or {}
    wanted = registration.get("value")
    accepted = [wanted, *registration.get("also_accept", [])]
    if got["registration"] is None:
        if wanted is not None:
            result.missed.append(f"{name}: registration {wanted}")
    elif got["registration"] in accepted:
        result.right += 1
    else:
        result.invented.append(f"{name}: registration {got['registration']} for {wanted}")


def _score_carrier(name: str, mine: dict[str, Any], theirs: dict[str, Any], result: Score) -> None:
    label = f"{name}: {theirs['rat']} {theirs['role']}"
    for key, item in mine["fields"].items():
        if not _has_value(item):
            continue
        want = theirs["fields"].get(key)
        if want is None:
            derivable = theirs.get("derivable", {})
            if not (key in derivable and item.get("derived") and _same(item.get("value"), derivable[key])):
                result.invented.append(f"{label} {key}={item}")
        elif _right(item, want):
            result.right += 1
        else:
            result.invented.append(f"{label} {key}={item} for {want}")
    for key, want in theirs["fields"].items():
        item = mine["fields"].get(key)
        if _has_value(want) and not want.get("accept_null") and (item is None or not _has_value(item)):
            result.missed.append(f"{label} {key}={want}")


def _score_never(name: str, got: dict[str, Any], never: dict[str, Any], result: Score) -> None:
    field_name = never["field"].rpartition(".")[2]
    if "[" in never["field"]:
        return  # an index among carriers: the pairing above has it
    rat = never["field"].partition(".")[0] if "." in never["field"] else None
    for carrier in got["carriers"]:
        item = carrier["fields"].get(field_name, {})
        if (rat is None or carrier["rat"] == rat) and item.get("value") is not None and _same(item.get("value"), never["value"]):
            result.invented.append(f"{name}: never {never}")
    if field_name in {"mode", "registration"} and got.get(field_name) == never["value"]:
        result.invented.append(f"{name}: never {never}")
