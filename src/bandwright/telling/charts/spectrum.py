"""Carriers on the frequency axis: each at its true place, and below at its true width, with its rate as an area.

Area is rate: the height is bit/s for each Hz, so a wide carrier with a poor signal and a narrow one with a good signal can be
compared by eye. A carrier whose place or width was not read is named, not drawn. Drawn directly: no grammar of charts has an axis that
is broken once and magnified three times.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from bandwright.errors import BandwrightError
from bandwright.radio.channels import earfcn_to_mhz, nr_arfcn_to_mhz
from bandwright.telling.charts.svg import SLIM, WIDE, Canvas
from bandwright.telling.document import Drawing, Table, row
from bandwright.telling.numbers import NBSP, number, ranged
from bandwright.telling.said import said
from bandwright.words.answers import Forecast
from bandwright.words.radio import Carrier, Rat, Reading

__all__ = ["CarrierShown", "Spectrum", "band_of", "carrier_name", "centre_mhz", "draw", "finding", "spectrum", "table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierShown:
    """One carrier, as drawn. mbps: low, middle, high of what a test should show; ceiling_mbps: the most the standard allows."""

    name: str
    band: str
    centre_mhz: float
    width_mhz: float
    mbps: tuple[float, float, float] | None = None
    ceiling_mbps: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectrum:
    """All carriers that can be drawn, by frequency. missing: name and what was not read, of those that cannot."""

    carriers: tuple[CarrierShown, ...]
    missing: tuple[tuple[str, str], ...] = ()
    level: float = 0.8


def band_of(carrier: Carrier) -> str:
    """Return the band as "B3" or "n78", or "" where it was not read."""
    field = carrier.get("band")
    if field is None or field.value is None:
        return ""
    text = str(field.value).strip()
    digits = text.lstrip("BbNn")
    return (("n" if carrier.rat is Rat.NR else "B") + digits) if digits.isdigit() else text


def carrier_name(carrier: Carrier) -> str:
    """Return "LTE B3" or "NR n78"."""
    return f"{carrier.rat.value.upper()} {band_of(carrier)}".strip()


def centre_mhz(carrier: Carrier) -> float | None:
    """Return the downlink frequency of a carrier's channel number, in MHz, or None where it was not read or is not one."""
    channel = carrier.number("arfcn")
    if channel is None:
        return None
    try:
        return earfcn_to_mhz(int(channel)) if carrier.rat is Rat.LTE else nr_arfcn_to_mhz(int(channel))
    except BandwrightError:
        return None


def spectrum(reading: Reading, forecasts: Sequence[Forecast]) -> Spectrum:
    """Return the serving carriers as plain data, by frequency; rates where a forecast names the carrier."""
    by_carrier = {f.of: f for f in forecasts if f.of and f.quantity == "goodput_down_mbps"}
    shown, missing = [], []
    for place, carrier in enumerate(reading.serving(), 1):
        name = carrier_name(carrier)
        centre, width = centre_mhz(carrier), carrier.number("dl_bandwidth")
        if centre is None or width is None:
            lacks = [word for word, value in (("channel", centre), ("width", width)) if value is None]
            missing.append((name, " and ".join(lacks)))
            continue
        forecast = by_carrier.get(f"{name} {place}") or next((f for f in by_carrier.values() if f.of.startswith(f"{name} ") and f.of.endswith(f" {place}")), None)
        shown.append(
            CarrierShown(
                name=name,
                band=band_of(carrier) or carrier.rat.value.upper(),
                centre_mhz=centre,
                width_mhz=width,
                mbps=(forecast.low, forecast.median, forecast.high) if forecast else None,
                ceiling_mbps=forecast.ceiling if forecast else None,
            )
        )
    shown.sort(key=lambda c: c.centre_mhz)
    level = next((f.level for f in forecasts), 0.8)
    return Spectrum(carriers=tuple(shown), missing=tuple(missing), level=level)


