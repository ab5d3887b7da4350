"""What leaves a workspace in a share: identities as dots, addresses and positions left out, prices and names withheld. Secrets are never read.

Pure functions from plain JSON values to plain JSON values. Where text is dotted out its length is kept, so that the spans of a reading
still point at the same characters. Keys that tie records together are left as they are; they are made by this program and name nobody.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Collection
from typing import Any

from bandwright.privacy import redact_text

__all__ = ["SHARED_NAME", "hide", "private_words", "redact_capture", "redact_measurement", "redact_site", "redact_values", "with_hosts"]

SHARED_NAME = "a shared place"

_TIES = frozenset({"key", "capture_key", "test", "at", "start", "end", "captures", "deadline", "quantity"})
_CHOSEN = frozenset({"method", "outcome", "phase", "size", "kind", "state", "mode", "registration", "rat", "role", "moment", "name", "unit"})  # from lists of this program's own
_IPV4 = re.compile(r"(?<![\d.])(?:\d{1,3}\.){3}\d{1,3}(?![\d.])")
_IPV6 = re.compile(r"(?i)(?<![0-9a-f:])(?:[0-9a-f]{1,4}:){2,7}:?[0-9a-f]{1,4}(?![0-9a-f:])|(?<![0-9a-f:])(?:[0-9a-f]{1,4}:){1,6}:[0-9a-f:]*[0-9a-f]")
_HOST = re.compile(r"(?i)(?<![\w.@-])(?:[a-z0-9-]+\.)+[a-z][a-z0-9-]+:\d{2,5}\b|\bhttps?://\S+")
_POSITION = re.compile(r"(?i)\b(lat(?:itude)?|lon(?:g(?:itude)?)?|gps|position)\b(\W{1,4})([-+]?\d{1,3}\.\d+(?:\s*[,;]\s*[-+]?\d{1,3}\.\d+)?)")
_CAPTURE_META = frozenset({"dialect", "edition", "encoding", "source"})
_PRIVATE_FACTS = re.compile(r"(?i)(address|interface|host|path|source|ssid|name)")
_GATEWAY_KEPT = ("key", "returnable_until", "switches_antenna", "capability")
_SITE_KEPT = ("timezone", "country", "elevation_unit")
_SETTINGS_WITHHELD = ("alert_to", "mqtt_to")


def _dotted(text: str) -> str:
    def dots(match: re.Match[str]) -> str:
        return "•" * len(match.group(0))

    text = redact_text(text)
    for pattern in (_IPV4, _HOST):
        text = pattern.sub(dots, text)
    text = _POSITION.sub(lambda m: m[1] + m[2] + "•" * len(m[3]), text)
    return _IPV6.sub(lambda m: dots(m) if any(c in "abcdefABCDEF" for c in m[0]) or "::" in m[0] else m[0], text)


def redact_values(value: Any) -> Any:
    """Return a JSON value with every text in it redacted, but for the keys that tie records together."""
    if isinstance(value, str):
        return _dotted(value)
    if isinstance(value, list):
        return [redact_values(v) for v in value]
    if isinstance(value, dict):
        return {k: v if k in _TIES and isinstance(v, str | list) else redact_values(v) for k, v in value.items()}
    return value


def private_words(site_toml: str) -> frozenset[str]:
    """Return the words of a `site.toml` by which its gateways and far end are reached: addresses, names of hosts, devices and interfaces."""
    given = tomllib.loads(site_toml)
    rows = given.get("gateway", ())
    said = [v for v in given.get("far_end", {}).values() if isinstance(v, str)]
    said += [v for row in rows for k, v in row.items() if isinstance(v, str) and k not in {"key", "kind", "price"}]
    interfaces = {row["interface"] for row in rows if isinstance(row.get("interface"), str) and len(row["interface"]) >= 4}
    return with_hosts(said) | interfaces


def with_hosts(addresses: Collection[str]) -> frozenset[str]:
    """Return those that are addresses, and the host of each, of four characters or more."""
    words = {a for a in addresses if re.search(r"[.:/@]", a)}
    for address in tuple(words):
        host = re.sub(r"^\w+://", "", address).split("/", maxsplit=1)[0].rsplit("@", maxsplit=1)[-1]
        words |= {host, host.rsplit(":", maxsplit=1)[0].strip("[]")}
    return frozenset(w for w in words if len(w) >= 4)


def hide(value: Any, words: frozenset[str]) -> Any:
    """Return a JSON value with these words dotted out wherever they stand by themselves in a text, but for the keys that tie records together."""
    if not words:
        return value
    pattern = re.compile("|".join(rf"(?<!\w){re.escape(w)}(?!\w)" for w in sorted(words, key=len, reverse=True)))

    def walk(inner: Any) -> Any:
        if isinstance(inner, str):
            return pattern.sub(lambda m: "•" * len(m[0]), inner)
        if isinstance(inner, list):
            return [walk(v) for v in inner]
        return {k: v if k in _TIES or k in _CHOSEN else walk(v) for k, v in inner.items()} if isinstance(inner, dict) else inner

    return walk(value)


def redact_capture(document: dict[str, Any]) -> dict[str, Any]:
    """Return a capture's document for a share: its text dotted out, and of its circumstances only what says how to read it."""
    kept = [pair for pair in document["meta"] if pair[0] in _CAPTURE_META]
    redacted: dict[str, Any] = redact_values({**document, "meta": kept})
    return redacted


