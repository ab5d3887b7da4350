"""Responsiveness: HTTP/2 octets, the draft's rules, and the far end's server where its owner opened it."""

from __future__ import annotations

import asyncio
import ssl

import pytest
from ends import far_end
from hypothesis import given
from hypothesis import strategies as st

from bandwright.probe import http2, responsiveness
from bandwright.probe.limits import Limits
from bandwright.probe.near import NearEnd, NearEndSettings
from bandwright.probe.responsiveness import Interval
from bandwright.words.measurement import MeasurementPlan, Outcome, Size


def test_frames_are_laid_out_as_published() -> None:
    # RFC 9113, 4.1: length 24, type 8, flags 8, R 1 and stream 31 bits; 6.5: SETTINGS; 6.9: WINDOW_UPDATE
    assert http2.settings(ack=True) == bytes.fromhex("000000040100000000")
    assert http2.settings(window=65535) == bytes.fromhex("00000c040000000000" + "000200000000" + "00040000ffff")
    assert http2.window_update(3, 1000) == bytes.fromhex("000004080000000003" + "000003e8")


def test_headers_are_plain_literals_that_the_published_table_reads() -> None:
    # RFC 7541, appendix A: 2 is :method GET, 7 :scheme https, 4 :path, 1 :authority, 16 accept-encoding, 8 :status 200, 13 :status 404
    packed = http2.request_headers(stream=1, authority="a.example", path="/x")
    assert packed[9:] == b"\x82\x87" + b"\x04\x02/x" + b"\x01\x09a.example" + b"\x0f\x01\x08identity"
    frame = http2.FrameCutter().feed(packed)[0]
    assert http2.path_of(frame) == "/x"
    assert http2.status_of(http2.FrameCutter().feed(http2.response_headers(stream=1))[0]) == 200
    assert http2.status_of(http2.FrameCutter().feed(http2.response_headers(stream=1, status=404))[0]) == 404
    # a literal status, and one behind a change of the table's size
    assert http2.status_of(http2.Frame(1, 4, 1, 5, b"\x08\x03429")) is None
    assert http2.status_of(http2.Frame(1, 4, 1, 3, b"\x3f\xe1\x1f\x88")) == 200
    with pytest.raises(http2.Http2Error):
        http2.request_headers(stream=1, authority="a" * 127, path="/")


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 255), st.integers(0, 2**31 - 1), st.binary(max_size=50)), max_size=6), st.integers(1, 11))
def test_frames_come_back_however_they_are_cut(frames: list[tuple[int, int, int, bytes]], step: int) -> None:
    octets = b"".join(http2.pack_frame(*f) for f in frames)
    cutter = http2.FrameCutter(keep_data=True)
    got = [f for i in range(0, len(octets), step) for f in cutter.feed(octets[i : i + step])]
    assert [(f.kind, f.flags, f.stream, f.payload) for f in got] == frames


@given(st.binary(max_size=200))
def test_no_octets_make_the_header_readers_fail(block: bytes) -> None:
    for flags in (0x4, 0x8, 0x20, 0x28):
        frame = http2.Frame(1, flags, 1, len(block), block)
        http2.status_of(frame)
        http2.path_of(frame)


def test_a_frame_without_end_is_refused() -> None:
    with pytest.raises(http2.Http2Error):
        http2.FrameCutter().feed(b"\xff\xff\xff" + bytes(6))


def test_stability_is_the_drafts() -> None:
    # the last four values' standard deviation below 5 % of the last
    assert responsiveness.is_stable([1, 100, 101, 99, 100])
    assert not responsiveness.is_stable([100, 100, 100])
    assert not responsiveness.is_stable([80, 100, 90, 100])
    assert not responsiveness.is_stable([0, 0, 0, 0])


def test_responsiveness_of_intervals_is_that_of_their_trimmed_means() -> None:
    one = Interval(tcp=[50.0] * 20, tls=[60.0] * 19 + [9999.0], http=[70.0] * 20, loaded=[200.0] * 20)
    assert responsiveness.responsiveness_of([one]) == pytest.approx(650)  # worked by hand from the draft's formulas; the worst twentieth is dropped
    assert responsiveness.responsiveness_of([Interval(tcp=[1.0])]) is None


def test_confidence_is_the_drafts() -> None:
    assert responsiveness.confidence_of(3, goodput_stable=True, responsiveness_stable=True) == "low"
    assert responsiveness.confidence_of(4, goodput_stable=True, responsiveness_stable=False) == "medium"
    assert responsiveness.confidence_of(9, goodput_stable=True, responsiveness_stable=True) == "high"


PLAN = MeasurementPlan(size=Size.LIGHT, max_seconds=1.8, max_megabytes=200.0, uplink=False)
LIMITS = Limits(load_mbps=100.0)


async def test_an_open_far_end_tells_round_trips_per_minute() -> None:
    with far_end(responsiveness=True, limits=LIMITS) as (_, secret):
        m = await NearEnd(None, secret, settings=NearEndSettings(responsiveness=True, responsiveness_interval_s=0.25)).measure(PLAN)
    assert m.outcome is Outcome.OK, m.reason
    assert (m.number("round_trips_per_minute") or 0) > 10, m.get("round_trips_per_minute")
    assert m.fact("responsiveness_draft") == "draft-ietf-ippm-responsiveness-09"
    assert m.fact("responsiveness_confidence") in {"low", "medium", "high"}
    assert m.megabytes < 200 * 5  # loopback moves 1,000 MB a second: what passes between two looks at the budget is large here


async def test_a_closed_far_end_says_why_not_and_the_rest_is_measured() -> None:
    with far_end(limits=LIMITS) as (_, secret):
        m = await NearEnd(None, secret, settings=NearEndSettings(responsiveness=True)).measure(PLAN)
    assert m.outcome is Outcome.OK
    assert m.number("goodput_down_mbps")
    row = m.get("round_trips_per_minute")
    assert row.value is None
    assert "not opened" in row.reason


async def _get(port: int, path: str) -> bytes:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    context.set_alpn_protocols(["h2"])
    reader, writer = await asyncio.open_connection("127.0.0.1", port, ssl=context, server_hostname="")
    writer.write(http2.PREFACE + http2.settings() + http2.request_headers(stream=1, authority="x", path=path))
    cutter, body = http2.FrameCutter(keep_data=True), b""
    try:
        async with asyncio.timeout(5):
            while data := await reader.read(65536):
                for frame in cutter.feed(data):
                    body += frame.payload if frame.kind == http2.DATA else b""
                    if frame.kind == http2.DATA and (frame.flags & http2.END_STREAM or len(body) > 100_000):
                        return body
    except OSError:
        pass
    finally:
        writer.transport.abort()
    return body


async def test_strangers_get_nothing_unless_it_is_public() -> None:
    with far_end(responsiveness=True) as (thread, _):
        for path in ("/.well-known/nq", "/nq/large", "/guess/small", "/small", "/../small"):
            assert await _get(thread.port, path) == b""
    with far_end(responsiveness=True, responsiveness_public=True) as (thread, _):
        assert b'"version": 1' in await _get(thread.port, "/.well-known/nq")
        assert await _get(thread.port, "/nq/small") == b"x"
        assert len(await _get(thread.port, "/nq/large")) > 100_000
        assert await _get(thread.port, "/etc/passwd") == b""


async def test_its_own_limit_of_octets_is_kept() -> None:
    with far_end(responsiveness=True, responsiveness_public=True, responsiveness_megabytes_per_day=0.05) as (thread, _):
        first = await _get(thread.port, "/nq/large")
        assert len(first) <= 70_000
        assert await _get(thread.port, "/nq/small") == b""
