"""Study of the diagnosis: stated certainty against truth, on cases drawn from a forward model of its own.

The model knows a cause and draws what would be seen: rates from layers (what the radio would carry, what the cell leaves, what caps,
what the house takes), test-to-test spread, one-second scatter, readings with their noise, delays, losses, failures. It shares no
code with the analysis: its link curve is the list of CQI thresholds with their published efficiencies, not the truncated Shannon map.
Both were written by the same hands: believe the order more than the figures.

Run: python bench/diagnosis_study.py [cases per cause] [seed]
"""

from __future__ import annotations

import math
import sys
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from random import Random
from typing import Any

BLOCKS = ("declared", "readings", "measurement", "near_end", "far_end", "history", "comparison", "outages", "events", "history_monthly")
CQI_FROM_DB = (-6.7, -4.7, -2.3, 0.2, 2.4, 4.3, 5.9, 8.1, 10.3, 11.7, 14.1, 16.3, 18.7, 21.0, 22.7, 24.8, 26.8, 28.3)
EFFICIENCY = (0.1523, 0.2344, 0.3770, 0.6016, 0.8770, 1.1758, 1.4766, 1.9141, 2.4063, 2.7305, 3.3223, 3.9023, 4.5234, 5.1152, 5.5547, 6.2266, 6.9141, 7.4063)
BLOCKS_PER_MHZ = {"lte": 5.0, "nr": 2.73}
HOURS = (2, 4, 7, 12, 17, 20, 22)


@dataclass
class Radio:
    """One carrier of the model."""

    rat: str
    band: str
    width: float
    duplex: str
    rsrp: float
    sinr: float
    rank: int = 2
    role: str = "pcell"
    pci: int = 9
    state: str | None = None
    ports: tuple[float, float] | None = None

    def rate(self) -> float:
        steps = sum(self.sinr - 10 * math.log10(self.rank) + 3.0 >= t for t in CQI_FROM_DB)  # links adapt to the mean of a fading channel
        efficiency = EFFICIENCY[steps - 1] if steps else 0.0
        scs, blocks = (
            (15, 5.0 * self.width)
            if self.rat == "lte"
            else (30 if self.duplex == "TDD" else 15, 2.73 * self.width if self.duplex == "TDD" else 5.3 * self.width)
        )
        return self.rank * efficiency * blocks * 12 * scs / 1000 * (0.74 if self.duplex == "TDD" else 1.0) * 0.78


@dataclass
class World:
    """What is true at one place. share: of the cell, by hour. caps: (Mbit/s) on down and up."""

    carriers: list[Radio]
    mode: str = "lte"
    hour: int = 12
    busy: float = 1.15  # night over evening without a loaded cell
    noise: float = 0.15
    cap_down: float | None = None
    cap_up: float | None = None
    factor: float = 1.0  # what is lost beside the radio
    other_share: float = 0.0
    hop: str = "radio"  # wifi, cable: where the queue stands
    rise_down: float = 100.0
    rise_up: float = 160.0
    up_rate: float = 20.0
    tx: float = 15.0
    link: str = "ethernet"
    port: float = 1000
    near_cpu: float = 0.1
    rwnd: float = 0.01
    far_port: float = 1000
    far_cpu: float = 0.1
    plan: dict[str, Any] = field(default_factory=dict)
    asked: dict[str, Any] = field(default_factory=lambda: {"mode": "auto", "bands": "any"})
    capability: dict[str, Any] | None = None
    rig: dict[str, Any] = field(default_factory=lambda: {"antenna": "built-in", "place": "indoors, window"})
    neighbours: list[Radio] = field(default_factory=list)
    idle_carriers: int | None = 1
    days: int = 2
    streams: int = 4
    single_down: float | None = None
    cc: str = "cubic"
    loss: float = 0.0
    hop_loss: float = 0.0
    far_losses: tuple[float, float] | None = None
    first_ms: float = 200.0
    extra: dict[str, Any] = field(default_factory=dict)
    measurement: dict[str, Any] = field(default_factory=dict)
    failures: dict[str, int] = field(default_factory=dict)
    row: Callable[[dict[str, Any], int, int, Random], None] = lambda row, index, count, rng: None

    def share(self, hour: int) -> float:
        evening = math.exp(-(((hour - 20.5) % 24 - 24 * ((hour - 20.5) % 24 > 12)) ** 2) / 18)
        return 0.95 * self.busy**-evening

    def down(self, hour: int, rng: Random) -> float:
        rate = sum(c.rate() for c in self.carriers if c.state is None) * self.share(hour) * self.factor * math.exp(rng.gauss(0, self.noise))
        return rate if self.cap_down is None else min(rate, self.cap_down * math.exp(rng.gauss(0, 0.006)))

    def up(self, hour: int, rng: Random) -> float:
        rate = self.up_rate * self.share(hour) / 0.95 * math.exp(rng.gauss(0, self.noise))
        return rate if self.cap_up is None else min(rate, self.cap_up * math.exp(rng.gauss(0, 0.006)))

    def series(self, mean: float, capped: bool, bins: int, rng: Random) -> list[float]:
        out, state = [], rng.gauss(0, 0.2)
        for i in range(bins):
            state = 0.85 * state + rng.gauss(0, 0.2 * math.sqrt(1 - 0.85**2))
            level = mean * math.exp(rng.gauss(0, 0.01) if capped else state)
            out.append(round(level * min(1.0, (i + 1) / 6.5), 1))
        return out


