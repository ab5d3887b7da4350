"""STAMP packets against RFC 8762's offsets, another implementation, and a vector; the reflector's rule without a socket."""

from __future__ import annotations

import struct
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandwright.probe import stamp
from bandwright.probe.reflector import Reflector, Session
from bandwright.probe.sockets import ClockGuard

KEY = b"0123456789abcdef"
HALF_PAST = 1_700_000_000_500_000_000


def test_ntp_timestamps() -> None:
    assert stamp.ntp_from_ns(HALF_PAST) == 0xE8FE6F8080000000  # Unix 1700000000.5; RFC 5905, 6, worked by hand
    assert stamp.ns_from_ntp(0xE8FE6F8080000000) == HALF_PAST


@given(st.integers(0, 2_085_978_495_000_000_000))
def test_ntp_timestamps_come_back_to_the_nanosecond(ns: int) -> None:
    assert abs(stamp.ns_from_ntp(stamp.ntp_from_ns(ns)) - ns) <= 1


def test_error_estimates() -> None:
    # RFC 4656, 4.1.2: multiplier x 2^(scale - 32) s
    assert stamp.error_estimate_s(0x8001) == pytest.approx(2.328e-10, rel=1e-3)
    assert stamp.error_estimate_s(0x9042) == pytest.approx(1.00708e-3, rel=1e-5)
    assert stamp.error_estimate_s(0xD6FF) == pytest.approx(0.249023, rel=1e-5)
    assert stamp.error_estimate_s(0x1700) is None
    assert stamp.error_estimate_s(stamp.ERROR_ESTIMATE) == pytest.approx(2**-9)


def test_the_hmac_is_that_of_the_vector() -> None:
    # HMAC-SHA-256 over the 96 octets of a sender's base (Seq 1, time above, ErrEst 0x8001, SSID 0x1234), first 128 bits; OpenSSL agrees
    base = struct.pack("!I12xQHH68x", 1, 0xE8FE6F8080000000, 0x8001, 0x1234)
    packet = base + bytes.fromhex("91a4f2a13f90fad423386d582d793e11")
    assert stamp.parse_sender(packet, key=KEY) == (1, 0xE8FE6F8080000000, 0x1234, 0x8001)
    for octet in range(112):
        broken = bytearray(packet)
        broken[octet] ^= 1
        assert stamp.parse_sender(bytes(broken), key=KEY) is None
    assert stamp.parse_sender(packet[:111], key=KEY) is None


def test_an_unauthenticated_reflection_is_laid_out_as_published() -> None:
    wanted = "00000001000000000000000000010007000000000000000000000001000000000000000000010000ff000000"  # RFC 8762, 4.3.1, by hand
    packet = stamp.pack_reflection(stamp.Reflection(1, 0, 0, 1, 0, 7, 255), key=None, sender_error=1)
    assert (packet[:12] + b"\0\1" + packet[14:]).hex() == wanted  # our own error estimate stands at 12


def test_another_implementation_reads_our_packets_and_we_read_its() -> None:
    pytest.importorskip("scapy.contrib.stamp")
    from scapy.contrib.stamp import STAMPSessionReflectorTestUnauthenticated, STAMPSessionSenderTestUnauthenticated

    ours = stamp.pack_sender(sequence=7, t1=stamp.ntp_from_ns(HALF_PAST), ssid=0x1234, key=None)
    theirs = STAMPSessionSenderTestUnauthenticated(ours)
    assert (theirs.seq, theirs.ssid) == (7, 0x1234)
    assert float(theirs.ts) == pytest.approx(HALF_PAST / 1e9 + 2208988800, abs=1e-3)  # scapy gives NTP seconds
    answer = bytes(STAMPSessionReflectorTestUnauthenticated(seq=7, ssid=0x1234, seq_sender=7, ttl_sender=64))
    read = stamp.parse_reflection(answer, key=None)
    assert read is not None
    assert (read.sequence, read.sender_sequence, read.ssid, read.ttl) == (7, 7, 0x1234, 64)


@given(st.binary(max_size=200))
def test_no_octets_make_the_parsers_fail(data: bytes) -> None:
    for key in (None, KEY):
        stamp.parse_sender(data, key=key)
        stamp.parse_reflection(data, key=key)
    stamp.ssid_of(data)


def test_the_window_admits_each_number_once_and_none_too_old() -> None:
    window = stamp.ReplayWindow()
    assert [window.admit(n) for n in (0, 1, 1, 5, 3, 3, 0)] == [True, True, False, True, True, False, False]
    assert window.admit(100)
    assert window.admit(37)  # 63 behind
    assert not window.admit(36)  # 64 behind
    assert not window.admit(37)
    assert window.admit(1000)
    assert not window.admit(1000)


