"""The decision that a campaign supports, with its certainty, or an honest "not yet".

It adds nothing to the analysis of the trial: it reads the draws of the values, and says best, either, not yet, not attainable or
send it back, with the figures that a sentence needs. What the figures mean and how they were checked: docs/trials.md.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Final

import numpy as np

from bandwright.trials.course import course
from bandwright.trials.ledger import Ledger, Result, read
from bandwright.trials.met import share_met
from bandwright.trials.model import Array
from bandwright.trials.stopping import Standing, challenger, joint_equals, rounds_needed, standing
from bandwright.words.answers import Comparison, Estimate, NeedShare, SetupAnswer, Verdict
from bandwright.words.campaign import CampaignEvent, Design

__all__ = ["verdict"]

LEVEL: Final = 0.90
MARGIN_LEVEL: Final = 0.95
FORCED: Final = {"days", "data", "deadline", "visits"}


def verdict(
    design: Design,
    records: Sequence[CampaignEvent],
    seed: int | None = None,
    *,
    return_dates: Mapping[str, date] | None = None,
) -> Verdict:
    """Return what the campaign supports so far.

    seed: of the draws; the design's where None. return_dates: per rig, the last day on which it can be given back.
    Raises UsageError as `trials.ledger.read` does.
    """
    ledger = read(design, records)
    where = standing(ledger, seed)
    if where is None:
        return _not_attainable(ledger)
    draws, odds = where.draws, where.odds
    stage = course(design, records).next
    forced = stage.kind == "finish" and stage.why in FORCED
    against = challenger(where)
    equals = joint_equals(draws, odds, design.indifference, 1.0 - design.risk) if where.settled else ()
    kind = "not yet" if not where.settled else ("no difference" if len(equals) > 1 else "best")
    send = _send_back(ledger, where, dict(return_dates or {}), forced=forced)
    needed = rounds_needed(where, against, design.indifference) if not where.settled and against is not None else None
    results = ledger.results
    answers = _setup_answers(ledger, where)
    comparison = None if against is None else _compare(where, odds.lead, against)
    in_use = design.in_use if design.in_use in odds.setups else None
    return Verdict(
        kind="send it back" if send else kind,  # type: ignore[arg-type]  # both are of the allowed words
        lead=odds.lead_key,
        certainty=send[2] if send else odds.certainty,
        setups=answers,
        against=comparison,
        comparisons=tuple(_compare(where, odds.lead, i) for i in range(len(odds.setups)) if i != odds.lead),
        equals=tuple(odds.setups[i] for i in equals) if len(equals) > 1 else (),
        in_use=in_use,
        gain_over_in_use=None if in_use is None or in_use == odds.lead_key else _compare(where, odds.lead, odds.setups.index(in_use)),
        rounds=where.rounds,
        sessions=where.sessions,
        tests=len(results),
        visits=len({r.visit for r in results}),
        days=(results[-1].minute - results[0].minute) / 1440.0 if results else 0.0,
        megabytes=ledger.used_mb,
        load_megabytes=ledger.load_mb,
        failed=sum(r.failed for r in results),
        void=ledger.voids,
        ramping=ledger.ramping,
        moved_share=sum(r.moved for r in results) / len(results) if results else 0.0,
        rounds_needed=needed,
        binding=_binding(ledger, stage.why if forced else None, needed),
        return_by=send[1] if send else None,
        return_what=send[0] if send else None,
        overturn=_overturn(where, comparison, design.indifference),
        notes=_notes(ledger, where),
        indifference=design.indifference,
        risk=design.risk,
        seed=design.seed if seed is None else seed,
        forced=forced,
        at=max((r.at for r in records), default=None),
    )


def _not_attainable(ledger: Ledger) -> Verdict:
    return Verdict(
        kind="not attainable",
        lead=None,
        certainty=1.0,
        setups=tuple(
            SetupAnswer(
                setup=k,
                value=Estimate(value=0.0, low=-1.0, high=1.0),
                chance_good=0.0,
                chance_best=0.0,
                tests=0,
                failed=0,
                moved=0,
                visits=0,
                attainable=False,
                why_not=why,
            )
            for k, why in ledger.not_attainable
        ),
        void=ledger.voids,
        ramping=ledger.ramping,
        indifference=ledger.design.indifference,
        risk=ledger.design.risk,
        seed=ledger.design.seed,
    )


def _interval(draws: Array) -> tuple[float, float]:
    low, high = np.quantile(draws, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    return float(low), float(high)


def _compare(where: Standing, a: int, b: int) -> Comparison:
    difference = where.draws[:, a] - where.draws[:, b]
    low, high = _interval(difference)
    return Comparison(
        a=where.odds.setups[a],
        b=where.odds.setups[b],
        difference=Estimate(value=float(where.mean[a] - where.mean[b]), low=low, high=high, unit="ln", level=LEVEL),
        chance_a_better=float((difference > 0).mean()),
        margin=float(np.quantile(np.abs(difference), MARGIN_LEVEL)),
    )


def _setup_answers(ledger: Ledger, where: Standing) -> tuple[SetupAnswer, ...]:
    out = []
    refused = dict(ledger.not_attainable)
    by_setup: dict[str, list[Result]] = {s.key: [] for s in ledger.setups}
    for r in ledger.results:
        by_setup[r.setup].append(r)
    for column, setup in enumerate(ledger.setups):
        mine = by_setup[setup.key]
        draws = where.values.draws[:, column]
        low, high = _interval(draws)
        at = where.odds.setups.index(setup.key) if setup.key in where.odds.setups else None
        out.append(
            SetupAnswer(
                setup=setup.key,
                value=Estimate(value=float(draws.mean()), low=low, high=high, unit="score", level=LEVEL),
                chance_good=0.0 if at is None else float(where.odds.good[at]),
                chance_best=0.0 if at is None else float(where.odds.first[at]),
                tests=len(mine),
                failed=sum(r.failed for r in mine),
                moved=sum(r.moved for r in mine),
                visits=len({r.visit for r in mine}),
                needs=_need_shares(ledger, mine, by_setup),
                attainable=setup.key not in refused,
                why_not=refused.get(setup.key, ""),
            )
        )
    return tuple(out)


def _need_shares(ledger: Ledger, mine: Sequence[Result], by_setup: Mapping[str, Sequence[Result]]) -> tuple[NeedShare, ...]:
    shares = []
    for need in ledger.design.needs:
        outcomes = [(r.minute, met) for r in mine for key, met in r.met if key == need.key]
        others = [(r.minute, met) for rs in by_setup.values() for r in rs for key, met in r.met if key == need.key]
        if outcomes:
            estimate = share_met(outcomes, others, level=LEVEL)
            shares.append(NeedShare(need=need.key, estimate=estimate, met=sum(m for _, m in outcomes), tests=len(outcomes)))
    return tuple(shares)


def _binding(ledger: Ledger, ended_by: str | None, needed: float | None) -> str | None:
    """Return the resource that ended the campaign, or would before the rounds that are needed; None where all suffice."""
    if ended_by is not None:
        return ended_by
    if needed is None:
        return None
    per_round = len(ledger.results) / max(1, len({r.round for r in ledger.results}))
    left_days = ledger.allowance.days - max(0.0, ledger.last_minute) / 1440.0
    left_mb = ledger.allowance.data_gb * 1000.0 - ledger.used_mb
    shares = {
        "days": needed / ledger.design.rounds_per_day / max(left_days, 1e-9),
        "data": needed * per_round * ledger.mb_per_test() / max(left_mb, 1e-9),
    }
    if ledger.allowance.deadline is not None:
        left = (ledger.allowance.deadline - ledger.design.start).total_seconds() / 86400.0 - ledger.last_minute / 1440.0
        shares["deadline"] = needed / ledger.design.rounds_per_day / max(left, 1e-9)
    if len({s.rig for s in ledger.setups}) > 1:
        left_changes = ledger.allowance.rig_changes - ledger.used_rig_changes
        shares["visits"] = needed / 2.0 / max(left_changes, 1e-9)
    worst = max(shares, key=lambda k: shares[k])
    return worst if shares[worst] > 1.0 else None


def _send_back(ledger: Ledger, where: Standing, dates: dict[str, date], *, forced: bool) -> tuple[str, date, float] | None:
    """Return (rig, last day, certainty) of a rig that can go back and does not earn its place, the soonest first."""
    rigs = [next(s.rig for s in ledger.setups if s.key == k) for k in where.odds.setups]
    if not (where.settled or forced):
        return None
    for rig, last in sorted(dates.items(), key=lambda pair: (pair[1], pair[0])):
        own = [i for i, r in enumerate(rigs) if r == rig]
        rest = [i for i, r in enumerate(rigs) if r != rig]
        if not own or not rest or rigs[where.odds.lead] == rig:
            continue
        gain = where.draws[:, own].max(axis=1) - where.draws[:, rest].max(axis=1)
        idle = float((gain <= ledger.design.indifference).mean())
        if idle >= (0.5 if forced else 1.0 - ledger.design.risk):
            return rig, last, idle
    return None


def _overturn(where: Standing, against: Comparison | None, indifference: float) -> tuple[str, ...]:
    """Return, in figures, what would overturn the lead."""
    if against is None:
        return ()
    ahead, worse = against.difference.value, against.difference.value + indifference
    change = f"a change of {worse:.2f} in the difference"
    if ahead > indifference:  # n rounds at +ahead and m at -ahead average -indifference
        more = max(1, round(where.rounds * worse / (ahead - indifference)))
        change += f", as {more} more rounds would make in which {against.b} is ahead by {ahead:.2f}"
    return (
        f"{against.b} better than {against.a} by more than {indifference:.2f}: now {-ahead:+.2f} (90 % {-against.difference.high:+.2f} to {-against.difference.low:+.2f})",
        change,
        f"chance that {against.b} is best once {against.a} is set aside: {float(where.odds.second.max()):.2f}",
    )


def _notes(ledger: Ledger, where: Standing) -> tuple[str, ...]:
    notes = []
    if where.lacking:
        notes.append(f"not ready: {where.lacking}")
    if ledger.tests_all and ledger.voids / ledger.tests_all > 0.10:
        notes.append(f"void: {ledger.voids} of {ledger.tests_all} tests")
    if ledger.contradictory:
        notes.append(f"contradictory: {ledger.contradictory} tests")
    if ledger.strangers:
        notes.append(f"unknown: {ledger.strangers} tests of setups that are not declared")
    if ledger.split_minute is not None:
        at = ledger.design.start + timedelta(minutes=ledger.split_minute)
        notes.append(f"split: tests before {at.isoformat()} belong to another campaign")
    return tuple(notes)
