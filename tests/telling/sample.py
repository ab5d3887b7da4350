"""One invented site and campaign for the tests of telling and web: a veterinary practice at a valley's end, network 001-01.

Scores are drawn from a seed; the verdict's numbers are plain statistics of them, not the trial's own model, which has its own tests.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

from bandwright.words.answers import Comparison, Estimate, Evidence, Finding, Forecast, NeedShare, SetupAnswer, Verdict
from bandwright.words.campaign import Allowance, Course, Design, RigMounted, RoundDrawn, Step, Tested
from bandwright.words.declared import CampaignPlan, Declared, FarEndPlan
from bandwright.words.measurement import Measurement, Method, Outcome, Phase, Value
from bandwright.words.radio import Capture, Carrier, Field, FieldState, Mode, Rat, Reading, Registration, Role, Span
from bandwright.words.rig import AntennaPlan, GatewayPlan, Rig, Setup, Tuning
from bandwright.words.site import Hours, Line, Need, Requirements, Site

WORK = Hours("Mon-Fri 09:00-17:00", tuple((d, 540, 1020) for d in range(5)))
EVENING = Hours("daily 19:00-23:00", tuple((d, 1140, 1380) for d in range(7)))
NEEDS = (
    Need(key="video", kind="video call", label="Video consultations", hours=WORK, weight=3, requirements=Requirements(downlink_mbps=5, uplink_mbps=5, loaded_delay_ms=300, loss_ratio=0.01)),
    Need(key="xray", kind="large upload", label="X-ray images", hours=WORK, weight=2, requirements=Requirements(uplink_mbps=7)),
    Need(key="card", kind="card terminal", label="Card terminal", hours=WORK, weight=2, requirements=Requirements(loaded_delay_ms=4000)),
    Need(key="stream", kind="streaming", label="Streaming in the flat", hours=EVENING, weight=1, requirements=Requirements(downlink_mbps=20)),
)
RIGS = (
    Rig(key="window", line="A", gateway="own", place="window sill", label="Window"),
    Rig(key="gable", line="A", gateway="own", place="gable", label="Gable", antenna=AntennaPlan(kind="panel", gain_dbi=9, height_m=7, azimuth_deg=212, price="95 GBP"), change_minutes=25, price="140 GBP", returnable_until=date(2026, 12, 1)),
)
TUNINGS = (Tuning(key="5g", label="5G on", mode="endc"), Tuning(key="4g", label="4G only", mode="lte"))
SETUPS = tuple(Setup(key=f"{r.key}/{t.key}", rig=r.key, tuning=t.key, label=f"{r.label}, {t.label}") for r in RIGS for t in TUNINGS)
DECLARED = Declared(
    site=Site(name="the practice at the valley’s end", timezone="Europe/London"),
    needs=NEEDS,
    lines=(Line(key="A", plmn="001-01", cap_gb_per_month=300, price_per_month="30 GBP"),),
    gateways=(GatewayPlan(key="own", kind="at-tcp", settings=(("address", "192.0.2.1:5000"),)),),
    rigs=RIGS,
    tunings=TUNINGS,
    setups=SETUPS,
    campaign=CampaignPlan(in_use="window/5g", mounted="window", seed=53, allowance=Allowance(data_gb=20, days=10, rig_changes=6)),
    far_end=FarEndPlan(address="192.0.2.9:8620"),
)
START = datetime(2026, 11, 2, 7, 0, tzinfo=UTC)
DESIGN = Design(key="c1", setups=SETUPS, needs=NEEDS, start=START, timezone="Europe/London", seed=53, in_use="window/5g", mounted="window", allowance=DECLARED.campaign.allowance, label="sill or gable?")

# per setup: mean margins of video, xray, card, stream; chance to fail
_TRUTH = {"window/5g": (-0.15, -0.6, 0.9, -0.4, 0.05), "window/4g": (-0.4, -0.8, 0.8, -0.5, 0.06), "gable/5g": (0.55, 0.4, 0.95, 0.7, 0.02), "gable/4g": (0.5, 0.3, 0.95, 0.5, 0.02)}


@dataclass(frozen=True, kw_only=True)
class Sample:
    """The campaign so far, up to `days`."""

    events: tuple
    tests: tuple
    verdict: Verdict
    course: Course
    measurements: tuple


def campaign(*, days: float = 9.5, seed: int = 53) -> Sample:
    rng = random.Random(seed)
    events: list = []
    measurements: list = []
    visit, rig, round_, count = 1, "window", 0, 0
    events.append(RigMounted(at=START, rig=rig, visit=visit))
    slots = [(d, h) for d in range(10) for h in ((9.4, 12.8, 15.1, 20.3) if d % 7 < 5 else (11.0, 20.5))]
    for n, (day_, hour) in enumerate(slots):
        at = START.replace(hour=0) + timedelta(days=day_, hours=hour + rng.uniform(0, 0.8))
        if (at - START).total_seconds() > days * 86400:
            break
        if n and n % 6 == 0:
            visit, rig = visit + 1, "gable" if rig == "window" else "window"
            events.append(RigMounted(at=at - timedelta(minutes=6), rig=rig, visit=visit, person_minutes=25))
        round_ += 1
        order = [f"{rig}/5g", f"{rig}/4g"]
        rng.shuffle(order)
        events.append(RoundDrawn(at=at, round=round_, rig=rig, visit=visit, order=tuple(order)))
        common = rng.gauss(0, 0.2)
        for k, setup in enumerate(order):
            count += 1
            t, at_test = _test(rng, setup, common, at + timedelta(minutes=3 * k), round_, visit, count)
            events.append(t)
            measurements.append(at_test)
    tests = tuple(e for e in events if isinstance(e, Tested))
    found = verdict_of(tests, at=tests[-1].at + timedelta(minutes=10)) if tests else Verdict(kind="not yet", lead=None, certainty=0.0)
    done = [t for t in tests if t.score is not None]
    course = Course(
        next=Step(kind="round", round=round_ + 1, rig=rig, visit=visit, not_before=(tests[-1].at if tests else START) + timedelta(hours=3), order=(f"{rig}/5g", f"{rig}/4g")),
        tests=len(done), rounds=round_, visits=visit, mounted=rig, visit=visit, used_gb=round(0.085 * len(done), 2), used_days=days, used_rig_changes=visit - 1,
        used_person_minutes=25.0 * (visit - 1), tests_by_setup=tuple((k, sum(t.setup == k for t in done)) for k in _TRUTH), contending=tuple(_TRUTH),
    )
    return Sample(events=tuple(events), tests=tests, verdict=found, course=course, measurements=tuple(measurements))


def _test(rng: random.Random, setup: str, common: float, at: datetime, round_: int, visit: int, count: int) -> tuple[Tested, Measurement]:
    *means, fails = _TRUTH[setup]
    local = at.astimezone(UTC)
    failed = rng.random() < fails
    margins = [(n.key, max(-1.0, min(1.0, m + common + rng.gauss(0, 0.3)))) for n, m in zip(NEEDS, means, strict=True) if n.hours.includes(local.weekday(), local.hour * 60 + local.minute)]
    score = -1.0 if failed else sum(m for _, m in margins) / max(1, len(margins))
    key = f"0000{count:04d}-0000-4000-8000-000000000000"
    t = Tested(at=at, test=key, round=round_, setup=setup, visit=visit, score=score, outcome="failed" if failed else "ok", met=tuple((k, not failed and m >= 0) for k, m in margins), margins=tuple(margins), phase="uplink" if failed else None, reason="no octets for 5 s" if failed else None, megabytes=84.0, seconds=9.0)
    down, up = (30 if setup.startswith("window") else 90) * math.exp(common), (4.5 if setup.startswith("window") else 12) * math.exp(common)
    values = () if failed else (
        Value(quantity="goodput_down_mbps", value=down, low=0.93 * down, high=1.07 * down), Value(quantity="goodput_up_mbps", value=up, low=0.9 * up, high=1.1 * up),
        Value(quantity="delay_idle_ms", value=31.2), Value(quantity="delay_loaded_up_ms", value=148.0), Value(quantity="loss_ratio", value=0.0012), Value(quantity="path_mtu", reason="not asked for"),
    )
    m = Measurement(key=key, at=at, method=Method.NEAR_FAR, outcome=Outcome.FAILED if failed else Outcome.OK, phase=Phase.UPLINK if failed else None, reason="no octets for 5 s" if failed else None, setup_asked=setup, setup_seen=setup, values=values, megabytes=84.0, seconds=9.0, captures=(("idle", "cap-1"), ("load_down", "cap-2")), far_end="192.0.2.9:8620")
    return t, m


def _mean_sd(values: list) -> tuple[float, float]:
    m = sum(values) / len(values)
    return m, math.sqrt(sum((v - m) ** 2 for v in values) / max(1, len(values) - 1) / len(values))


def verdict_of(tests: tuple, *, at: datetime) -> Verdict:
    stats = {k: _mean_sd([t.score for t in tests if t.setup == k]) for k in _TRUTH if any(t.setup == k for t in tests)}
    lead = max(stats, key=lambda k: stats[k][0])
    setups = []
    for key, (mean, sd) in stats.items():
        mine = [t for t in tests if t.setup == key]
        shares = []
        for need in NEEDS:
            flags = [dict(t.met)[need.key] for t in mine if need.key in dict(t.met)]
            if flags:
                s, n = sum(flags), len(flags)
                p = (s / 1.6 + 0.7) / (n / 1.6 + 1.4)
                half = 1.645 * math.sqrt(p * (1 - p) / (n / 1.6 + 2.4))
                shares.append(NeedShare(need=need.key, estimate=Estimate(value=s / n, low=max(0.0, p - half), high=min(1.0, p + half)), met=s, tests=n))
        setups.append(SetupAnswer(setup=key, value=Estimate(value=mean, low=mean - 1.645 * sd, high=mean + 1.645 * sd), chance_good=0.97 if key == lead else 0.2, chance_best=0.9 if key == lead else 0.03, tests=len(mine), failed=sum(t.outcome == "failed" for t in mine), moved=0, visits=len({t.visit for t in mine}), needs=tuple(shares)))
    comparisons = []
    for key in stats:
        if key != lead:
            d, sd = stats[lead][0] - stats[key][0], math.hypot(stats[lead][1], stats[key][1])
            comparisons.append(Comparison(a=lead, b=key, difference=Estimate(value=d, low=d - 1.645 * sd, high=d + 1.645 * sd, unit="ln"), chance_a_better=0.97, margin=abs(d) + 1.645 * sd))
    comparisons.sort(key=lambda c: c.difference.value)
    gain = next((c for c in comparisons if c.b == "window/5g"), None)
    return Verdict(
        kind="best", lead=lead, certainty=0.971, setups=tuple(setups), against=comparisons[0] if comparisons else None, comparisons=tuple(comparisons), in_use="window/5g", gain_over_in_use=gain,
        rounds=max(t.round for t in tests), sessions=20, tests=len(tests), visits=max(t.visit for t in tests), days=9.4, megabytes=84.0 * len(tests), failed=sum(t.outcome == "failed" for t in tests), void=1,
        overturn=("19 more days in a row on which gable/4g left 22 % more room to spare", "a change outside: another cell or carrier, or a busier cell"), seed=53, at=at,
    )


def not_yet(verdict: Verdict, **changes: object) -> Verdict:
    return replace(verdict, kind="not yet", certainty=0.81, rounds_needed=5.2, **changes)


TEXT = """AT+QENG="servingcell"
+QENG: "servingcell","CONNECT"
+QENG: "LTE","FDD",001,01,1A2D003,77,1575,3,5,5,2B07,-91,-10,-61,16,10,-,33
+QENG: "NR5G-NSA",001,01,211,-94,14,-11,642668,78,6,1
OK
AT+CGSN
004999010640000
OK
"""


def _field(name: str, value: object, text: str = "", nth: int = 0, **more: object) -> Field:
    at = -1
    for _ in range(nth + 1):
        at = TEXT.index(text, at + 1) if text else -1
    return Field(name=name, value=value, span=Span(at, at + len(text)) if text else None, **more)


READING = Reading(
    mode=Mode.ENDC,
    registration=Registration.HOME,
    at=datetime(2026, 11, 25, 12, 6, tzinfo=UTC),
    capture_key="cap-1",
    carriers=(
        Carrier(rat=Rat.LTE, role=Role.PCELL, fields=(_field("band", "B3"), _field("arfcn", 1575, "1575"), _field("pci", 77, "77"), _field("dl_bandwidth", 20.0, unit="MHz"), _field("rsrp", -91, "-91", unit="dBm"), _field("rsrq", -10, "-10", unit="dB"), _field("sinr", None, "16", low=12.0, high=14.0, unit="dB"), _field("tx_power", None, "-", nth=6, state=FieldState.UNKNOWN, why="printed as “-”"))),
        Carrier(rat=Rat.NR, role=Role.PSCELL, fields=(_field("band", "n78"), _field("arfcn", 642668, "642668"), _field("pci", 211, "211"), _field("dl_bandwidth", 40.0, unit="MHz"), _field("rsrp", -94, "-94", unit="dBm"), _field("rsrq", -11, "-11", unit="dB"), _field("sinr", 14, "14", unit="dB"))),
        Carrier(rat=Rat.NR, role=Role.SCELL, fields=(_field("band", "n28"), _field("arfcn", 155600), _field("pci", 305), _field("dl_bandwidth", 10.0, unit="MHz"), _field("rsrp", -88, unit="dBm"), _field("rsrq", -12, unit="dB"))),
        Carrier(rat=Rat.LTE, role=Role.NEIGHBOUR, fields=(_field("band", "B20"), _field("arfcn", 6300), _field("pci", 12), _field("rsrp", -101, unit="dBm"))),
    ),
    recognised=(Span(TEXT.index('"LTE"'), TEXT.index(",-,33")), Span(TEXT.index('"NR5G'), TEXT.index("\nOK\nAT+CGSN"))),
    unread=(Span(TEXT.index(",-,33") + 3, TEXT.index(",-,33") + 5),),
    dialects=("+QENG, edition 2",),
)
CAPTURE = Capture(key="cap-1", at=READING.at, kind="pasted", text=TEXT)
FORECASTS = tuple(
    Forecast(quantity=q, median=m, low=a, high=b, level=0.8, unit="Mbit/s", of=of, ceiling=c, assumptions=("2 layers where the rank was not read",) if not of else (), source="TR 36.942 Annex A")
    for q, m, a, b, of, c in (
        ("goodput_down_mbps", 99, 45, 210, "", None), ("goodput_down_mbps", 54, 24, 118, "NR n78 2", 337), ("goodput_down_mbps", 31, 14, 68, "LTE B3 1", 196), ("goodput_down_mbps", 14, 5, 40, "NR n28 3", 111), ("goodput_up_mbps", 14, 5, 38, "", None),
    )
)
FINDINGS = (
    Finding(key="widest", sentence="NR n78 is the one to care for: it carries more than half of what the signal could bear", status="fact", remedy="Aim by it."),
    Finding(key="load", sentence="Load of the cell moves the rate more than the signal does", status="claimed", certainty=0.83, symptom="slow evenings", evidence=(Evidence(key="rsrq_idle", value=-10.0),), settle_by=("Test in the morning and in the evening for three days.",)),
)
