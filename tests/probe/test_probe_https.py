"""Day one without a far end: an HTTPS address, what it tells, and what it says it cannot tell."""

from __future__ import annotations

import http.server
import socket
import ssl
import threading
import time

import pytest

from bandwright.errors import UsageError
from bandwright.ports import Probe
from bandwright.probe import keys
from bandwright.probe.contact import Timeouts
from bandwright.probe.https import HttpsProbe, HttpsSettings
from bandwright.words.measurement import MeasurementPlan, Method, Outcome, Phase, Size

PLAN = MeasurementPlan(size=Size.LIGHT, max_seconds=4.0, streams=3)


class _Handler(http.server.BaseHTTPRequestHandler):
    """Serves /big at about 40 Mbit/s in all, /stall (a little, then nothing), /empty, 404 elsewhere; takes chunked uploads at /up."""

    protocol_version = "HTTP/1.1"

    def log_message(self, *_: object) -> None:
        pass

    def do_GET(self) -> None:
        size = {"/big": 30_000_000, "/stall": 10_000_000, "/empty": 0}.get(self.path)
        if size is None:
            self.send_error(404)
            return
        self.send_response(200)
        self.send_header("content-length", str(size))
        self.end_headers()
        block = bytes(16384)
        try:
            for i in range(0, size, len(block)):
                self.wfile.write(block)
                self.server.served += len(block)
                if self.path == "/stall" and i > 200_000:
                    self.server.release.wait(4)
                    return
                self.server.release.wait(0.01)
        except OSError:
            pass

    def do_POST(self) -> None:
        try:
            while (size := int(self.rfile.readline() or b"0", 16)) > 0:
                self.rfile.read(size + 2)
                self.server.taken += size
                self.server.release.wait(0.005)
            self.send_response(200)
            self.send_header("content-length", "0")
            self.end_headers()
        except (OSError, ValueError):
            pass


class _Server(http.server.ThreadingHTTPServer):
    def handle_error(self, *_: object) -> None:
        pass  # a client that ends a transfer early is what is tested


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    certificate, private = keys.ensure_certificate(tmp_path_factory.mktemp("tls"))
    running = _Server(("127.0.0.1", 0), _Handler)
    running.served = running.taken = 0
    running.release = threading.Event()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, private)
    running.socket = context.wrap_socket(running.socket, server_side=True)
    threading.Thread(target=running.serve_forever, daemon=True).start()
    client = ssl.create_default_context(cafile=str(certificate))
    client.check_hostname = False
    yield running, f"https://127.0.0.1:{running.server_port}", client
    running.release.set()
    running.shutdown()


def _settings(client: ssl.SSLContext | None) -> HttpsSettings:
    return HttpsSettings(tls=client, timeouts=Timeouts(connect_s=1.0, tls_s=1.0, stall_s=0.6))


async def test_goodput_both_ways_is_what_the_server_served(server) -> None:
    running, base, client = server
    probe = HttpsProbe(f"{base}/big", f"{base}/up", settings=_settings(client))
    assert isinstance(probe, Probe)
    before, began = running.served, time.monotonic()
    m = await probe.measure(PLAN)
    assert time.monotonic() - began < 6
    assert (m.outcome, m.method) == (Outcome.OK, Method.HTTPS), m.reason
    down = m.number("goodput_down_mbps")
    served_mbps = (running.served - before) * 8 / 0.9 / 1e6  # a light load lasts 0.9 s
    assert down == pytest.approx(served_mbps, rel=0.5)
    assert m.number("goodput_up_mbps") > 1
    assert m.number("delay_idle_ms") < 50
    assert len(dict(m.series)["series_down_mbps"]) >= 7


async def test_what_cannot_be_known_is_said(server) -> None:
    _, base, client = server
    m = await HttpsProbe(f"{base}/big", settings=_settings(client)).measure(PLAN)
    for quantity in ("loss_ratio", "delay_variation_up_ms", "capacity_down_mbps", "goodput_up_mbps"):
        row = m.get(quantity)
        assert row.value is None, quantity
        assert row.reason
    assert "no address to upload to" in m.get("goodput_up_mbps").reason


async def test_megabytes_are_respected(server) -> None:
    _, base, client = server
    m = await HttpsProbe(f"{base}/big", settings=_settings(client)).measure(MeasurementPlan(size=Size.USUAL, max_megabytes=2.0))
    assert m.megabytes < 3


@pytest.mark.parametrize(("path", "phase"), [("/nothing", Phase.FAR_END), ("/empty", Phase.FAR_END)])
async def test_a_server_that_does_not_serve_makes_it_void(server, path: str, phase: Phase) -> None:
    _, base, client = server
    m = await HttpsProbe(base + path, settings=_settings(client)).measure(PLAN)
    assert (m.outcome, m.phase) == (Outcome.VOID, phase)


async def test_a_path_that_dies_in_transfer_keeps_what_was_seen(server) -> None:
    _, base, client = server
    m = await HttpsProbe(f"{base}/stall", settings=_settings(client)).measure(MeasurementPlan(size=Size.FULL, streams=2))
    assert (m.outcome, m.phase) == (Outcome.FAILED, Phase.DOWNLINK)
    assert dict(m.series)["series_down_mbps"]


async def test_a_server_that_cannot_prove_itself_is_a_tls_failure(server) -> None:
    _, base, _ = server
    m = await HttpsProbe(f"{base}/big", settings=_settings(None)).measure(PLAN)
    assert (m.outcome, m.phase) == (Outcome.FAILED, Phase.TLS)


async def test_a_closed_port_and_a_dead_name_are_told_apart() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        m = await HttpsProbe(f"https://127.0.0.1:{taken.getsockname()[1]}/x", settings=_settings(None)).measure(PLAN)
    assert (m.outcome, m.phase) == (Outcome.VOID, Phase.FAR_END)

    def fails(host: str, port: int) -> list:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    m = await HttpsProbe("https://nowhere.example/x", settings=HttpsSettings(look_up=fails)).measure(PLAN)
    assert (m.outcome, m.phase) == (Outcome.FAILED, Phase.NAME_LOOKUP)


@pytest.mark.parametrize("url", ["http://plain.example/x", "ftp://x/y", "nonsense", "https://"])
def test_only_https_is_taken(url: str) -> None:
    with pytest.raises(UsageError, match="https"):
        HttpsProbe(url)


def test_the_cost_is_stated() -> None:
    probe = HttpsProbe("https://files.example/big")
    plan = MeasurementPlan(expected_down_mbps=50, expected_up_mbps=10)
    assert probe.cost_megabytes(plan) == pytest.approx(0.1 + 0.14 * 2.0 * 50)
    assert probe.cost_megabytes(MeasurementPlan(max_megabytes=1.0)) == 1.0
