"""From what a measurement saw to the values, series and facts that are kept. Pure: no clock, no socket."""

from __future__ import annotations

import socket
from collections.abc import Sequence
from statistics import fmean, median

from bandwright.probe import series
from bandwright.probe.nearside import address_kind, link_facts
from bandwright.probe.recipe import Recipe
from bandwright.probe.responsiveness import DRAFT
from bandwright.probe.search import capacity_of, maximum_over
from bandwright.probe.seen import LoadSeen, Seen, trace_of
from bandwright.words.measurement import Fact, MeasurementPlan, Value

__all__ = ["UDP_PAYLOAD_OCTETS", "facts_of", "megabytes_of", "samples_of", "series_of", "values_of"]

UDP_PAYLOAD_OCTETS = 1200  # of a load packet, as the far end grants it by default


def values_of(seen: Seen, plan: MeasurementPlan) -> tuple[Value, ...]:
    """Return one row a quantity: what was measured, or why it was not."""
    rows: list[Value] = []
    rows += _idle_values(seen)
    for direction, wanted in (("down", plan.downlink), ("up", plan.uplink)):
        if wanted:
            rows += _direction_values(seen, direction)
    rows += _hop_values(seen)
    rows += _responsiveness_values(seen)
    mtus = [m for load in seen.loads if (m := (load.near or {}).get("path_mtu") or (load.far or {}).get("path_mtu"))]
    if (found := seen.facts.get("path_mtu_found")) is not None:
        rows.append(Value(quantity="path_mtu", value=float(found)))
    elif seen.facts.get("mtu_black_hole"):
        rows.append(Value(quantity="path_mtu", reason="large packets vanish, and the largest that passes could not be found"))
    elif mtus:
        rows.append(Value(quantity="path_mtu", value=float(min(mtus))))
    return tuple(rows)


def _idle_values(seen: Seen) -> list[Value]:
    idle = seen.idle
    figures = series.delay_figures(seen.sent, seen.rows, from_ns=idle[0], to_ns=idle[1], unknown=seen.stepped) if idle else None
    if figures is None or idle is None:
        asked = sum(idle[0] <= at < idle[1] for at in seen.sent) if idle else 0
        why = f"none of {asked} delay packets came back: UDP may not pass" if asked else "no delay packet could be sent"
        return [Value(quantity=q, reason=why) for q in ("delay_idle_ms", "delay_idle_p95_ms", "loss_ratio", "delay_variation_down_ms", "delay_variation_up_ms")]
    low, high = series.wilson(events=figures.lost, of=figures.sent)
    return [
        Value(quantity="delay_idle_ms", value=figures.median_ms, low=figures.low_ms, high=figures.high_ms),
        Value(quantity="delay_idle_p95_ms", value=figures.p95_ms),
        Value(quantity="delay_variation_up_ms", value=figures.variation_there_ms),
        Value(quantity="delay_variation_down_ms", value=figures.variation_back_ms),
        Value(quantity="loss_ratio", value=figures.lost / figures.sent, low=low, high=high),
        Value(quantity="probes_sent", value=float(figures.sent)),
        Value(quantity="probes_lost", value=float(figures.lost)),
    ]


def _direction_values(seen: Seen, direction: str) -> list[Value]:
    rows: list[Value] = []
    loads = [load for load in seen.loads if load.direction == direction]
    tcp = next((load for load in reversed(loads) if load.kind == "tcp" and load.streams > 1), None) or next(
        (load for load in loads if load.kind == "tcp"), None
    )
    single = next((load for load in loads if load.kind == "tcp" and load.streams == 1 and load is not tcp), None)
    udp = next((load for load in loads if load.kind == "udp"), None)
    if tcp is not None or udp is None:
        rows.append(_goodput(tcp, f"goodput_{direction}_mbps", seen))
    if single is not None:
        rows.append(_goodput(single, "goodput_down_single_mbps", seen))
    if udp is not None:
        rows += _capacity(udp, seen, alone=tcp is None)
    if tcp is not None:
        rows += _loaded_delay(seen, tcp, direction)
    rows += _loss_of_udp(udp) if udp is not None and udp.far is not None else _loss_of(tcp) if tcp is not None else []
    return rows


