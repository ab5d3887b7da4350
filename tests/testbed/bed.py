"""A test bed: a near end and a far end in network namespaces of their own, and between them a path whose truth is logged.

    with Bed.make(down=Link(rate_mbps=50, delay_ms=20), up=Link(rate_mbps=10, delay_ms=20)) as bed:
        with bed.inside("near"):
            ...                                  # sockets opened here, and processes started here, live in the near end
        bed.set_rate("down", 30)
        bed.truth("down", from_ns=..., to_ns=...)

Needs root, `ip`, gcc and /dev/net/tun; `why_not()` says what is missing. With `gateway=True` a router stands between the near end
and the path, joined to the near end by a veth pair ("the house's own network"), which `hop=Hop(...)` makes narrow with tbf.
All addresses are of the documentation ranges, and exist only inside the namespaces.
"""

from __future__ import annotations

import atexit
import contextlib
import ctypes
import hashlib
import os
import shutil
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from itertools import pairwise
from pathlib import Path
from typing import Self

__all__ = ["FAR_ADDRESS", "FAR_ADDRESS_V6", "GATEWAY_ADDRESS", "Bed", "Hop", "Link", "Truth", "why_not"]

FAR_ADDRESS, NEAR_ADDRESS = "192.0.2.2", "192.0.2.1"
FAR_ADDRESS_V6, NEAR_ADDRESS_V6 = "2001:db8::2", "2001:db8::1"
GATEWAY_ADDRESS, HOUSE_ADDRESS = "198.51.100.1", "198.51.100.2"
_CLONE_NEWNET = 0x40000000
_SOURCE = Path(__file__).with_name("pathsim.c")


def why_not() -> str | None:
    """Return why no test bed can be made here, or None."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        return "the test bed needs root (network namespaces)"
    for program in ("ip", "gcc", "tc"):
        if shutil.which(program) is None:
            return f"the test bed needs {program}"
    if not Path("/dev/net/tun").exists():
        return "the test bed needs /dev/net/tun"
    probe = subprocess.run(["unshare", "-n", "true"], capture_output=True, check=False)
    return None if probe.returncode == 0 else "network namespaces are not allowed here"


@dataclass(frozen=True, kw_only=True)
class Link:
    """One direction of the path. rate_mbps: of the IP layer. buffer_ms: at that rate. The rest: see the head of pathsim.c."""

    rate_mbps: float = 1000.0
    delay_ms: float = 10.0
    buffer_ms: float = 100.0
    loss_percent: float = 0.0
    police: bool = False
    mtu: int | None = None
    grid_ms: float = 0.0
    jitter_ms: float = 0.0
    swing: float = 0.0
    swing_tau_s: float = 5.0
    credit_mb: float = 0.0
    peak_mbps: float = 0.0

    def spec(self) -> str:
        """Return it as pathsim reads it."""
        names = {
            "rate_mbps": "rate",
            "delay_ms": "delay",
            "buffer_ms": "buffer",
            "loss_percent": "loss",
            "grid_ms": "grid",
            "jitter_ms": "jitter",
            "swing_tau_s": "swing_tau",
            "credit_mb": "credit",
            "peak_mbps": "peak",
        }
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        return ",".join(f"{names.get(k, k)}={float(v):g}" for k, v in values.items() if v is not None)


@dataclass(frozen=True, kw_only=True)
class Hop:
    """A narrow house network: both directions of the veth pair. rate_mbps: of the Ethernet layer, as tbf counts."""

    rate_mbps: float
    buffer_ms: float = 100.0


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What the path did in a window. rate_mbps: IP octets that left the link; loss_ratio: of packets that came; wait_ms: mean over time of what a packet
    that comes now must wait; big: packets of more than 600 octets, i.e. of the load.
    """

    seconds: float
    rate_mbps: float
    packets_in: int
    lost_random: int
    lost_queue: int
    lost_other: int
    wait_ms: float
    big_in: int
    big_lost: int

    @property
    def goodput_mbps(self) -> float:
        """What TCP with 1448 of 1500 octets would call it."""
        return self.rate_mbps * 1448 / 1500

    @property
    def loss_ratio(self) -> float:
        """Share of the load's packets that came and did not leave."""
        return self.big_lost / self.big_in if self.big_in else 0.0


@dataclass(frozen=True)
class _Row:
    t_s: float
    out_octets: int
    in_packets: int
    queue: int
    loss: int
    other: int
    wait_ms: float
    big_in: int
    big_lost: int


