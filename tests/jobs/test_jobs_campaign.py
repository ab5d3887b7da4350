"""A campaign on the simulated practice: through the modem's AT dialect, the parser, the probe, the fold and the verdict."""

from __future__ import annotations

import importlib.util
import os
import random
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from bandwright.errors import GatewayUnreachable, StoreError
from bandwright.jobs.campaign import run
from bandwright.jobs.judge import judge
from bandwright.ports import Question
from bandwright.words.campaign import NotShown, RigMounted, RoundDrawn
from bandwright.words.measurement import Outcome, Phase
from bandwright.workspace.lock import RunLock

_spec = importlib.util.spec_from_file_location("twin_bench", Path(__file__).with_name("twin_bench.py"))
assert _spec is not None
assert _spec.loader is not None
bench = importlib.util.module_from_spec(_spec)
sys.modules["twin_bench"] = bench
_spec.loader.exec_module(bench)


async def test_a_small_campaign_runs_to_its_end_and_every_test_is_counted_once(tmp_path: Path) -> None:
    twin, house = await bench.small(tmp_path, days=4)
    progress = await bench.to_the_end(house)
    answer = judge(house)
    assert progress[-1].kind == "answer"
    assert progress[-1].verdict == answer.verdict
    bench.assert_sound(house, answer.design.key)
    assert answer.verdict.tests >= 8
    assert answer.verdict.lead == "sill-own/standalone"  # the anchor on band 20 cannot carry the calls' uplink: twin/practice.py
    assert all(m.captures for m in house.records.measurements())
    await house.close()
    await twin.close()


async def test_the_former_setting_is_back_in_long_waits_and_at_the_end(tmp_path: Path) -> None:
    twin, house = await bench.small(tmp_path, days=1.5)
    before = twin.world.modem.configured
    async for event in run(house):
        if event.kind == "waiting" and event.until is not None and (event.until - event.at).total_seconds() > 600:
            assert twin.world.modem.configured == before
    assert twin.world.modem.configured == before
    await house.close()
    await twin.close()


async def test_closing_the_stream_puts_the_former_setting_back(tmp_path: Path) -> None:
    twin, house = await bench.small(tmp_path)
    before = twin.world.modem.configured
    stream = run(house)
    async for event in stream:
        if event.kind == "measuring":
            assert twin.world.modem.configured != before
            break
    await stream.aclose()
    assert twin.world.modem.configured == before
    await house.close()
    await twin.close()


@pytest.mark.parametrize(("die_at", "after"), [(0, True), (1, False)], ids=["after each write", "before each second write"])
async def test_a_death_at_every_write_loses_and_repeats_nothing(tmp_path: Path, die_at: int, after: bool) -> None:
    """Each life ends at its first write, or before its second: so one campaign dies at every point between two writes."""
    twin, house = await bench.small(tmp_path, days=0.45)
    kept: set[str] = set()
    lives, done = 0, False
    while not done:
        lives += 1
        assert lives < 200
        mortal = bench.Mortal(house.records, die_at=die_at, after=after)
        try:
            progress = await bench.to_the_end(replace(house, records=mortal))
            done = progress[-1].kind == "answer"
        except bench.Crash:
            done = False
        assert kept <= {m.key for m in house.records.measurements()}
        kept = {m.key for m in house.records.measurements()}
        await house.close()
        house = await twin.start()
    assert lives > 10
    assert len(kept) >= 3
    bench.assert_sound(house, "c1")
    await house.close()
    await twin.close()


async def test_the_tuning_in_force_is_read_before_anything_goes_on(tmp_path: Path) -> None:
    twin, house = await bench.small(tmp_path)
    mortal = replace(house, records=bench.Mortal(house.records, die_at=1, after=True))
    with pytest.raises(bench.Crash):
        await bench.to_the_end(mortal)
    await house.close()
    again = await twin.start()
    stream = run(again)
    first = await anext(stream)
    assert first.kind == "note"
    assert "is set to" in first.text
    assert "it differs from what it was before the campaign" in first.text
    await stream.aclose()
    await again.close()
    await twin.close()


CHILD = """
import asyncio, sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
import twin_bench
async def main():
    twin, house = await twin_bench.small(Path(sys.argv[1]), days=3)
    print("ready", flush=True)
    async for event in twin_bench.run(house):
        if event.kind == "tested":
            print(event.tested.test, flush=True)
asyncio.run(main())
"""