def finding(data: Spectrum) -> str:
    """Return the chart's finding in one sentence."""
    with_rate = [c for c in data.carriers if c.mbps]
    if not with_rate:
        total = sum(c.width_mhz for c in data.carriers)
        return f"{total:g}{NBSP}MHz in all, each carrier at its true place and width."
    best = max(with_rate, key=lambda c: c.mbps[1] if c.mbps else 0.0)
    share = (best.mbps[1] if best.mbps else 0.0) / sum(c.mbps[1] for c in with_rate if c.mbps)
    if len(with_rate) == 1:
        return f"{best.name} carries what there is."
    return f"{best.name} carries {'more than half' if share > 0.5 else 'the largest part'}."


def table(data: Spectrum) -> Table:
    """Return the same facts as a table."""
    rows = [
        row(c.name, f"{c.centre_mhz:g}{NBSP}MHz", f"{c.width_mhz:g}{NBSP}MHz", ranged(c.mbps[0], c.mbps[2], "Mbit/s") if c.mbps else "not foreseen") for c in data.carriers
    ]
    return Table(caption=said("Carriers by frequency"), heads=("Carrier", "Centre", "Width", "Expected down"), rows=tuple(rows), numeric=(1, 2, 3))


def draw(data: Spectrum) -> Drawing:
    """Return the drawing in both layouts."""
    facts = "; ".join(f"{c.name}: {c.width_mhz:g} MHz wide at {c.centre_mhz:g} MHz" + (f", {ranged(c.mbps[0], c.mbps[2])} Mbit/s down" if c.mbps else "") for c in data.carriers)
    text = f"Carriers on the frequency axis. {facts}."
    return Drawing(wide=_one(data, label=text, wide=True), slim=_one(data, label=text, wide=False), text=text)


def _one(data: Spectrum, *, label: str, wide: bool) -> str:
    width = WIDE if wide else SLIM
    rated = any(c.mbps for c in data.carriers)
    g = Canvas(wide=wide, height=0, label=label)
    _upper_rule(g, data, width=width, wide=wide, y=40.0)
    _magnified(g, data, width=width, wide=wide, rated=rated)
    return g.svg()


def _rule_range(data: Spectrum) -> tuple[float, float]:
    low = min(c.centre_mhz - c.width_mhz for c in data.carriers)
    high = max(c.centre_mhz + c.width_mhz for c in data.carriers)
    return math.floor((min(low, 650) - 20) / 100) * 100, math.ceil((max(high, 2700) + 20) / 100) * 100


def _upper_rule(g: Canvas, data: Spectrum, *, width: int, wide: bool, y: float) -> None:
    low, high = _rule_range(data)
    x0, x1 = 8.0, width - 8.0

    def x(f: float) -> float:
        return x0 + (f - low) / (high - low) * (x1 - x0)

    minor = 100 if high - low < 5000 else 1000
    major = 500 if high - low < 5000 else 5000
    labels = major if wide else 2 * major
    g.line(x0, y, x1, y, "axis")
    for f in range(int(low), int(high) + 1, minor):
        g.line(x(f), y, x(f), y + (9 if f % major == 0 else 4))
        if f % labels == 0 and x0 + 14 < x(f) < x1 - 62:
            g.text(x(f), y + 24, str(f), "q", "middle")
    g.text(x1, y + 24, "MHz", "q", "end")
    last = -99.0
    for c in data.carriers:
        a = x(c.centre_mhz - c.width_mhz / 2)
        g.rect(a, y - 18, max(2.0, x(c.centre_mhz + c.width_mhz / 2) - a), 18, "f2")
        at = min(max(x(c.centre_mhz), x0 + 10), x1 - 14)
        if at - last > 8.5 * len(c.band) + 6:
            g.text(at, y - 24, c.band, "strong", "middle")
            last = at


