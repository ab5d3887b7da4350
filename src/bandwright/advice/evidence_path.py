"""Evidence from the path: where the delay rises, which end is busy, what one stream reaches, where packets are lost, what fails."""

from __future__ import annotations

import math
import re

from bandwright.advice.case import Case, SeenTest
from bandwright.advice.evidence_base import (
    EvidenceRow,
    goodput,
)
from bandwright.needs.packets import loss_limited_rate_mbps, port_goodput_mbps, wilson_interval

__all__ = ["ROWS"]

_ACT_ON_LOSS = 0.003


def _rises(test: SeenTest) -> dict[str, float]:
    idle = test.get("delay_idle_ms")
    return {d: loaded - idle for d in ("down", "up") if idle is not None and (loaded := test.get(f"delay_loaded_{d}_ms")) is not None}


def _direction(case: Case, symptom: str) -> str | None:
    """Return the direction whose delay is meant: the symptom's own, else the one that rises most."""
    if case.measurement is None:
        return None
    rises = _rises(case.measurement)
    if symptom in {"down", "up"}:
        return symptom if symptom in rises else None
    return max(rises, key=rises.__getitem__) if rises else None


def _rise_ms(case: Case, symptom: str) -> float | None:
    direction = _direction(case, symptom)
    return None if direction is None or case.measurement is None else _rises(case.measurement)[direction]


def _hop_share(case: Case, symptom: str) -> float | None:
    """Share of the loaded delay's rise that stands before the gateway. Below 20 ms of rise there is nothing to share."""
    direction, test = _direction(case, symptom), case.measurement
    if direction is None or test is None:
        return None
    idle, loaded, rise = test.get("first_hop_idle_ms"), test.get(f"first_hop_loaded_{direction}_ms"), _rises(test)[direction]
    return (loaded - idle) / rise if idle is not None and loaded is not None and rise >= 20 else None


def _is_wifi(case: Case, _symptom: str) -> float | None:
    return None if case.near_end is None or case.near_end.wifi is None else float(case.near_end.wifi)


def _wifi_hop_share(case: Case, symptom: str) -> float | None:
    return _hop_share(case, symptom) if case.near_end is not None and case.near_end.wifi else None


def _cable_hop_share(case: Case, symptom: str) -> float | None:
    return _hop_share(case, symptom) if case.near_end is not None and case.near_end.wifi is False else None


def _port_gap(case: Case, symptom: str) -> float | None:
    rate, port = goodput(case, symptom), None if case.near_end is None else case.near_end.port_mbps
    return rate / port_goodput_mbps(port) - 1 if rate is not None and port and symptom in {"down", "up"} else None


def _far_port_gap(case: Case, symptom: str) -> float | None:
    rate, port = goodput(case, symptom), None if case.far_end is None else case.far_end.port_mbps
    return rate / port_goodput_mbps(port) - 1 if rate is not None and port and symptom in {"down", "up"} else None


def _near_busy(case: Case, _symptom: str) -> float | None:
    near = case.near_end
    if near is None or (near.cpu_share is None and near.rwnd_limited_share is None):
        return None
    return float((near.rwnd_limited_share or 0.0) > 0.1 or (near.cpu_share or 0.0) > 0.8)


def _far_busy(case: Case, _symptom: str) -> float | None:
    return None if case.far_end is None or case.far_end.cpu_share is None else float(case.far_end.cpu_share > 0.8)


def _other_share(case: Case, symptom: str) -> float | None:
    other = None if case.near_end is None else case.near_end.other_traffic_mbps
    rate = goodput(case, "up" if symptom == "up" else "down")
    return other / (other + rate) if other is not None and rate is not None and other + rate > 0 else None


def _first_wake(case: Case, _symptom: str) -> float | None:
    test = case.measurement
    if test is None:
        return None
    first, idle, p95 = (test.get(k) for k in ("delay_first_ms", "delay_idle_ms", "delay_idle_p95_ms"))
    if first is None or idle is None or p95 is None or idle <= 0:
        return None
    return float(first / idle > 2.5 and first - idle > 300 and p95 < 3 * idle)


def _single_match(case: Case, symptom: str) -> float | None:
    """Ln of one stream's rate over what its loss and delay allow; None where there is no loss to limit it."""
    test = case.measurement
    if test is None or symptom != "down":
        return None
    single, rtt, loss = test.get("goodput_down_single_mbps"), test.get("delay_idle_ms"), test.get("loss_down_ratio")
    if not single or not rtt or not loss:
        return None
    cubic = test.texts.get("congestion_control", "cubic") != "reno"
    return abs(math.log(single / loss_limited_rate_mbps(loss_ratio=loss, round_trip_ms=rtt, cubic=cubic)))