def _fields(c: Radio, rng: Random, *, loaded: bool, tx: float | None = None) -> dict[str, Any]:
    found: dict[str, Any] = {
        "band": c.band,
        "pci": c.pci,
        "rsrp": round(c.rsrp + rng.gauss(0, 0.8)),
        "rsrq": round(rng.gauss(-12.5 if loaded else -8.3, 0.5), 1),
    }
    if c.role not in {"neighbour", "scan"}:
        found |= {"dl_bandwidth": c.width, "duplex": c.duplex, "sinr": round(c.sinr + rng.gauss(0, 1.2), 1)}
        if c.rat == "nr" and c.duplex == "TDD":
            found["scs"] = 120 if c.band == "n257" else 30
        if c.ports is not None:
            found["rsrp_per_port"] = [round(p + rng.gauss(0, 0.7)) for p in c.ports]
        if loaded:
            found["rank"] = c.rank
        if c.state is not None and loaded:
            found["state"] = c.state
        if tx is not None:
            found["tx_power"] = round(tx)
    return found


def _reading(world: World, state: str, rng: Random) -> dict[str, Any]:
    used = world.carriers if state != "idle" or world.idle_carriers is None else world.carriers[: world.idle_carriers]
    sender = next((c for c in used if c.role == "pscell"), None) if world.extra.get("sends_nr") else used[0]
    rows = []
    for c in used:
        power = world.tx if state == "load_up" and c is sender and world.extra.get("tx_read", True) else None
        rows.append({"rat": c.rat, "role": c.role, "fields": _fields(c, rng, loaded=state != "idle", tx=power)})
    if state == "idle":
        rows += [{"rat": n.rat, "role": n.role, "fields": _fields(n, rng, loaded=False)} for n in world.neighbours]
    return {"state": state, "mode": world.mode, "carriers": rows}


def _delays(world: World, rng: Random) -> dict[str, float]:
    idle, hop = rng.gauss(29, 1), 0.6
    wait = {"radio": 0.01, "wifi": 0.96, "cable": 0.94}[world.hop]
    downs, ups = world.rise_down * rng.uniform(0.9, 1.1), world.rise_up * rng.uniform(0.9, 1.1)
    return {
        "delay_idle_ms": round(idle, 1),
        "delay_idle_p95_ms": round(idle * 1.4, 1),
        "delay_first_ms": world.first_ms,
        "delay_loaded_down_ms": round(idle + downs, 1),
        "delay_loaded_up_ms": round(idle + ups, 1),
        "first_hop_idle_ms": hop,
        "first_hop_loaded_down_ms": round(hop + wait * downs, 2),
        "first_hop_loaded_up_ms": round(hop + wait * ups, 2),
    }