def _goodput(load: LoadSeen | None, quantity: str, seen: Seen) -> Value:
    if load is None:
        return Value(quantity=quantity, reason=str(seen.facts.get(f"skipped_{quantity.split('_')[1]}", "the measurement ended before this load")))
    figures = series.figures_of_rate(samples_of(load))
    if figures is None:
        used_up = (load.sender or {}).get("ended") == "octets"
        return Value(quantity=quantity, reason="the megabytes allowed were used up too soon to tell a rate" if used_up else "too little passed to tell a rate")
    own = _own_delay_mbps(seen, load)
    rates = series.rates_per_bin(samples_of(load))
    if series.still_rising(rates):
        least = max(rates) + own
        return Value(quantity=quantity, low=least, reason=f"the load ended while its rate still rose: at least {least:.0f} Mbit/s, the line's own rate was not reached")
    return Value(quantity=quantity, value=figures.mbps + own, low=figures.low + own, high=figures.high + own)


def samples_of(load: LoadSeen) -> Sequence[tuple[int, int]]:
    """Return a load's samples (ns, octets delivered): the sender's where it told, else what the receiver read."""
    sender = load.sender
    if load.kind == "udp":
        receiver = load.near if load.direction == "down" else load.far
        return [(int(t), int(o)) for t, o in (receiver or {}).get("samples", ())]
    if sender and sender.get("samples") and sender.get("tcp_info", True):
        return [(int(t), int(o)) for t, o in sender["samples"]]
    other = load.near if load.direction == "down" else load.far
    return [(int(t), int(o)) for t, o in (other or {}).get("samples", ())]


def _own_delay_mbps(seen: Seen, load: LoadSeen) -> float:
    """Return what the delay packets that passed took of the line during a load, as goodput they displaced."""
    count = sum(load.from_ns <= row[1] < load.to_ns for row in seen.rows)
    seconds = (load.to_ns - load.from_ns) * 1e-9
    return count * (112 + 8 + _header_octets(seen)) * 8 / seconds / 1e6 * 1448 / 1500 if seconds > 0 else 0.0


def _responsiveness_values(seen: Seen) -> list[Value]:
    found = seen.responsiveness
    if found is None:
        return []
    if found.get("rpm") is None:
        return [Value(quantity="round_trips_per_minute", reason=str(found.get("fault", "no probe came back")))]
    return [Value(quantity="round_trips_per_minute", value=float(found["rpm"]))]


def _responsiveness_facts(seen: Seen) -> dict[str, Fact]:
    found = seen.responsiveness
    if not found or "rpm" not in found:
        return {}
    names = ("confidence", "intervals", "connections", "interval_s", "probes")
    return {"responsiveness_draft": DRAFT, **{f"responsiveness_{n}": found[n] for n in names}, "responsiveness_goodput_mbps": round(found["goodput_mbps"], 3)}


def _header_octets(seen: Seen) -> int:
    """Return the IP header of the family in use (RFC 791, RFC 8200)."""
    return 40 if seen.contact is not None and seen.contact.address.family == socket.AF_INET6 else 20


def _loaded_window(load: LoadSeen) -> tuple[int, int]:
    """Return the window in which the line was full, by the near end's clock: the load without its ramp."""
    samples = samples_of(load)
    figures = series.figures_of_rate(samples)
    if figures is None or not samples:
        return load.from_ns, load.to_ns
    return load.from_ns + figures.from_ns - samples[0][0], min(load.to_ns, load.from_ns + figures.to_ns - samples[0][0])


def _loaded_delay(seen: Seen, load: LoadSeen, direction: str) -> list[Value]:
    start, end = _loaded_window(load)
    figures = series.delay_figures(seen.sent, seen.rows, from_ns=start, to_ns=end, unknown=seen.stepped)
    if figures is None:
        return [Value(quantity=f"delay_loaded_{direction}{p}_ms", reason="no delay packet came back under this load") for p in ("", "_p95")]
    return [
        Value(quantity=f"delay_loaded_{direction}_ms", value=figures.mean_ms, low=figures.low_ms, high=figures.high_ms),
        Value(quantity=f"delay_loaded_{direction}_p95_ms", value=figures.p95_ms),
    ]


