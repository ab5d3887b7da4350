"""The delay stream as a process: towards another implementation's reflector, and with its parent gone."""

from __future__ import annotations

import asyncio
import socket
import threading

import pytest

from bandwright.probe.workers import Worker


def _peer(sock: socket.socket, count: int, skip: set[int]) -> None:
    """An unauthenticated stateless reflector made of another implementation's packets."""
    from scapy.contrib.stamp import STAMPSessionReflectorTestUnauthenticated, STAMPSessionSenderTestUnauthenticated

    for n in range(count):
        data, addr = sock.recvfrom(2048)
        asked = STAMPSessionSenderTestUnauthenticated(data)
        if n in skip:
            continue
        answer = STAMPSessionReflectorTestUnauthenticated(
            seq=asked.seq,
            ts=asked.ts,
            ssid=asked.ssid,
            ts_rx=asked.ts,
            seq_sender=asked.seq,
            ts_sender=asked.ts,
            err_estimate_sender=asked.err_estimate,
            ttl_sender=64,
        )
        sock.sendto(bytes(answer), addr)


async def test_the_stream_works_with_another_implementations_reflector() -> None:
    pytest.importorskip("scapy.contrib.stamp")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))
        sock.settimeout(5)
        thread = threading.Thread(target=_peer, args=(sock, 20, {4, 5}), daemon=True)
        thread.start()
        worker = await Worker.start()
        worker.give("delay", address=sock.getsockname(), family=int(socket.AF_INET), ssid=7, key=None, pps=50, linger_s=0.3, max_seconds=5.0)
        rows, sent = [], []
        async with asyncio.timeout(8):
            while True:
                message = await worker.message()
                if message["type"] == "rows":
                    rows += message["rows"]
                    if len(rows) >= 18:
                        worker.send({"type": "stop"})
                if message["type"] == "done":
                    sent = message["sent"]
                    break
        await worker.close()
        thread.join(1)
    answered = {r[0] for r in rows}
    assert answered >= set(range(20)) - {4, 5}
    assert not answered & {4, 5}
    assert len(sent) >= 20
    assert all(0 < r[2] < 2_000_000_000 for r in rows)  # ns: another implementation's Python is slow, but its answer came


async def test_a_worker_ends_when_its_parent_is_gone() -> None:
    worker = await Worker.start()
    worker.give("delay", address=("127.0.0.1", 9), family=int(socket.AF_INET), ssid=1, key=None, pps=1, linger_s=0.1, max_seconds=60.0)
    await worker.message()
    worker._process.stdin.close()
    async with asyncio.timeout(3):
        assert await worker._process.wait() == 0


async def test_an_unknown_job_is_a_defect_at_once() -> None:
    worker = await Worker.start()
    with pytest.raises(KeyError):
        worker.give("anything")
    await worker.close()
    await worker.close()
