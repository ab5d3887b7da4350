"""What is known of a connection when it is diagnosed: one frozen value, and its readers from JSON and from the frozen words.

Everything may be absent, and what is absent is None: it counts neither for nor against anything. Readers take what they
understand and leave the rest; a value of the wrong kind is absent, never guessed. Times are local, because hours of the day matter.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median
from zoneinfo import ZoneInfo

from bandwright.radio.uplink import POWER_CLASS_DBM
from bandwright.words.declared import Declared
from bandwright.words.measurement import Measurement
from bandwright.words.radio import Carrier, Reading, Role
from bandwright.words.rig import Rig
from bandwright.words.site import Line

__all__ = [
    "Asked",
    "Capability",
    "Case",
    "Compared",
    "FarEnd",
    "HistoryRow",
    "Month",
    "NearEnd",
    "Outage",
    "Plan",
    "SeenCarrier",
    "SeenReading",
    "SeenTest",
    "case_from_json",
    "case_from_words",
    "seen_reading",
]

SYMPTOMS = ("down", "up", "delay", "delay_loaded", "loss", "drops", "cannot_connect")


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenCarrier:
    """One carrier, neighbour or scanned cell. active: None where its state was not read. ports: RSRP per antenna port, dBm."""

    rat: str
    role: str
    band: str | None = None
    arfcn: int | None = None
    pci: int | None = None
    width_mhz: float | None = None
    scs_khz: int | None = None
    duplex: str | None = None
    rsrp_dbm: float | None = None
    rsrq_db: float | None = None
    sinr_db: float | None = None
    rank: int | None = None
    tx_power_dbm: float | None = None
    ports: tuple[float, ...] = ()
    active: bool | None = None
    cell_id: int | None = None

    @property
    def in_use(self) -> bool:
        """Whether it serves: neither neighbour nor scanned."""
        return self.role not in {"neighbour", "scan"}


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenReading:
    """The radio state at one moment. state: "idle", "load_down", "load_up" or None where that was not said."""

    state: str | None = None
    mode: str | None = None
    carriers: tuple[SeenCarrier, ...] = ()

    @property
    def serving(self) -> tuple[SeenCarrier, ...]:
        """The carriers in use."""
        return tuple(c for c in self.carriers if c.in_use)

    @property
    def primary(self) -> SeenCarrier | None:
        """The primary carrier, else the first in use."""
        return next((c for c in self.serving if c.role == "pcell"), self.serving[0] if self.serving else None)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenTest:
    """One measurement. numbers: by the keys of the table of quantities, and facts that are numbers. far_ends: (name, sent, lost)."""

    at: datetime | None = None
    numbers: Mapping[str, float]
    texts: Mapping[str, str]
    failures: Mapping[str, float]
    series_down_mbps: tuple[float, ...] = ()
    series_up_mbps: tuple[float, ...] = ()
    far_ends: tuple[tuple[str, float, float], ...] = ()

    def get(self, key: str) -> float | None:
        """Return a number, or None where it was not measured."""
        return self.numbers.get(key)


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRow:
    """One earlier measurement, in few numbers."""

    at: datetime | None = None
    down_mbps: float | None = None
    up_mbps: float | None = None
    delay_idle_ms: float | None = None
    rsrp_dbm: float | None = None
    sinr_db: float | None = None
    pci: int | None = None
    band: str | None = None
    carriers_under_load: float | None = None
    cell_changes_per_hour: float | None = None
    uptime_h: float | None = None
    temperature_c: float | None = None
    rain_mm_h: float | None = None
    used_gb: float | None = None
    cap_passed: bool | None = None
    asked_mode: str | None = None
    seen_mode: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The subscription as declared; None is "none declared", which for a cap is "no cap"."""

    rate_down_mbps: float | None = None
    rate_up_mbps: float | None = None
    cap_gb: float | None = None
    used_gb: float | None = None
    after_cap_mbps: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """The tuning that was asked for. bands: None is any."""

    mode: str | None = None
    bands: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Capability:
    """What the gateway can do at most, where it is known."""

    max_dl_carriers: float | None = None
    max_layers: float | None = None
    max_width_mhz: float | None = None
    power_class_dbm: float | None = None
    bands: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NearEnd:
    """The computer at the site. wifi: None where the link is not known."""

    wifi: bool | None = None
    port_mbps: float | None = None
    cpu_share: float | None = None
    rwnd_limited_share: float | None = None
    other_traffic_mbps: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FarEnd:
    """The server."""

    port_mbps: float | None = None
    cpu_share: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One of several things measured side by side. label: what it was, in lower case. numbers: medians. tests: how many."""

    label: str
    numbers: Mapping[str, float]
    tests: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """A time without service. uptime_after_h: how long the gateway had been on when it was back."""

    at: datetime | None = None
    uptime_after_h: float | None = None
    minutes: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Month:
    """One month's mean level. number: 1..12."""

    number: int
    rsrp_dbm: float
    year: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """All that is known. not_met: symptoms; complaint: in the user's words. None for a block is "not known"."""

    not_met: tuple[str, ...] = ()
    complaint: str = ""
    plan: Plan | None = None
    asked: Asked | None = None
    capability: Capability | None = None
    feeder_loss_db: float | None = None
    readings: tuple[SeenReading, ...] = ()
    measurement: SeenTest | None = None
    near_end: NearEnd | None = None
    far_end: FarEnd | None = None
    history: tuple[HistoryRow, ...] = ()
    comparison: tuple[Compared, ...] = ()
    outages: tuple[Outage, ...] = ()
    events: tuple[tuple[datetime | None, str], ...] = ()
    months: tuple[Month, ...] = ()

    def reading(self, state: str) -> SeenReading | None:
        """Return the last reading of that state that shows a carrier in use, or None."""
        return next((r for r in reversed(self.readings) if r.state == state and r.serving), None)