def _capacity(load: LoadSeen, seen: Seen, *, alone: bool) -> list[Value]:
    """Return the capacity a search found; where no TCP ran, goodput is the payload of the same packets."""
    quantity, sender = f"capacity_{load.direction}_mbps", load.sender or {}
    figures, why = capacity_of(trace_of(load)), None
    receiver = load.near if load.direction == "down" else load.far or {}
    if figures is None:
        why = "the line was not seen full" if sender.get("ended") in {"time", "octets", "enough"} else "the load broke off before the line was seen full"
    elif (fall := series.late_drop([x.rate_mbps for x in trace_of(load) if x.full])) is not None:
        why = f"the line fell from {fall[0]:.1f} to {fall[1]:.1f} Mbit/s while it was full: a burst allowance ran out"
    elif sender.get("pacing_shortfall", 0.0) > 0.1:
        why = "the sending computer was too slow to pace its packets"
    elif (receiver.get("receive_errors") or 0) > 0:
        why = "the receiving computer was too slow to take its packets in"
    if why is not None or figures is None:
        return [Value(quantity=quantity, reason=why), *([Value(quantity=f"goodput_{load.direction}_mbps", reason=why)] if alone else [])]
    own = _own_delay_mbps(seen, load)
    rows = [Value(quantity=quantity, value=figures.mbps + own, low=figures.low + own, high=figures.high + own)]
    if alone:
        share = UDP_PAYLOAD_OCTETS / (UDP_PAYLOAD_OCTETS + 8 + _header_octets(seen))
        rows.append(
            Value(
                quantity=f"goodput_{load.direction}_mbps",
                value=(figures.mbps + own) * share,
                low=(figures.low + own) * share,
                high=(figures.high + own) * share,
            )
        )
    return rows


def _loss_of_udp(load: LoadSeen) -> list[Value]:
    """Return the loss in a UDP search, from its sequence numbers: all but the packets still under way at its end."""
    receiver = load.near if load.direction == "down" else load.far or {}
    due, came = receiver.get("highest_sequence", -1) + 1, receiver.get("packets_received", 0)
    quantity = f"loss_{load.direction}_ratio"
    if due < 20 or came > due:
        return [Value(quantity=quantity, reason="too few packets to tell loss")]
    low, high = series.wilson(events=due - came, of=due)
    return [Value(quantity=quantity, value=(due - came) / due, low=low, high=high)]


def _loss_of(load: LoadSeen) -> list[Value]:
    """Return the loss of a TCP load: segments with data that the sender's kernel sent and the receiver's never got, each resent one anew.

    The reset that ends a load comes behind all its data, so nothing is under way any more when the receiver counts.
    """
    receiver = load.near if load.direction == "down" else load.far or {}
    sent, came = (load.sender or {}).get("segments"), receiver.get("segments_in")
    quantity = f"loss_{load.direction}_ratio"
    if sent is None or came is None:
        return [Value(quantity=quantity, reason="one of the two systems does not count the segments of a connection")]
    if sent < 20 or receiver.get("ended") != "closed":
        return [Value(quantity=quantity, reason="too few packets, or the load did not end in order")]
    lost, explained = max(0, sent - came), load.sender["retransmitted_segments"] + load.sender["unacked_segments"] if load.sender else 0
    if lost > explained + 5:
        return [Value(quantity=quantity, reason="the receiving system hands packets on in bundles, so that they cannot be counted")]
    low, high = series.wilson(events=lost, of=sent)
    return [Value(quantity=quantity, value=lost / sent, low=low, high=high)]


def _hop_values(seen: Seen) -> list[Value]:
    if not seen.hop:
        why = "no answer from the first hop" if seen.hop_method is None else "not sampled"
        return [Value(quantity="first_hop_idle_ms", reason=why)]
    rows = []
    windows: list[tuple[str, tuple[int, int]]] = [("first_hop_idle_ms", seen.idle)] if seen.idle else []
    windows += [(f"first_hop_loaded_{load.direction}_ms", _loaded_window(load)) for load in seen.loads if load.streams > 1 or load.kind == "udp"]
    for quantity, (start, end) in dict(windows).items():
        took = [t * 1e-6 for at, t in seen.hop if start <= at < end and t >= 0]
        middle = median(took) if quantity == "first_hop_idle_ms" and took else fmean(took) if took else None
        rows.append(Value(quantity=quantity, value=middle, reason=None if took else "no answer from the first hop in this phase"))
    rows.append(Value(quantity="first_hop_probes_sent", value=float(len(seen.hop))))
    rows.append(Value(quantity="first_hop_probes_lost", value=float(sum(t < 0 for _, t in seen.hop))))
    return rows


