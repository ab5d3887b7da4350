"""What is served as it is: the joined script is the one that its script makes of checked parts, and the style sheet asks for nothing."""

from __future__ import annotations

import hashlib
import re
from importlib import resources

from starlette.testclient import TestClient

FOLDER = resources.files("bandwright.web") / "static" / "htmx"


def test_the_script_is_the_one_whose_sum_stands_beside_it() -> None:
    name, expected = (FOLDER / "SHA256").read_text(encoding="utf-8").split()
    assert hashlib.sha256((FOLDER / name).read_bytes()).hexdigest() == expected


def test_the_join_script_names_version_and_sums_of_both_parts() -> None:
    text = (FOLDER / "join.py").read_text(encoding="utf-8")
    assert re.findall(r"\b[0-9a-f]{64}\b", text).__len__() == 2
    assert "4.0.1" in text
    assert "Zero-Clause BSD" in (FOLDER / "LICENSE").read_text(encoding="utf-8")


def test_the_style_sheet_asks_for_nothing(client: TestClient) -> None:
    css = client.get("/static/style.css").text
    assert "url(" not in css
    assert "@import" not in css
    assert "@font-face" not in css
    assert len(css) < 20_000


def test_the_joined_script_needs_no_eval() -> None:
    text = (FOLDER / "htmx.js").read_text(encoding="utf-8")
    assert len(text) < 50_000
