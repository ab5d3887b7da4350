"""Reports: complete, redacted, self-contained, accessible, and in the same words as the page."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from types import ModuleType

import pytest

from bandwright.errors import OurFault
from bandwright.telling.document import Document, Drawing, Part, Plate
from bandwright.telling.markup import document_html
from bandwright.telling.paper import paper_html, paper_pdf, paper_source
from bandwright.telling.report import AsBuilt, as_built_sheet, before_and_after, campaign_report, household_page, redacted
from bandwright.telling.said import said
from bandwright.words.rig import Rig


@pytest.fixture(scope="module")
def documents(sample: ModuleType, done) -> dict[str, Document]:
    v, d, s = done.verdict, sample.DESIGN, sample.DECLARED
    return {
        "campaign": campaign_report(v, design=d, events=done.events, course=done.course, declared=s),
        "household": household_page(v, design=d, declared=s),
        "before and after": before_and_after(v, design=d, declared=s),
        "as built": as_built_sheet(s, "gable", built=AsBuilt(mount="wall bracket", earthing_by="a licensed electrician")),
        "to ask": as_built_sheet(s, "gable", before_work=True),
    }


NAMES = ("campaign", "household", "before and after", "as built", "to ask")


def test_the_report_has_all_its_parts(documents: dict[str, Document]) -> None:
    titles = [p.title for p in documents["campaign"].parts]
    for title in ("For which need, at which hour", "What would overturn it", "The tests", "The place and what was compared", "How it was done", "Before work at the place", "How to repeat it"):
        assert title in titles
    html = document_html(documents["campaign"])
    assert "seed 53" in html
    assert "Position withheld" in html


@pytest.mark.parametrize("name", NAMES)
def test_a_file_needs_nothing_from_outside_and_is_well_formed(documents: dict[str, Document], name: str) -> None:
    html = paper_html(documents[name])
    assert re.findall(r'(?:src|href)="(?!#)', html) == []
    assert "url(" not in html
    assert "@import" not in html
    open_tags: list[str] = []

    class Check(HTMLParser):
        def handle_starttag(self, tag: str, attrs: object) -> None:
            if tag not in {"meta", "br", "img", "input"}:
                open_tags.append(tag)

        def handle_startendtag(self, tag: str, attrs: object) -> None:
            pass

        def handle_endtag(self, tag: str) -> None:
            assert open_tags.pop() == tag

    Check().feed(html)
    assert open_tags == []


@pytest.mark.parametrize("name", NAMES)
def test_the_pdf_is_accessible(documents: dict[str, Document], name: str) -> None:
    pytest.importorskip("typst")
    pdf = paper_pdf(documents[name])  # typst refuses PDF/UA-1 without title, language, headings in order and words for drawings
    assert pdf.startswith(b"%PDF")
    assert b"pdfuaid" in pdf


def test_page_and_paper_say_the_same_words(documents: dict[str, Document]) -> None:
    source = paper_source(documents["campaign"])
    assert str(documents["campaign"].headline.pieces[0].text) in source
    for part in documents["campaign"].parts:
        assert part.title in source


def test_a_pdf_without_words_for_a_drawing_is_refused() -> None:
    made = Document(title="x", headline=said("y"), parts=(Part(blocks=(Plate(finding=said("f"), reading=said("r"), drawing=Drawing(wide="<svg></svg>", slim="", text="")),)),))
    with pytest.raises(OurFault, match="no words"):
        paper_source(made)


def test_what_a_user_wrote_is_not_read_as_markup_on_paper(sample: ModuleType, done) -> None:
    pytest.importorskip("typst")
    nasty = '#panic("x") $ * _ ` \\ " <b> @ref // #'
    declared = replace(sample.DECLARED, site=replace(sample.DECLARED.site, name=nasty), rigs=tuple(replace(r, label=nasty) for r in sample.RIGS), needs=tuple(replace(n, label=nasty) for n in sample.NEEDS))
    design = replace(sample.DESIGN, label=nasty, setups=tuple(replace(s, label=nasty) for s in sample.SETUPS))
    made = campaign_report(done.verdict, design=design, events=done.events, course=done.course, declared=declared)
    assert paper_pdf(made).startswith(b"%PDF")


def test_identities_and_numbers_are_dots_in_every_part(sample: ModuleType, done) -> None:
    secret = "004999010640000"
    declared = replace(sample.DECLARED, site=replace(sample.DECLARED.site, name=f"Practice {secret} +491701234567"), rigs=(replace(sample.RIGS[0], label=f"IMEI {secret}"), sample.RIGS[1]))
    made = campaign_report(done.verdict, design=replace(sample.DESIGN, label=f"of {secret}", setups=tuple(replace(s, label="") for s in sample.SETUPS)), events=done.events, course=done.course, declared=replace(declared, setups=tuple(replace(s, label="") for s in sample.SETUPS)))
    for text in (paper_html(made), paper_source(made)):
        assert secret not in text
        assert "+491701234567" not in text


def test_redaction_keeps_everything_else(documents: dict[str, Document]) -> None:
    assert redacted(documents["campaign"]) == documents["campaign"]


def test_position_is_never_told_even_unredacted(sample: ModuleType, done) -> None:
    declared = replace(sample.DECLARED, site=replace(sample.DECLARED.site, latitude_deg=51.234567, longitude_deg=-3.456789))
    made = campaign_report(done.verdict, design=sample.DESIGN, events=done.events, course=done.course, declared=declared, redact=False)
    assert "51.23" not in paper_html(made)
    assert "3.4567" not in paper_html(made)


def test_the_as_built_sheet_leaves_lines_for_what_is_not_known(documents: dict[str, Document]) -> None:
    html = document_html(documents["as built"])
    assert "wall bracket" in html
    assert "212° true" in html
    assert "How to undo it" in html
    assert "……" in html
    assert "May this be put up?" in str(documents["to ask"].headline)


def test_an_unknown_rig_is_refused(sample: ModuleType) -> None:
    assert isinstance(sample.RIGS[0], Rig)
    with pytest.raises(KeyError):
        as_built_sheet(sample.DECLARED, "nowhere")


def test_before_and_after_stand_side_by_side(documents: dict[str, Document]) -> None:
    html = document_html(documents["before and after"])
    assert "Before: Window, 5G on" in html
    assert "After: Gable, 5G on" in html


def test_the_households_page_never_says_lte_or_nr(documents: dict[str, Document]) -> None:
    html = document_html(documents["household"])
    assert "LTE" not in html
    assert "NR " not in html