def series_of(seen: Seen) -> tuple[tuple[str, tuple[float, ...]], ...]:
    """Return the rates per 100 ms of each load, and the round trips of the whole measurement."""
    out: list[tuple[str, tuple[float, ...]]] = []
    names: set[str] = set()
    for load in seen.loads:
        name = f"series_{load.direction}_mbps" if load.streams > 1 or load.kind == "udp" else "series_down_single_mbps"
        if name in names:
            continue
        names.add(name)
        out.append((name, tuple(round(r, 4) for r in series.rates_per_bin(samples_of(load)))))
    if seen.rows:
        first = seen.rows[0][1]
        out.append(("series_delay_at_s", tuple(round((r[1] - first) * 1e-9, 4) for r in seen.rows)))
        out.append(("series_delay_ms", tuple(round(r[2] * 1e-6, 4) for r in seen.rows)))
    return tuple(out)


def facts_of(seen: Seen, recipe: Recipe) -> tuple[tuple[str, Fact], ...]:
    """Return what else was seen, under the names that diagnosis reads."""
    facts: dict[str, Fact] = {"size": recipe.size.value}
    contact = seen.contact
    if contact is not None:
        facts |= {
            "family": "ipv6" if contact.address.family == socket.AF_INET6 else "ipv4",
            "address": address_kind(contact.local_address),
            "connect_ms": round(contact.connect_ms, 3),
            "tls_ms": round(contact.tls_ms, 3),
            "name_lookup_ms": round(contact.lookup_ms, 3),
            "name_lookup_failed": contact.lookup_failed,
            "waited_for_turn_s": round(seen.waited_s, 3),
        }
        facts["far_end.log_ok"] = not seen.facts.get("far_half_missing", False)
        facts["far_end.port_speed_mbps"] = contact.welcome.get("facts", {}).get("port_speed_mbps")
    facts |= {f"near_end.{k}": v for k, v in link_facts(seen.interface).items()}
    facts["near_end.interface"] = seen.interface
    loads = [load for load in seen.loads if load.kind == "tcp"]
    facts["streams"] = max((load.streams for load in loads), default=None)
    for load in loads:
        suffix = "" if load.direction == "down" else "_up"
        facts.setdefault(f"congestion_control{suffix}", (load.sender or {}).get("cc"))
    _load_facts(seen, facts)
    if seen.before is not None and seen.after is not None:
        other = seen.before.other_traffic_mbps(seen.after, own_octets=megabytes_of(seen) * 1e6 * 1.03)
        facts["near_end.other_traffic_mbps"] = None if other is None else round(other, 3)
        if seen.before.udp_errors is not None and seen.after.udp_errors is not None:
            facts["near_end.udp_receive_errors"] = seen.after.udp_errors - seen.before.udp_errors
    delay = seen.delay
    facts |= {
        "kernel_stamps": delay.get("kernel_stamps"),
        "clock_steps": delay.get("steps"),
        "delay_packets_refused": delay.get("refused"),
        "first_hop_method": seen.hop_method,
    }
    if delay.get("kernel_stamps") is False:
        facts["degraded"] = "this system does not stamp packets as they arrive: delays may be late by milliseconds"
    facts |= {k: v for k, v in seen.facts.items() if isinstance(v, str | float | int | bool) or v is None}
    facts |= _policer_facts(seen)
    facts |= _responsiveness_facts(seen)
    share = _hop_share(seen)
    facts |= {f"hop_share_{d}": round(s, 4) for d, s in share.items()}
    return tuple(facts.items())