# --- from JSON ---------------------------------------------------------------------------------------------------------------


def case_from_json(record: Mapping[str, object]) -> Case:
    """Return the case of a JSON record. Anything absent, or of the wrong kind, is absent in the case."""
    declared = _dict(record.get("declared"))
    rig = _dict(declared.get("rig"))
    return Case(
        not_met=tuple(s for s in _list(record.get("not_met")) if isinstance(s, str) and s in SYMPTOMS),
        complaint=_text(record.get("need")) or _text(declared.get("need")) or _text(record.get("complaint")) or "",
        plan=_plan(declared.get("plan")),
        asked=_asked(declared.get("asked")),
        capability=_capability(declared.get("capability")),
        feeder_loss_db=_feeder_loss(rig),
        readings=tuple(_reading(r) for r in map(_dict, _list(record.get("readings"))) if r),
        measurement=_test(record.get("measurement")),
        near_end=_near_end(record.get("near_end")),
        far_end=_far_end(record.get("far_end")),
        history=tuple(_history_row(r) for r in map(_dict, _list(record.get("history"))) if r),
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


def _number(x: object) -> float | None:
    return float(x) if isinstance(x, int | float) and not isinstance(x, bool) and math.isfinite(x) else None


def _whole(x: object) -> int | None:
    number = _number(x)
    return None if number is None else int(number)


def _flag(x: object) -> bool | None:
    return x if isinstance(x, bool) else None


def _time(x: object) -> datetime | None:
    try:
        return datetime.fromisoformat(x).replace(tzinfo=None) if isinstance(x, str) else None
    except ValueError:
        return None


def _first(record: Mapping[str, object], *keys: str) -> float | None:
    return next((n for k in keys if (n := _number(record.get(k))) is not None), None)


def _plan(x: object) -> Plan | None:
    if not isinstance(x, Mapping):
        return None
    return Plan(
        rate_down_mbps=_number(x.get("rate_down_mbps")),
        rate_up_mbps=_number(x.get("rate_up_mbps")),
        cap_gb=_number(x.get("cap_gb")),
        used_gb=_number(x.get("used_gb")),
        after_cap_mbps=_number(x.get("after_cap_mbps")),
    )


def _asked(x: object) -> Asked | None:
    if not isinstance(x, Mapping):
        return None
    bands = [b for b in _list(x.get("bands")) if isinstance(b, str)]
    return Asked(mode=_text(x.get("mode")), bands=tuple(bands) or None)


def _capability(x: object) -> Capability | None:
    if not isinstance(x, Mapping):
        return None
    return Capability(
        max_dl_carriers=_number(x.get("max_dl_carriers")),
        max_layers=_first(x, "max_layers", "max_dl_layers"),
        max_width_mhz=_first(x, "max_bandwidth_mhz", "max_width_mhz"),
        power_class_dbm=_power_class_dbm(x),
        bands=tuple(b for b in _list(x.get("bands")) if isinstance(b, str)),
    )


def _power_class_dbm(x: Mapping[str, object]) -> float | None:
    """Return the power of "power_class_dbm", or of a class number (1.5, 2, 3) under "power_class"."""
    level, number = _number(x.get("power_class_dbm")), _number(x.get("power_class"))
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
            inner = _number(value)
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
        band=_text(fields.get("band")),
        arfcn=_whole(fields.get("arfcn")),
        pci=_whole(fields.get("pci")),
        width_mhz=_number(fields.get("dl_bandwidth")),
        scs_khz=_whole(fields.get("scs")),
        duplex=_text(fields.get("duplex")),
        rsrp_dbm=_number(fields.get("rsrp")),
        rsrq_db=_number(fields.get("rsrq")),
        sinr_db=_number(fields.get("sinr")),
        rank=_whole(fields.get("rank")),
        tx_power_dbm=_number(fields.get("tx_power")),
        ports=_ports(_list(fields.get("rsrp_per_port"))),
        active=_activity(state),
        cell_id=_whole(fields.get("cell_id")),
    )