def redact_measurement(document: dict[str, Any]) -> dict[str, Any]:
    """Return a measurement's document for a share: without the far end's address, interface names, and who entered it."""
    facts = [pair for pair in document["facts"] if not _PRIVATE_FACTS.search(pair[0])]
    redacted: dict[str, Any] = redact_values({**document, "facts": facts, "far_end": None, "entered_by": "a person" if document["entered_by"] is not None else None})
    return redacted


def redact_site(text: str) -> str:
    """Return the text of a `site.toml` for a share.

    Left out: comments, name, notes, position, masts, prices, how gateways and the far end are reached, interfaces, and the names of secrets.
    A gateway becomes one that a person reads (`pasted`), so that the file can be used where the gateway is not.
    """
    import tomlkit

    given = tomllib.loads(text)
    out: dict[str, Any] = {"site": {"name": SHARED_NAME, **_kept(given.get("site", {}), _SITE_KEPT)}}
    out |= {section: [_without_price(row) for row in given[section]] for section in ("need", "line") if section in given}
    if "gateway" in given:
        out["gateway"] = [{"kind": "pasted", **_kept(row, _GATEWAY_KEPT)} for row in given["gateway"]]
    out |= {section: [_without_price(row) for row in given[section]] for section in ("rig", "tuning") if section in given}
    if "campaign" in given:
        out["campaign"] = given["campaign"]
    if "settings" in given:
        out["settings"] = {k: v for k, v in given["settings"].items() if k not in _SETTINGS_WITHHELD}
    return tomlkit.dumps(_each_text(out, _dotted))


def _kept(row: dict[str, Any], names: tuple[str, ...]) -> dict[str, Any]:
    return {name: row[name] for name in names if name in row}


def _without_price(row: dict[str, Any]) -> dict[str, Any]:
    kept = {k: v for k, v in row.items() if k not in {"price", "price_per_month"}}
    return {k: _without_price(v) if isinstance(v, dict) else v for k, v in kept.items()}


def _each_text(value: Any, change: Callable[[str], str]) -> Any:
    """Return a value with every text in it changed; the keys of tables too, because a table may be keyed by a rig."""
    if isinstance(value, str):
        return change(value)
    if isinstance(value, list):
        return [_each_text(v, change) for v in value]
    if isinstance(value, dict):
        return {change(k): _each_text(v, change) for k, v in value.items()}
    return value