def record(world: World, symptom: str, rng: Random) -> dict[str, Any]:
    """Draw what would be seen of a world."""
    now = datetime.fromisoformat(f"2026-03-10T{world.hour:02d}:10")  # local, as times of the day are
    down, up = world.down(world.hour, rng), world.up(world.hour, rng)
    single = down if world.single_down is None else min(down, world.single_down * math.exp(rng.gauss(0, 0.15)))
    measured: dict[str, Any] = {
        "at": now.isoformat(),
        "streams": world.streams,
        "congestion_control": world.cc,
        "goodput_down_mbps": round(single if world.streams == 1 else down, 2),
        "goodput_up_mbps": round(up, 2),
        "goodput_down_single_mbps": round(single, 2),
        "capacity_down_mbps": round(down * 1.036, 2),
        **_delays(world, rng),
        "probes_sent": 600,
        "probes_lost": sum(rng.random() < world.loss for _ in range(600)),
        "first_hop_probes_sent": 600,
        "first_hop_probes_lost": sum(rng.random() < world.hop_loss for _ in range(600)),
        "loss_down_ratio": round(world.loss, 4),
        "failures": {"name_lookup": 0, "connect": 0, "tls": 0, "auth": 0, "transfer": 0} | world.failures,
        "attempts": 12,
        "path_mtu": 1500,
        "address": "public",
        "series_down_mbps": world.series(down, world.cap_down is not None and down > 0.95 * world.cap_down, 60, rng),
        "series_up_mbps": world.series(up, world.cap_up is not None and up > 0.95 * world.cap_up, 70, rng),
    }
    if world.far_losses is not None:
        measured["by_far_end"] = [
            {"far_end": name, "probes_sent": 1200, "probes_lost": sum(rng.random() < p for _ in range(1200))}
            for name, p in zip("AB", world.far_losses, strict=True)
        ]
    measured |= world.measurement
    first = world.carriers[0]
    history = []
    for day in range(world.days):
        for hour in HOURS:
            at = datetime.fromisoformat(f"2026-03-10T{hour:02d}:05") - timedelta(days=world.days - day)
            history.append(
                {
                    "at": at.isoformat(),
                    "goodput_down_mbps": round(world.down(hour, rng), 2),
                    "goodput_up_mbps": round(world.up(hour, rng), 2),
                    "delay_idle_ms": round(rng.gauss(28.7, 1), 1),
                    "rsrp": round(first.rsrp + rng.gauss(0, 1.2)),
                    "sinr": round(first.sinr + rng.gauss(0, 1.2), 1),
                    "pci": first.pci,
                    "band": first.band,
                    "carriers_under_load": sum(c.state is None for c in world.carriers),
                }
            )
    for i, row in enumerate(history):
        world.row(row, i, len(history), rng)
    plan = {"rate_down_mbps": None, "rate_up_mbps": None, "cap_gb": None, "used_gb": None, "after_cap_mbps": None} | world.plan
    return {
        "not_met": [symptom],
        "declared": {"rig": world.rig, "plan": plan, "asked": world.asked, "capability": world.capability},
        "readings": [_reading(world, s, rng) for s in ("idle", "load_down", "load_up")],
        "measurement": measured,
        "near_end": {
            "link": world.link,
            "port_speed_mbps": world.port,
            "cpu_share": world.near_cpu,
            "rwnd_limited_share": world.rwnd,
            "other_traffic_mbps": round(world.other_share * down / (1 - world.other_share), 2),
        },
        "far_end": {"port_speed_mbps": world.far_port, "cpu_share": world.far_cpu, "log_ok": True},
        "history": history,
    } | {k: v for k, v in world.extra.items() if k in {"comparison", "outages", "events", "history_monthly", "need"}}


# --- places --------------------------------------------------------------------------------------------------------------------


def three(rng: Random, sinr: float = 24) -> list[Radio]:
    """Three LTE carriers of one mast."""
    s, p = rng.gauss(sinr, 1.5), rng.gauss(-85, 3)
    return [
        Radio("lte", "B3", 20, "FDD", p, s, pci=77),
        Radio("lte", "B7", 20, "FDD", p - 4, s - 1, role="scell", pci=78),
        Radio("lte", "B1", 15, "FDD", p - 2, s - 1, role="scell", pci=79),
    ]


def one(rng: Random, *, band: str = "B3", width: float = 20, rsrp: float = -89, sinr: float = 24) -> list[Radio]:
    """One LTE carrier."""
    return [Radio("lte", band, width, "FDD", rng.gauss(rsrp, 2), rng.gauss(sinr, 1))]


def weak(rng: Random, *, band: str = "B3", width: float = 20, rsrp: float = -118, figure: float = 7) -> list[Radio]:
    """One LTE carrier at the noise: its SINR follows from its RSRP, the receiver's noise figure and a little of others."""
    level = rng.gauss(rsrp, 1.5)
    return [Radio("lte", band, width, "FDD", level, level + 132.2 - rng.gauss(figure, 0.7) - 1.0)]


def alone(rng: Random, *, rsrp: float = -86, sinr: float = 22, rank: int = 4) -> list[Radio]:
    """5G alone, 100 MHz."""
    return [Radio("nr", "n78", 100, "TDD", rng.gauss(rsrp, 2), rng.gauss(sinr, 1), rank=rank, pci=41)]