def _ports(values: Iterable[object]) -> tuple[float, ...]:
    """Return the levels of used ports: -44, -140 and what lies beyond are what an unused port reads."""
    numbers = [_number(v) for v in values]
    return tuple(n for n in numbers if n is not None and -140 < n < -44)


def _activity(state: str | None) -> bool | None:
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
        sent, lost = _number(row.get("probes_sent")), _number(row.get("probes_lost"))
        if sent and lost is not None:
            far_ends.append((_text(row.get("far_end")) or "", sent, lost))
    numbers = {k: n for k, v in x.items() if (n := _number(v)) is not None}
    numbers |= {k: float(v) for k, v in x.items() if isinstance(v, bool)}
    numbers |= {f"{k}_{inner}": n for k, v in x.items() if isinstance(v, Mapping) and k != "failures" for inner, w in v.items() if (n := _number(w)) is not None}
    return SeenTest(
        at=_time(x.get("at")),
        numbers=numbers,
        texts={k: v for k, v in x.items() if isinstance(v, str) and v},
        failures={k: n for k, v in _dict(x.get("failures")).items() if (n := _number(v)) is not None},
        series_down_mbps=_series(x.get("series_down_mbps")),
        series_up_mbps=_series(x.get("series_up_mbps")),
        far_ends=tuple(far_ends),
    )


def _series(x: object) -> tuple[float, ...]:
    return tuple(n for v in _list(x) if (n := _number(v)) is not None)


def _near_end(x: object) -> NearEnd | None:
    if not isinstance(x, Mapping):
        return None
    return NearEnd(
        wifi=_is_wifi(_text(x.get("link"))),
        port_mbps=_number(x.get("port_speed_mbps")),
        cpu_share=_number(x.get("cpu_share")),
        rwnd_limited_share=_number(x.get("rwnd_limited_share")),
        other_traffic_mbps=_number(x.get("other_traffic_mbps")),
    )


def _is_wifi(link: str | None) -> bool | None:
    lowered = (link or "").lower().replace("-", "")
    if any(word in lowered for word in ("wifi", "wlan", "wireless")):
        return True
    return False if any(word in lowered for word in ("ethernet", "cable", "wired", "lan")) else None


def _far_end(x: object) -> FarEnd | None:
    if not isinstance(x, Mapping):
        return None
    return FarEnd(port_mbps=_number(x.get("port_speed_mbps")), cpu_share=_number(x.get("cpu_share")))


