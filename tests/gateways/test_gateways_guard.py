"""The timed return, with real processes and real kills. The times are short and real; nothing sleeps for a fixed time, it polls until a deadline."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from stage import Place, RealClock

from bandwright.errors import OurFault
from bandwright.gateways import guard as guard_module
from bandwright.gateways import returns as records
from bandwright.gateways.guard import TimedReturn, boot_unit, recover
from bandwright.gateways.kinds import open_gateway
from bandwright.gateways.proof import read_back
from bandwright.gateways.returns import outcomes
from bandwright.words.radio import SettingsSeen
from bandwright.words.rig import GatewayPlan, Rig, Tuning

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is POSIX")

PIN = Tuning(key="pinned", mode="endc", cell="lte:6300:55")
RIG = Rig(key="gable", line="A", gateway="own")

# What a user's process does: read the former settings, arm, apply the risky tuning, measure for ever.
MAIN = """
import asyncio, sys
from pathlib import Path
sys.path.insert(0, {tests!r})
from stage import RealClock
from bandwright.gateways.guard import TimedReturn
from bandwright.gateways.kinds import open_gateway
from bandwright.words.rig import GatewayPlan, Rig, Tuning

async def main():
    plan = GatewayPlan(key="own", kind="at-tcp", settings=(("address", {address!r}), ("quiet_s", "0.02")))
    gateway = open_gateway(plan, clock=RealClock())
    former = await gateway.settings()
    TimedReturn(Path({folder!r}), lambda key: plan, busy_grace_s={grace}).arm(
        Rig(key="gable", line="A", gateway="own"), former, seconds={seconds}, tuning="pinned")
    await gateway.apply(Tuning(key="pinned", mode="endc", cell="lte:6300:55"))
    print("measuring", flush=True)
    while {reacts}:
        await asyncio.sleep(3600)
    while True:
        pass
asyncio.run(main())
"""


class Site:
    """A twin's modem served in this process, and what a user's process does to it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.place = Place(RealClock(), apply_delay_s=0.0)
        self.address = ""

    async def start(self) -> None:
        host, port = await self.place.modem.serve_tcp()
        self.address = f"{host}:{port}"

    @property
    def plan(self) -> GatewayPlan:
        return GatewayPlan(key="own", kind="at-tcp", settings=(("address", self.address), ("quiet_s", "0.02")))

    async def user(self, *, seconds: float, grace: float = 20.0, reacts: bool = True) -> asyncio.subprocess.Process:
        tests = str(Path(__file__).parent)
        code = MAIN.format(tests=tests, address=self.address, folder=str(self.folder), seconds=seconds, grace=grace, reacts=reacts)
        process = await asyncio.create_subprocess_exec(sys.executable, "-c", code, stdout=subprocess.PIPE, start_new_session=True)
        assert (await asyncio.wait_for(process.stdout.readline(), 30)).strip() == b"measuring"
        return process

    @property
    def cell(self) -> str | None:
        return self.place.modem.in_force.cell


@pytest.fixture
async def site(tmp_path):
    made = Site(tmp_path)
    await made.start()
    yield made
    await made.place.modem.close()


async def until(true: Callable[[], bool], *, within_s: float) -> float:
    began = time.monotonic()
    while not true():
        assert time.monotonic() - began < within_s, "it did not happen in time"
        await asyncio.sleep(0.02)
    return time.monotonic() - began


async def test_kill_9_of_the_main_process_brings_the_former_settings_back(site) -> None:
    user = await site.user(seconds=600.0)
    await until(lambda: site.cell == "lte:6300:55", within_s=5)
    user.send_signal(signal.SIGKILL)
    await user.wait()
    await until(lambda: site.cell is None, within_s=20)
    await until(lambda: not list(site.folder.glob("return-*.json")), within_s=10)
    (done,) = outcomes(site.folder)
    assert done.ok
    assert done.gateway == "own"
    assert "process that armed it ended" in done.why
    assert outcomes(site.folder) == ()


