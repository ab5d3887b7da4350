"""`bandwright places`: a folder of workspaces at a glance, at the terminal, as JSON or as one page that needs no server."""

from __future__ import annotations

from pathlib import Path

from bandwright.cli.screens import print_document, print_json, say
from bandwright.errors import UsageError

__all__ = ["show_places"]


def show_places(folder: Path, *, page: Path | None, as_json: bool) -> None:
    """Print where every place stands; page: also write it as one HTML file."""
    from bandwright.jobs.places import places
    from bandwright.telling.accounts.places import PlaceRow, age_words, places_document

    answer = places(folder)
    rows = [
        PlaceRow(
            folder=p.folder,
            name=p.name,
            declared=p.today.declared if p.today else None,
            course=p.today.course if p.today else None,
            verdict=p.today.verdict if p.today else None,
            in_use=p.today.in_use if p.today else None,
            verdict_at=p.verdict_at,
            problem=p.problem,
        )
        for p in answer.places
    ]
    if as_json:
        listed = [
            {
                "folder": r.folder,
                "name": r.name,
                "verdict": r.verdict.kind if r.verdict else None,
                "lead": r.verdict.lead if r.verdict else None,
                "verdict_at": r.verdict_at.isoformat() if r.verdict_at else None,
                "age": age_words(answer.at, r.verdict_at) if r.verdict_at else None,
                "next": p.today.next_thing if p.today else None,
                "problem": r.problem or None,
            }
            for r, p in zip(rows, answer.places, strict=True)
        ]
        print_json("places", {"at": answer.at.isoformat(), "places": listed})
        return
    document = places_document(rows, now=answer.at)
    if page is not None:
        from bandwright.telling.paper import paper_html

        try:
            page.write_text(paper_html(document), encoding="utf-8")
        except OSError as error:
            raise UsageError(f"{page} cannot be written", given=error.strerror, todo="Name a file in a folder of your own") from error
        say(f"{page} is written; any browser opens it, without a server.")
    print_document(document)