def _capacity_over_single(case: Case, symptom: str) -> float | None:
    test = case.measurement
    if test is None or symptom != "down":
        return None
    single, capacity = test.get("goodput_down_single_mbps") or goodput(case, "down"), test.get("capacity_down_mbps")
    return capacity / single if single and capacity else None


def _single_flow(case: Case, symptom: str) -> float | None:
    match, room = _single_match(case, symptom), _capacity_over_single(case, symptom)
    return None if match is None or room is None else float(match < 0.6 and room > 2)


def _is_bbr(case: Case, _symptom: str) -> float | None:
    cc = None if case.measurement is None else case.measurement.texts.get("congestion_control")
    return None if cc is None else float(cc.startswith("bbr"))


def _counts(case: Case) -> tuple[float, float] | None:
    test = case.measurement
    if test is None:
        return None
    sent, lost = test.get("probes_sent"), test.get("probes_lost")
    return (sent, lost) if sent and lost is not None and 0 <= lost <= sent else None


def _loss_low(case: Case, _symptom: str) -> float | None:
    """The lower end of the loss's 95 % interval, both ways and end to end."""
    counts = _counts(case)
    return None if counts is None else wilson_interval(lost=int(counts[1]), sent=int(counts[0])).low


def _loss_before_gateway(case: Case, symptom: str) -> float | None:
    """Share of the lost probes that were lost before the gateway; None unless loss is proved."""
    test, counts, low = case.measurement, _counts(case), _loss_low(case, symptom)
    if test is None or counts is None or low is None or low <= _ACT_ON_LOSS:
        return None
    hop_sent, hop_lost = test.get("first_hop_probes_sent"), test.get("first_hop_probes_lost")
    return min(1.0, hop_lost / hop_sent / (counts[1] / counts[0])) if hop_sent and hop_lost is not None else None


def _far_ends_alike(case: Case, _symptom: str) -> float | None:
    """1 where loss to two far ends is alike and proved, 0 where one has it and another none; None with a single far end."""
    if case.measurement is None or len(case.measurement.far_ends) < 2:
        return None
    shares = [(wilson_interval(lost=int(lost), sent=int(sent)), lost / sent) for _, sent, lost in case.measurement.far_ends if 0 <= lost <= sent]
    lossy = [s for i, s in shares if i.low is not None and i.low > _ACT_ON_LOSS]
    if not lossy:
        return None
    return float(len(lossy) == len(shares) and max(lossy) < 3 * min(lossy))


def _beyond_and_alike(case: Case, symptom: str) -> float | None:
    before, alike, test = _loss_before_gateway(case, symptom), _far_ends_alike(case, symptom), case.measurement
    if before is None or alike is None or test is None:
        return None
    sent, lost = test.get("first_hop_probes_sent"), test.get("first_hop_probes_lost")
    if sent and lost and (wilson_interval(lost=int(min(lost, sent)), sent=int(sent)).low or 0.0) > _ACT_ON_LOSS:
        return None  # some is lost before the gateway too, so what is lost beyond it is not known
    return float(before < 0.5 and bool(alike))


def _beyond_gateway(case: Case, symptom: str) -> float | None:
    """Whether proved loss lies beyond the gateway; where beyond, only a second far end tells."""
    before = _loss_before_gateway(case, symptom)
    return None if before is None else float(before < 0.5)


def _one_far_end_only(case: Case, symptom: str) -> float | None:
    alike, before = _far_ends_alike(case, symptom), _loss_before_gateway(case, symptom)
    return None if alike is None else float(not alike and (before is None or before < 0.5))


def _failed(case: Case, phase: str) -> float | None:
    test = case.measurement
    return None if test is None or not test.failures else test.failures.get(phase, 0.0)


def _names_fail(case: Case, _symptom: str) -> float | None:
    """Whether names fail while the line itself connects."""
    names, connect = _failed(case, "name_lookup"), _failed(case, "connect")
    if names is None or connect is None or case.measurement is None:
        return None
    cached = case.measurement.get("connect_by_cached_address_ok")
    return float(names > 0 and connect == 0 and cached != 0)


def _big_packets_vanish(case: Case, _symptom: str) -> float | None:
    """Whether transfers fail after connecting, and fewer than two segments arrived or the path is known to take only small ones."""
    test, transfer, connect = case.measurement, _failed(case, "transfer"), _failed(case, "connect")
    if test is None or transfer is None or connect is None:
        return None
    if transfer == 0 or connect > 0:
        return 0.0
    segments, mtu, small = test.get("segments_delivered"), test.get("path_mtu"), test.get("small_mtu_ok")
    attempts, rate = test.get("attempts"), test.get("goodput_down_mbps")
    nothing = attempts is not None and transfer >= attempts / 2 and (rate is None or rate < 0.1)
    if segments is None and mtu is None and small is None and not nothing:
        return None
    return float((segments is not None and segments < 2) or (mtu is not None and mtu < 1450) or bool(small) or nothing)