def both(rng: Random, *, lte: float = -95, nr: float = -90) -> list[Radio]:
    """LTE anchor and 5G."""
    return [
        Radio("lte", "B3", 20, "FDD", rng.gauss(lte, 1), rng.gauss(18, 1), pci=77),
        Radio("nr", "n78", 80, "TDD", rng.gauss(nr, 1), rng.gauss(18, 1), rank=2, role="pscell", pci=41),
    ]


def any_place(rng: Random) -> tuple[list[Radio], str]:
    kind = rng.choice(("three", "one", "alone"))
    return (three(rng), "lte") if kind == "three" else (one(rng), "lte") if kind == "one" else (alone(rng), "nr-sa")


# --- causes --------------------------------------------------------------------------------------------------------------------


@dataclass
class Cause:
    """One true cause: how to draw it, its symptom, what else is a right answer, and which tests would be right."""

    key: str
    symptom: str
    draw: Callable[[Random], World]
    also: tuple[str, ...] = ()
    tests: tuple[str, ...] = ()


def _wifi(rng: Random) -> World:
    c, mode = any_place(rng)
    return World(c, mode, link="wifi", hop="wifi", factor=rng.uniform(0.15, 0.35))


def _port(rng: Random) -> World:
    return World(alone(rng), "nr-sa", port=100, cap_down=94.1, hop="cable")


def _near(rng: Random) -> World:
    return World(alone(rng), "nr-sa", near_cpu=rng.uniform(0.85, 0.99), cap_down=rng.uniform(120, 220))


def _home(rng: Random) -> World:
    c, mode = any_place(rng)
    return World(c, mode, other_share=rng.uniform(0.5, 0.75), factor=0.35)


def _load(rng: Random) -> World:
    return World(three(rng), busy=rng.uniform(3.2, 5.0), hour=rng.choice((20, 21)), days=3)


def _prio(rng: Random) -> World:
    def row(r: dict[str, Any], i: int, n: int, g: Random) -> None:
        r["used_gb"] = 180 + 8 * i
        r["cap_passed"] = r["used_gb"] >= 250
        if r["cap_passed"] is False:
            r["goodput_down_mbps"] = round(r["goodput_down_mbps"] * (3.4 if datetime.fromisoformat(r["at"]).hour in {17, 20, 22} else 1.0), 2)

    return World(three(rng), busy=rng.uniform(3.6, 5.0), hour=20, days=4, plan={"cap_gb": 250, "used_gb": 410}, row=row)


def _throttle(rng: Random) -> World:
    c, mode = any_place(rng)
    figure = rng.choice((10, 20, 30))
    return World(c, mode, cap_down=figure * 0.96, plan={"rate_down_mbps": figure})


def _throttle_cap(rng: Random) -> World:
    def row(r: dict[str, Any], i: int, n: int, g: Random) -> None:
        r["cap_passed"] = i >= n // 2
        if not r["cap_passed"]:
            r["goodput_down_mbps"] = round(180 * math.exp(g.gauss(0, 0.2)), 2)

    return World(three(rng), cap_down=9.6, plan={"cap_gb": 100, "used_gb": 120, "after_cap_mbps": 10}, days=3, row=row)


def _unstable(rng: Random) -> World:
    world = World(both(rng), "endc", days=3)

    def row(r: dict[str, Any], i: int, n: int, g: Random) -> None:
        has = g.random() < 0.5
        r["seen_mode"], r["carriers_under_load"] = ("endc", 2) if has else ("lte", 1)
        if not has:
            r["goodput_down_mbps"] = round(r["goodput_down_mbps"] * 0.2, 2)

    world.row = row
    return world


def _misaim(rng: Random) -> World:
    world = World(weak(rng), days=3, rig={"antenna": "panel", "place": "gable, outdoors"}, up_rate=6, tx=19)

    def row(r: dict[str, Any], i: int, n: int, g: Random) -> None:
        if i < n - 6:
            r["rsrp"] += 10
            r["sinr"] = round(r["sinr"] + 9, 1)
            r["goodput_down_mbps"] = round(r["goodput_down_mbps"] * 2, 2)

    world.row = row
    return world


def _hot(rng: Random) -> World:
    world = World(three(rng)[:1], hour=15, days=3)

    def row(r: dict[str, Any], i: int, n: int, g: Random) -> None:
        hot = datetime.fromisoformat(r["at"]).hour in {12, 17}
        r["temperature_c"] = round(g.gauss(81 if hot else 55, 2))
        if not hot:
            r["goodput_down_mbps"] = round(r["goodput_down_mbps"] * 2.6, 2)
            r["carriers_under_load"] = 3

    world.row = row
    return world