def _magnified(g: Canvas, data: Spectrum, *, width: int, wide: bool, rated: bool) -> None:
    carriers = data.carriers
    left = (52.0 if wide else 30.0) if rated else 8.0
    margin = 12.0 if wide else 10.0
    gap_floor = 16.0 if wide else 8.0
    spans = [c.width_mhz + margin for c in carriers]
    room = width - left - 6 - gap_floor * (len(carriers) - 1)
    most = 5.6 if wide else 2.28
    per_mhz = min(most, room / sum(spans))
    gap = min(70.0, (width - left - 6 - per_mhz * sum(spans)) / max(1, len(carriers) - 1))
    base, top = ((366.0, 128.0) if wide else (318.0, 124.0)) if rated else ((150.0, 100.0) if wide else (130.0, 96.0))
    heights = [v / c.width_mhz for c in carriers for v in ((c.ceiling_mbps or 0.0), (c.mbps[2] if c.mbps else 0.0))]
    scale_top = _nice(max([*heights, 1.0])) if rated else 1.0

    def y(v: float) -> float:
        return base - v / scale_top * (base - top)

    low, high = _rule_range(data)

    def rule_x(f: float) -> float:
        return 8 + (f - low) / (high - low) * (width - 16)

    ticks = [scale_top * k / 4 for k in (0, 1, 2, 3, 4)] if scale_top % 4 == 0 else [scale_top * k / 2 for k in (0, 1, 2)]
    if rated:
        for v in ticks:
            g.text(left - 8, y(v) + 5, f"{v:g}", "q", "end")
        g.text(0, base + 44 if wide else top - 16, f"bit/s per{NBSP}Hz" if not wide else "bit/s", "q halo")
        if wide:
            g.text(0, base + 61, f"per{NBSP}Hz", "q")
    px = left
    last_label = -99.0
    for c, span in zip(carriers, spans, strict=True):
        right = px + span * per_mhz
        first = c.centre_mhz - c.width_mhz / 2
        xl, w = px + margin / 2 * per_mhz, c.width_mhz * per_mhz
        if rated:
            for v in ticks[1:]:
                g.line(px, y(v), right, y(v), "grid")
        g.path([(rule_x(first), 70), (xl, top - 6)], "lead", dashed="2 3")
        g.path([(rule_x(first + c.width_mhz), 70), (xl + w, top - 6)], "lead", dashed="2 3")
        _area(g, c, xl=xl, w=w, base=base, at=y, wide=wide)
        g.line(px, base, right, base, "axis")
        step = 5 if wide and per_mhz > 3 else 10 if per_mhz > 1.2 else 20
        for f in range(math.ceil((c.centre_mhz - span / 2) / step) * step, int(c.centre_mhz + span / 2) + 1, step):
            tick = px + (f - (c.centre_mhz - span / 2)) * per_mhz
            g.line(tick, base, tick, base + 5)
        middle = xl + w / 2
        words = max(len(c.name), len(f"{c.centre_mhz:.4g}")) * (8.4 if wide else 7.6)
        down = 0 if middle - words / 2 > last_label else 52
        g.text(middle, base + 20 + down, f"{c.centre_mhz:g}" if len(f"{c.centre_mhz:g}") < 7 else f"{c.centre_mhz:.1f}", "q", "middle")
        g.text(middle, base + 40 + down, c.name, "strong", "middle")
        g.text(middle, base + 58 + down, f"{c.width_mhz:g}{NBSP}MHz", "q", "middle")
        g.height = max(g.height, base + 64 + down)
        if not down:
            last_label = middle + words / 2
        px = right + gap


def _area(g: Canvas, c: CarrierShown, *, xl: float, w: float, base: float, at: Callable[[float], float], wide: bool) -> None:
    if c.mbps is None:
        height = 50.0 if base < 200 else base - at(0.4)
        g.rect(xl, base - height, w, height, "ghost")
        return
    low, middle, high = (v / c.width_mhz for v in c.mbps)
    if c.ceiling_mbps:
        g.rect(xl, at(c.ceiling_mbps / c.width_mhz), w, base - at(c.ceiling_mbps / c.width_mhz), "ghost")
    g.rect(xl, at(high), w, base - at(high), "soft2")
    g.rect(xl, at(middle), w, base - at(middle), "f2")
    m = xl + w / 2
    g.line(m, at(low), m, at(high), "axis")
    for v in (low, high):
        g.line(m - 5, at(v), m + 5, at(v), "axis")
    words = number(c.mbps[1])
    if w > 9 * len(words) + 30:
        g.text(xl + w - 6, at(middle) - 5, f"{words}{NBSP}Mbit/s" if w > 130 and wide else words, "strong halo", "end")


def _nice(top: float) -> float:
    for v in (1, 2, 4, 8, 12, 16, 20, 24, 32, 40, 60, 80):
        if top <= v:
            return float(v)
    return math.ceil(top / 20) * 20.0
