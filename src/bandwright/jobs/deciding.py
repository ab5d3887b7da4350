"""The deciding rooms, asked with what a job knows beside the records: days on which things can go back, one thread of linear algebra."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from bandwright.advice import verdict as advice_verdict
from bandwright.trials import course as trials_course
from bandwright.trials.threads import one_thread
from bandwright.words.answers import Verdict
from bandwright.words.campaign import CampaignEvent, Course, Design
from bandwright.words.declared import Declared

__all__ = ["course_of", "hold_to_one_thread", "return_dates", "verdict_of"]


def course_of(design: Design, events: Sequence[CampaignEvent]) -> Course:
    """Return where a campaign stands and what is next."""
    with one_thread():
        return trials_course.course(design, events)


def verdict_of(declared: Declared, design: Design, events: Sequence[CampaignEvent], *, seed: int | None = None) -> Verdict:
    """Return the verdict, with the days on which what the lead does not use can still be given back."""
    used = design.seed if seed is None else seed
    with one_thread():
        found = advice_verdict.verdict(design, events, seed=used)
        rigs = {s.key: s.rig for s in design.setups}
        dates = return_dates(declared, lead_rig=rigs.get(found.lead or ""))
        return advice_verdict.verdict(design, events, seed=used, return_dates=dates) if dates else found


def return_dates(declared: Declared, *, lead_rig: str | None) -> dict[str, date]:
    """Return, for each rig of which something could be given back, the first of its last days.

    What the lead's rig uses too (its gateway, its line) is kept, so its day does not count.
    """
    lead = next((r for r in declared.rigs if r.key == lead_rig), None)
    lines, gateways = {x.key: x for x in declared.lines}, {g.key: g for g in declared.gateways}
    out: dict[str, date] = {}
    for rig in declared.rigs:
        if lead is None or rig.key == lead.key:
            continue
        parts = [rig.returnable_until]
        if rig.gateway != lead.gateway:
            parts.append(gateways[rig.gateway].returnable_until)
        if rig.line != lead.line:
            parts.append(lines[rig.line].returnable_until)
        days = [d for d in parts if d is not None]
        if days:
            out[rig.key] = min(days)
    return out


def hold_to_one_thread() -> None:
    """Hold linear algebra of this process to one thread from now on: for worker processes."""
    import scipy.linalg.lapack  # noqa: F401 -- loads its library, which a limit set earlier would not reach
    from threadpoolctl import threadpool_limits

    threadpool_limits(1)