def _build() -> Path:
    """Compile pathsim once for this source, into the user's temporary folder."""
    source = _SOURCE.read_bytes()
    path = Path(tempfile.gettempdir()) / f"pathsim-{os.getuid()}-{hashlib.sha256(source).hexdigest()[:16]}"
    if not path.exists():
        with tempfile.TemporaryDirectory() as folder:
            built = Path(folder) / "pathsim"
            subprocess.run(["gcc", "-O2", "-o", str(built), str(_SOURCE), "-lm"], check=True)
            shutil.copy(built, str(path) + ".new")
        Path(str(path) + ".new").replace(path)
    return path


_count = iter(range(1 << 30))


@dataclass
class Bed:
    """A running test bed. Make it with `Bed.make`, and use it as a context manager; teardown also runs at exit."""

    names: dict[str, str]
    log: Path
    process: subprocess.Popen[str] | None = None
    down: Link = field(default_factory=Link)
    up: Link = field(default_factory=Link)
    _closed: bool = False

    @classmethod
    def make(
        cls,
        *,
        down: Link | None = None,
        up: Link | None = None,
        gateway: bool = False,
        hop: Hop | None = None,
        mtu: int = 1500,
        gso: bool = False,
        seed: int = 1,
    ) -> Bed:
        """Make namespaces and path. gso: cheaper, for rates above about 250 Mbit/s; losses then fall on whole super-packets."""
        stem = f"bw{os.getpid() % 100000}x{next(_count)}"
        roles = ["near", "far"] + (["gateway"] if gateway or hop else [])
        bed = cls({r: f"{stem}{r[0]}" for r in roles}, Path(tempfile.mkdtemp(prefix="bed-")) / "truth.csv", down=down or Link(), up=up or Link())
        atexit.register(bed.close)
        try:
            bed._start(hop=hop, mtu=mtu, gso=gso, seed=seed)
        except BaseException:
            bed.close()
            raise
        return bed

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _start(self, *, hop: Hop | None, mtu: int, gso: bool, seed: int) -> None:
        for name in self.names.values():
            _run("ip", "netns", "add", name)
            _run("ip", "-n", name, "link", "set", "lo", "up")
        inner = self.names.get("gateway", self.names["near"])
        self.log.touch()
        environment = {"PATH": os.environ.get("PATH", ""), "PATHSIM_SEED": str(seed), **({"PATHSIM_GSO": "1"} if gso else {})}
        self.process = subprocess.Popen(
            [str(_build()), inner, "tun0", self.names["far"], "tun0", str(self.log), str(mtu), self.up.spec(), self.down.spec()],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=environment,
        )
        if self._answer() != "ready":
            msg = "pathsim did not start"
            raise RuntimeError(msg)
        for name, address, address_v6 in ((inner, NEAR_ADDRESS, NEAR_ADDRESS_V6), (self.names["far"], FAR_ADDRESS, FAR_ADDRESS_V6)):
            _run("ip", "-n", name, "addr", "add", f"{address}/24", "dev", "tun0")
            _run("ip", "-n", name, "-6", "addr", "add", f"{address_v6}/64", "dev", "tun0", "nodad")
            _run("ip", "-n", name, "link", "set", "tun0", "up", "mtu", str(mtu), "txqueuelen", "4000")
            if gso:
                _run("ip", "-n", name, "link", "set", "tun0", "gso_max_size", "12000")
        if "gateway" in self.names:
            self._join_house(hop)

    def _join_house(self, hop: Hop | None) -> None:
        near, gateway = self.names["near"], self.names["gateway"]
        _run("ip", "-n", near, "link", "add", "house", "type", "veth", "peer", "name", "house", "netns", gateway)
        for name, address in ((near, HOUSE_ADDRESS), (gateway, GATEWAY_ADDRESS)):
            _run("ip", "-n", name, "addr", "add", f"{address}/24", "dev", "house")
            _run("ip", "-n", name, "link", "set", "house", "up")
            if hop is not None:
                limit = str(max(6000, int(hop.buffer_ms * hop.rate_mbps * 125)))
                _run("ip", "-n", name, "link", "set", "house", "gso_max_size", "3000")
                _run(
                    "ip",
                    "netns",
                    "exec",
                    name,
                    "tc",
                    "qdisc",
                    "add",
                    "dev",
                    "house",
                    "root",
                    "handle",
                    "1:",
                    "tbf",
                    "rate",
                    f"{hop.rate_mbps}mbit",
                    "burst",
                    "16k",
                    "limit",
                    limit,
                )
        _run("ip", "-n", near, "route", "add", "default", "via", GATEWAY_ADDRESS)
        _run("ip", "-n", self.names["far"], "route", "add", "198.51.100.0/24", "via", NEAR_ADDRESS)
        _run("ip", "netns", "exec", gateway, "sysctl", "-qw", "net.ipv4.ip_forward=1")

    def _answer(self) -> str:
        assert self.process is not None
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()

    # ---- changing the path

    def set(self, direction: str, **spec: float) -> None:
        """Change a direction ("down", "up") at once. spec: keys of pathsim.c, e.g. rate=30, dead=1."""
        assert self.process is not None
        assert self.process.stdin is not None
        text = ",".join(f"{k}={v:g}" for k, v in spec.items())
        self.process.stdin.write(f"{'b2a' if direction == 'down' else 'a2b'} {text}\n")
        self.process.stdin.flush()
        if self._answer() != "ok":
            msg = f"pathsim does not know {text}"
            raise ValueError(msg)

    def set_rate(self, direction: str, rate_mbps: float) -> None:
        """Set the rate of the IP layer."""
        self.set(direction, rate=rate_mbps)

    def set_delay(self, direction: str, delay_ms: float) -> None:
        """Set the one-way delay."""
        self.set(direction, delay=delay_ms)

    # ---- the truth

    def truth(self, direction: str, *, from_ns: int, to_ns: int) -> Truth:
        """Return what the path did between two times of CLOCK_MONOTONIC, to the nearest 100 ms; waits for the log to reach them."""
        give_up = time.monotonic() + 2.0
        rows = self._rows(direction)
        while (not rows or rows[-1].t_s * 1e9 < to_ns) and time.monotonic() < give_up:
            time.sleep(0.05)
            rows = self._rows(direction)
        first = min(rows, key=lambda r: abs(r.t_s * 1e9 - from_ns))
        last = min(rows, key=lambda r: abs(r.t_s * 1e9 - to_ns))
        seconds = last.t_s - first.t_s
        within = [r.wait_ms for r in rows if first.t_s < r.t_s <= last.t_s]
        return Truth(
            seconds=seconds,
            rate_mbps=_octets_between(rows, from_ns, to_ns) * 8e3 / (to_ns - from_ns) if to_ns > from_ns else 0.0,
            packets_in=last.in_packets - first.in_packets,
            lost_random=last.loss - first.loss,
            lost_queue=last.queue - first.queue,
            lost_other=last.other - first.other,
            wait_ms=sum(within) / len(within) if within else 0.0,
            big_in=last.big_in - first.big_in,
            big_lost=last.big_lost - first.big_lost,
        )

    def _rows(self, direction: str) -> list[_Row]:
        name = "b2a" if direction == "down" else "a2b"
        out = []
        for line in self.log.read_text(encoding="ascii").splitlines()[1:]:
            f = line.split(",")
            if len(f) == 16 and f[1] == name:
                out.append(_Row(float(f[0]), int(f[3]), int(f[4]), int(f[6]), int(f[7]), int(f[8]), float(f[13]), int(f[14]), int(f[15])))
        return out

    # ---- living in it

    @contextlib.contextmanager
    def inside(self, role: str) -> Iterator[None]:
        """Move this thread into a namespace ("near", "far", "gateway"); threads and processes it starts meanwhile live there."""
        with Path("/proc/thread-self/ns/net").open("rb") as home, Path("/run/netns", self.names[role]).open("rb") as there:
            _setns(there.fileno())
            try:
                yield
            finally:
                _setns(home.fileno())

    def close(self) -> None:
        """Take everything down. Safe to call twice, and from another thread."""
        if self._closed:
            return
        self._closed = True
        atexit.unregister(self.close)
        if self.process is not None:
            self.process.terminate()
            try:
                self.process.wait(2)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
            for pipe in (self.process.stdin, self.process.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):
                        pipe.close()
        for name in self.names.values():
            subprocess.run(["ip", "netns", "del", name], capture_output=True, check=False)
        shutil.rmtree(self.log.parent, ignore_errors=True)


def _octets_between(rows: list[_Row], from_ns: int, to_ns: int) -> float:
    def at(t_ns: int) -> float:
        t = t_ns * 1e-9
        for a, b in pairwise(rows):
            if a.t_s <= t <= b.t_s:
                return a.out_octets + (b.out_octets - a.out_octets) * (t - a.t_s) / (b.t_s - a.t_s)
        return float(rows[0].out_octets if t < rows[0].t_s else rows[-1].out_octets)

    return at(to_ns) - at(from_ns)


def _run(*words: str) -> None:
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        msg = f"{' '.join(words)}: {done.stderr.strip()}"
        raise RuntimeError(msg)


def _setns(descriptor: int) -> None:
    if ctypes.CDLL(None, use_errno=True).setns(descriptor, _CLONE_NEWNET):
        raise OSError(ctypes.get_errno(), "setns")


def alive_threads() -> int:
    """Return how many threads run, for tests that look for leftovers."""
    return threading.active_count()
