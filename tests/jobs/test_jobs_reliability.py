"""From what the watch kept to the outage document: figures, words, redaction, page and paper."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from bandwright.errors import UsageError
from bandwright.jobs.house import House
from bandwright.jobs.reliability import reliability
from bandwright.needs.hours import parse_hours
from bandwright.telling.accounts.availability import availability_document, per_cent
from bandwright.telling.accounts.watched import nothing_watched, watch_document
from bandwright.telling.paper import paper_html, paper_pdf
from bandwright.telling.plain import document_lines
from bandwright.words.answers import Alert
from bandwright.words.declared import Declared
from bandwright.words.site import Need, Requirements, Site
from bandwright.words.watch import AlertRaised, ObservedKept, OutageKept
from bandwright.workspace.records import DiskRecords

START = datetime(2026, 3, 2, tzinfo=UTC)


@pytest.fixture
def house(tmp_path):
    need = Need(key="office", kind="video", requirements=Requirements(uplink_mbps=4.0), hours=parse_hours("Mon-Fri 09:00-17:00"), label="Office hours")
    declared = Declared(site=Site(name="Hill farm, call +34600111222", timezone="Europe/Madrid"), needs=(need,))
    return House(folder=tmp_path, declared=declared, records=DiskRecords(tmp_path), clock=None, gateway_maker=None, probe_maker=None, shown=None)


def _watched(house, days=30, outages=12):
    house.records.add_watched(*(ObservedKept(at=START + timedelta(hours=h), end=START + timedelta(hours=h + 1)) for h in range(24 * days)))
    for i in range(outages):
        at = START + timedelta(days=2 * i, hours=9)
        house.records.add_watched(OutageKept(at=at, end=at + timedelta(minutes=6), phase="registration" if i % 2 else "names", start_give_or_take_s=15, end_give_or_take_s=1.5, polls=12))


def _document(answer):
    return availability_document(
        site=answer.declared.site.name, whole=answer.whole, by_need=answer.by_need, by_hour=answer.by_hour, outages=answer.outages, began=answer.began, ended=answer.ended, look_s=answer.look_s,
        zone=ZoneInfo(answer.declared.site.timezone), made=START + timedelta(days=31),
    )  # fmt: skip


def test_figures_of_what_was_kept(house):
    _watched(house)
    answer = reliability(house)
    assert answer.whole.observed_h == 720
    assert answer.whole.down_s == 12 * 360
    assert answer.whole.share == pytest.approx(1 - 4320 / (720 * 3600))
    assert answer.whole.low < answer.whole.share < answer.whole.high
    assert answer.by_need[0].label == "Office hours"
    assert answer.by_need[0].down_s == 360 * sum((START + timedelta(days=2 * i)).weekday() < 5 for i in range(12))
    assert answer.by_hour[10].down_s == 12 * 360  # 09:00 UTC in the winter of Madrid
    assert len(answer.outages) == 12


def test_two_watches_at_once_count_once(house):
    for start, end in ((0, 2), (1, 3), (5, 6)):
        house.records.add_watched(ObservedKept(at=START + timedelta(hours=start), end=START + timedelta(hours=end)))
    assert reliability(house).whole.observed_h == 4


def test_the_document_says_method_and_limits_and_hides_identities(house):
    _watched(house)
    document = _document(reliability(house))
    text = "\n".join(document_lines(document, width=100))
    assert "The connection was there 99.8" in text
    assert "12 outages" in text
    assert "2026-03-02 10:00:00" in text  # local time
    assert "the network did not serve the gateway" in text
    assert "every 30 s" in text
    assert "shorter than 60 s may be missed" in text
    assert "+34600111222" not in paper_html(document)
    assert "Hill farm" in text


def test_few_outages_are_said_to_be_few(house):
    _watched(house, outages=2)
    text = "\n".join(document_lines(_document(reliability(house)), width=100))
    assert "too short a watch" in text
    assert "(few outages)" in text


def test_none_at_all_is_no_claim_of_perfection(house):
    _watched(house, outages=0)
    answer = reliability(house)
    text = "\n".join(document_lines(_document(answer), width=100))
    assert "No outage was seen" in text
    assert answer.whole.low == pytest.approx(1 - 3 * 600 / (720 * 3600))


def test_the_paper_is_accessible(house):
    pytest.importorskip("typst")
    _watched(house)
    assert paper_pdf(_document(reliability(house))).startswith(b"%PDF")


def test_nothing_watched_is_refused(house):
    with pytest.raises(UsageError, match="nothing was watched yet"):
        reliability(house)


@pytest.mark.parametrize(("share", "text"), [(1.0, "100 %"), (0.99999, "99.999 %"), (0.9999999, "99.999 %"), (0.9984, "99.84 %"), (0.98765, "98.7 %"), (0.5, "50.0 %")])
def test_per_cent_never_rounds_up(share, text):
    assert per_cent(share) == text


def test_the_page_of_the_watch_says_what_changed_before_what_was_there(house):
    _watched(house)
    at = START + timedelta(days=3)
    alert = Alert(at=at, key="change 1 up", sentence="Since about Wed 4 Mar the upload is 40 % less. IMEI: 123456789012347")
    house.records.add_watched(AlertRaised(at=at, key=alert.key, alert=alert), AlertRaised(at=at, key="outage 1", alert=Alert(at=at, key="outage 1", sentence="No service for an hour")))
    answer = reliability(house)
    assert [a.key for a in answer.told] == ["change 1 up", "outage 1"]
    page = watch_document(_document(answer), answer.told, zone=ZoneInfo("Europe/Madrid"))
    text = "\n".join(document_lines(page, width=100))
    assert text.index("the upload is 40 % less") < text.index("Range, 90 in 100")
    assert "One change was told" in text
    assert "No service for an hour" not in text
    assert "123456789012347" not in text


def test_the_page_of_the_watch_without_a_change_and_without_a_watch(house):
    _watched(house)
    page = watch_document(_document(reliability(house)), (), zone=ZoneInfo("Europe/Madrid"))
    assert "Nothing has changed" in "\n".join(document_lines(page, width=100))
    assert "bandwright watch" in "\n".join(document_lines(nothing_watched(), width=100))
