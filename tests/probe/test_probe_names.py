"""Name lookup through one interface: the questions and answers against an independent library, the order of servers, and a real socket."""

from __future__ import annotations

import socket
import sys
import threading

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.dns import DNS, DNSQR, DNSRR

from bandwright.probe import names
from bandwright.probe.contact import Address, resolve
from bandwright.probe.names import answer_addresses, query, resolve_through


def answered(data: bytes, records: dict[int, list[str]], *, code: int = 0) -> bytes:
    """What a name server says, made by scapy."""
    asked = DNS(data)
    name, kind = asked.qd[0].qname, asked.qd[0].qtype
    rows = [DNSRR(rrname=name, type=kind, rdata=text, ttl=60) for text in records.get(kind, [])]
    return bytes(DNS(id=asked.id, qr=1, rd=1, ra=1, rcode=code, qd=[DNSQR(qname=name, qtype=kind)], an=rows))


@pytest.mark.parametrize(("host", "shown"), [("far.example.org", b"far.example.org."), ("Far.Example.org.", b"Far.Example.org."), ("bücher.example", b"xn--bcher-kva.example.")])
@pytest.mark.parametrize("kind", [1, 28])
def test_a_question_is_what_an_independent_library_reads(host, shown, kind) -> None:
    read = DNS(query(host, kind, number=4711))
    assert (read.id, read.rd, read.qr) == (4711, 1, 0)
    assert (read.qd[0].qname, read.qd[0].qtype, read.qd[0].qclass) == (shown, kind, 1)


@pytest.mark.parametrize("host", ["", "a..b", "x" * 64 + ".example", ".".join(["abcdefg"] * 40)])
def test_what_is_no_name_is_refused_before_anything_is_sent(host) -> None:
    with pytest.raises(OSError, match="no name"):
        query(host, 1, number=1)


def test_an_answer_with_an_alias_before_its_addresses_is_read() -> None:
    asked = query("far.example.org", 1, number=9)
    rows = [DNSRR(rrname=b"far.example.org.", type="CNAME", rdata=b"host.example.net."), DNSRR(rrname=b"host.example.net.", type="A", rdata="192.0.2.7")]
    whole = bytes(DNS(id=9, qr=1, qd=DNS(asked).qd, an=rows))
    assert answer_addresses(whole, number=9, kind=1) == ["192.0.2.7"]
    assert answer_addresses(whole, number=9, kind=28) == []
    assert answer_addresses(whole, number=8, kind=1) is None
    assert answer_addresses(asked, number=9, kind=1) is None, "a question is no answer"


def test_what_a_server_says_of_a_name_is_said() -> None:
    for code, text in ((3, "no such name"), (2, "failed"), (5, "refuses")):
        with pytest.raises(OSError, match=text):
            answer_addresses(answered(query("x.example", 1, number=3), {}, code=code), number=3, kind=1)


@given(data=st.binary(max_size=80), cut=st.integers(0, 60))
@settings(max_examples=300, deadline=None)
def test_no_bytes_raise_anything_but_an_oserror(data, cut) -> None:
    whole = answered(query("far.example.org", 1, number=5), {1: ["192.0.2.7"]})
    for answer in (data, b"\0\5\x80\0\0\1\0\2\0\0\0\0" + data, whole[:cut], whole[:cut] + data):
        try:
            found = answer_addresses(answer, number=5, kind=1)
        except OSError:
            continue
        assert found is None or all(socket.inet_aton(text) for text in found)


def test_servers_are_asked_in_turn_and_a_name_that_does_not_exist_ends_it() -> None:
    asked: list[str] = []

    def ask(server: str, data: bytes) -> bytes:
        asked.append(server)
        if server == "192.0.2.1":
            raise ConnectionRefusedError
        if server == "192.0.2.2":
            raise TimeoutError("timed out")
        return answered(data, {1: ["198.51.100.20"], 28: ["2001:db8::20"]}, code=3 if server == "192.0.2.9" else 0)

    look = resolve_through("eth9", servers=["192.0.2.1", "192.0.2.2", "192.0.2.3"], ask=ask)
    assert look("far.example.org", 8620) == [
        Address(int(socket.AF_INET6), ("2001:db8::20", 8620, 0, 0)),
        Address(int(socket.AF_INET), ("198.51.100.20", 8620)),
    ]
    assert asked == ["192.0.2.1", "192.0.2.2", "192.0.2.3", "192.0.2.3"]
    with pytest.raises(OSError, match="no such name"):
        resolve_through("eth9", servers=["192.0.2.9", "192.0.2.3"], ask=ask)("far.example.org", 1)
    with pytest.raises(OSError, match="timed out"):
        resolve_through("eth9", servers=["192.0.2.1", "192.0.2.2"], ask=ask)("far.example.org", 1)
    assert resolve_through("eth9", servers=["192.0.2.1"], ask=ask)("localhost", 80) == resolve("localhost", 80), "where nothing serves names there, the system is asked"
    before = len(asked)
    assert resolve_through("eth9", servers=["192.0.2.3"], ask=ask)("192.0.2.77", 5) == [Address(int(socket.AF_INET), ("192.0.2.77", 5))]
    assert len(asked) == before, "an address needs no lookup"


@pytest.mark.skipif(sys.platform != "linux", reason="sockets are bound to an interface by name on Linux")
def test_a_real_question_leaves_by_its_interface_and_its_answer_is_taken(monkeypatch) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server:
        server.bind(("127.0.0.1", 0))
        server.settimeout(5.0)
        monkeypatch.setattr(names, "_PORT", server.getsockname()[1])

        def serve() -> None:
            for _ in range(2):
                data, sender = server.recvfrom(2048)
                server.sendto(b"\xff\xff" + data[2:], sender)  # somebody else's answer first
                server.sendto(answered(data, {1: ["198.51.100.20"]}), sender)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        assert resolve_through("lo", servers=["127.0.0.1"])("far.example.org", 8620) == [Address(int(socket.AF_INET), ("198.51.100.20", 8620))]
        thread.join(5.0)
    with pytest.raises(OSError, match="No such device"):
        resolve_through("no-such-if", servers=["127.0.0.1"])("far.example.org", 1)
