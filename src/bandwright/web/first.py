"""First use: five short steps, each of which can be skipped and says what it buys, and then the declaration they make.

What was typed goes along from step to step in the page itself, so nothing is lost when the server stops in between. At the end the
declaration is shown, checked, and written only when asked.
"""

from __future__ import annotations

import asyncio
import re
import zoneinfo
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date

from fastapi import FastAPI, Request
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from bandwright.errors import BandwrightError
from bandwright.needs.catalogue import CATALOGUE
from bandwright.telling.names import hours_words
from bandwright.telling.sentences import asks_of
from bandwright.web.shared import Pages

__all__ = ["STEPS", "Step", "add_first_use", "site_text"]

_Answers = Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step: its place, question, what it buys, its fields, and what is wrong with what was typed, by field."""

    number: int
    key: str
    short: str
    title: str
    buys: str
    fields: tuple[str, ...]
    check: Callable[[_Answers], dict[str, str]]


def _number(answers: _Answers, name: str, *, unit: str) -> dict[str, str]:
    text = answers.get(name, "").strip().replace(",", ".")
    if not text:
        return {}
    try:
        value = float(text)
    except ValueError:
        return {name: f"This is not a number. Write it like 300, without “{unit}”."}
    return {} if 0 < value < 1e7 else {name: "This must be more than nothing."}


def _check_place(answers: _Answers) -> dict[str, str]:
    zone = answers.get("timezone", "").strip()
    if zone and zone not in zoneinfo.available_timezones():
        return {"timezone": "This is not a name of the time zone database. Write it like Europe/London or America/Denver."}
    return {}


def _check_needs(answers: _Answers) -> dict[str, str]:
    text = answers.get("hours", "").strip()
    if text and not re.fullmatch(r"(?:always|[A-Za-z]{3,8}(?:-[A-Za-z]{3})? \d\d:\d\d-\d\d:\d\d)(?:, ?[A-Za-z]{3,8}(?:-[A-Za-z]{3})? \d\d:\d\d-\d\d:\d\d)*", text):
        return {"hours": "Write hours like Mon-Fri 09:00-17:00, or daily 18:00-23:00; several with commas; or always."}
    return {}


def _check_plan(answers: _Answers) -> dict[str, str]:
    errors = _number(answers, "cap_gb", unit="GB")
    text = answers.get("returnable", "").strip()
    if text:
        try:
            date.fromisoformat(text)
        except ValueError:
            errors["returnable"] = "Write the day like 2027-01-05: year, month, day."
    return errors


def _check_gateway(answers: _Answers) -> dict[str, str]:
    kind, where = answers.get("gateway_kind", "pasted"), answers.get("where", "").strip()
    if kind == "at-serial" and not where:
        return {"where": "Say which port, like /dev/ttyUSB2 or COM7."}
    if kind == "at-tcp" and not re.fullmatch(r"\S+:\d{1,5}", where):
        return {"where": "Write the address and its port, like 192.0.2.1:5000."}
    return {}


def _check_far_end(answers: _Answers) -> dict[str, str]:
    errors = {}
    address, url = answers.get("far_address", "").strip(), answers.get("download_url", "").strip()
    if address and not re.fullmatch(r"\S+:\d{1,5}", address):
        errors["far_address"] = "Write its name and port, like far.example.org:8620."
    if url and not url.startswith("https://"):
        errors["download_url"] = "The address must begin with https://"
    return errors


STEPS: tuple[Step, ...] = (
    Step(number=1, key="place", short="Place", title="Where is the place?", buys="Hours are then those of the place. Its position is not needed to begin with.", fields=("name", "timezone"), check=_check_place),
    Step(number=2, key="needs", short="Needs", title="What must work, and when?", buys="A setup is then judged by what you do, not by a single figure. The first is the most important.", fields=("need", "hours"), check=_check_needs),
    Step(number=3, key="plan", short="Plan", title="What does the plan allow?", buys="Tests then stay within the data you have, and end before something can no longer be returned.", fields=("cap_gb", "price", "returnable"), check=_check_plan),
    Step(number=4, key="gateway", short="Gateway", title="How can the gateway be reached?", buys="Readings and settings are then made by themselves. Without it, you paste what it shows and set it by hand; that works too.", fields=("gateway_kind", "where"), check=_check_gateway),
    Step(
        number=5, key="far-end", short="Far end", title="Where is the far end?", buys="Tests need something to talk to: a small program of ours on a rented server or in a second home, or any large file on the web.", fields=("far_address", "download_url"), check=_check_far_end
    ),
)
_GATEWAYS = (("pasted", "I paste what it shows, and set it by hand"), ("at-serial", "AT commands over a serial port of this computer"), ("at-tcp", "AT commands over the network"))
_ALL_FIELDS = tuple(dict.fromkeys(f for s in STEPS for f in s.fields))


def add_first_use(app: FastAPI, pages: Pages) -> None:
    """Add the steps of First use."""

    def page(request: Request, step: Step, typed: _Answers, *, errors: Mapping[str, str] | None = None) -> Response:
        chosen = typed.get("need", "").split("|")
        needs = [(k.key, k.label[:1].upper() + k.label[1:], f"{asks_of(k.requirements)}. Usually {hours_words(k.hours)}." if asks_of(k.requirements) else f"Usually {hours_words(k.hours)}.", k.key in chosen) for k in CATALOGUE]
        earlier = [(f, typed.get(f, "")) for f in _ALL_FIELDS if f not in step.fields]
        return pages.render(
            request, "first.html", status=422 if errors else 200, title="First use", nav=(), step=step, steps=STEPS, typed=typed, errors=errors or {}, needs=needs, gateways=_GATEWAYS, earlier=earlier
        )

    @app.get("/first")
    def begin(request: Request) -> Response:
        return RedirectResponse("/", status_code=303) if pages.jobs.declared() is not None else page(request, STEPS[0], {})

    @app.post("/first/{key}")
    async def go_on(request: Request, key: str) -> Response:
        step = next((s for s in STEPS if s.key == key), None)
        if step is None and key != "write":
            raise HTTPException(404)
        sent = await request.form(max_fields=200)
        typed = {f: "|".join(str(v)[:300] for v in sent.getlist(f)) for f in _ALL_FIELDS}
        act = str(sent.get("act", "next"))
        return await asyncio.to_thread(_answered, request, step, typed, act)

    def _answered(request: Request, step: Step | None, typed: dict[str, str], act: str) -> Response:
        if step is None:
            return _write(request, typed)
        if act == "back":
            return page(request, STEPS[max(0, step.number - 2)], typed)
        if act == "skip":
            typed = {f: ("" if f in step.fields else v) for f, v in typed.items()}
        else:
            errors = step.check(typed)
            if errors:
                return page(request, step, typed, errors=errors)
        if step.number < len(STEPS):
            return page(request, STEPS[step.number], typed)
        return summary(request, typed)

    def summary(request: Request, typed: _Answers, *, problem: str = "") -> Response:
        text = site_text(typed)
        if not problem:
            try:
                pages.jobs.check_declared(text)
            except BandwrightError as error:
                problem = str(error)
        return pages.render(request, "first_end.html", status=422 if problem else 200, title="First use", nav=(), text=text, problem=problem, earlier=[(f, typed.get(f, "")) for f in _ALL_FIELDS])

    def _write(request: Request, typed: _Answers) -> Response:
        try:
            pages.jobs.declare(site_text(typed))
        except BandwrightError as error:
            return summary(request, typed, problem=str(error))
        return RedirectResponse("/reading", status_code=303)


def site_text(answers: _Answers) -> str:
    """Return the text of `site.toml` that the answers make. What was skipped is left out, and can be added later."""
    name = answers.get("name", "").strip() or "My place"
    lines = ["# Written by First use. Everything can be changed here; lines that begin with # are comments.", "", "[site]", f"name = {_quoted(name)}", f"timezone = {_quoted(answers.get('timezone', '').strip() or 'UTC')}"]
    chosen = [k for k in answers.get("need", "").split("|") if k in {row.key for row in CATALOGUE}] or ["video call"]
    for place, key in enumerate(chosen):
        lines += ["", "[[need]]", f"kind = {_quoted(key)}"]
        if answers.get("hours", "").strip():
            lines.append(f"hours = {_quoted(answers['hours'].strip())}")
        lines.append(f"weight = {3 if place == 0 else 1}")
    lines += ["", "[[line]]", 'key = "A"']
    if answers.get("cap_gb", "").strip():
        lines.append(f"cap_gb_per_month = {float(answers['cap_gb'].strip().replace(',', '.')):g}")
    if answers.get("price", "").strip():
        lines.append(f"price_per_month = {_quoted(answers['price'].strip())}")
    if answers.get("returnable", "").strip():
        lines.append(f"returnable_until = {answers['returnable'].strip()}")
    kind = answers.get("gateway_kind", "") or "pasted"
    lines += ["", "[[gateway]]", 'key = "gateway"', f"kind = {_quoted(kind)}"]
    if kind != "pasted":
        lines.append(f"{'port' if kind == 'at-serial' else 'address'} = {_quoted(answers.get('where', '').strip())}")
    lines += ["", "[[rig]]", 'key = "here"', 'label = "Where it stands"', 'line = "A"', 'gateway = "gateway"']
    for key, label, mode in (("automatic", "as it is", "automatic"), ("5g alone", "5G alone", "nr-sa"), ("4g only", "4G only", "lte")):
        lines += ["", "[[tuning]]", f"key = {_quoted(key)}", f"label = {_quoted(label)}", f"mode = {_quoted(mode)}"]
    lines += ["", "[campaign]", 'in_use = "here/automatic"', 'mounted = "here"', f"by_hand = {'true' if kind == 'pasted' else 'false'}", "", "[far_end]"]
    if answers.get("far_address", "").strip():
        lines.append(f"address = {_quoted(answers['far_address'].strip())}")
    if answers.get("download_url", "").strip():
        lines.append(f"download_url = {_quoted(answers['download_url'].strip())}")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """Return a TOML basic string. Source: TOML 1.0, "String"."""
    out = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in out) + '"'
