"""Cases from the frozen words: what a workspace declares, reads and measures, as a diagnosis needs it."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from bandwright.advice.case import (
    SYMPTOMS,
    Asked,
    Case,
    HistoryRow,
    Plan,
    SeenCarrier,
    SeenReading,
    SeenTest,
)
from bandwright.advice.case_json import activity_of, capability_of, far_end_of, history_row_of, near_end_of, used_ports, whole_of
from bandwright.radio.bands import band_label, lte_band_of_earfcn, nr_bands_of_arfcn
from bandwright.words.declared import Declared
from bandwright.words.measurement import Measurement, Phase
from bandwright.words.radio import Carrier, FieldState, Rat, Reading, Role
from bandwright.words.rig import Rig
from bandwright.words.site import Line

__all__ = ["case_from_words", "seen_reading"]


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
        capability=capability_of(dict(gateway.capability)) if gateway is not None and gateway.capability else None,
        feeder_loss_db=_declared_feeder_loss_db(rig),
        readings=tuple(seen_reading(r, state=moment) for moment, r in readings),
        measurement=None if measurement is None else _test_of(measurement, zone),
        near_end=near_end_of({k.removeprefix("near_end."): v for k, v in facts.items() if k.startswith("near_end.")})
        if any(k.startswith("near_end.") for k in facts)
        else None,
        far_end=far_end_of({k.removeprefix("far_end."): v for k, v in facts.items() if k.startswith("far_end.")})
        if any(k.startswith("far_end.") for k in facts)
        else None,
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
        band=_band(carrier),
        arfcn=whole_of(carrier.number("arfcn")),
        pci=whole_of(carrier.number("pci")),
        width_mhz=carrier.number("dl_bandwidth"),
        scs_khz=whole_of(carrier.number("scs")),
        duplex=text("duplex"),
        rsrp_dbm=carrier.number("rsrp"),
        rsrq_db=carrier.number("rsrq"),
        sinr_db=carrier.number("sinr"),
        rank=whole_of(carrier.number("rank")) or whole_of(carrier.number("dl_layers")),
        tx_power_dbm=carrier.number("tx_power"),
        ports=used_ports(ports.value) if ports is not None and isinstance(ports.value, tuple) else (),
        active=activity_of(text("state")),
        cell_id=whole_of(carrier.number("cell_id")),
    )


def _band(carrier: Carrier) -> str | None:
    """Return the band by name: as read, else the one band that holds the channel number, else None."""
    field = carrier.get("band")
    value = None if field is None else field.value
    if isinstance(value, str) and value:
        return value if not value.isdigit() else band_label(carrier.rat.value, int(value))
    if isinstance(value, int | float):
        return band_label(carrier.rat.value, int(value))
    channel = whole_of(carrier.number("arfcn"))
    if channel is None or (field is not None and field.state is not FieldState.OK):
        return None
    if carrier.rat is Rat.LTE:
        band = lte_band_of_earfcn(channel)
        return None if band is None else band_label("lte", band)
    holders = nr_bands_of_arfcn(channel)
    return band_label("nr", holders[0]) if len(holders) == 1 else None


_TRANSFERS = {Phase.DOWNLINK: "transfer", Phase.UPLINK: "transfer", Phase.RESULT: "transfer"}


def _test_of(measurement: Measurement, zone: ZoneInfo) -> SeenTest:
    series = dict(measurement.series)
    numbers = {v.quantity: v.value for v in measurement.values if v.value is not None}
    facts = dict(measurement.facts)
    numbers |= {k: float(v) for k, v in facts.items() if isinstance(v, bool | int | float) and k not in numbers}
    failures = {} if measurement.phase is None else {_TRANSFERS.get(measurement.phase, measurement.phase.value): 1.0}
    if facts.get("name_lookup_failed") is True:
        failures["name_lookup"] = 1.0
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
    return history_row_of(facts)


def _declared_feeder_loss_db(rig: Rig | None) -> float | None:
    """Return the largest declared loss over the feeder's length, in dB, without connectors; None where no feeder is declared."""
    if rig is None or rig.feeder is None or not rig.feeder.loss_db_per_10m:
        return None
    return max(loss for _, loss in rig.feeder.loss_db_per_10m) * rig.feeder.length_m / 10
