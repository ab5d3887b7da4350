"""Cases from JSON records: whatever is understood is taken, the rest is absent, and nothing is guessed."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from statistics import median

from bandwright.advice.case import (
    SYMPTOMS,
    Asked,
    Capability,
    Case,
    Compared,
    FarEnd,
    HistoryRow,
    Month,
    NearEnd,
    Outage,
    Plan,
    SeenCarrier,
    SeenReading,
    SeenTest,
)
from bandwright.radio.bands import band_label
from bandwright.radio.uplink import POWER_CLASS_DBM

__all__ = ["activity_of", "capability_of", "case_from_json", "far_end_of", "history_row_of", "near_end_of", "number_of", "used_ports", "whole_of"]


def case_from_json(record: Mapping[str, object]) -> Case:
    """Return the case of a JSON record. Anything absent, or of the wrong kind, is absent in the case."""
    declared = _dict(record.get("declared"))
    rig = _dict(declared.get("rig"))
    return Case(
        not_met=tuple(s for s in _list(record.get("not_met")) if isinstance(s, str) and s in SYMPTOMS),
        complaint=_text(record.get("need")) or _text(declared.get("need")) or _text(record.get("complaint")) or "",
        plan=_plan(declared.get("plan")),
        asked=_asked(declared.get("asked")),
        capability=capability_of(declared.get("capability")),
        feeder_loss_db=_feeder_loss(rig),
        readings=tuple(_reading(r) for r in map(_dict, _list(record.get("readings"))) if r),
        measurement=_test(record.get("measurement")),
        near_end=near_end_of(record.get("near_end")),
        far_end=far_end_of(record.get("far_end")),
        history=tuple(history_row_of(r) for r in map(_dict, _list(record.get("history"))) if r),
        comparison=_comparison(record.get("comparison")) + _kinds(record.get("measurement")),
        outages=tuple(_outage(o) for o in map(_dict, _list(record.get("outages"))) if o),
        events=tuple(_event(e) for e in _list(record.get("events")) if e),
        months=_months(record.get("history_monthly")),
    )


def _dict(x: object) -> Mapping[str, object]:
    return x if isinstance(x, Mapping) else {}


def _list(x: object) -> Sequence[object]:
    return x if isinstance(x, Sequence) and not isinstance(x, str | bytes) else ()


def _text(x: object) -> str | None:
    return x if isinstance(x, str) and x else None


def number_of(x: object) -> float | None:
    """Return a finite number, or None for anything else; True is none."""
    return float(x) if isinstance(x, int | float) and not isinstance(x, bool) and math.isfinite(x) else None


def whole_of(x: object) -> int | None:
    """Return a number without its fraction, or None."""
    number = number_of(x)
    return None if number is None else int(number)


def _flag(x: object) -> bool | None:
    return x if isinstance(x, bool) else None


def _time(x: object) -> datetime | None:
    try:
        return datetime.fromisoformat(x).replace(tzinfo=None) if isinstance(x, str) else None
    except ValueError:
        return None


def _first(record: Mapping[str, object], *keys: str) -> float | None:
    return next((n for k in keys if (n := number_of(record.get(k))) is not None), None)


def _plan(x: object) -> Plan | None:
    if not isinstance(x, Mapping):
        return None
    return Plan(
        rate_down_mbps=number_of(x.get("rate_down_mbps")),
        rate_up_mbps=number_of(x.get("rate_up_mbps")),
        cap_gb=number_of(x.get("cap_gb")),
        used_gb=number_of(x.get("used_gb")),
        after_cap_mbps=number_of(x.get("after_cap_mbps")),
    )


def _asked(x: object) -> Asked | None:
    if not isinstance(x, Mapping):
        return None
    bands = [b for b in _list(x.get("bands")) if isinstance(b, str)]
    return Asked(mode=_text(x.get("mode")), bands=tuple(bands) or None)


def capability_of(x: object) -> Capability | None:
    """Return what a gateway can do at most, or None for anything that is no mapping."""
    if not isinstance(x, Mapping):
        return None
    return Capability(
        max_dl_carriers=number_of(x.get("max_dl_carriers")),
        max_layers=_first(x, "max_layers", "max_dl_layers"),
        max_width_mhz=_first(x, "max_bandwidth_mhz", "max_width_mhz"),
        power_class_dbm=_power_class_dbm(x),
        bands=tuple(b for b in _list(x.get("bands")) if isinstance(b, str)),
    )


def _power_class_dbm(x: Mapping[str, object]) -> float | None:
    """Return the power of "power_class_dbm", or of a class number (1.5, 2, 3) under "power_class"."""
    level, number = number_of(x.get("power_class_dbm")), number_of(x.get("power_class"))
    if level is not None or number is None:
        return level
    return number if number > 10 else POWER_CLASS_DBM.get(f"{number:g}")


def _feeder_loss(rig: Mapping[str, object]) -> float | None:
    """Return the declared loss of the feeder, from a number of dB or from a text that names one, such as "15 m, 9 dB"."""
    for key, value in rig.items():
        if "feeder" not in key and "cable" not in key:
            continue
        inner = _first(value, "loss_db", "feeder_loss_db") if isinstance(value, Mapping) else None
        if inner is None and "db" in key.lower().split("_"):
            inner = number_of(value)
        named = re.search(r"(\d+(?:\.\d+)?)\s*dB\b", value) if isinstance(value, str) else None
        if inner is None and named is not None:
            inner = float(named.group(1))
        if inner is not None:
            return inner
    return None


def _reading(record: Mapping[str, object]) -> SeenReading:
    carriers = tuple(_carrier(c) for c in map(_dict, _list(record.get("carriers"))) if c)
    return SeenReading(state=_text(record.get("state")), mode=_text(record.get("mode")), carriers=carriers)


def _carrier(record: Mapping[str, object]) -> SeenCarrier:
    fields = _dict(record.get("fields"))
    state = _text(fields.get("state"))
    return SeenCarrier(
        rat=_text(record.get("rat")) or "",
        role=_text(record.get("role")) or "serving",
        band=_band(fields.get("band"), _text(record.get("rat"))),
        arfcn=whole_of(fields.get("arfcn")),
        pci=whole_of(fields.get("pci")),
        width_mhz=number_of(fields.get("dl_bandwidth")),
        scs_khz=whole_of(fields.get("scs")),
        duplex=_text(fields.get("duplex")),
        rsrp_dbm=number_of(fields.get("rsrp")),
        rsrq_db=number_of(fields.get("rsrq")),
        sinr_db=number_of(fields.get("sinr")),
        rank=whole_of(fields.get("rank")),
        tx_power_dbm=number_of(fields.get("tx_power")),
        ports=used_ports(_list(fields.get("rsrp_per_port"))),
        active=activity_of(state),
        cell_id=whole_of(fields.get("cell_id")),
    )


def _band(x: object, rat: str | None) -> str | None:
    """Return a band by name; a bare number takes the name of its technology, and without one is no band."""
    number = whole_of(x)
    if number is not None and rat in {"lte", "nr"}:
        return band_label(rat, number)
    return _text(x)


def used_ports(values: Iterable[object]) -> tuple[float, ...]:
    """Return the levels of used ports: -44, -140 and what lies beyond are what an unused port reads."""
    numbers = [number_of(v) for v in values]
    return tuple(n for n in numbers if n is not None and -140 < n < -44)


def activity_of(state: str | None) -> bool | None:
    """Return whether a state says active or inactive, or None where it says neither."""
    if state is None:
        return None
    lowered = state.lower()
    if "inactive" in lowered or "deactivated" in lowered or "not active" in lowered:
        return False
    return True if "activ" in lowered else None


def _test(x: object) -> SeenTest | None:
    if not isinstance(x, Mapping):
        return None
    far_ends = []
    for row in map(_dict, _list(x.get("by_far_end"))):
        sent, lost = number_of(row.get("probes_sent")), number_of(row.get("probes_lost"))
        if sent and lost is not None:
            far_ends.append((_text(row.get("far_end")) or "", sent, lost))
    numbers = {k: n for k, v in x.items() if (n := number_of(v)) is not None}
    numbers |= {k: float(v) for k, v in x.items() if isinstance(v, bool)}
    numbers |= {
        f"{k}_{inner}": n for k, v in x.items() if isinstance(v, Mapping) and k != "failures" for inner, w in v.items() if (n := number_of(w)) is not None
    }
    return SeenTest(
        at=_time(x.get("at")),
        numbers=numbers,
        texts={k: v for k, v in x.items() if isinstance(v, str) and v},
        failures={k: n for k, v in _dict(x.get("failures")).items() if (n := number_of(v)) is not None},
        series_down_mbps=_series(x.get("series_down_mbps")),
        series_up_mbps=_series(x.get("series_up_mbps")),
        far_ends=tuple(far_ends),
    )


def _series(x: object) -> tuple[float, ...]:
    return tuple(n for v in _list(x) if (n := number_of(v)) is not None)


def near_end_of(x: object) -> NearEnd | None:
    """Return the computer at the site, or None for anything that is no mapping."""
    if not isinstance(x, Mapping):
        return None
    return NearEnd(
        wifi=_is_wifi(_text(x.get("link"))),
        port_mbps=number_of(x.get("port_speed_mbps")),
        cpu_share=number_of(x.get("cpu_share")),
        rwnd_limited_share=number_of(x.get("rwnd_limited_share")),
        other_traffic_mbps=number_of(x.get("other_traffic_mbps")),
    )


def _is_wifi(link: str | None) -> bool | None:
    lowered = (link or "").lower().replace("-", "")
    if any(word in lowered for word in ("wifi", "wlan", "wireless")):
        return True
    return False if any(word in lowered for word in ("ethernet", "cable", "wired", "lan")) else None


def far_end_of(x: object) -> FarEnd | None:
    """Return the server, or None for anything that is no mapping."""
    if not isinstance(x, Mapping):
        return None
    return FarEnd(port_mbps=number_of(x.get("port_speed_mbps")), cpu_share=number_of(x.get("cpu_share")))


def history_row_of(x: Mapping[str, object]) -> HistoryRow:
    """Return one earlier measurement."""
    return HistoryRow(
        at=_time(x.get("at")),
        down_mbps=number_of(x.get("goodput_down_mbps")),
        up_mbps=number_of(x.get("goodput_up_mbps")),
        delay_idle_ms=number_of(x.get("delay_idle_ms")),
        rsrp_dbm=number_of(x.get("rsrp")),
        sinr_db=number_of(x.get("sinr")),
        pci=whole_of(x.get("pci")),
        band=_band(x.get("band"), None),
        carriers_under_load=number_of(x.get("carriers_under_load")),
        cell_changes_per_hour=number_of(x.get("cell_changes_per_hour")),
        uptime_h=number_of(x.get("uptime_h")),
        temperature_c=number_of(x.get("temperature_c")),
        rain_mm_h=number_of(x.get("rain_mm_h")),
        used_gb=number_of(x.get("used_gb")),
        cap_passed=_flag(x.get("cap_passed")),
        asked_mode=_text(x.get("asked_mode")),
        seen_mode=_text(x.get("seen_mode")),
    )


_LABELS = ("setup", "mode", "label", "name", "what", "kind", "source", "far_end", "antenna", "protocol", "server", "place", "plan")
_SHORT_NAMES = {
    "down_mbps": "goodput_down_mbps",
    "up_mbps": "goodput_up_mbps",
    "down": "goodput_down_mbps",
    "up": "goodput_up_mbps",
    "rsrp_dbm": "rsrp",
    "sinr_db": "sinr",
    "mbps": "goodput_down_mbps",
    "rate_mbps": "goodput_down_mbps",
    "goodput_mbps": "goodput_down_mbps",
}
_QUANTITIES = ("goodput_down_mbps", "goodput_up_mbps", "down_mbps", "up_mbps", "rsrp_dbm", "sinr_db", "rsrp", "sinr", "temperature_c")


def _comparison(x: object) -> tuple[Compared, ...]:
    """Return what was compared: from rows with labels, from label to row or rows, or from flat keys such as "outdoor_rsrp".

    Rows of one label are one thing measured several times: its numbers are their medians.
    """
    rows: list[tuple[str, Mapping[str, object]]] = []
    if isinstance(x, Mapping):
        for key, value in x.items():
            inner = [value] if isinstance(value, Mapping) else list(map(_dict, _list(value)))
            rows += [(str(key), r) for r in map(_dict, inner) if r]
        rows += _flat_rows(x)
    else:
        rows = [("", row) for row in map(_dict, _list(x)) if row]
    gathered: dict[str, dict[str, list[float]]] = {}
    tests: dict[str, float] = {}
    for name, row in rows:
        label = " ".join([name, *(t for k in _LABELS if (t := _text(row.get(k))))]).strip().lower()
        columns = gathered.setdefault(label, {})
        counted = _first(row, "tests", "n")
        for key, value in row.items():
            values = [n for v in (_list(value) or [value]) if (n := number_of(v)) is not None]
            columns.setdefault(_SHORT_NAMES.get(key, key), []).extend(values)
            if len(values) > 1 and counted is None:
                counted = float(len(values))
        tests[label] = tests.get(label, 0.0) + (1.0 if counted is None else counted)
    return tuple(Compared(label=k, numbers={q: median(v) for q, v in c.items() if v}, tests=tests[k]) for k, c in gathered.items())


def _flat_rows(x: Mapping[str, object]) -> list[tuple[str, Mapping[str, object]]]:
    """Return rows from keys that name the thing and its quantity at once: "built_in_rsrp", "lte_only_up_mbps"."""
    rows: dict[str, dict[str, object]] = {}
    for key, value in x.items():
        quantity = next((q for q in _QUANTITIES if key.endswith("_" + q)), None)
        if quantity is not None and (number_of(value) is not None or any(number_of(v) is not None for v in _list(value))):
            rows.setdefault(key[: -len(quantity) - 1], {})[quantity] = value
    return list(rows.items())


def _kinds(measurement: object) -> tuple[Compared, ...]:
    """Return the rows of a measurement that split its rate by kind, source or protocol."""
    found: list[Compared] = []
    for key, value in _dict(measurement).items():
        if key.startswith("by_") and key != "by_far_end":
            found += _comparison(value)
    return (*found, *_soaked(_dict(measurement)))


def _soaked(measurement: Mapping[str, object]) -> tuple[Compared, ...]:
    """Return a long load's cool and hot ends, from lists of temperature and rate of one length; () where there are none."""
    for place in (measurement, *map(_dict, measurement.values())):
        columns = {k: [n for v in _list(x) if (n := number_of(v)) is not None] for k, x in place.items() if "temperature" in k or "mbps" in k}
        heat = next((v for k, v in columns.items() if "temperature" in k and len(v) >= 4), None)
        rate = next((v for k, v in columns.items() if "mbps" in k and "up" not in k and heat is not None and len(v) == len(heat)), None)
        if heat is not None and rate is not None:
            pairs = sorted(zip(heat, rate, strict=True))
            ends = (("soak, cool", pairs[: len(pairs) // 4]), ("soak, hot", pairs[-(len(pairs) // 4) :]))
            return tuple(
                Compared(label=label, numbers={"temperature_c": median(h for h, _ in end), "goodput_down_mbps": median(r for _, r in end)})
                for label, end in ends
            )
    return ()


_HOURS = {"_s": 1 / 3600, "_min": 1 / 60, "_minutes": 1 / 60, "_h": 1.0, "_hours": 1.0}


def _outage(x: Mapping[str, object]) -> Outage:
    uptime = None
    for key, value in x.items():
        number = number_of(value)
        if "uptime" in key and "before" not in key and number is not None:
            uptime = number * next((f for suffix, f in _HOURS.items() if key.endswith(suffix)), 1.0)
    return Outage(
        at=_time(x.get("at") or x.get("start") or x.get("from")),
        uptime_after_h=uptime,
        minutes=_first(x, "minutes", "duration_min", "duration_minutes"),
    )


def _event(x: object) -> tuple[datetime | None, str]:
    if isinstance(x, Mapping):
        return _time(x.get("at")), _text(x.get("what")) or _text(x.get("text")) or _text(x.get("kind")) or ""
    return None, str(x)


def _months(x: object) -> tuple[Month, ...]:
    found = []
    if isinstance(x, Mapping):
        x = [{"month": k, "rsrp": v} if number_of(v) is not None else {"month": k, **_dict(v)} for k, v in x.items()]
    for row in map(_dict, _list(x)):
        level, month, year = _first(row, "rsrp", "rsrp_dbm", "rsrp_mean"), whole_of(row.get("month")), whole_of(row.get("year"))
        stamp = _text(row.get("month")) or _text(row.get("at"))
        if month is None and stamp:
            parts = stamp.split("-")
            numbers = [int(p) for p in parts[:2] if p.isdigit()]
            year, month = (numbers[0], numbers[1]) if len(numbers) == 2 else (None, numbers[0] if numbers else None)
        if level is not None and month is not None and 1 <= month <= 12:
            found.append(Month(number=month, rsrp_dbm=level, year=year))
    return tuple(found)
