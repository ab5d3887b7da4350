"""TCP load, both ends as threads of this process: with TCP_INFO, and as on a system that has none."""

from __future__ import annotations

import queue
import socket
import threading
from typing import Any

import pytest

from bandwright.probe import sockets, tcp, wire

KEY = b"k" * 32


def _run(*, sends: bool, seconds: float, max_octets: float, monkeypatch: Any, linux: bool) -> tuple[list[dict], list[dict]]:
    """Run a near end and a far end over loopback; return what each emitted."""
    monkeypatch.setattr(sockets, "IS_LINUX", linux)
    said: dict[str, list[dict]] = {"near": [], "far": []}
    commands = {side: queue.SimpleQueue() for side in said}
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_STREAM)
    tags = [bytes([n]) * 16 for n in range(2)]
    common = {"streams": 2, "seconds": seconds, "max_octets": max_octets, "max_mbps": 80.0, "stall_s": 1.0, "start_s": 10.0, "cc": None}
    with socket.create_server(("127.0.0.1", 0)) as server:

        def accept() -> None:
            for _ in tags:
                conn, _ = server.accept()
                got = conn.recv(wire.OPENING_OCTETS, socket.MSG_WAITALL)
                assert wire.parse_opening(got)[0] in tags
                socket.send_fds(ours, [b"c"], [conn.fileno()])
                conn.close()

        far = {"side": "far", "sends": not sends, "channel": theirs.detach(), **common}
        near = {"side": "near", "sends": sends, "address": server.getsockname(), "family": int(socket.AF_INET), **common}
        near["openings"] = [wire.pack_opening(tag, KEY).hex() for tag in tags]
        threads = [threading.Thread(target=accept)]
        threads += [threading.Thread(target=tcp.run, args=(job, commands[side], said[side].append)) for side, job in (("far", far), ("near", near))]
        for thread in threads:
            thread.start()
        threads[0].join(10)
        for side in ("far", "near"):
            commands[side].put({"type": "go"})
        for thread in threads:
            thread.join(15)
    ours.close()
    return said["near"], said["far"]


@pytest.mark.parametrize("linux", [pytest.param(True, marks=pytest.mark.skipif(not sockets.IS_LINUX, reason="TCP_INFO tells enough on Linux only")), False])
@pytest.mark.parametrize("sends", [False, True])
def test_both_ends_agree_on_what_was_carried(sends: bool, linux: bool, monkeypatch) -> None:
    near, far = _run(sends=sends, seconds=0.4, max_octets=3e6, monkeypatch=monkeypatch, linux=linux)
    assert [m["type"] for m in near if m["type"] != "sample"] == ["connected", "done"]
    sender, receiver = (near[-1], far[-1]) if sends else (far[-1], near[-1])
    assert sender["tcp_info"] is linux
    assert sender["ended"] in {"time", "octets"}
    assert receiver["ended"] == "closed"
    carried = receiver["octets_received"]
    assert 100_000 < carried <= 3e6 + 2 * 256 * 1024
    if linux:
        assert sender["samples"][-1][1] <= carried + 70_000  # octets: one segment of loopback may be counted twice while it is resent
        assert sender["segments"] >= receiver["segments_in"] > 0
    else:
        assert receiver["segments_in"] is None or receiver["segments_in"] == 0


def test_a_load_that_cannot_open_says_so() -> None:
    said: list[dict] = []
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        job = {"side": "near", "sends": True, "address": taken.getsockname(), "family": int(socket.AF_INET), "openings": ["00" * 36], "start_s": 1.0}
        tcp.run(job, queue.SimpleQueue(), said.append)
    assert said == [{"type": "connected", "streams": 0}]