async def test_kill_9_of_both_is_put_right_at_the_next_start(site) -> None:
    user = await site.user(seconds=600.0)
    guards = children_of(user.pid)
    assert len(guards) == 1
    for pid in (*guards, user.pid):
        os.kill(pid, signal.SIGKILL)
    await user.wait()
    assert site.cell == "lte:6300:55"
    (done,) = await recover(site.folder)
    assert done.ok
    assert site.cell is None
    assert site.place.modem.configured.mode_pref == "AUTO"
    assert await recover(site.folder) == ()


async def test_the_boot_unit_command_puts_it_right_without_anybody(site) -> None:
    user = await site.user(seconds=600.0)
    for pid in (*children_of(user.pid), user.pid):
        os.kill(pid, signal.SIGKILL)
    await user.wait()
    process = await asyncio.create_subprocess_exec(sys.executable, "-m", "bandwright.gateways.guard", "--recover", str(site.folder), stdout=subprocess.PIPE)
    out, _ = await asyncio.wait_for(process.communicate(), 30)
    assert process.returncode == 0
    assert out.decode() == "own: former settings are back (a record was left behind)\n"
    assert site.cell is None


async def test_when_the_time_is_up_the_guard_acts_though_the_main_process_lives(site) -> None:
    # The main process still holds the port and does not react: after the grace it is ended, so that the site gets its service back.
    user = await site.user(seconds=0.3, grace=0.2, reacts=False)
    await until(lambda: site.cell is None, within_s=20)
    assert await asyncio.wait_for(user.wait(), 10) == -signal.SIGKILL
    await until(lambda: not list(site.folder.glob("return-*.json")), within_s=10)
    (done,) = outcomes(site.folder)
    assert "time was up" in done.why


async def test_a_disarmed_return_does_nothing(site) -> None:
    returns = TimedReturn(site.folder, lambda _key: site.plan)
    gateway = open_gateway(site.plan, clock=RealClock())
    former = await gateway.settings()
    returns.arm(RIG, former, seconds=600.0)
    assert returns.is_armed("own")
    process = returns._armed["own"].process
    await gateway.apply(PIN)
    returns.disarm()
    assert not returns.is_armed("own")
    assert process.wait(10) == 0
    assert site.cell == "lte:6300:55"
    assert outcomes(site.folder) == ()
    await gateway.close()


async def test_arming_again_leaves_no_moment_without_a_record(site, monkeypatch) -> None:
    returns = TimedReturn(site.folder, lambda _key: site.plan)
    gateway = open_gateway(site.plan, clock=RealClock())
    former = await gateway.settings()
    await gateway.close()
    returns.arm(RIG, former, seconds=600.0, tuning="first")
    first = returns._armed["own"].process
    seen = []
    start = guard_module._start
    monkeypatch.setattr(guard_module, "_start", lambda path: (seen.append(records.read_record(path).tuning), start(path))[1])
    returns.arm(RIG, former, seconds=600.0, tuning="second")
    assert seen == ["second"]  # the new record was on disk before the new guard was started, and the old guard had not acted
    assert first.wait(10) == 0
    assert returns.is_armed("own")
    returns.disarm()
    assert outcomes(site.folder) == ()


async def test_extending_counts_the_time_anew(site) -> None:
    returns = TimedReturn(site.folder, lambda _key: site.plan, busy_grace_s=600.0)
    gateway = open_gateway(site.plan, clock=RealClock())
    former = await gateway.settings()
    await gateway.apply(PIN)
    await gateway.close()
    returns.arm(RIG, former, seconds=600.0)
    returns.extend(0.2)
    await until(lambda: site.cell is None, within_s=20)
    await until(lambda: not list(site.folder.glob("return-*.json")), within_s=10)
    returns.disarm()


async def test_the_guard_waits_for_a_gateway_that_is_away_and_then_acts(site, tmp_path) -> None:
    gateway = open_gateway(site.plan, clock=RealClock())
    former = await gateway.settings()
    await gateway.apply(PIN)
    await gateway.close()
    port = int(site.address.rpartition(":")[2])
    await site.place.modem.close()
    returns = TimedReturn(site.folder, lambda _key: site.plan)
    returns.arm(RIG, former, seconds=0.05)
    log = returns._armed["own"].process
    assert log.poll() is None
    await site.place.modem.serve_tcp(port=port)
    await until(lambda: site.cell is None, within_s=20)
    returns.disarm()


