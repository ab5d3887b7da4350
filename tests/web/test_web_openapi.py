"""The description of the pages that machines read: complete, and true to what is answered."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import hypothesis
import pytest
from starlette.testclient import TestClient

from bandwright.web.app import create_app

schemathesis = pytest.importorskip("schemathesis")
_LONG_RUNNING = ("/campaign/start", "/campaign/stop", "/campaign/answer", "/measure")


def test_no_input_breaks_a_page(jobs: Callable[..., Any]) -> None:
    schema = schemathesis.openapi.from_asgi("/openapi.json", create_app(jobs(asks=False), hosts=("testserver",)))
    operations = [found.ok() for found in schema.get_all_operations()]
    tried = 0
    for operation in operations:
        if operation.path in _LONG_RUNNING or operation.path == "/report.pdf":
            continue

        @hypothesis.given(case=operation.as_strategy())
        @hypothesis.settings(max_examples=6, derandomize=True, deadline=None, database=None, suppress_health_check=list(hypothesis.HealthCheck))
        def no_fault(case: Any) -> None:
            answer = case.call()
            assert answer.status_code < 500, f"{case.method} {case.path}"
            assert answer.headers["content-security-policy"]

        no_fault()
        tried += 1
    assert tried >= 14


def test_every_page_is_described(client: TestClient) -> None:
    paths = client.get("/openapi.json").json()["paths"]
    for path in ("/", "/reading", "/setups", "/campaign", "/verdict", "/history", "/history/{key}", "/settings", "/enter", "/first", "/screen", "/report.html", "/report.pdf"):
        assert path in paths