def _rain(rng: Random) -> World:
    c = [Radio("nr", "n257", 100, "TDD", -107, 8, rank=2)]
    world = World(c, "nr-sa", days=3)

    def row(r: dict[str, Any], i: int, n: int, g: Random) -> None:
        wet = i % 4 == 0
        r["rain_mm_h"] = g.uniform(8, 15) if wet else 0.0
        if not wet:
            r["rsrp"] += 8
            r["sinr"] = round(r["sinr"] + 8, 1)
            r["goodput_down_mbps"] = round(r["goodput_down_mbps"] * 2.2, 2)

    world.row = row
    return world


def _ping_pong(rng: Random) -> World:
    world = World(one(rng, sinr=14), days=2)

    def row(r: dict[str, Any], i: int, n: int, g: Random) -> None:
        r["cell_changes_per_hour"] = round(g.uniform(15, 40))
        r["pci"] = g.choice((9, 10, 210))

    world.row = row
    return world


def _leaves(rng: Random) -> World:
    months = []
    for year in (2024, 2025):
        for m in range(1, 13):
            months.append({"month": f"{year}-{m:02d}", "rsrp": round(-98 - (7 if 5 <= m <= 10 else 0) + rng.gauss(0, 0.7), 1)})
    return World(weak(rng), extra={"history_monthly": months})


def _dead(rng: Random) -> World:
    c = one(rng)
    c[0].rank, c[0].ports = 1, (c[0].rsrp, c[0].rsrp - rng.uniform(14, 27))
    return World(c, rig={"antenna": "panel, dual slant", "place": "gable", "ports": 2})


def _rank(rng: Random) -> World:
    c = one(rng)
    c[0].rank, c[0].ports = 1, (c[0].rsrp, c[0].rsrp - 2)
    return World(c, rig={"antenna": "two panels", "place": "gable", "ports": 2})


def _idle(rng: Random) -> World:
    return World(three(rng), capability={"max_dl_carriers": 3, "max_layers": 2}, extra={"need": "'only one carrier is shown'"})


def _scell(rng: Random) -> World:
    c = one(rng)
    c.append(Radio("lte", "B7", 20, "FDD", -104, 14, role="scell", pci=10, state="configured, inactive"))
    return World(c, capability={"max_dl_carriers": 3, "max_layers": 2}, idle_carriers=1)


def _not_joined(rng: Random) -> World:
    heard = [
        Radio("lte", "B7", 20, "FDD", rng.gauss(-94, 2), 18, role="neighbour", pci=12),
        Radio("lte", "B1", 15, "FDD", rng.gauss(-95, 2), 18, role="neighbour", pci=13),
    ]
    return World(one(rng), capability={"max_dl_carriers": 3, "max_layers": 2}, neighbours=heard)


def _within(rng: Random) -> World:
    return World(three(rng)[:2], capability={"max_dl_carriers": 2, "max_layers": 2})


def _low_band(rng: Random) -> World:
    c = [Radio("nr", "n28", 10, "FDD", -84, 22, rank=2, pci=30)]
    return World(c, "nr-sa", capability={"max_dl_carriers": 3, "max_layers": 4}, neighbours=[Radio("nr", "n78", 100, "TDD", -96, 15, role="neighbour", pci=41)])


def _noise(rng: Random) -> World:
    return World(weak(rng, band="B20", width=10), tx=22, up_rate=3)


def _others(rng: Random) -> World:
    near = [Radio("lte", "B20", 10, "FDD", -98, 0, role="neighbour", pci=210)]
    return World(one(rng, band="B20", width=10, rsrp=-90, sinr=6), neighbours=near)


def _seam(rng: Random) -> World:
    near = [Radio("lte", "B20", 10, "FDD", -91.0, 0, role="neighbour", pci=210)]
    return World([Radio("lte", "B20", 10, "FDD", -90.0, rng.gauss(3, 1))], neighbours=near)


def _overload(rng: Random) -> World:
    return World(one(rng, rsrp=-50, sinr=8), rig={"antenna": "panel, 14 dBi", "place": "roof"})


def _setting(rng: Random) -> World:
    return World(one(rng, band="B20", width=10), asked={"mode": "lte", "bands": ["B3", "B7"]})