async def test_a_record_of_a_living_process_is_left_to_it(site) -> None:
    user = await site.user(seconds=600.0)
    assert await recover(site.folder) == ()
    assert site.cell == "lte:6300:55"
    user.send_signal(signal.SIGKILL)
    await user.wait()
    await until(lambda: site.cell is None, within_s=20)


async def test_what_cannot_be_put_back_stays_on_record_and_is_said(site, tmp_path) -> None:
    await site.place.modem.close()
    record = records.Record(
        key="k",
        plan=site.plan,
        former=SettingsSeen(mode="automatic", raw=(("mode_pref", "AUTO"),)),
        seconds=1.0,
        armed_at=datetime.now(UTC),
        pid=2**22 + 1,
        born="0",
    )
    path = tmp_path / "return-own.json"
    records.write_record(path, record)
    (done,) = await recover(tmp_path, timeout_s=0.0)
    assert not done.ok
    assert "no connection" in done.why
    assert path.exists()
    assert path.stat().st_mode & 0o077 == 0


async def test_a_record_that_cannot_be_read_is_put_aside_and_said(tmp_path) -> None:
    (tmp_path / "return-own.json").write_text('{"key": ')
    (done,) = await recover(tmp_path)
    assert not done.ok
    assert await recover(tmp_path) == ()
    assert (tmp_path / "return-own.unreadable").exists()


def test_nothing_risky_is_armed_where_the_guard_does_not_start(tmp_path) -> None:
    plan = GatewayPlan(key="own", kind="at-tcp", settings=(("address", "no port"),))
    with pytest.raises(OurFault, match="did not start"):
        TimedReturn(tmp_path, lambda _key: plan).arm(RIG, SettingsSeen(), seconds=1.0)
    assert not list(tmp_path.glob("return-*"))


def test_a_record_survives_the_way_through_the_disk(tmp_path) -> None:
    plan = GatewayPlan(key="own", kind="at-tcp", settings=(("address", "192.0.2.1:5000"),), capability=(("max_dl_carriers", 4.0),), price="310 GBP")
    former = SettingsSeen(mode="endc", bands=("B3", "n78"), cell="lte:1300:138", raw=(("mode_pref", "LTE:NR5G"),))
    record = records.Record(key="k", plan=plan, former=former, seconds=180.0, armed_at=datetime(2026, 1, 5, tzinfo=UTC), pid=1, born="7", tuning="pinned")
    records.write_record(tmp_path / "return-own.json", record)
    assert records.read_record(tmp_path / "return-own.json") == record
    assert read_back(Tuning(key="x", mode="endc", bands=("B3", "n78"), cell="lte:1300:138"), record.former) == (True, "")
    assert json.loads((tmp_path / "return-own.json").read_text())["plan"]["key"] == "own"


def test_a_process_number_given_anew_is_not_the_process_that_armed() -> None:
    born = guard_module._born(os.getpid())
    record = records.Record(
        key="k", plan=GatewayPlan(key="own", kind="pasted"), former=SettingsSeen(), seconds=1.0, armed_at=datetime.now(UTC), pid=os.getpid(), born=born
    )
    assert guard_module._alive(record)
    assert not guard_module._alive(guard_module.dataclasses.replace(record, born="another time"))


@pytest.mark.parametrize("platform", ["linux", "darwin", "win32"])
def test_the_boot_unit_runs_the_recovery_of_that_folder(platform, tmp_path) -> None:
    text = boot_unit(tmp_path / "a site", platform=platform)
    assert "bandwright.gateways.guard" in text
    assert "--recover" in text
    assert "a site" in text
    if platform == "linux":
        assert f'"{sys.executable}"' in text
        assert "WantedBy=multi-user.target" in text


def children_of(pid: int) -> list[int]:
    done = subprocess.run(["ps", "-o", "pid=", "--ppid", str(pid)], capture_output=True, text=True)
    return [int(word) for word in done.stdout.split()]
