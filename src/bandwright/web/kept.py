"""What was kept: Today, Setups, Verdict, Watch, History, one test, figures read elsewhere."""

from __future__ import annotations

import asyncio
import math
from datetime import UTC, datetime
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from fastapi import FastAPI, Query, Request
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from bandwright.errors import RangeError, UsageError
from bandwright.quantities import quantity
from bandwright.telling.accounts.availability import availability_document
from bandwright.telling.accounts.history import history_document, measurement_document
from bandwright.telling.accounts.setups import setups_document
from bandwright.telling.accounts.today import next_step, today_document
from bandwright.telling.accounts.verdict import verdict_document
from bandwright.telling.accounts.watched import nothing_watched, watch_document
from bandwright.telling.document import Document
from bandwright.telling.markup import said_html
from bandwright.telling.names import names_of
from bandwright.telling.paper import paper_html, paper_pdf
from bandwright.telling.report import as_built_sheet, before_and_after, campaign_report, household_page
from bandwright.web.shared import Pages
from bandwright.words.campaign import Tested

__all__ = ["add_kept"]

_ReportKind = Literal["campaign", "household", "before-after", "as-built", "to-ask"]
_ENTERED = ("goodput_down_mbps", "goodput_up_mbps", "delay_idle_ms", "delay_loaded_up_ms")


def add_kept(app: FastAPI, pages: Pages) -> None:
    """Add the pages of what is declared and kept."""
    _today(app, pages)
    _setups(app, pages)
    _verdict(app, pages)
    _watch(app, pages)
    _history(app, pages)
    _measure(app, pages)
    _enter(app, pages)


def _today(app: FastAPI, pages: Pages) -> None:
    @app.get("/")
    def today(request: Request) -> Response:
        declared = pages.jobs.declared()
        if declared is None:
            return RedirectResponse("/first", status_code=303)
        stand = pages.jobs.stand()
        answer = pages.kept(("today", stand), pages.jobs.today)
        look = answer.last_reading
        last = answer.last_measurement
        document = today_document(
            declared=declared,
            now=pages.now(),
            design=answer.design,
            course=answer.course,
            verdict=answer.verdict,
            in_use=answer.in_use,
            shares_in_use=answer.shares,
            last_measurement=last,
            last_tested=pages.jobs.tested(last) if last else None,
            last_reading=look.main if look else None,
            forecasts=look.forecasts if look else (),
        )
        title, why, act, href = next_step(declared=declared, course=answer.course, verdict=answer.verdict, in_use=answer.in_use)
        return pages.document(request, document, template="today.html", next_title=title, next_why=said_html(why), next_act=act, next_href=href)


def _setups(app: FastAPI, pages: Pages) -> None:
    @app.get("/setups")
    def setups(request: Request) -> Response:
        declared = pages.jobs.declared()
        if declared is None:
            return RedirectResponse("/first", status_code=303)
        stand = pages.jobs.stand()

        def make() -> Document:
            answer = pages.judged()
            return setups_document(declared, verdict=answer.verdict if answer else None)

        return pages.document(request, pages.kept(("setups", stand), make))

def _verdict(app: FastAPI, pages: Pages) -> None:
    @app.get("/verdict")
    def show(request: Request) -> Response:
        stand = pages.jobs.stand()
        if stand.campaign is None:
            return _no_campaign(request, pages)

        def make() -> Document | None:
            answer = pages.judged()
            return None if answer is None else verdict_document(answer.verdict, design=answer.design, events=answer.events, declared=answer.declared)

        document = pages.kept(("verdict", stand.campaign, stand.last_event, stand.declared), make)
        return _no_campaign(request, pages) if document is None else pages.document(request, document, template="verdict.html")

    @app.get("/report.html")
    def report_html(request: Request, kind: _ReportKind = "campaign", rig: Annotated[str, Query(max_length=200)] = "") -> Response:
        made = _report(pages, kind, rig)
        return _no_campaign(request, pages) if made is None else Response(paper_html(made), media_type="text/html", headers={"content-disposition": f'attachment; filename="{kind}.html"'})

    @app.get("/report.pdf")
    def report_pdf(request: Request, kind: _ReportKind = "campaign", rig: Annotated[str, Query(max_length=200)] = "") -> Response:
        made = _report(pages, kind, rig)
        return _no_campaign(request, pages) if made is None else Response(paper_pdf(made), media_type="application/pdf", headers={"content-disposition": f'attachment; filename="{kind}.pdf"'})


def _report(pages: Pages, kind: str, rig: str) -> Document | None:
    declared = pages.jobs.declared()
    if declared is None:
        return None
    if kind in {"as-built", "to-ask"}:
        if rig not in {r.key for r in declared.rigs}:
            raise HTTPException(404)
        return as_built_sheet(declared, rig, before_work=kind == "to-ask")
    answer = pages.judged()
    if answer is None:
        return None
    if kind == "household":
        return household_page(answer.verdict, design=answer.design, declared=answer.declared)
    if kind == "before-after":
        return before_and_after(answer.verdict, design=answer.design, declared=answer.declared)
    return campaign_report(answer.verdict, design=answer.design, events=answer.events, course=answer.course, declared=answer.declared)