def _address_kind(case: Case, word: str) -> float | None:
    address = None if case.measurement is None else case.measurement.texts.get("address")
    if address is None:
        return None
    plain = address.lower().replace("-", " ").replace("_", " ")
    if word == "shared" and (numbers := re.match(r"100\.(\d{1,3})\.\d{1,3}\.\d{1,3}", plain)) is not None:
        return float(64 <= int(numbers.group(1)) <= 127)  # RFC 6598
    return float(word in plain)


def _behind_shared(case: Case, _symptom: str) -> float | None:
    """Whether the address is shared and nobody gets in from outside while going out works."""
    shared, test = _address_kind(case, "shared"), case.measurement
    if shared is None or test is None:
        return None
    inbound = next((n for k in ("inbound_ok", "inbound_connections_ok", "inbound_succeeded", "inbound") if (n := test.get(k)) is not None), None)
    if inbound is not None:
        return float(bool(shared) and inbound == 0)
    # going out never failed, and yet something cannot connect
    return float(bool(shared)) if test.failures and not any(test.failures.values()) else None


def _shared_address(case: Case, _symptom: str) -> float | None:
    return _address_kind(case, "shared")


def _ipv6_only(case: Case, _symptom: str) -> float | None:
    return _address_kind(case, "ipv6 only")


ROWS: tuple[EvidenceRow, ...] = (
    EvidenceRow("rise_ms", "rise of the delay under load", "ms", _rise_ms),
    EvidenceRow("hop_share", "share of that rise before the gateway", "", _hop_share, "measured: .98-1.04 on Wi-Fi, .00-.01 on the radio"),
    EvidenceRow("wifi", "the computer is on Wi-Fi", "yes/no", _is_wifi),
    EvidenceRow("wifi_hop_share", "share of the rise on the Wi-Fi", "", _wifi_hop_share, "measured"),
    EvidenceRow("cable_hop_share", "share of the rise before the gateway, over a cable", "", _cable_hop_share, "measured"),
    EvidenceRow("port_gap", "rate against the computer's port", "", _port_gap, "RFC 6349: 0.941 of nominal"),
    EvidenceRow("far_port_gap", "rate against the server's port", "", _far_port_gap, "RFC 6349: 0.941 of nominal"),
    EvidenceRow("near_busy", "the computer cannot take more", "yes/no", _near_busy, "measured"),
    EvidenceRow("far_busy", "the server is busy", "yes/no", _far_busy),
    EvidenceRow("other_share", "share of other traffic at home", "", _other_share),
    EvidenceRow("first_wake", "the first round trip after a pause is slow, the rest steady", "yes/no", _first_wake, "measured on two networks, n 674"),
    EvidenceRow(
        "single_flow", "one stream runs at what its loss and delay allow, the line has twice that", "yes/no", _single_flow, "Mathis and others 1997; RFC 8312"
    ),
    EvidenceRow("capacity_over_single", "capacity over one stream's rate", "", _capacity_over_single),
    EvidenceRow("bbr", "the sender uses BBR", "yes/no", _is_bbr),
    EvidenceRow("loss_low", "proved packet loss, lower end", "", _loss_low, "Wilson 95 %"),
    EvidenceRow("loss_before_gateway", "share of the loss before the gateway", "", _loss_before_gateway),
    EvidenceRow("beyond_and_alike", "loss beyond the gateway, to two far ends alike", "yes/no", _beyond_and_alike),
    EvidenceRow("beyond_gateway", "loss beyond the gateway", "yes/no", _beyond_gateway),
    EvidenceRow("one_far_end_only", "loss to one far end, none to another", "yes/no", _one_far_end_only),
    EvidenceRow("names_fail", "names fail while the line connects", "yes/no", _names_fail),
    EvidenceRow("big_packets_vanish", "connected, but big packets do not arrive", "yes/no", _big_packets_vanish, "RFC 8899"),
    EvidenceRow("behind_shared", "shared address, nobody gets in, going out works", "yes/no", _behind_shared, "RFC 6598"),
    EvidenceRow("shared_address", "the address is shared", "yes/no", _shared_address, "RFC 6598"),
    EvidenceRow("ipv6_only", "only IPv6 addresses", "yes/no", _ipv6_only, "RFC 7050"),
)