def _feeder(rng: Random) -> World:
    both_ = {"built-in": {"rsrp": -104.0, "sinr": 9.0}, "outdoor": {"rsrp": round(rng.gauss(-103.5, 0.5), 1), "sinr": 9.2}}
    return World(one(rng, rsrp=-104, sinr=12), rig={"antenna": "panel", "place": "roof", "feeder_loss_db": rng.uniform(7, 11)}, extra={"comparison": both_})


def _single(rng: Random) -> World:
    p, rtt = 4e-4, 0.029
    reno = 1448 * 8 * math.sqrt(1.5) / (rtt * math.sqrt(p)) / 1e6
    return World(alone(rng), "nr-sa", streams=1, single_down=reno, loss=p)


def _far(rng: Random) -> World:
    if rng.random() < 0.5:
        return World(alone(rng), "nr-sa", far_cpu=0.95, factor=0.3)
    return World(alone(rng), "nr-sa", far_port=100, cap_down=94.1)


def _shaped(rng: Random) -> World:
    c, mode = any_place(rng)
    fast = sum(x.rate() for x in c)
    rows = {"video": {"goodput_down_mbps": fast / 8}, "files": {"goodput_down_mbps": fast * 0.9}}
    return World(c, mode, extra={"comparison": rows}, cap_down=fast / 8)


def _nobody_knows(rng: Random) -> World:
    return World(*any_place(rng), factor=rng.uniform(0.25, 0.4))


def _up(carriers: list[Radio], mode: str, **more: Any) -> World:
    return World(carriers, mode, **more)


def _months_once(rng: Random) -> World:
    world = _leaves(rng)
    world.extra["history_monthly"] = world.extra["history_monthly"][1:8]
    return world


