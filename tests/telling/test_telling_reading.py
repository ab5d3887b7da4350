"""A reading laid out: nothing invented, nothing hidden, identities as dots."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import pytest

from bandwright.telling.accounts.reading import bears, carrier_sentence, reading_document, source_stretches
from bandwright.telling.document import SourceText, Table
from bandwright.telling.markup import document_html
from bandwright.words.radio import Mode, Reading, Registration


def document(sample: ModuleType, reading: Reading | None = None, forecasts: tuple | None = None):
    return reading_document(sample.CAPTURE, (reading or sample.READING,), findings=sample.FINDINGS, forecasts=sample.FORECASTS if forecasts is None else forecasts, timezone="Europe/London")


def test_the_headline_counts_carriers_and_gives_the_range(sample: ModuleType) -> None:
    assert str(document(sample).headline) == "Three carriers. Expect 45 to 210\u00a0Mbit/s down."


def test_without_a_forecast_no_rate_is_invented(sample: ModuleType) -> None:
    made = document(sample, forecasts=())
    assert str(made.headline) == "Three carriers: LTE B3 + NR n78 + NR n28."
    assert "Mbit/s" not in "".join(str(p.text) for p in made.first.blocks if hasattr(p, "text"))


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        (Reading(mode=Mode.NONE, registration=Registration.SEARCHING), "No service: searching."),
        (Reading(registration=Registration.HOME), "names no carrier"),
        (Reading(), "Nothing in this text was recognised"),
    ],
)
def test_a_reading_without_carriers_says_so(sample: ModuleType, reading: Reading, words: str) -> None:
    assert words in str(document(sample, reading, ()).headline)


def test_the_practitioners_page_says_lte_and_nr_and_never_4g_or_5g(sample: ModuleType) -> None:
    html = document_html(document(sample))
    assert "LTE B3" in html
    assert "NR n78" in html
    assert "4G" not in html
    assert "5G</" not in html


def test_values_stand_with_unit_interval_or_absence(sample: ModuleType) -> None:
    table = next(b for b in document(sample).first.blocks if isinstance(b, Table))
    cells = [[str(c) for c in cells] for cells in table.rows]
    assert cells[0][3] == "−91\u00a0dBm"
    assert cells[0][5].startswith("12 to 14\u00a0dB")
    assert cells[2][5].startswith("not printed")
    assert "1842.5\u00a0MHz" in cells[0][1]


def test_what_could_not_be_read_is_said_with_its_reason(sample: ModuleType) -> None:
    note = document(sample).parts[-1].note
    assert note is not None
    assert "Transmit power of LTE B3: printed as “-”" in str(note.paras[0])


def test_the_source_text_is_whole_and_cut_where_recognition_begins(sample: ModuleType) -> None:
    stretches = source_stretches(sample.CAPTURE, (sample.READING,))
    text = "".join(s.text for s in stretches)
    assert len(text) == len(sample.TEXT)
    assert text.replace("•", "") in sample.TEXT.replace("004999010640000", "")
    assert [s.text for s in stretches if s.kind == "unread"] == ["33"]
    assert any(s.kind == "recognised" and s.text.startswith('"NR5G-NSA"') for s in stretches)


def test_identities_are_dots_of_the_same_length(sample: ModuleType) -> None:
    html = document_html(document(sample))
    assert "004999010640000" not in html
    assert "•" * 15 in html


def test_spans_beyond_the_text_do_no_harm(sample: ModuleType) -> None:
    short = replace(sample.CAPTURE, text="OK")
    assert "".join(s.text for s in source_stretches(short, (sample.READING,))) == "OK"
    assert source_stretches(replace(sample.CAPTURE, text=""), ()) == ()


def test_the_source_text_of_a_page_is_escaped(sample: ModuleType) -> None:
    made = reading_document(replace(sample.CAPTURE, text="<script>alert(1)</script>"), ())
    assert any(isinstance(b, SourceText) for p in made.parts for b in p.blocks)
    assert "<script>" not in document_html(made)


@pytest.mark.parametrize(("sinr", "words"), [(25, "256QAM on one layer and on two"), (14, "64QAM on one layer, 16QAM on two"), (3, "QPSK on one layer and on two"), (-8, "little more than a link on one layer and on two"), (None, "what it bears is not known")])
def test_what_a_sinr_bears(sinr: float | None, words: str) -> None:
    assert bears(sinr) == words  # common practice, no source


def test_one_plain_sentence_a_carrier(sample: ModuleType) -> None:
    assert str(carrier_sentence(sample.READING.carriers[0])) == "LTE B3, primary, at 1842.5\u00a0MHz, 20\u00a0MHz wide: RSRP −91\u00a0dBm, RSRQ −10\u00a0dB, SINR 12 to 14\u00a0dB; it bears 64QAM on one layer, 16QAM on two."
