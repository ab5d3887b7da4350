"""Charts: plain data checked by hand, and a contract that every row of the table of charts keeps."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import timedelta
from types import ModuleType
from typing import Any

import pytest

from bandwright.telling.charts import by_hour, clearance, days, differences, headings, height, plan, predicted, shares, spectrum, timeline
from bandwright.telling.charts.svg import SLIM, WIDE, mark_svg, standalone, wrapped
from bandwright.telling.charts.table import CHARTS, chart
from bandwright.telling.names import names_of
from bandwright.words.answers import Estimate
from bandwright.words.campaign import Step
from bandwright.words.radio import Carrier, Field, Rat, Reading, Role


def path_over_a_shoulder() -> clearance.Clearance:
    ds = [20.0 * k for k in range(341)]
    ground = [510.0 + (8.0 if 380 <= d <= 420 else 0.0) for d in ds]
    return clearance.clearance(ds, ground, near_height_m=7, far_height_m=30, frequency_mhz=3640)


def plain(sample: ModuleType, done: Any, key: str) -> Any:
    names = names_of(sample.DECLARED, verdict=done.verdict if done else None)
    made = {
        "share": lambda: shares.share_band("Video consultations", Estimate(value=0.9, low=0.79, high=0.95), mark=2, other=Estimate(value=0.4, low=0.2, high=0.6), other_mark=1, other_label="Window, 5G on"),
        "differences": lambda: differences.differences(done.verdict, done.tests, names=names),
        "by hour": lambda: by_hour.by_hour(done.tests, setups=["window/5g", "gable/5g"], needs=sample.NEEDS, names=names, timezone="Europe/London"),
        "timeline": lambda: timeline.timeline(sample.DESIGN, done.events, names=names, upcoming=done.course.next, now=done.tests[-1].at + timedelta(minutes=5)),
        "spectrum": lambda: spectrum.spectrum(sample.READING, sample.FORECASTS),
        "predicted": lambda: predicted.foreseen(sample.FORECASTS, down_mbps=[78.0, 102.0], up_mbps=[9.0], asked_down=5, asked_up=7),
        "headings": lambda: headings.headings(
            [headings.Heading(azimuth_deg=a, level_db=-94 - abs(a - 212) / 8, noise_db=0.6) for a in (180, 200, 220, 240)],
            curve=[(a, -96 - abs(a - 212) / 8, -95 - abs(a - 212) / 8, -94 - abs(a - 212) / 8) for a in range(160, 260, 5)],
            best_deg=(206, 212, 218),
            next_deg=210,
        ),
        "clearance": path_over_a_shoulder,
        "plan": lambda: plan.plan([plan.Way(label="hill mast", azimuth_deg=212, distance_m=6800, first=True, edge_m=400), plan.Way(label="second mast", azimuth_deg=141, distance_m=11000)], wide=None, slim=None, beam_deg=30),
        "height": lambda: height.heights([height.HeightRow(height_m=2 + k, terrain_db=0.3 * k, low_db=0.3 * k - (4 if k else 0), high_db=1.5 * k + (4 if k else 0)) for k in range(11)], marks=[height.HeightMark(height_m=7, label="gable")]),
        "days": lambda: days.days(done.tests, needs=sample.NEEDS, names=names, timezone="Europe/London", changes=[days.Change(letter="a", at=sample.START + timedelta(days=5), text="moved")]),
    }
    return made[key]()


@pytest.mark.parametrize("key", [row.key for row in CHARTS])
def test_every_chart_has_two_layouts_words_and_a_table(sample: ModuleType, done, key: str) -> None:
    row, data = chart(key), plain(sample, done, key)
    drawing = row.draw(data)
    assert row.finding(data).endswith(".")
    table = row.table(data)
    assert table.rows
    assert all(len(cells) == len(table.heads) for cells in table.rows)
    assert len(drawing.text) > 20
    for svg, layout in ((drawing.wide, "wide"), (drawing.slim, "slim")):
        root = ET.fromstring(svg)
        assert root.get("class") == layout
        assert root.get("role") == "img"
        assert root.get("aria-label") == drawing.text
        width = float(root.get("viewBox", "").split()[2])
        assert width <= (WIDE if layout == "wide" else SLIM)
        assert "nan" not in svg
        assert "None" not in svg
        assert re.findall(r"#[0-9a-f]{6}", svg) == []  # colours come from the style sheet, so that every mode and print has its own
    assert drawing.wide != drawing.slim


@pytest.mark.parametrize("key", [row.key for row in CHARTS])
def test_no_drawn_thing_lies_outside_its_drawing(sample: ModuleType, done, key: str) -> None:
    drawing = chart(key).draw(plain(sample, done, key))
    for svg in (drawing.wide, drawing.slim):
        root = ET.fromstring(svg)
        _, _, width, height = (float(v) for v in root.get("viewBox", "").split())
        for e in root.iter():
            for xs, ys in ((("x", "x1", "x2", "cx"), ("y", "y1", "y2", "cy")),):
                assert all(-0.5 <= float(e.get(k, 0)) <= width + 0.5 for k in xs), ET.tostring(e)
                assert all(-0.5 <= float(e.get(k, 0)) <= height + 0.5 for k in ys), ET.tostring(e)


@pytest.mark.parametrize("key", [row.key for row in CHARTS])
def test_a_drawing_alone_carries_its_colours(sample: ModuleType, done, key: str) -> None:
    alone = standalone(chart(key).draw(plain(sample, done, key)).wide)
    root = ET.fromstring(alone)
    assert float(root.get("width", 0)) > 0
    classes = {c for e in root.iter() for c in e.get("class", "").split()} - {"wide", "slim"}
    style = next(e.text or "" for e in root.iter() if e.tag.endswith("style"))
    assert [c for c in classes if f".{c}{{" not in style] == []


def test_no_name_is_cut_however_long(sample: ModuleType, done) -> None:
    rig, tuning = "Gable panel above the shed towards the valley", "standalone with Donaudampfschifffahrtsgesellschaft"
    long = replace(
        sample.DECLARED,
        setups=tuple(replace(s, label=f"{rig} {s.rig}, {tuning} {s.tuning}") for s in sample.SETUPS),
        needs=tuple(replace(n, label=f"Consultations with patients far away and their families {i}") for i, n in enumerate(sample.NEEDS)),
        rigs=tuple(replace(r, label=f"{rig} {r.key}") for r in sample.DECLARED.rigs),
    )
    names = names_of(long, verdict=done.verdict)
    drawn = [
        differences.draw(differences.differences(done.verdict, done.tests, names=names)),
        by_hour.draw(by_hour.by_hour(done.tests, setups=["window/5g", "gable/5g"], needs=long.needs, names=names, timezone="Europe/London")),
        timeline.draw(timeline.timeline(sample.DESIGN, done.events, names=names, now=done.tests[-1].at)),
        days.draw(days.days(done.tests, needs=long.needs, names=names, timezone="Europe/London")),
        shares.draw(shares.share_band("x", Estimate(value=0.5, low=0.4, high=0.6), mark=1, other=Estimate(value=0.5, low=0.3, high=0.7), other_label=names.setup("gable/5g"))),
        height.draw(height.heights([height.HeightRow(height_m=2 + k, terrain_db=0, low_db=0, high_db=k) for k in range(9)], marks=[height.HeightMark(height_m=7, label=rig)])),
        plan.draw(plan.plan([plan.Way(label=f"mast at the {rig}", azimuth_deg=212, distance_m=6800, first=True)], wide=None, slim=None)),
    ]
    for drawing in drawn:
        for svg in (drawing.wide, drawing.slim):
            said_words = " ".join(e.text or "" for e in ET.fromstring(svg).iter() if e.tag == "text")
            assert "…" not in said_words
            if "gesellschaft" in said_words:
                assert "Donaudampfschifffahrtsgesellschaft" in said_words.replace("- ", "").replace(" ", "")


def test_text_is_broken_at_spaces_and_within_a_word_only_where_it_must() -> None:
    assert wrapped("Gable panel, standalone", 12) == ["Gable panel,", "standalone"]
    assert wrapped("Gable", 12) == ["Gable"]
    assert wrapped("standalone", 8) == ["stand-", "alone"]
    assert wrapped("non-standalone", 8) == ["non-", "stand-", "alone"]
    assert wrapped("abcdefghij kl", 4) == ["abc-", "def-", "ghij", "kl"]
    assert wrapped("a abcdefgh", 6) == ["a", "abcd-", "efgh"]
    assert wrapped("", 12) == [""]


def test_words_of_a_user_never_become_markup(sample: ModuleType, done) -> None:
    nasty = replace(sample.DECLARED, setups=tuple(replace(s, label=f"<b>&{s.key}\"'") for s in sample.SETUPS), needs=tuple(replace(n, label="<i>x</i>") for n in sample.NEEDS))
    names = names_of(nasty, verdict=done.verdict)
    drawing = differences.draw(differences.differences(done.verdict, done.tests, names=names))
    assert "<b>" not in drawing.wide
    ET.fromstring(drawing.wide)


def test_marks_differ_by_shape_and_not_only_by_colour() -> None:
    def shape(n: int) -> str:
        return re.sub(r'class="[^"]*"', "", mark_svg(n))

    assert len({shape(n) for n in (1, 2, 3, 4)}) == 4


# shares


def test_wilson_interval_against_its_formula_done_by_hand() -> None:
    # n' = 40/1.6 = 25, p = .775, z = 1.6449: centre (.775 + .05411)/(1.10822) = .7481, half 1.6449/1.10822*sqrt(.00697500+.00108221) = .13323
    e = shares.share_of(31, 40)
    assert abs(e.low - 0.6149) < 5e-4  # worked with four figures
    assert abs(e.high - 0.8813) < 5e-4
    assert e.value == 0.775


def test_wilson_interval_against_statsmodels() -> None:
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    for met, tests in ((0, 16), (8, 16), (16, 16), (3, 32)):
        low, high = proportion.proportion_confint(met / 1.6, tests / 1.6, alpha=0.10, method="wilson")
        e = shares.share_of(met, tests)
        assert abs(e.low - low) < 1e-9
        assert abs(e.high - high) < 1e-9


@pytest.mark.parametrize(("met", "tests"), [(1, 0), (-1, 3), (4, 3)])
def test_impossible_counts_are_refused(met: int, tests: int) -> None:
    with pytest.raises(ValueError, match="no share"):
        shares.share_of(met, tests)


def test_a_band_is_rounded_outwards() -> None:
    band = shares.share_band("x", Estimate(value=0.905, low=0.859, high=0.971), mark=1)
    assert (band.low, band.middle, band.high) == (85, 90, 98)


# differences


def test_differences_within_rounds_by_hand(done) -> None:
    base = next(t for t in done.tests if t.score is not None)
    tests = [replace(base, round=1, setup="a", score=0.4), replace(base, round=1, setup="b", score=0.1), replace(base, round=1, setup="a", score=0.2), replace(base, round=2, setup="a", score=0.9), replace(base, round=3, setup="b", score=0.0), replace(base, round=3, setup="a", score=-1.0), replace(base, round=4, setup="a", score=None), replace(base, round=4, setup="b", score=0.5)]
    assert differences.round_differences(tests, "a", "b") == pytest.approx((0.2, -1.0))  # round 1: (.4+.2)/2 - .1; rounds 2 and 4 have only one of the two
    assert differences.round_differences(tests, "b", "a") == pytest.approx((-0.2, 1.0))


def test_the_challenger_stands_first_and_scale_holds_all(sample: ModuleType, done) -> None:
    data = plain(sample, done, "differences")
    against = done.verdict.against
    assert data.rows[0].setup == (against.b if against.a == data.lead else against.a)
    values = [v for r in data.rows for v in (*r.strokes, *((r.estimate.low, r.estimate.high) if r.estimate else ()))]
    assert data.low < min(values)
    assert data.high > max(values)


def test_no_lead_no_chart(sample: ModuleType, done) -> None:
    assert differences.differences(replace(done.verdict, lead=None), done.tests, names=names_of(sample.DECLARED)) is None


# by hour


def test_hours_are_pooled_in_fours_below_a_hundred_tests_and_counted_at_the_site(sample: ModuleType, done) -> None:
    names = names_of(sample.DECLARED)
    few = by_hour.by_hour(done.tests, setups=["gable/5g"], needs=sample.NEEDS, names=names, timezone="Europe/London")
    assert few.block_hours == 4
    assert few.panels[0].blocks == ((9, 13), (13, 17))
    many = by_hour.by_hour(done.tests * 2, setups=["gable/5g"], needs=sample.NEEDS, names=names, timezone="Europe/London")
    assert many.block_hours == 2
    counted = sum(c.tests for cells in few.panels[0].cells for c in cells)
    assert counted == sum("video" in dict(t.met) for t in done.tests if t.setup == "gable/5g")


def test_failed_tests_count_as_not_met_and_void_ones_are_left_out(sample: ModuleType, done) -> None:
    t = next(t for t in done.tests if dict(t.met).get("video"))
    tests = [t, replace(t, outcome="failed", met=(("video", False),), score=-1.0), replace(t, outcome="void", score=None)]
    data = by_hour.by_hour(tests, setups=[t.setup], needs=sample.NEEDS[:1], names=names_of(sample.DECLARED), timezone="Europe/London")
    assert [(c.met, c.tests) for c in data.panels[0].totals] == [(1, 2)]


# timeline


def test_visits_rounds_and_failures_in_time(sample: ModuleType, done) -> None:
    data = plain(sample, done, "timeline")
    assert [lane.rig for lane in data.lanes] == ["window", "gable"]
    assert sum(m.tests for lane in data.lanes for m in lane.marks) == len(done.tests)
    assert sum(m.failed for lane in data.lanes for m in lane.marks) == sum(t.outcome == "failed" for t in done.tests)
    real = [v for lane in data.lanes for v in lane.visits if not v.planned]
    assert sorted(v.number for v in real) == [1, 2, 3, 4, 5, 6]
    assert all(v.planned is False or v.start > done.tests[-1].at for lane in data.lanes for v in lane.visits)


def test_more_than_the_most_marks_are_binned_and_none_is_lost(sample: ModuleType, done) -> None:
    t0 = done.tests[0]
    many = [replace(t0, test=str(k), at=t0.at + timedelta(minutes=k), setup="window/5g" if k % 2 else "window/4g") for k in range(10_000)]
    data = timeline.timeline(sample.DESIGN, many, names=names_of(sample.DECLARED), at_most=2000)
    assert data is not None
    assert data.binned
    assert sum(len(lane.marks) for lane in data.lanes) <= 2000
    assert sum(m.tests for lane in data.lanes for m in lane.marks) == 10_000


def test_a_finished_campaign_plans_nothing(sample: ModuleType, done) -> None:
    data = timeline.timeline(sample.DESIGN, done.events, names=names_of(sample.DECLARED), upcoming=Step(kind="finish", why="decided"))
    assert data is not None
    assert not any(v.planned for lane in data.lanes for v in lane.visits)


# spectrum


def test_carriers_lie_at_their_true_place(sample: ModuleType) -> None:
    data = plain(sample, None, "spectrum")
    # TS 36.101 5.7.3: 1805 + 0.1·(1575 − 1200); TS 38.104 5.4.2.1: 3000 + 0.015·(642668 − 600000) and 0.005·155600
    assert [(c.band, c.centre_mhz) for c in data.carriers] == [("n28", 778.0), ("B3", 1842.5), ("n78", pytest.approx(3640.02))]
    assert [c.mbps[1] for c in data.carriers if c.mbps] == [14, 31, 54]
    assert spectrum.finding(data) == "NR n78 carries more than half."


def test_a_carrier_without_width_or_channel_is_named_and_not_drawn() -> None:
    lone = Carrier(rat=Rat.LTE, role=Role.PCELL, fields=(Field(name="band", value="B20"), Field(name="rsrp", value=-99, unit="dBm")))
    data = spectrum.spectrum(Reading(carriers=(lone,)), ())
    assert data.carriers == ()
    assert data.missing == (("LTE B20", "channel and width"),)


def test_area_is_rate(sample: ModuleType) -> None:
    data = plain(sample, None, "spectrum")
    root = ET.fromstring(spectrum.draw(data).wide)
    solid = [e for e in root.iter() if e.get("class") == "f2" and float(e.get("y", 0)) > 100]
    areas = [float(e.get("width", 0)) * float(e.get("height", 0)) for e in solid]
    rates = [c.mbps[1] for c in data.carriers if c.mbps]
    ratios = [a / r for a, r in zip(areas, rates, strict=True)]
    assert max(ratios) / min(ratios) < 1.02  # coordinates are written to a tenth of a pixel


# clearance


def test_first_fresnel_radius_of_the_handbook() -> None:
    # ITU-R P.530-18, eq. (2): F1 = 17.3·sqrt(d1·d2/(f·d)) m with km and GHz: 6.8 km, middle, 3.64 GHz gives 17.3·sqrt(3.4·3.4/(3.64·6.8)) = 11.82
    assert abs(clearance.first_zone_m(from_m=3400, to_m=3400, frequency_mhz=3640) - 11.82) < 0.02  # the handbook's 17.3 has three figures


def test_flat_ground_is_cleared_by_the_line_less_the_bulge() -> None:
    ds = [0.0, 5000.0, 10000.0]
    data = clearance.clearance(ds, [100.0, 100.0, 100.0], near_height_m=30, far_height_m=30, frequency_mhz=800)
    bulge = 5000 * 5000 / (2 * 4 / 3 * 6_371_000)  # 1.4715 m
    zone = clearance.first_zone_m(from_m=5000, to_m=5000, frequency_mhz=800)
    assert data.worst.clearance == pytest.approx((30 - bulge) / zone)
    assert clearance.finding(data).startswith("The path is clear")


def test_an_edge_above_the_line_says_no_sight() -> None:
    data = clearance.clearance([0.0, 400.0, 800.0], [100.0, 120.0, 100.0], near_height_m=5, far_height_m=5, frequency_mhz=3640)
    assert data.worst.clearance < 0
    assert clearance.finding(data).startswith("No sight: at 400\u00a0m")


def test_two_points_are_no_path() -> None:
    with pytest.raises(ValueError, match="three or more"):
        clearance.clearance([0.0, 1.0], [0.0, 0.0], near_height_m=1, far_height_m=1, frequency_mhz=800)


# predicted, headings, days


def test_foreseen_says_where_a_test_fell(sample: ModuleType) -> None:
    one = predicted.foreseen(sample.FORECASTS, down_mbps=[30.0], up_mbps=[9.0])
    assert one is not None
    assert predicted.finding(one) == "Down: 30\u00a0Mbit/s, below what the reading foresaw. Up: 9.0\u00a0Mbit/s, within what the reading foresaw."
    assert predicted.foreseen(()) is None


def test_headings_give_a_range_where_there_is_a_fit(sample: ModuleType) -> None:
    assert headings.finding(plain(sample, None, "headings")) == "Best between 206° and 218° true, by the fit."
    lone = headings.headings([headings.Heading(azimuth_deg=140, level_db=-101, noise_db=0.8)])
    assert lone is not None
    assert headings.finding(lone).startswith("Strongest so far at 140°")
    assert headings.headings([]) is None


def test_days_pool_what_lies_between_changes(sample: ModuleType, done) -> None:
    data = plain(sample, done, "days")
    video = data.panels[0]
    assert len(video.stretches) == 2
    assert video.stretches[0][1] == video.stretches[1][0]
    assert all(len({c.day for c in p.cells}) == len(p.cells) for p in data.panels)


def test_a_fall_beyond_its_range_is_the_finding(sample: ModuleType, done) -> None:
    t = next(t for t in done.tests if dict(t.met))
    monday = sample.START
    tests = [replace(t, at=monday + timedelta(days=d, hours=4, minutes=m), met=(("video", d < 5),), score=0.5) for d in range(10) for m in range(12)]
    data = days.days(tests, needs=sample.NEEDS, names=names_of(sample.DECLARED), timezone="Europe/London", changes=[days.Change(letter="a", at=monday + timedelta(days=5), text="x")])
    assert data is not None
    assert days.finding(data).startswith("Video consultations fell: from ")
    assert math.isclose(data.panels[0].stretches[0][2].value, 1.0)