CAUSES = (
    Cause("wifi_limit", "down", _wifi, tests=("cable",)),
    Cause("port_limit", "down", _port, tests=("gigabit_cable",)),
    Cause("near_end_slow", "down", _near, tests=("second_computer",)),
    Cause("home_traffic", "down", _home, tests=("idle_house",)),
    Cause("cell_load", "down", _load, ("deprioritised",), ("second_plan", "pin_other_cell", "hourly_series")),
    Cause("deprioritised", "down", _prio, ("cell_load",), ("second_plan", "after_reset")),
    Cause("plan_throttle", "down", _throttle, tests=("second_plan",)),
    Cause("plan_throttle", "down", _throttle_cap, tests=("second_plan", "after_reset")),
    Cause("nr_leg_unstable", "down", _unstable, tests=("sa_only", "lte_only", "heading_sweep")),
    Cause("misaim", "down", _misaim, ("noise_limited",), ("heading_sweep",)),
    Cause("gateway_hot", "down", _hot, tests=("soak_load", "log_temperature")),
    Cause("rain_mmwave", "down", _rain, ("noise_limited",), ("dry_hour",)),
    Cause("reselection_ping_pong", "drops", _ping_pong, tests=("pin_other_cell", "force_bands")),
    Cause("leaves_season", "down", _leaves, ("noise_limited",), ("winter_compare", "raise_antenna", "heading_sweep")),
    Cause("leaves_season", "down", _months_once, ("misaim", "noise_limited"), ("winter_compare", "heading_sweep", "outdoors_by_hand")),
    Cause("port_dead", "down", _dead, ("rank_low",), ("swap_ports",)),
    Cause("rank_low", "down", _rank, tests=("rotate_antenna", "built_in_antenna")),
    Cause("ca_idle_reading", "down", _idle, ("within_expected",), ("read_under_load",)),
    Cause("scell_deactivated", "down", _scell, ("ca_not_aggregated",), ("force_bands", "heading_sweep")),
    Cause("ca_not_aggregated", "down", _not_joined, tests=("force_bands",)),
    Cause("within_expected", "down", _within, ("capability_limit",), ("hourly_series", "force_bands")),
    Cause("sa_low_band_primary", "down", _low_band, ("ca_not_aggregated",), ("pin_mid_band", "force_bands")),
    Cause("noise_limited", "down", _noise, tests=("outdoors_by_hand", "heading_sweep")),
    Cause("interference_limited", "down", _others, ("sector_overlap",), ("heading_sweep", "pin_other_cell")),
    Cause("sector_overlap", "down", _seam, ("interference_limited",), ("heading_sweep", "pin_other_cell")),
    Cause("overload_near_mast", "down", _overload, tests=("attenuate",)),
    Cause("setting_not_applied", "down", _setting, tests=("read_back",)),
    Cause("feeder_loss", "down", _feeder, tests=("built_in_antenna",)),
    Cause("single_flow_limit", "down", _single, tests=("more_streams", "udp_capacity")),
    Cause("far_end_limit", "down", _far, tests=("other_far_end",)),
    Cause("shaped_traffic", "down", _shaped, tests=("other_protocol", "other_far_end")),
    Cause("uplink_power_limited", "up", lambda r: _up(one(r, rsrp=-112, sinr=12), "lte", up_rate=2.5, tx=22.6), tests=("outdoors_by_hand", "read_tx_power")),
    Cause(
        "uplink_power_limited",
        "up",
        lambda r: _up(one(r, rsrp=-112, sinr=12), "lte", up_rate=2.5, tx=23, extra={"tx_read": False}),
        ("cell_load",),
        ("read_tx_power", "outdoors_by_hand"),
    ),
    Cause("uplink_tdd_share", "up", lambda r: _up(alone(r), "nr-sa", up_rate=45, tx=14), tests=("fdd_uplink",)),
    Cause(
        "uplink_nsa_anchor", "up", lambda r: _up(both(r, lte=-112, nr=-92), "endc", up_rate=3, tx=23), ("uplink_power_limited",), ("sa_only", "other_anchor")
    ),
    Cause(
        "uplink_nsa_nr_weak",
        "up",
        lambda r: _up(
            both(r, lte=-95, nr=-112),
            "endc",
            up_rate=4,
            tx=23,
            extra={"sends_nr": True, "comparison": {"lte_only": {"goodput_up_mbps": [11, 12, 13]}, "nsa": {"goodput_up_mbps": [3.5, 4, 5]}}},
        ),
        ("uplink_power_limited",),
        ("lte_only",),
    ),
    Cause(
        "sa_mid_band_reach",
        "up",
        lambda r: _up(alone(r, rsrp=-113, sinr=8, rank=2), "nr-sa", up_rate=3, tx=23),
        ("uplink_power_limited",),
        ("fdd_uplink", "nsa_only", "lte_only"),
    ),
    Cause(
        "cell_load",
        "up",
        lambda r: _up(three(r), "lte", busy=r.uniform(3.2, 5), hour=20, days=3),
        ("deprioritised",),
        ("second_plan", "pin_other_cell", "hourly_series"),
    ),
    Cause("wifi_limit", "up", lambda r: _up(three(r), "lte", link="wifi", hop="wifi"), tests=("cable",)),
    Cause("idle_wake", "delay", lambda r: World(three(r), first_ms=r.uniform(500, 1100)), tests=("steady_ping",)),
    Cause("bloat_radio", "delay_loaded", lambda r: World(three(r), rise_up=r.uniform(400, 1500)), tests=("shape_at_router",)),
    Cause("bloat_home", "delay_loaded", lambda r: World(three(r), hop="cable", rise_up=r.uniform(400, 1500)), tests=("cable", "shape_at_router")),
    Cause("wifi_limit", "delay_loaded", lambda r: World(three(r), hop="wifi", link="wifi", rise_up=r.uniform(400, 900)), tests=("cable",)),
    Cause("wifi_loss", "loss", lambda r: World(three(r), link="wifi", loss=0.03, hop_loss=0.03, far_losses=(0.03, 0.03)), tests=("cable",)),
    Cause(
        "loss_radio",
        "loss",
        lambda r: World(one(r, rsrp=-98, sinr=-3), loss=0.025, far_losses=(0.025, 0.025)),
        ("interference_limited", "noise_limited"),
        ("pin_other_cell", "heading_sweep"),
    ),
    Cause("loss_beyond", "loss", lambda r: World(three(r), loss=0.025, far_losses=(0.025, 0.0)), tests=("other_far_end",)),
    Cause(
        "mtu_black_hole",
        "cannot_connect",
        lambda r: World(three(r), failures={"transfer": 9}, measurement={"segments_delivered": 1, "path_mtu": 1400}),
        tests=("small_mtu",),
    ),
    Cause(
        "cgnat",
        "cannot_connect",
        lambda r: World(three(r), measurement={"address": "shared", "inbound_ok": 0, "inbound_attempts": 5}),
        tests=("both_families",),
    ),
    Cause("ipv6_only", "cannot_connect", lambda r: World(three(r), measurement={"address": "ipv6 only", "path_mtu": 1500}), tests=("both_families",)),
    Cause(
        "name_lookup",
        "cannot_connect",
        lambda r: World(three(r), failures={"name_lookup": 6}, measurement={"connect_by_cached_address_ok": 12}),
        tests=("direct_name",),
    ),
    Cause("unknown", "down", _nobody_knows, tests=("full_reading", "hourly_series", "second_plan", "other_far_end", "cable", "pin_other_cell")),
    Cause(
        "gateway_restarts",
        "drops",
        lambda r: World(three(r), extra={"outages": [{"at": f"2026-03-0{d}T0{d}:20:00", "minutes": 3, "uptime_h": 0.03} for d in (6, 7, 8)]}),
        tests=("read_gateway_log",),
    ),
)