@given(st.lists(st.integers(0, 200), max_size=100))
def test_the_window_never_admits_a_number_twice(numbers: list[int]) -> None:
    window = stamp.ReplayWindow()
    admitted = [n for n in numbers if window.admit(n)]
    assert len(admitted) == len(set(admitted))


def _reflector(**sessions: tuple[int, bytes, int]) -> Reflector:
    return Reflector(cookie_secret=b"s" * 32, sessions={ssid: Session(key, left) for ssid, key, left in sessions.values()})


def _ask(sequence: int, *, ssid: int = 1, key: bytes = KEY) -> bytes:
    return stamp.pack_sender(sequence=sequence, t1=stamp.ntp_from_ns(time.time_ns()), ssid=ssid, key=key)


def test_the_reflector_answers_a_known_session_once_and_no_longer_than_it_was_asked() -> None:
    reflector = _reflector(a=(1, KEY, 10))
    packet = _ask(0)
    answer = reflector.reflect(packet, t2_ns=HALF_PAST, ttl=63)
    assert answer is not None
    assert len(answer) <= len(packet)
    read = stamp.parse_reflection(answer, key=KEY)
    assert read is not None
    assert (read.sender_sequence, read.ssid, read.ttl, read.t2) == (0, 1, 63, stamp.ntp_from_ns(HALF_PAST))
    assert reflector.reflect(packet, t2_ns=HALF_PAST, ttl=63) is None  # the same packet again


def test_the_reflector_is_silent_to_strangers_and_other_sessions() -> None:
    reflector = _reflector(a=(1, KEY, 10), b=(2, b"another key", 10))
    assert reflector.reflect(_ask(0, ssid=9), t2_ns=0, ttl=1) is None
    assert reflector.reflect(_ask(0, ssid=2), t2_ns=0, ttl=1) is None  # our key, another's session
    assert reflector.reflect(_ask(0)[:111], t2_ns=0, ttl=1) is None
    assert reflector.reflect(b"", t2_ns=0, ttl=1) is None


def test_the_reflector_answers_no_more_than_was_agreed_and_numbers_by_itself() -> None:
    reflector = _reflector(a=(1, KEY, 2))
    answers = [reflector.reflect(_ask(n), t2_ns=0, ttl=1) for n in (0, 5, 6)]
    assert answers[2] is None
    assert [stamp.parse_reflection(a, key=KEY).sequence for a in answers[:2]] == [0, 1]


def test_a_step_of_the_wall_clock_is_seen_and_drift_is_not() -> None:
    wall, mono = [10**18], [5 * 10**9]
    guard = ClockGuard(realtime_ns=lambda: wall[0], monotonic_ns=lambda: mono[0])
    wall[0] += 20_000_000 + 10_000  # 500 ppm of slewing in 20 ms
    mono[0] += 20_000_000
    assert not guard.look()
    wall[0] += 20_000_000 - 3_600_000_000_000  # an hour back
    mono[0] += 20_000_000
    assert guard.look()
    assert not guard.look()
    assert guard.steps == 1
    assert guard.monotonic_from(wall[0]) == mono[0]


def test_a_delay_across_a_clock_step_is_dropped_not_lost() -> None:
    from bandwright.probe.delay import Stream

    wall, mono = [10**18], [5 * 10**9]
    guard = ClockGuard(realtime_ns=lambda: wall[0], monotonic_ns=lambda: mono[0])
    stream, reflector = Stream(ssid=1, key=KEY, guard=guard), _reflector(a=(1, KEY, 10))

    def trip(step_ns: int = 0) -> None:
        answer = reflector.reflect(stream.next_packet(monotonic_ns=lambda: mono[0]), t2_ns=time.time_ns(), ttl=1)
        assert answer is not None
        wall[0] += 30_000_000 + step_ns
        mono[0] += 30_000_000
        stream.take(answer, t4_ns=wall[0])

    trip()
    trip(step_ns=7_000_000)
    trip()
    assert [r[0] for r in stream.rows] == [0, 2]
    assert stream.stepped == [1]
    for row in stream.rows:
        assert 29_000_000 < row[2] <= 30_000_000  # less the moment the reflector took


def test_an_answer_that_was_not_asked_for_is_refused() -> None:
    from bandwright.probe.delay import Stream

    stream, reflector = Stream(ssid=1, key=KEY), _reflector(a=(1, KEY, 10))
    answer = reflector.reflect(stream.next_packet(), t2_ns=time.time_ns(), ttl=1)
    assert answer is not None
    stream.take(answer, t4_ns=time.time_ns())
    stream.take(answer, t4_ns=time.time_ns())  # twice
    stream.take(answer[:-1] + bytes([answer[-1] ^ 1]), t4_ns=time.time_ns())
    stream.take(stamp.pack_reflection(stamp.Reflection(9, 0, 0, 77, 0, 1, 1), key=KEY), t4_ns=time.time_ns())
    assert (len(stream.rows), stream.refused) == (1, 3)
