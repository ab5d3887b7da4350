"""Alerts through apprise to a local HTTP sink."""

import asyncio
import json
import threading
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from bandwright.errors import SecretError
from bandwright.outlets.alerts import check_address, send, send_elsewhere, unusable
from bandwright.privacy import Private
from bandwright.words.answers import Alert

ALERT = Alert(at=datetime(2026, 3, 2, tzinfo=UTC), key="change 1 up", sentence="Since about Mon 2 Mar 10:00, the upload is 40 % less than before. IMEI: 123456789012347")


@pytest.fixture
def sink():
    got, status = [], [200]

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self):
            got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(status[0])
            self.end_headers()

        def log_message(self, *args):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield server.server_port, got, status
    server.shutdown()
    server.server_close()
    thread.join()


def test_an_alert_arrives_once_and_redacted(sink):
    port, got, _ = sink
    taken = asyncio.run(send(ALERT, addresses=[Private(f"json://127.0.0.1:{port}/alerts")], site="Hill farm"))
    assert taken == 1
    assert len(got) == 1
    assert got[0]["title"] == "Hill farm: the connection changed"
    assert "40 % less" in got[0]["message"]
    assert "123456789012347" not in json.dumps(got)


def test_a_place_that_refuses_is_not_counted_and_the_others_get_it(sink):
    port, got, status = sink
    status[0] = 500
    addresses = [Private(f"json://127.0.0.1:{port}/a"), Private("json://127.0.0.1:1/nobody")]
    assert asyncio.run(send(ALERT, addresses=addresses, site="x")) == 0
    status[0] = 200
    got.clear()
    assert asyncio.run(send(ALERT, addresses=addresses, site="x")) == 1
    assert len(got) == 1


def test_an_address_that_nothing_can_be_sent_to_is_refused_without_showing_it():
    with pytest.raises(SecretError) as error:
        check_address(Private("carrier-pigeon://secret-password"))
    assert "secret-password" not in str(error.value)
    check_address(Private("json://127.0.0.1:9/x"))


def test_a_process_that_ends_sends_the_same_alert_once(sink):
    # what sends would stay in a watch's memory for weeks; addresses reach the process on its input, where no list of processes shows them
    port, got, _ = sink
    taken = asyncio.run(send_elsewhere(ALERT, addresses=[Private(f"json://127.0.0.1:{port}/alerts"), Private("json://127.0.0.1:1/nobody")], site="Hill farm"))
    assert taken == 1
    assert len(got) == 1
    assert got[0]["title"] == "Hill farm: the connection changed"
    assert "123456789012347" not in json.dumps(got)


def test_addresses_that_cannot_be_used_are_told_by_their_places():
    assert unusable([Private("json://127.0.0.1:9/x"), Private("carrier-pigeon://secret"), Private("json://127.0.0.1:9/y")]) == (1,)