def _no_campaign(request: Request, pages: Pages) -> Response:
    return pages.render(
        request,
        "empty.html",
        title="Verdict",
        headline="No campaign has been run yet, so there is no verdict.",
        todo="A campaign compares setups in turn, over hours and days, and says which one serves your needs best, by how much and how sure that is.",
        act="/campaign",
        act_label="Plan a campaign",
    )


def _watch(app: FastAPI, pages: Pages) -> None:
    @app.get("/watch")
    def watch(request: Request) -> Response:
        if pages.jobs.declared() is None:
            return RedirectResponse("/first", status_code=303)
        answer = pages.jobs.watched()
        if answer is None:
            return pages.document(request, nothing_watched())
        zone = ZoneInfo(answer.declared.site.timezone)
        available = availability_document(
            site=answer.declared.site.name, whole=answer.whole, by_need=answer.by_need, by_hour=answer.by_hour, outages=answer.outages, began=answer.began, ended=answer.ended,
            look_s=answer.look_s, zone=zone, made=datetime.now(UTC),
        )  # fmt: skip
        return pages.document(request, watch_document(available, answer.told, zone=zone))


def _history(app: FastAPI, pages: Pages) -> None:
    @app.get("/history")
    def history(request: Request, limit: Annotated[int, Query(ge=1, le=1000)] = 100) -> Response:
        declared = pages.jobs.declared()
        if declared is None:
            return RedirectResponse("/first", status_code=303)
        answer = pages.jobs.history(limit=limit)
        return pages.document(request, history_document(answer.measurements, count=answer.count, names=pages.names(), tested=_tested(pages)), template="history.html", more=min(1000, 5 * limit) if answer.count > limit and limit < 1000 else 0)

    @app.get("/history/{key}")
    def one(request: Request, key: str) -> Response:
        declared = pages.jobs.declared()
        answer = pages.jobs.one_test(key) if declared else None
        if answer is None:
            raise HTTPException(404)
        readings = [(moment, look.capture, look.readings) for moment, look in answer.readings]
        before = next((look.forecasts for moment, look in answer.readings if moment in {"idle", "before"}), ())
        document = measurement_document(
            answer.measurement, readings, names=pages.names(), tested=pages.jobs.tested(answer.measurement), forecasts=before, diagnoses=answer.diagnoses
        )
        return pages.document(request, document)


def _measure(app: FastAPI, pages: Pages) -> None:
    @app.post("/measure")
    async def measure() -> Response:
        kept = await pages.jobs.measure()
        return RedirectResponse(f"/history/{kept.key}", status_code=303)


def _tested(pages: Pages) -> dict[str, Tested]:
    judged = pages.judged()
    return {e.test: e for e in judged.events if isinstance(e, Tested)} if judged else {}


def _enter(app: FastAPI, pages: Pages) -> None:
    def form(request: Request, *, errors: dict[str, str], typed: dict[str, str], status: int = 200) -> Response:
        declared = pages.jobs.declared()
        if declared is None:
            return RedirectResponse("/first", status_code=303)
        names = names_of(declared)
        fields = [(key, row.label[:1].upper() + row.label[1:], row.unit) for key in _ENTERED if (row := quantity(key)) is not None]
        setups = [("", "not known"), *((s.key, names.setup(s.key)) for s in declared.setups)]
        return pages.render(request, "enter.html", status=status, title="Enter figures", fields=fields, setups=setups, errors=errors, typed=typed)

    @app.get("/enter")
    def show(request: Request) -> Response:
        return form(request, errors={}, typed={})

    @app.post("/enter")
    async def enter(request: Request) -> Response:
        sent = await request.form(max_fields=50)
        typed = {key: str(value)[:200] for key, value in sent.items() if isinstance(value, str)}
        figures, errors = _figures(typed)
        if not typed.get("read_by", "").strip():
            errors["read_by"] = "Say who read the figures, so that they can be asked later."
        if not figures and not errors:
            errors[_ENTERED[0]] = "Give at least one figure."
        if errors:
            return await asyncio.to_thread(form, request, errors=errors, typed=typed, status=422)
        try:
            kept = await asyncio.to_thread(pages.jobs.enter, figures=figures, setup=typed.get("setup") or None, read_by=typed["read_by"])
        except RangeError as error:
            return await asyncio.to_thread(form, request, errors={error.what: f"This is outside {error.allowed}. Was another unit meant?"}, typed=typed, status=422)
        except UsageError as error:
            return await asyncio.to_thread(form, request, errors={"setup": str(error)}, typed=typed, status=422)
        return RedirectResponse(f"/history/{kept.key}", status_code=303)


def _figures(typed: dict[str, str]) -> tuple[dict[str, float], dict[str, str]]:
    figures: dict[str, float] = {}
    errors: dict[str, str] = {}
    for key in _ENTERED:
        text = typed.get(key, "").strip().replace(",", ".")
        if not text:
            continue
        try:
            value = float(text)
        except ValueError:
            errors[key] = "This is not a number. Write it like 48 or 7.5, without its unit."
            continue
        if not math.isfinite(value):
            errors[key] = "This is not a number. Write it like 48 or 7.5, without its unit."
            continue
        figures[key] = value
    return figures, errors
