"""The timed return: a site never stays without service because a tuning did not work out.

Before a risky tuning the former settings are written to a record on disk, and a small process of its own is started, which outlives
this one. It puts the former settings back when the record's time is up, or at once when the process that armed it is gone (crash, kill,
lost terminal), and keeps trying until they read back. A record that outlives both, over a power cut, is carried out by `recover`:
at the start of any job, or at boot by the unit that `boot_unit` writes.

Records and their files are `gateways.returns`'. Run as `python -m bandwright.gateways.guard RECORD`, or with `--recover FOLDER`.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import getpass
import os
import signal
import subprocess
import sys
import threading
import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bandwright.errors import BandwrightError, GatewayBusy, OurFault
from bandwright.gateways.dialects.base import same_value
from bandwright.gateways.returns import Record, Returned, claim, finish, is_same, left_behind, put_aside, read_record, record_path, write_record
from bandwright.words.radio import SettingsSeen
from bandwright.words.rig import GatewayPlan, Rig

__all__ = ["TimedReturn", "boot_unit", "recover"]

_POLL_S = 0.1
_RETRY_S = 1.0
_READY_S = 20.0


class TimedReturn:
    """Arms and disarms timed returns for the gateways of one workspace.

    plan_of: gives the declared gateway of a key. busy_grace_s: how long the guard waits, once the time is up, for a process that still holds
    the port, before it ends the process that armed it and no longer reacts.
    """

    def __init__(self, folder: Path, plan_of: Callable[[str], GatewayPlan], *, secrets_file: Path | None = None, busy_grace_s: float = 20.0) -> None:
        self._folder, self._plan_of = folder, plan_of
        self._secrets_file = None if secrets_file is None else str(secrets_file)
        self._busy_grace_s = busy_grace_s
        self._armed: dict[str, _Armed] = {}

    def arm(self, rig: Rig, former: SettingsSeen, *, seconds: float, tuning: str = "") -> None:
        """Write down what to restore, and start the small process that will. Returns when that process has said that it is ready.

        Raises OurFault where it does not start: then nothing risky may be set.
        """
        plan = self._plan_of(rig.gateway)
        record = Record(
            key=uuid.uuid4().hex,
            plan=plan,
            former=dataclasses.replace(former, capture=None),
            seconds=seconds,
            armed_at=datetime.now(UTC),
            pid=os.getpid(),
            born=_born(os.getpid()),
            tuning=tuning,
            secrets_file=self._secrets_file,
            busy_grace_s=self._busy_grace_s,
        )
        path = record_path(self._folder, plan.key)
        before = self._armed.pop(plan.key, None)
        write_record(path, record)  # in place of an earlier record, whose guard then ends: at no moment is there none
        process = _start(path)
        try:
            _wait_until_ready(process)
        except OurFault:
            if before is None:  # nothing risky is in force, so there is nothing to put back
                path.unlink(missing_ok=True)
            raise
        self._armed[plan.key] = _Armed(path, record, process)
        if before is not None:
            _let_go(before.process)

    def extend(self, seconds: float) -> None:
        """Count the time of all armed returns anew: service was just seen under the risky tuning."""
        for armed in self._armed.values():
            armed.record = dataclasses.replace(armed.record, seconds=seconds, armed_at=datetime.now(UTC), extended=armed.record.extended + 1)
            if armed.path.exists():
                write_record(armed.path, armed.record)

    def disarm(self, gateway: str | None = None) -> None:
        """Nothing needs to be restored any more: the record is removed first, then its process ends. gateway None is all."""
        for key in [gateway] if gateway is not None else list(self._armed):
            armed = self._armed.pop(key, None)
            if armed is not None:
                armed.path.unlink(missing_ok=True)
                _let_go(armed.process)

    def is_armed(self, gateway: str) -> bool:
        """Whether a return is armed and not yet carried out."""
        armed = self._armed.get(gateway)
        return armed is not None and armed.path.exists()


@dataclass(slots=True)
class _Armed:
    path: Path
    record: Record
    process: subprocess.Popen[bytes]


async def recover(folder: Path, *, timeout_s: float = 60.0) -> tuple[Returned, ...]:
    """Carry out every record left behind in a folder, before anything else is done with its gateways.

    A record whose process still runs, this one included, is not left behind: its guard carries it out when its time is up.
    timeout_s: how long to try each; a record that could not be carried out stays, and its `Returned` says what stands in the way.
    """
    done = []
    for path in left_behind(folder):
        record = read_record(path)
        if record is None:
            put_aside(path)
            done.append(Returned(gateway=path.stem, ok=False, why="its record cannot be read; check its mode and bands yourself", at=datetime.now(UTC)))
        elif not _alive(record):
            done.append(await _carry_out(path, record, why="a record was left behind", give_up_s=timeout_s))
    return tuple(done)


def boot_unit(folder: Path, *, platform: str = sys.platform) -> str:
    """Return what carries out left-over records of a folder at boot: a systemd unit (Linux, run as this user, who may open the port), a launchd job (macOS), a command (Windows)."""
    words = [sys.executable, "-m", "bandwright.gateways.guard", "--recover", str(folder.resolve())]
    if platform == "darwin":
        items = "".join(f"<string>{word.replace('&', '&amp;').replace('<', '&lt;')}</string>" for word in words)
        return (
            '<?xml version="1.0" encoding="UTF-8"?>\n<plist version="1.0"><dict>\n<key>Label</key><string>bandwright-return</string>\n'
            f"<key>ProgramArguments</key><array>{items}</array>\n<key>RunAtLoad</key><true/>\n</dict></plist>\n"
        )
    if platform == "win32":
        return f'schtasks /Create /TN bandwright-return /SC ONSTART /TR "{subprocess.list2cmdline(words)}"\n'
    line = " ".join('"' + word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%") + '"' for word in words)
    return (
        "[Unit]\nDescription=Put a gateway's former settings back after a crash\nAfter=network.target\n\n"
        f"[Service]\nType=oneshot\nUser={getpass.getuser()}\nExecStart={line}\nTimeoutStartSec=infinity\n\n[Install]\nWantedBy=multi-user.target\n"
    )


async def _carry_out(path: Path, record: Record, *, why: str, give_up_s: float | None) -> Returned:
    """Put the former settings back and see them read back; try again until then, or until give_up_s is over."""
    from bandwright.gateways.kinds import open_gateway
    from bandwright.gateways.secrets import file_secrets

    began, tries, trouble = time.monotonic(), 0, "not tried"
    hold = claim(path)
    while True:
        tries += 1
        try:
            hold.take(path.name)
            if not is_same(path, record):
                return Returned(gateway=record.plan.key, ok=True, why="it was already done", at=datetime.now(UTC), tries=tries)
            secrets = None if record.secrets_file is None else file_secrets(Path(record.secrets_file))
            gateway = open_gateway(record.plan, clock=_Wall(), secrets=secrets)
            try:
                await gateway.restore(record.former)
                seen = await gateway.settings()
            finally:
                await gateway.close()
            if _is_back(record.former, seen):
                done = Returned(gateway=record.plan.key, ok=True, why=why, at=datetime.now(UTC), tries=tries)
                finish(path, done)
                return done
            trouble = f"the former settings do not read back (mode {seen.mode}, bands {seen.bands}, cell {seen.cell})"
        except GatewayBusy as error:
            trouble = str(error)
            if time.monotonic() - began > record.busy_grace_s:
                _end_unresponsive(record)
        except BandwrightError as error:
            trouble = str(error)
        finally:
            hold.give()
        if give_up_s is not None and time.monotonic() - began > give_up_s:
            return Returned(gateway=record.plan.key, ok=False, why=trouble, at=datetime.now(UTC), tries=tries)
        await asyncio.sleep(min(_RETRY_S * tries, 30.0))


def _is_back(former: SettingsSeen, seen: SettingsSeen) -> bool:
    """Whether the former settings read back: as they were printed, or at least as what they mean."""
    now = dict(seen.raw)
    printed = all(same_value(now[name], value) for name, value in former.raw if name in now)
    told = former.mode is not None and former.bands is not None and seen.bands is not None and set(former.bands) == set(seen.bands)
    return (printed or told) and (former.mode, former.cell) == (seen.mode, seen.cell)


def _watch(path: Path) -> int:
    """Be the guard of one record: wait for its time, or for the end of the process that armed it, then carry it out."""
    record = read_record(path)
    if record is None:
        return 1
    from bandwright.gateways.kinds import open_gateway
    from bandwright.gateways.secrets import file_secrets

    open_gateway(record.plan, clock=_Wall(), secrets=None if record.secrets_file is None else file_secrets(Path(record.secrets_file)))
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    orphaned = threading.Event()
    threading.Thread(target=_wait_for_end, args=(orphaned,), daemon=True).start()
    began, count = time.monotonic(), record.extended
    why = "the time was up and no service had been seen"
    while True:
        current = read_record(path)
        if current is None or current.key != record.key:
            return 0
        if current.extended != count:
            record, began, count = current, time.monotonic(), current.extended
        if orphaned.is_set():
            why = "the process that armed it ended"
            break
        if time.monotonic() - began >= record.seconds:
            break
        orphaned.wait(min(_POLL_S, max(0.0, record.seconds - (time.monotonic() - began))))
    asyncio.run(_carry_out(path, record, why=why, give_up_s=None))
    return 0


def _wait_for_end(orphaned: threading.Event) -> None:
    """Set the event when the other end of standard input is closed, as it is when its process ends in any way."""
    with contextlib.suppress(OSError, ValueError):
        while os.read(sys.stdin.fileno(), 1024):
            pass
    orphaned.set()


def _start(path: Path) -> subprocess.Popen[bytes]:
    options: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        options = {"creationflags": subprocess.DETACHED_PROCESS | subprocess.CREATE_NEW_PROCESS_GROUP}
    words = [sys.executable, "-m", "bandwright.gateways.guard", str(path)]
    return subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, **options)  # noqa: S603  our own interpreter and module


def _wait_until_ready(process: subprocess.Popen[bytes]) -> None:
    said: list[bytes] = []
    out = process.stdout
    reader = threading.Thread(target=lambda: said.append(out.readline() if out is not None else b""), daemon=True)
    reader.start()
    reader.join(_READY_S)
    if [line.strip() for line in said] != [b"ready"]:
        process.kill()
        raise OurFault("the timed return did not start", todo="Nothing risky was set. Try again; if it stays so, leave out pinned cells and single bands.")


def _let_go(process: subprocess.Popen[bytes]) -> None:
    """Let a guard whose record is gone see that it is, and end."""
    if process.stdin is not None:
        process.stdin.close()
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(5.0)


def _end_unresponsive(record: Record) -> None:
    """End the process that armed the record: its time is up, it holds the port, and it does not react."""
    if not _alive(record) or record.pid == os.getpid():
        return
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.kill(record.pid, signal.SIGTERM if sys.platform == "win32" else signal.SIGKILL)


def _alive(record: Record) -> bool:
    """Whether the very process that armed a record still runs; a process number that was given anew does not count."""
    born = _born(record.pid)
    if born is not None and record.born is not None:
        return born == record.born
    if sys.platform == "win32":
        return False
    try:
        os.kill(record.pid, 0)
    except OSError:
        return False
    return record.born is None


def _born(pid: int) -> str | None:
    """Return when a process started, in the words of the operating system, or None where that cannot be known or it is gone."""
    if sys.platform == "win32":
        return None
    if Path("/proc/self/stat").exists():
        try:
            stat = Path(f"/proc/{pid}/stat").read_text("utf-8")
        except OSError:
            return None
        state, *rest = stat.rpartition(")")[2].split()
        return None if state in "ZX" else rest[18]
    done = subprocess.run(["/bin/ps", "-o", "lstart=", "-p", str(pid)], capture_output=True, text=True, check=False)  # noqa: S603  fixed words and a number
    return done.stdout.strip() or None


@dataclass(frozen=True, slots=True)
class _Wall:
    """The real clock: a guard lives in real time."""

    zero_s: float = field(default_factory=time.monotonic)

    def now(self) -> datetime:
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        return time.monotonic() - self.zero_s

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


def main(words: list[str]) -> int:
    """Be a guard, or carry out what was left behind."""
    if len(words) == 2 and words[0] == "--recover":
        done = asyncio.run(recover(Path(words[1])))
        for one in done:
            sys.stdout.write(f"{one.gateway}: {'former settings are back' if one.ok else 'not yet put back'} ({one.why})\n")
        return 0 if all(one.ok for one in done) else 5
    if len(words) == 1:
        return _watch(Path(words[0]))
    sys.stderr.write("usage: python -m bandwright.gateways.guard RECORD | --recover FOLDER\n")
    return 2


if __name__ == "__main__":
    try:
        raise SystemExit(main(sys.argv[1:]))
    except BandwrightError as error:
        sys.stderr.write(f"{error}\n")
        raise SystemExit(5) from None