@dataclass
class Tally:
    """Counts of a run."""

    cases: int = 0
    top: int = 0
    two: int = 0
    test: int = 0
    claims: int = 0
    wrong: int = 0
    cut: int = 0
    cut_claims: int = 0
    cut_wrong: int = 0
    wrongs: Counter[str] = field(default_factory=Counter)
    missed: Counter[str] = field(default_factory=Counter)
    certainty: dict[str, list[int]] = field(default_factory=lambda: defaultdict(lambda: [0, 0]))


def run(noise: float, per_cause: int, seed: int, *, cut: bool) -> Tally:
    """Draw, diagnose and count."""
    from bandwright.advice.case_json import case_from_json
    from bandwright.advice.diagnosis import diagnose

    tally = Tally()
    for number, cause in enumerate(CAUSES):
        for i in range(per_cause):
            rng = Random(f"{seed}/{noise}/{number}/{i}")
            world = cause.draw(rng)
            world.noise = noise
            drawn = record(world, cause.symptom, rng)
            right = {cause.key, *cause.also}
            found = diagnose(case_from_json(drawn))[0]
            ranked, claims = [r.key for r in found.ranked], found.claims
            tally.cases += 1
            nobody = cause.key == "unknown" and not claims
            tally.top += nobody or ranked[0] == cause.key or (ranked[0] in cause.also and not claims)
            tally.two += nobody or cause.key in ranked[:2]
            good = any(t.key in cause.tests for t in found.next_tests[:2])
            tally.test += good
            if (ranked[0] != cause.key or not good) and not nobody:
                tally.missed[f"{cause.key}/{cause.symptom} <- {ranked[0]}; tests {','.join(t.key for t in found.next_tests[:2])}"] += 1
            for claim in claims:
                tally.claims += 1
                wrong = claim.key not in right
                tally.wrong += wrong
                tally.wrongs[f"{cause.key}: {claim.key}"] += wrong
                band = f"{min(0.9, math.floor(10 * (claim.certainty or 0)) / 10):.1f}"
                tally.certainty[band][0] += 1
                tally.certainty[band][1] += not wrong
            for block in BLOCKS if cut else ():
                if block not in drawn:
                    continue
                shorter = diagnose(case_from_json({k: v for k, v in drawn.items() if k != block}))[0]
                tally.cut += 1
                for claim in shorter.claims:
                    tally.cut_claims += 1
                    if claim.key not in right:
                        tally.cut_wrong += 1
                        tally.wrongs[f"{cause.key} without {block}: {claim.key}"] += 1
    return tally


def main() -> None:
    per_cause, seed = int(sys.argv[1]) if len(sys.argv) > 1 else 20, int(sys.argv[2]) if len(sys.argv) > 2 else 1
    for noise in (0.15, 0.40):
        t = run(noise, per_cause, seed, cut=True)
        print(f"test-to-test spread {noise:.2f}: {t.cases} cases, {len(CAUSES)} causes")
        print(f"  top-1 {t.top / t.cases:.3f}  first two {t.two / t.cases:.3f}  right test among first two {t.test / t.cases:.3f}")
        print(f"  claimed {t.claims / t.cases:.3f}  wrong claims {t.wrong / t.cases:.4f} of cases, {t.wrong / max(1, t.claims):.4f} of claims")
        print(f"  with one block removed: {t.cut} cases, claimed {t.cut_claims / t.cut:.3f}, wrong claims {t.cut_wrong / t.cut:.4f}")
        print("  stated certainty -> right: " + ", ".join(f"{k}: {b}/{a}" for k, (a, b) in sorted(t.certainty.items())))
        for text, count in (t.wrongs + Counter()).most_common(25):
            print(f"    wrong {count:4d}  {text}")
        for text, count in t.missed.most_common(25):
            print(f"    not first {count:4d}  {text}")


if __name__ == "__main__":
    main()