def _load_facts(seen: Seen, facts: dict[str, Fact]) -> None:
    near_cpu, far_cpu, rwnd, sndbuf = [], [], [], []
    for load in seen.loads:
        near_cpu.append(load.near.get("cpu_share"))
        far_cpu.append((load.far or {}).get("cpu_share"))
        sender = load.sender or {}
        rwnd.append(sender.get("rwnd_limited_share"))
        sndbuf.append(sender.get("sndbuf_limited_share"))
        name = load.direction if load.streams > 1 or load.kind == "udp" else f"{load.direction}_single"
        facts[f"ended_{name}"] = sender.get("ended") or load.near.get("ended")
        if load.kind == "udp":
            facts |= _maximum_facts(load)
        if not sender.get("tcp_info", True):
            facts[f"rate_from_{name}"] = "octets read (no TCP_INFO at the sender): may be off by some per cent"
        rates = series.rates_per_bin(samples_of(load))
        kept = rates[series.ramp_end(rates) :]
        seconds = [fmean(kept[i : i + 10]) for i in range(0, len(kept) - 9, 10)]
        if len(seconds) >= 5:
            middle = fmean(seconds)
            facts[f"flat_{name}_cv"] = round((fmean([(s - middle) ** 2 for s in seconds]) ** 0.5) / middle, 4) if middle > 0 else None
        if load.kind == "tcp":
            facts[f"ramp_unfinished_{name}"] = series.still_rising(rates)
        fall = series.late_drop(rates)
        facts[f"fell_{name}"] = fall is not None
        if fall is not None:
            facts[f"fell_{name}_from_mbps"], facts[f"fell_{name}_to_mbps"] = round(fall[0], 3), round(fall[1], 3)
    for key, found in (
        ("near_end.cpu_share", near_cpu),
        ("far_end.cpu_share", far_cpu),
        ("near_end.rwnd_limited_share", rwnd),
        ("near_end.sndbuf_limited_share", sndbuf),
    ):
        known = [x for x in found if x is not None]
        facts[key] = round(max(known), 4) if known else None


def _policer_facts(seen: Seen) -> dict[str, Fact]:
    """Return, by direction, whether packets were lost by the per cent under load while nothing queued: so a policer behaves."""
    idle = {v.quantity: v.value for v in _idle_values(seen)}.get("delay_idle_ms")
    out: dict[str, Fact] = {}
    for load in seen.loads:
        if load.kind == "udp":
            out[f"capacity_by_loss_{load.direction}"] = bool((load.sender or {}).get("by_loss"))
            continue
        loss, loaded = _loss_of(load)[0], _loaded_delay(seen, load, load.direction)[0].value
        if load.streams > 1 and idle is not None and loaded is not None and loss.low is not None:
            out[f"policed_{load.direction}"] = loss.low > 0.01 and loaded - idle < 3.0
    return out


def _maximum_facts(load: LoadSeen) -> dict[str, Fact]:
    """Return the maximum IP-layer capacity of RFC 9097 from a search's trace: over 1 s where it lasted as long, else over 0.4 s."""
    for seconds in (1.0, 0.4):
        found = maximum_over(trace_of(load), sub_interval_s=seconds)
        if found is not None:
            return {f"capacity_maximum_{load.direction}_mbps": round(found, 3), f"capacity_maximum_{load.direction}_over_s": seconds}
    return {}


def _hop_share(seen: Seen) -> dict[str, float]:
    """Return, by direction, which share of the rise of the delay under load arises at the first hop; not where the rise is below 5 ms."""
    values = {v.quantity: v.value for v in [*_idle_values(seen), *_hop_values(seen)]}
    out = {}
    for load in seen.loads:
        d = load.direction
        loaded = {v.quantity: v.value for v in _loaded_delay(seen, load, d)}
        ends = (values.get("first_hop_idle_ms"), values.get(f"first_hop_loaded_{d}_ms"), values.get("delay_idle_ms"), loaded.get(f"delay_loaded_{d}_ms"))
        if all(e is not None for e in ends) and load.streams > 1:
            hop_idle, hop_loaded, idle, full = (float(e) for e in ends if e is not None)
            if full - idle > 5:
                out[d] = (hop_loaded - hop_idle) / (full - idle)
    return out


def megabytes_of(seen: Seen) -> float:
    """Return what the measurement took of the plan, in MB, headers counted."""
    octets: float = 20_000.0 if seen.contact else 0.0
    octets += 2 * 140 * len(seen.sent)
    for load in seen.loads:
        carried = (load.sender or {}).get("octets_sent") or load.near.get("octets_received") or 0
        octets += float(carried) * 1500 / 1448
    octets += float((seen.responsiveness or {}).get("octets", 0)) * 1500 / 1420
    return octets / 1e6
