"""Hand the result over: one file of a campaign, redacted by default."""

from __future__ import annotations

from pathlib import Path

from bandwright.errors import UsageError
from bandwright.jobs.house import House
from bandwright.jobs.judge import judge
from bandwright.telling.paper import paper_html, paper_pdf
from bandwright.telling.report import campaign_report, household_page

__all__ = ["report"]


def report(house: House, *, out: Path, campaign: str | None = None, household: bool = False, redact: bool = True) -> None:
    """Write a campaign's report to `out` (.html or .pdf). household: one page in the householder's words.

    Raises UsageError for another ending, or where the file cannot be written.
    """
    answer = judge(house, campaign=campaign)
    if household:
        document = household_page(answer.verdict, design=answer.design, declared=answer.declared, redact=redact)
    else:
        document = campaign_report(answer.verdict, design=answer.design, events=answer.events, course=answer.course, declared=answer.declared, redact=redact)
    try:
        if out.suffix.lower() == ".pdf":
            out.write_bytes(paper_pdf(document))
        elif out.suffix.lower() in {".html", ".htm"}:
            out.write_text(paper_html(document), encoding="utf-8")
        else:
            raise UsageError("report file", given=str(out), allowed="a name that ends in .html or .pdf")
    except OSError as error:
        raise UsageError(f"{out} cannot be written", given=error.strerror, todo="Name a file in a folder of your own") from error