def _history_row(x: Mapping[str, object]) -> HistoryRow:
    return HistoryRow(
        at=_time(x.get("at")),
        down_mbps=_number(x.get("goodput_down_mbps")),
        up_mbps=_number(x.get("goodput_up_mbps")),
        delay_idle_ms=_number(x.get("delay_idle_ms")),
        rsrp_dbm=_number(x.get("rsrp")),
        sinr_db=_number(x.get("sinr")),
        pci=_whole(x.get("pci")),
        band=_text(x.get("band")),
        carriers_under_load=_number(x.get("carriers_under_load")),
        cell_changes_per_hour=_number(x.get("cell_changes_per_hour")),
        uptime_h=_number(x.get("uptime_h")),
        temperature_c=_number(x.get("temperature_c")),
        rain_mm_h=_number(x.get("rain_mm_h")),
        used_gb=_number(x.get("used_gb")),
        cap_passed=_flag(x.get("cap_passed")),
        asked_mode=_text(x.get("asked_mode")),
        seen_mode=_text(x.get("seen_mode")),
    )


_LABELS = ("setup", "mode", "label", "name", "what", "kind", "source", "far_end", "antenna", "protocol", "server", "place", "plan")
_SHORT_NAMES = {"down_mbps": "goodput_down_mbps", "up_mbps": "goodput_up_mbps", "down": "goodput_down_mbps", "up": "goodput_up_mbps", "rsrp_dbm": "rsrp", "sinr_db": "sinr", "mbps": "goodput_down_mbps", "rate_mbps": "goodput_down_mbps", "goodput_mbps": "goodput_down_mbps"}
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
            values = [n for v in (_list(value) or [value]) if (n := _number(v)) is not None]
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
        if quantity is not None and (_number(value) is not None or any(_number(v) is not None for v in _list(value))):
            rows.setdefault(key[: -len(quantity) - 1], {})[quantity] = value
    return list(rows.items())


def _kinds(measurement: object) -> tuple[Compared, ...]:
    """Return the rows of a measurement that split its rate by kind, source or protocol."""
    found: list[Compared] = []
    for key, value in _dict(measurement).items():
        if key.startswith("by_") and key != "by_far_end":
            found += _comparison(value)
    return tuple(found)


_HOURS = {"_s": 1 / 3600, "_min": 1 / 60, "_minutes": 1 / 60, "_h": 1.0, "_hours": 1.0}


def _outage(x: Mapping[str, object]) -> Outage:
    uptime = None
    for key, value in x.items():
        number = _number(value)
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
        x = [{"month": k, "rsrp": v} if _number(v) is not None else {"month": k, **_dict(v)} for k, v in x.items()]
    for row in map(_dict, _list(x)):
        level, month, year = _first(row, "rsrp", "rsrp_dbm", "rsrp_mean"), _whole(row.get("month")), _whole(row.get("year"))
        stamp = _text(row.get("month")) or _text(row.get("at"))
        if month is None and stamp:
            parts = stamp.split("-")
            numbers = [int(p) for p in parts[:2] if p.isdigit()]
            year, month = (numbers[0], numbers[1]) if len(numbers) == 2 else (None, numbers[0] if numbers else None)
        if level is not None and month is not None and 1 <= month <= 12:
            found.append(Month(number=month, rsrp_dbm=level, year=year))
    return tuple(found)


# --- from the frozen words ---------------------------------------------------------------------------------------------------


def case_from_words(
    *,
    not_met: Sequence[str],
    readings: Sequence[tuple[str | None, Reading]] = (),
    measurement: Measurement | None = None,
    declared: Declared | None = None,
    rig: Rig | None = None,
    line: Line | None = None,
    asked: Asked | None = None,
    history: Sequence[Measurement] = (),
    complaint: str = "",
) -> Case:
    """Return the case that a workspace holds.

    readings: (moment, reading), moment as a capture's: idle, load_down, load_up. rig, line: those in use; line is found from the
    rig where it is not given. asked: the tuning in force, as asked for. history: earlier measurements; facts named as the rows
    of a history (rsrp, sinr, pci, band, cell_changes_per_hour, uptime_h, temperature_c, rain_mm_h, used_gb, cap_passed,
    asked_mode, seen_mode, carriers_under_load) are read from their facts. Times become the site's local time.
    """
    zone = ZoneInfo(declared.site.timezone) if declared is not None else ZoneInfo("UTC")
    if line is None and declared is not None and rig is not None:
        line = next((x for x in declared.lines if x.key == rig.line), None)
    gateway = next((g for g in declared.gateways if rig is not None and g.key == rig.gateway), None) if declared is not None else None
    facts = dict(measurement.facts) if measurement is not None else {}
    return Case(
        not_met=tuple(s for s in not_met if s in SYMPTOMS),
        complaint=complaint,
        plan=None
        if line is None
        else Plan(
            rate_down_mbps=line.rate_down_mbps,
            rate_up_mbps=line.rate_up_mbps,
            cap_gb=line.cap_gb_per_month,
            used_gb=line.used_gb,
            after_cap_mbps=line.after_cap_mbps,
        ),
        asked=asked,
        capability=_capability(dict(gateway.capability)) if gateway is not None and gateway.capability else None,
        feeder_loss_db=_declared_feeder_loss_db(rig),
        readings=tuple(seen_reading(r, state=moment) for moment, r in readings),
        measurement=None if measurement is None else _test_of(measurement, zone),
        near_end=_near_end({k.removeprefix("near_end."): v for k, v in facts.items() if k.startswith("near_end.")}) if any(k.startswith("near_end.") for k in facts) else None,
        far_end=_far_end({k.removeprefix("far_end."): v for k, v in facts.items() if k.startswith("far_end.")}) if any(k.startswith("far_end.") for k in facts) else None,
        history=tuple(_row_of(m, zone) for m in history),
    )


