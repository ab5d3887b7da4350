"""Pictures: text from a screenshot drawn here, and that no value of it counts before a person has said so."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from bandwright.errors import UsageError
from bandwright.gateways.picture import Box, lines_of, picture_text
from bandwright.jobs.picture import explain_picture
from bandwright.readings.confirm import NOT_CONFIRMED, confirmed
from bandwright.readings.parse import parse
from bandwright.words.radio import FieldState

PAGE = "LTE\nBand: B3\nEARFCN: 1300\nPCI: 211\nRSRP: -92 dBm\nSINR: 13 dB\nRegistration: home\n"
AT = datetime(2026, 3, 10, 12, tzinfo=UTC)


def drawn(path, text):
    """Draw a page's lines as a screenshot shows them, and return where it is."""
    figure_of = pytest.importorskip("matplotlib.figure", reason="drawing needs matplotlib")
    rows = text.splitlines()
    figure = figure_of.Figure(figsize=(6, 0.45 * len(rows)), dpi=120, facecolor="white")
    for number, row in enumerate(rows):
        figure.text(0.05, 1 - (number + 0.7) / len(rows), row, fontsize=15, family="DejaVu Sans")
    figure.savefig(path)
    return path


def test_nothing_counts_that_nobody_confirmed():
    answer = explain_picture(Path(__file__), at=AT, is_right=lambda _whose, _item: False, text_of=lambda _: PAGE)
    (reading,) = answer.readings
    assert reading.mode is None
    assert reading.registration is None
    assert dict(reading.why)["mode"] == NOT_CONFIRMED
    for item in reading.carriers[0].fields:
        assert item.value is None
        assert item.state is FieldState.UNKNOWN
        assert item.why == NOT_CONFIRMED
    assert not answer.forecasts


def test_what_is_confirmed_counts_and_nothing_else():
    asked = []

    def is_right(whose, item):
        asked.append((whose, item.name))
        return item.name in {"rsrp", "mode"}

    (reading,) = explain_picture(Path(__file__), at=AT, is_right=is_right, text_of=lambda _: PAGE).readings
    assert reading.mode is not None
    assert reading.carriers[0].number("rsrp") == -92
    assert [item.name for item in reading.carriers[0].fields if item.value is not None] == ["rsrp"]
    assert {name for _, name in asked} == {"band", "arfcn", "pci", "rsrp", "sinr", "mode", "registration"}
    assert ("lte serving ", "rsrp") in asked


def test_what_was_derived_goes_with_what_it_came_from():
    (reading,) = parse("LTE\nEARFCN: 1300\nRSRP: -92 dBm\n")
    assert reading.carriers[0].number("band") == 3
    kept = confirmed(reading, lambda _carrier, item: item.name != "arfcn")
    assert kept.carriers[0].number("band") is None
    assert confirmed(reading, lambda _carrier, _item: True).carriers[0].number("band") == 3


def test_pieces_at_one_height_are_one_line():
    boxes = (Box("-92 dBm", 200, 51, 20), Box("Band", 10, 90, 20), Box("RSRP", 10, 50, 18), Box("B3", 200, 92, 20))
    assert lines_of(boxes) == "RSRP  -92 dBm\nBand  B3\n"


@pytest.mark.parametrize(("name", "data"), [("page.png", b"GIF89a"), ("page.txt", b"RSRP: -92 dBm")])
def test_what_is_no_picture_is_refused(tmp_path, name, data):
    (tmp_path / name).write_bytes(data)
    with pytest.raises(UsageError, match="PNG or JPEG"):
        picture_text(tmp_path / name)
    with pytest.raises(UsageError, match="can be read"):
        picture_text(tmp_path / "absent.png")


def test_a_screenshot_drawn_here_is_read(tmp_path):
    pytest.importorskip("rapidocr", reason="the extra ocr is not installed")
    path = drawn(tmp_path / "page.png", PAGE)
    (reading,) = explain_picture(path, at=AT, is_right=lambda _whose, _item: True).readings
    assert {item.name: item.value for item in reading.carriers[0].fields if not item.derived} == {"band": 3, "arfcn": 1300, "pci": 211, "rsrp": -92, "sinr": 13}
    (tmp_path / "broken.png").write_bytes(path.read_bytes()[:200])
    with pytest.raises(UsageError, match="anew"):
        picture_text(tmp_path / "broken.png")