@pytest.mark.parametrize("after", [0, 2, 5])
def test_a_killed_process_goes_on_where_it_was(tmp_path: Path, after: int) -> None:
    here = str(Path(__file__).parent)
    with subprocess.Popen([sys.executable, "-c", CHILD, str(tmp_path), here], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        said = [child.stdout.readline().strip() for _ in range(after)]
        child.send_signal(signal.SIGKILL)
        said += child.stdout.read().split()
    done = subprocess.run([sys.executable, "-c", CHILD, str(tmp_path), here], capture_output=True, text=True, timeout=60, check=True)
    from bandwright.workspace.records import DiskRecords

    records = DiskRecords(tmp_path)
    tests = [t.test for t in bench.tests_of(records.events("c1"))]
    assert len(set(tests)) == len(tests)
    assert set(said) <= set(tests)
    assert not set(said) & set(done.stdout.split()), "a finished test was repeated"


async def test_a_moved_device_counts_for_the_setup_asked_for_and_the_share_is_reported(tmp_path: Path) -> None:
    twin, house = await bench.small(tmp_path, days=2)
    probe = twin.world.probe
    plain = probe.measure

    async def moving(plan, *, listener=None):
        found = await plain(plan, listener=listener)
        return replace(found, moved=True, setup_seen="sill-own/standalone") if plan.setup == "sill-own/anchor 20" else found

    probe.measure = moving
    await bench.to_the_end(house)
    answer = judge(house)
    moved = [t for t in bench.tests_of(answer.events) if t.moved]
    assert moved
    assert {t.setup for t in moved} == {"sill-own/anchor 20"}
    assert {t.seen for t in moved} == {"sill-own/standalone"}
    assert 0.2 < answer.verdict.moved_share < 0.8
    await house.close()
    await twin.close()


async def test_a_failed_test_counts_as_not_met_and_a_void_one_is_kept_and_repeated(tmp_path: Path) -> None:
    twin, house = await bench.small(tmp_path, days=2)
    probe, chance = twin.world.probe, random.Random(3)
    plain = probe.measure

    async def failing(plan, *, listener=None):
        found = await plain(plan, listener=listener)
        luck = chance.random()
        if luck < 0.15:
            return replace(found, outcome=Outcome.VOID, phase=Phase.FAR_END, reason="the far end restarted", values=())
        if luck < 0.30:
            return replace(found, outcome=Outcome.FAILED, phase=Phase.UPLINK, reason="the uplink stalled for 3 s")
        return found

    probe.measure = failing
    await bench.to_the_end(house)
    answer = judge(house)
    tests = bench.tests_of(answer.events)
    voids, fails = [t for t in tests if t.outcome == "void"], [t for t in tests if t.outcome == "failed"]
    assert voids
    assert fails
    assert all(t.score is None for t in voids)
    assert all(t.score == -1 and t.phase == "uplink" and not any(met for _, met in t.met) for t in fails)
    for t in voids:
        later = [u for u in tests if u.round == t.round and u.setup == t.setup and u.at > t.at]
        assert later, "a void test was not repeated in its round"
    assert answer.verdict.void == len(voids)
    assert answer.verdict.tests + answer.verdict.void + answer.verdict.ramping == len(tests), "every test taken is accounted for"
    await house.close()
    await twin.close()


async def test_a_gateway_out_of_reach_ends_the_run_clearly_and_what_was_measured_stays(tmp_path: Path) -> None:
    twin, house = await bench.small(tmp_path)
    seen = 0
    with pytest.raises(GatewayUnreachable):
        async for event in run(house):
            seen += event.kind == "tested"
            if seen == 2:
                await twin.world.modem.close()
    assert house.records.measurement_count() == 2
    await house.close()


async def test_only_one_campaign_runs_in_a_workspace(tmp_path: Path) -> None:
    twin, house = await bench.small(tmp_path)
    with RunLock(tmp_path), pytest.raises(StoreError, match="already running"):
        await bench.to_the_end(house)
    await house.close()
    await twin.close()


BY_HAND = """
[site]
name = "By hand"
timezone = "UTC"

[[need]]
kind = "video call"
hours = "daily 08:00-22:00"

[[line]]
key = "A"

[[gateway]]
key = "supplied"
kind = "pasted"

[[rig]]
key = "window"
line = "A"
gateway = "supplied"

[[rig]]
key = "loft"
line = "A"
gateway = "supplied"
change_minutes = 10

[[tuning]]
key = "4G only"
mode = "lte"

[[tuning]]
key = "automatic"

[campaign]
by_hand = true
allowance_days = 2
rig_changes = 2
seed = 3
mounted = "window"
"""


class Householder:
    """A person by hand: sets what is told, pastes what the page shows; forgets one step, and does one wrongly."""

    def __init__(self, twin) -> None:
        self.twin, self.asked, self.mode, self.number = twin, [], "automatic", 0
        self.forgets, self.errs, self.leaves_after = 3, 6, 999

    async def ask(self, question: Question) -> str:
        self.asked.append(question)
        if len(self.asked) > self.leaves_after:
            return "stop"
        await self.twin.world.clock.sleep(60)
        if question.kind == "set":
            self.number += 1
            if self.number == self.forgets:
                return "done"  # says so, and forgot
            self.mode = "lte" if "4G (LTE) only" in question.text and self.number != self.errs else "automatic"
            return "done"
        if question.kind == "paste":
            at = self.twin.world.clock.now()
            cells = [f"LTE cell\nBand: B3\nEARFCN: 1300\nPCI: 138\nRSRP: {-95 - at.minute % 5} dBm\nRSRQ: -{9 + at.second % 4} dB\nSINR: {7 + at.minute % 4} dB"]
            if self.mode != "lte":
                cells.append(f"5G cell\nBand: n78\nNR-ARFCN: 639936\nPCI: 211\nSS-RSRP: {-99 - at.minute % 4} dBm\nSS-SINR: {9 + at.minute % 5} dB")
            technology = "LTE" if self.mode == "lte" else "5G NSA"
            return f"Registration: home network\nNetwork (PLMN): 001-01\nTechnology: {technology}\nUptime minutes: {int(at.timestamp() // 60)}\n" + "\n\n".join(cells)
        return "done"


async def test_a_campaign_by_hand_is_stopped_resumed_and_ends_in_an_answer(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(BY_HAND)
    twin, house = await bench.small(tmp_path)
    person = Householder(twin)
    levels = {"window/4G only": (14.0, 5.0), "window/automatic": (40.0, 4.0), "loft/4G only": (30.0, 9.0), "loft/automatic": (90.0, 11.0)}
    chance = random.Random(8)

    class ByHandProbe:
        def cost_megabytes(self, plan, *, load_s=0.0):
            return 20.0

        async def load(self, seconds, *, plan):
            await twin.world.clock.sleep(seconds)
            return 0.0

        async def measure(self, plan, *, listener=None):
            from uuid import uuid4

            from bandwright.words.measurement import Measurement, Method, Value

            at = twin.world.clock.now()
            await twin.world.clock.sleep(8)
            down, up = (x * 2.718 ** chance.gauss(0, 0.3) for x in levels[plan.setup])
            found = {"goodput_down_mbps": down, "goodput_up_mbps": up, "delay_loaded_down_ms": 90.0, "delay_loaded_up_ms": 120.0, "loss_ratio": 0.0}
            return Measurement(key=str(uuid4()), at=at, method=Method.NEAR_FAR, values=tuple(Value(quantity=k, value=v) for k, v in found.items()), megabytes=20, seconds=8)

    from bandwright.gateways.kinds import open_gateway
    from bandwright.jobs.assembly import asker

    gateway = open_gateway(house.declared.gateway("supplied"), clock=house.clock, ask=asker(person))
    sittings, answer = 0, None
    while sittings < 40:
        sittings += 1
        person.leaves_after = len(person.asked) + 7 if sittings == 2 else 10_000  # leaves in the middle of the second sitting
        here = replace(house, person=person, gateway_maker=lambda _key: gateway, probe_maker=lambda _rig: ByHandProbe(), _gateways={}, _probes={})
        last = (await bench.to_the_end(here))[-1]
        answer = judge(here)
        if answer.course.finished:
            break
        step = answer.course.next
        if step.not_before is not None and step.not_before > house.clock.now():
            twin.world.clock.advance((step.not_before - house.clock.now()).total_seconds() + 600)
        assert last.kind == "answer"
    assert answer is not None
    assert sittings >= 3, "it was one sitting: nothing was resumed"
    assert answer.verdict.kind in {"best", "no difference", "not yet"}
    bench.assert_sound(house, answer.design.key)
    wrong = [e for e in answer.events if isinstance(e, NotShown)]
    assert wrong, "the forgotten step and the wrong one were not noticed"
    assert answer.verdict.tests == 24
    assert answer.verdict.visits == 3
    assert sum(isinstance(e, RigMounted) for e in answer.events) >= 1
    assert any(isinstance(e, RoundDrawn) for e in answer.events)
    await house.close()
    await twin.close()


def test_the_lock_goes_away_with_its_process(tmp_path: Path) -> None:
    code = f"import os\nfrom pathlib import Path\nfrom bandwright.workspace.lock import RunLock\nRunLock(Path({str(tmp_path)!r})).__enter__()\nprint(os.getpid(), flush=True)\ninput()"
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        pid = child.stdout.readline().strip()
        with pytest.raises(StoreError, match=pid):
            RunLock(tmp_path).__enter__()
        os.kill(int(pid), signal.SIGKILL)
    with RunLock(tmp_path):
        pass


class Watchful:
    """A guard that notes what it is told, and what the modem was set to at that moment."""

    def __init__(self, twin) -> None:
        self.twin, self.told = twin, []

    def _note(self, what: str) -> None:
        self.told.append((what, self.twin.world.modem.configured.mode, len(self.twin.world.modem.configured.lte_band)))

    def arm(self, rig, former, *, seconds, tuning="") -> None:
        assert former.mode == "automatic", "the settings from before the campaign are what a guard puts back"
        assert seconds == 180
        self._note(f"arm {tuning}")

    def extend(self, seconds) -> None:
        self._note("extend")

    def disarm(self, gateway=None) -> None:
        self._note("disarm")


async def test_a_risky_tuning_is_guarded_from_before_it_is_asked_until_it_is_left(tmp_path: Path) -> None:
    risky = bench.SMALL_SITE.replace('bands = ["B20", "n78"]', 'bands = ["B20"]').replace('mode = "endc"', 'mode = "lte"')
    twin, house = await bench.small(tmp_path, days=1, text=risky)
    guard = Watchful(twin)
    # the simulated place has no setup on band 20 alone: the tuning is never shown, so it must be lifted each time
    await bench.to_the_end(replace(house, guard=guard))
    armed = [i for i, (what, _, _) in enumerate(guard.told) if what == "arm anchor 20"]
    assert armed
    for i in armed:
        assert guard.told[i][1] != "lte", "it was armed only after the risky tuning was asked for"
        following = [what for what, _, _ in guard.told[i + 1 :] if what != "extend"]
        assert following
        assert following[0] == "disarm"
    assert twin.world.modem.configured.mode == "automatic"
    await house.close()
    await twin.close()


async def test_rigs_that_stand_side_by_side_are_changed_without_asking_anybody(tmp_path: Path) -> None:
    beside = bench.SMALL_SITE.replace(
        '[[tuning]]\nkey = "standalone"',
        '[[rig]]\nkey = "gable-own"\nline = "A"\ngateway = "own"\n\n[[tuning]]\nkey = "standalone"',
        1,
    ).replace("seed = 7", 'seed = 7\nrigs_at_once = [["sill-own", "gable-own"]]')
    twin, house = await bench.small(tmp_path, days=3, text=beside)

    class Nobody:
        async def ask(self, question: Question) -> str:
            pytest.fail(f"somebody was asked: {question.text}")

    before = twin.world.modem.configured
    progress = await bench.to_the_end(replace(house, person=Nobody()))
    assert progress[-1].kind == "answer"
    rounds = [e for e in house.records.events("c1") if isinstance(e, RoundDrawn)]
    assert any({"sill-own", "gable-own"} <= {setup.split("/")[0] for setup in r.order} for r in rounds), "they were never compared within a round"
    assert not any(isinstance(e, RigMounted) for e in house.records.events("c1"))
    assert twin.world.modem.configured == before
    await house.close()
    await twin.close()