def seen_reading(reading: Reading, *, state: str | None = None) -> SeenReading:
    """Return what a reading shows, in the form that evidence is drawn from."""
    return SeenReading(state=state, mode=None if reading.mode is None else reading.mode.value, carriers=tuple(map(_seen_carrier, reading.carriers)))


def _seen_carrier(carrier: Carrier) -> SeenCarrier:
    def text(name: str) -> str | None:
        field = carrier.get(name)
        return field.value if field is not None and isinstance(field.value, str) else None

    ports = carrier.get("rsrp_per_port")
    return SeenCarrier(
        rat=carrier.rat.value,
        role=carrier.role.value if carrier.role is not Role.SERVING else "serving",
        band=text("band"),
        arfcn=_whole(carrier.number("arfcn")),
        pci=_whole(carrier.number("pci")),
        width_mhz=carrier.number("dl_bandwidth"),
        scs_khz=_whole(carrier.number("scs")),
        duplex=text("duplex"),
        rsrp_dbm=carrier.number("rsrp"),
        rsrq_db=carrier.number("rsrq"),
        sinr_db=carrier.number("sinr"),
        rank=_whole(carrier.number("rank")) or _whole(carrier.number("dl_layers")),
        tx_power_dbm=carrier.number("tx_power"),
        ports=_ports(ports.value) if ports is not None and isinstance(ports.value, tuple) else (),
        active=_activity(text("state")),
        cell_id=_whole(carrier.number("cell_id")),
    )


def _test_of(measurement: Measurement, zone: ZoneInfo) -> SeenTest:
    series = dict(measurement.series)
    numbers = {v.quantity: v.value for v in measurement.values if v.value is not None}
    facts = dict(measurement.facts)
    numbers |= {k: float(v) for k, v in facts.items() if isinstance(v, bool | int | float) and k not in numbers}
    failures = {measurement.phase.value: 1.0} if measurement.phase is not None else {}
    return SeenTest(
        at=measurement.at.astimezone(zone).replace(tzinfo=None),
        numbers=numbers,
        texts={k: v for k, v in facts.items() if isinstance(v, str)},
        failures=failures,
        series_down_mbps=series.get("series_down_mbps", ()),
        series_up_mbps=series.get("series_up_mbps", ()),
    )


def _row_of(measurement: Measurement, zone: ZoneInfo) -> HistoryRow:
    facts: dict[str, object] = dict(measurement.facts)
    facts |= {
        "at": measurement.at.astimezone(zone).replace(tzinfo=None).isoformat(),
        "goodput_down_mbps": measurement.number("goodput_down_mbps"),
        "goodput_up_mbps": measurement.number("goodput_up_mbps"),
        "delay_idle_ms": measurement.number("delay_idle_ms"),
    }
    return _history_row(facts)


def _declared_feeder_loss_db(rig: Rig | None) -> float | None:
    """Return the largest declared loss over the feeder's length, in dB, without connectors; None where no feeder is declared."""
    if rig is None or rig.feeder is None or not rig.feeder.loss_db_per_10m:
        return None
    return max(loss for _, loss in rig.feeder.loss_db_per_10m) * rig.feeder.length_m / 10
