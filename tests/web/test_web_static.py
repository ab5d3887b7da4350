"""What is served as it is: the joined script is the one that its script makes of checked parts, and the style sheet asks for nothing."""

from __future__ import annotations

import hashlib
import re
from importlib import resources

from starlette.testclient import TestClient

from bandwright.telling.paper import packed_style, style_sheet

FOLDER = resources.files("bandwright.web") / "static" / "htmx"


def test_the_script_is_the_one_whose_sum_stands_beside_it() -> None:
    name, expected = (FOLDER / "SHA256").read_text(encoding="utf-8").split()
    assert hashlib.sha256((FOLDER / name).read_bytes()).hexdigest() == expected


def test_the_join_script_names_version_and_sums_of_both_parts() -> None:
    text = (FOLDER / "join.py").read_text(encoding="utf-8")
    assert re.findall(r"\b[0-9a-f]{64}\b", text).__len__() == 2
    assert "4.0.1" in text
    assert "Zero-Clause BSD" in (FOLDER / "LICENSE").read_text(encoding="utf-8")


def test_the_style_sheet_asks_for_nothing_and_stands_in_the_page(client: TestClient) -> None:
    css = style_sheet()
    assert "url(" not in css
    assert "@import" not in css
    assert "@font-face" not in css
    assert len(css) < 20_000
    html = client.get("/").text
    assert f"<style>{packed_style()}</style>" in html
    assert 'rel="stylesheet"' not in html
    assert len(html.encode()) < 100_000


def test_packing_the_style_sheet_drops_comments_and_spaces_and_no_rule() -> None:
    whole, packed = style_sheet(), packed_style()
    assert "/*" not in packed
    assert len(packed) < 0.9 * len(whole)
    for sign in "{}":
        assert packed.count(sign) == whole.count(sign)
    assert 'content:attr(data-h) ": "' in packed  # the one text with a space of its own
    bare = re.sub(r"/\*.*?\*/|\s|;(?=\s*})", "", whole, flags=re.DOTALL)
    assert re.sub(r"\s", "", packed) == bare


def test_the_joined_script_needs_no_eval() -> None:
    text = (FOLDER / "htmx.js").read_text(encoding="utf-8")
    assert len(text) < 50_000
