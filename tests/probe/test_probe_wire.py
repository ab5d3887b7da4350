"""The wire protocol's octets: there and back, what is bound to what, and that nothing unforeseen passes."""

from __future__ import annotations

import hashlib
import json
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandwright.probe import wire

KEY = b"k" * 32
TAG = bytes(range(16))


@given(st.lists(st.dictionaries(st.text(max_size=8), st.integers() | st.text(max_size=20), max_size=4), max_size=5), st.integers(1, 7))
def test_frames_come_back_however_they_are_cut(messages: list[dict[str, object]], step: int) -> None:
    messages = [{**m, "type": "x"} for m in messages]
    stream = b"".join(wire.encode(m) for m in messages)
    reader = wire.FrameReader()
    got = [m for i in range(0, len(stream), step) for m in reader.feed(stream[i : i + step])]
    assert got == messages


@given(st.binary(max_size=300))
def test_junk_is_refused_and_never_more_than_that(data: bytes) -> None:
    try:
        for message in wire.FrameReader().feed(data):
            assert isinstance(message["type"], str)
    except wire.WireError:
        pass
    wire.parse_udp_opening(data, {TAG: KEY})
    wire.parse_cookie(data, tag=TAG, key=KEY)
    wire.parse_feedback(data, KEY)


@pytest.mark.parametrize("body", [b"[]", b"{}", b'{"type":1}', b"nonsense", b"\xff", b"[" * 60000])
def test_what_is_no_message_is_refused(body: bytes) -> None:
    with pytest.raises(wire.WireError):
        wire.FrameReader().feed(struct.pack("!I", len(body)) + body)


def test_a_frame_may_be_64_kib_and_no_longer() -> None:
    rest = wire.MAX_FRAME_OCTETS - len(json.dumps({"type": "x", "a": ""}, separators=(",", ":")))
    full = wire.encode({"type": "x", "a": "y" * rest})
    assert wire.FrameReader().feed(full)[0]["type"] == "x"
    with pytest.raises(wire.WireError):
        wire.encode({"type": "x", "a": "y" * (rest + 1)})
    with pytest.raises(wire.WireError):
        wire.FrameReader().feed(struct.pack("!I", wire.MAX_FRAME_OCTETS + 1))


@pytest.mark.parametrize(
    ("offered", "chosen"), [([1], 1), ([1, 2, 99], 1), ([2], None), ([], None), ("1", None), ([True], None), (None, None), ([1.0, "1"], None)]
)
def test_the_highest_common_version_is_chosen(offered: object, chosen: int | None) -> None:
    assert wire.choose_version(offered) == chosen


def test_the_proof_is_bound_to_each_of_its_parts() -> None:
    parts = {"nonce_far": b"f" * 16, "nonce_near": b"n" * 16, "near_id": "aa", "certificate_sha256": b"c" * 32}
    others = [{"nonce_far": b"g" * 16}, {"nonce_near": b"m" * 16}, {"near_id": "ab"}, {"certificate_sha256": b"d" * 32}]
    macs = {wire.auth_mac(KEY, **parts), wire.auth_mac(b"j" * 32, **parts)} | {wire.auth_mac(KEY, **{**parts, **other}) for other in others}
    assert len(macs) == 6
    # RFC 2104 written out: H(K ^ opad, H(K ^ ipad, text))
    padded = KEY + bytes(32)
    inner = hashlib.sha256(bytes(o ^ 0x36 for o in padded) + b"bw1 auth" + b"f" * 16 + b"n" * 16 + b"aa" + b"c" * 32).digest()
    assert wire.auth_mac(KEY, **parts) == hashlib.sha256(bytes(o ^ 0x5C for o in padded) + inner).digest()


def test_an_opening_needs_its_tag_and_its_key() -> None:
    opening = wire.pack_opening(TAG, KEY)
    assert len(opening) == wire.OPENING_OCTETS
    tag, signed, mac = wire.parse_opening(opening)
    assert tag == TAG
    assert wire.pack_opening(TAG, KEY) == signed + mac
    assert wire.pack_opening(TAG, b"j" * 32)[20:] != mac
    for bad in (opening[:-1], opening + b"x", b"bw1x" + opening[4:]):
        with pytest.raises(wire.WireError):
            wire.parse_opening(bad)


def test_a_udp_opening_is_answered_by_less_than_it_is() -> None:
    first = wire.pack_udp_opening(wire.UdpOpening(TAG, bytes(16)), KEY)
    cookie = wire.cookie_for(b"secret", tag=TAG, peer="192.0.2.1 5000")
    answer = wire.pack_cookie(TAG, cookie, KEY)
    assert len(answer) < len(first) == wire.UDP_OPENING_OCTETS
    assert wire.parse_cookie(answer, tag=TAG, key=KEY) == cookie
    assert wire.parse_cookie(answer, tag=bytes(16), key=KEY) is None
    assert wire.parse_udp_opening(first, {}) is None
    assert wire.parse_udp_opening(first, {TAG: b"j" * 32}) is None
    read = wire.parse_udp_opening(first, {TAG: KEY})
    assert read is not None
    assert not read.has_cookie
    assert cookie != wire.cookie_for(b"secret", tag=TAG, peer="192.0.2.1 5001")


def test_load_headers_and_feedback_come_back() -> None:
    header = wire.LoadHeader(1, 2, 3, 4, 5)
    assert wire.parse_load_header(wire.pack_load_header(header) + b"payload") == header
    with pytest.raises(wire.WireError):
        wire.parse_load_header(bytes(19))
    feedback = wire.Feedback(seq=1, packets=2, octets=3, highest_seq=-1, min_delay_ns=-5, max_delay_ns=6, last_ns=7, fresh=8)
    packet = wire.pack_feedback(feedback, KEY)
    assert wire.parse_feedback(packet, KEY) == feedback
    assert wire.parse_feedback(packet, b"j" * 32) is None
    assert wire.parse_feedback(packet[:-1], KEY) is None


def test_public_names_are_listed_and_what_is_listed_is_there() -> None:
    import ast
    import importlib
    from pathlib import Path

    import bandwright.probe

    for path in sorted(Path(bandwright.probe.__file__).parent.glob("*.py")):
        if path.name == "__init__.py":
            continue
        listed, defined = None, set()
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                defined.add(node.name)
            elif isinstance(node, ast.Assign):
                names = [n.id for t in node.targets for n in (t.elts if isinstance(t, ast.Tuple) else [t]) if isinstance(n, ast.Name)]
                defined |= set(names)
                listed = ast.literal_eval(node.value) if "__all__" in names else listed
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                defined.add(node.target.id)
        assert listed is not None, path.name
        assert {n for n in defined if not n.startswith("_")} <= set(listed), path.name
        module = importlib.import_module(f"bandwright.probe.{path.stem}")
        assert [n for n in listed if not hasattr(module, n)] == [], path.name
