"""What people of the trade know, checked from end to end. Every value here is common practice, no source."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

from bandwright.advice.verdict import verdict
from bandwright.jobs.look import explain
from bandwright.twin.practice import site
from bandwright.words.campaign import Design, RoundDrawn, Tested
from bandwright.words.rig import Setup
from bandwright.words.site import Hours, Need, Requirements

AT = datetime(2026, 11, 2, 12, 0, tzinfo=UTC)

THREE_CARRIERS = """AT+QCAINFO
+QCAINFO: "PCC",1300,100,"LTE BAND 3",1,138,-90,-10,-60,14
+QCAINFO: "SCC",627264,12,"NR5G BAND 78",211
+QCAINFO: "SCC",640000,12,"NR5G BAND 78",305
OK
"""


def test_two_nr_carriers_of_100_mhz_and_an_lte_carrier_of_20_add_up_to_220() -> None:
    # common practice, no source; width code 12 of an NR carrier in FR1 can only be 100 MHz
    look = explain(THREE_CARRIERS, at=AT)
    widths = sorted(c.number("dl_bandwidth") or 0.0 for r in look.readings for c in r.serving())
    assert widths == [20, 100, 100]
    assert any("220 MHz" in f.sentence.replace("\u00a0", " ") for f in look.findings)


def test_two_runs_in_a_row_that_agree_prove_nothing_about_tomorrow() -> None:
    # common practice, no source: on the simulated practice, pairs five minutes apart that agree within a tenth are followed the next day
    # by a test that is off by more than a quarter about as often as any pair is
    place, setup = site(), "gable-own/automatic"
    agreeing, off_after_agreeing, off_after_any, total = 0, 0, 0, 0
    for day in range(400):
        at = AT + timedelta(days=2 * day)
        first, second, tomorrow = (place.moment(setup, t, load_s=60).down_mbps for t in (at, at + timedelta(minutes=5), at + timedelta(days=1)))
        off = abs(math.log(tomorrow / first)) > math.log(1.25)
        total += 1
        off_after_any += off
        if abs(math.log(second / first)) < math.log(1.1):
            agreeing += 1
            off_after_agreeing += off
    assert agreeing > 25
    assert off_after_agreeing / agreeing > 0.4
    assert abs(off_after_agreeing / agreeing - off_after_any / total) < 0.2


def test_two_rounds_in_a_row_are_no_verdict_however_well_they_agree() -> None:
    # common practice, no source
    need = Need(key="call", kind="video call", requirements=Requirements(uplink_mbps=3), hours=Hours("always", tuple((d, 0, 1440) for d in range(7))))
    design = Design(key="c", setups=(Setup(key="r/a", rig="r", tuning="a"), Setup(key="r/b", rig="r", tuning="b")), needs=(need,), start=AT)
    records: list[RoundDrawn | Tested] = []
    for number in (1, 2):
        at = AT + timedelta(minutes=3 * number)
        records.append(RoundDrawn(at=at, round=number, rig="r", visit=0, order=("r/a", "r/b")))
        for i, (setup, value) in enumerate((("r/a", 0.8), ("r/b", -0.2))):
            records.append(Tested(at=at + timedelta(minutes=i), test=f"{number}{i}", round=number, setup=setup, visit=0, score=value, met=(("call", value > 0),)))
    found = verdict(design, records, seed=1)
    assert found.kind == "not yet"
    assert found.lead == "r/a"
    assert found.rounds_needed is not None
