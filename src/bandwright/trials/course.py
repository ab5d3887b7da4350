"""What a campaign does next: a pure fold over its records.

`course(design, records)` is the same before and after a crash, in whatever order the records came. A round's order is drawn from
the design's seed and recorded before its first test; nothing chosen depends on a test of the same round.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from bandwright.trials.allocation import keep
from bandwright.trials.hours import SPACING_MIN, next_in_hours, next_slot, round_order
from bandwright.trials.ledger import Ledger, RoundLog, minutes_after, read
from bandwright.trials.stopping import Standing, challenger, equality_open, first_rounds_open, rounds_needed, standing
from bandwright.words.campaign import CampaignEvent, Course, Design, Step

__all__ = ["course"]

CHANGE_GAP_MIN = 1080.0  # between rig changes: two of one day see the same day twice
RISK_SHARE = 0.25  # of the whole risk, from which on a rig that is not mounted is worth going to
LATE_MIN = 45.0  # a round may begin so much later than it was drawn for; later, it was forgotten
FEW_ROUNDS = 24  # where all the days hold fewer at the usual pace, there are twice as many a day from the start
PACE_AFTER = 0.4  # of the days: before, it is not judged whether the rest will do; rounds of different days say more
PACE_SHARE = 0.7  # of the rounds that the days left hold: what may be planned to be needed
MOST_PACE = 3
PACE_HOPE = 8.0  # times the rounds left at the usual pace: beyond it no pace will do, and the tests are saved
SITTINGS_A_DAY = 2  # by hand
STALE_MIN = 180.0  # an open round without a record for this long is left as it is


def course(design: Design, records: Sequence[CampaignEvent], *, now: datetime | None = None) -> Course:
    """Return where the campaign stands and what is next.

    now: UTC; where given, rounds whose time has passed are not caught up and an open round that went stale is closed.
    Raises UsageError as `ledger.read` does.
    """
    ledger = read(design, records)
    now_min = ledger.last_minute if now is None else max(ledger.last_minute, minutes_after(design.start, now))
    where = None
    step = _end_without_fit(ledger)
    if step is None:
        step = _open_round(ledger, now_min)
    if step is None:
        where = standing(ledger)
        step = Step(kind="finish", why="not attainable") if where is None else _between_rounds(ledger, where, now_min)
    return _course(ledger, step, where)


def _end_without_fit(ledger: Ledger) -> Step | None:
    if ledger.stopped is not None:
        return Step(kind="finish", why=f"stopped: {ledger.stopped}")
    if not ledger.active:
        return Step(kind="finish", why="not attainable")
    return None


def _open_round(ledger: Ledger, now_min: float) -> Step | None:
    """Return the next test of the open round, or None where there is none."""
    if not ledger.rounds or not ledger.rounds[-1].todo:
        return None
    latest = ledger.rounds[-1]
    if now_min - latest.end > STALE_MIN or _swapped_since(ledger, latest):
        return None
    if _data_left_mb(ledger) < ledger.mb_per_test():
        return None
    setup = latest.todo[0]
    warmups = _warmups(ledger, latest.todo, after="" if latest.repeat else latest.last_setup)
    return Step(
        kind="test",
        round=latest.number,
        rig=ledger.rig_of(setup),
        visit=latest.visit,
        setup=setup,
        order=latest.todo,
        bracket=latest.bracket,
        warmup_s=warmups[0],
        warmups_s=warmups,
        repeat=latest.repeat,
    )


def _warmups(ledger: Ledger, order: tuple[str, ...], *, after: str) -> tuple[float, ...]:
    """Return the load before each test of an order: none where the same setup was loaded just before."""
    return tuple(0.0 if was == key else ledger.warmup_s.get(key, ledger.design.warmup_s) for was, key in zip((after, *order), order, strict=False))


def _swapped_since(ledger: Ledger, latest: RoundLog) -> bool:
    return bool(ledger.mounts) and ledger.mounts[-1][0] > latest.minute and ledger.mounts[-1][1] != latest.visit


def _data_left_mb(ledger: Ledger) -> float:
    return ledger.allowance.data_gb * 1000.0 - ledger.used_mb


def _between_rounds(ledger: Ledger, where: Standing, now_min: float) -> Step:
    if where.settled and not (ledger.design.prove_equal and equality_open(where, ledger.design)):
        return Step(kind="finish", why="settled")
    here = tuple(s.key for s in ledger.setups if s.key in ledger.active and s.rig in ledger.together(ledger.mounted))
    in_visit = [r for r in ledger.rounds if r.visit == ledger.visit]
    last = ledger.rounds[-1] if ledger.rounds else None
    slot = _next_slot(ledger, where, now_min)
    bracketed = last is not None and last.visit == ledger.visit and last.bracket and (len(in_visit) > 1 or not ledger.mounts)
    target = _target_rig(ledger, where, here)
    if target is not None and here and not bracketed and ledger.mounts and slot < ledger.mounts[-1][0] + CHANGE_GAP_MIN:
        target = None
    if target is not None and (bracketed or not here):
        return _mount(ledger, target, now_min)
    just_mounted = bool(ledger.mounts) and not in_visit
    bracket = just_mounted or target is not None
    order = round_order(
        _for_round(ledger, where, here),
        lead=where.odds.lead_key,
        seed=ledger.design.seed,
        number=_next_number(ledger),
        twice=ledger.design.by_hand or bracket,
    )
    if not order:
        return Step(kind="finish", why="visits")
    minute = now_min if just_mounted else slot if target is None else _person_minute(ledger, slot)
    ended = _exhausted(ledger, minute, len(order))
    if ended:
        return Step(kind="finish", why=ended)
    return Step(
        kind="round",
        not_before=_at(ledger, minute),
        round=_next_number(ledger),
        rig=ledger.mounted,
        visit=ledger.visit,
        order=order,
        bracket=bracket,
        warmup_s=ledger.warmup_s.get(order[0], ledger.design.warmup_s),
        warmups_s=_warmups(ledger, order, after=""),
    )


def _next_slot(ledger: Ledger, where: Standing, now_min: float) -> float:
    """Return when the next round is due, in minutes after the start. By hand there are at most two sittings a day, in the person's hours."""
    design = ledger.design
    per_day = min(design.rounds_per_day, SITTINGS_A_DAY) if design.by_hand else _rounds_a_day(ledger, where, now_min)
    earliest = ledger.rounds[-1].end + SPACING_MIN if ledger.rounds else 0.0
    slot = next_slot(design, earliest_min=max(earliest, now_min - LATE_MIN), rounds_per_day=per_day)
    return _person_minute(ledger, slot) if design.by_hand else slot


def _rounds_a_day(ledger: Ledger, where: Standing, now_min: float) -> int:
    """Return the pace: the usual one; up to thrice that where the days left will not do; less where the data must be spread over the days."""
    design, allowance = ledger.design, ledger.allowance
    days = allowance.days
    if allowance.deadline is not None:
        days = min(days, (allowance.deadline - design.start).total_seconds() / 86400.0)
    left = max(days - now_min / 1440.0, 0.25)
    usual = design.rounds_per_day
    pace = 1
    against = challenger(where)
    if design.prove_equal and where.settled:
        pace = MOST_PACE
    elif days * usual < FEW_ROUNDS:
        pace = 2
    elif against is not None and now_min / 1440.0 >= PACE_AFTER * days:
        needed = rounds_needed(where, against, design.indifference) / (left * usual)
        several = len({s.rig for s in ledger.setups}) > 1  # there visits are what binds: rounds in one visit add little
        if several:
            pace = 2 if PACE_SHARE < needed < PACE_HOPE else 1
        elif needed < PACE_HOPE:
            pace = 2 if needed < PACE_SHARE else MOST_PACE
    a_round = max(1.0, len(ledger.results) / max(1, where.rounds))
    affordable = _data_left_mb(ledger) / (a_round * ledger.mb_per_test()) / left
    return max(1, min(usual * pace, int(affordable)))


def _mount(ledger: Ledger, target: str, now_min: float) -> Step:
    minute = now_min if ledger.rounds and ledger.rounds[-1].bracket else _person_minute(ledger, now_min)
    return Step(
        kind="mount",
        not_before=_at(ledger, minute),
        rig=target,
        visit=max([ledger.visit, *(v for _, v, _ in ledger.mounts)]) + 1,
        minutes=change_minutes(ledger.design, ledger.mounted, target),
    )


def change_minutes(design: Design, from_rig: str, to_rig: str) -> float:
    """Return a person's minutes to go over from one rig to another; 0 where they stand side by side."""
    if any(from_rig in g and to_rig in g for g in design.rigs_at_once):
        return 0.0
    return next((m for a, b, m in design.change_minutes if (a, b) == (from_rig, to_rig)), design.default_change_minutes)


def _person_minute(ledger: Ledger, earliest: float) -> float:
    """Return when a person can next change the rig."""
    at = next_in_hours(ledger.allowance.person_hours, ledger.design.timezone, _at(ledger, earliest))
    return (at - ledger.design.start).total_seconds() / 60.0


def _next_number(ledger: Ledger) -> int:
    return max((r.number for r in ledger.rounds), default=0) + 1


def _at(ledger: Ledger, minute: float) -> datetime:
    return ledger.design.start + timedelta(minutes=minute)


def _for_round(ledger: Ledger, where: Standing, here: tuple[str, ...]) -> tuple[str, ...]:
    open_here = [k for k in first_rounds_open(ledger) if k in here]
    if open_here:
        return here
    return keep(where.odds, where.risk, here, where.mean)


def _target_rig(ledger: Ledger, where: Standing, here: tuple[str, ...]) -> str | None:
    """Return the rig to go to, or None to stay."""
    rigs = {s.key: s.rig for s in ledger.setups}
    near = ledger.together(ledger.mounted)
    away = [k for k in ledger.active if rigs[k] not in near]
    if not away:
        return None
    to_do = first_rounds_open(ledger)
    if any(k in here for k in to_do):
        return None
    options: list[str] = []
    first_away = [rigs[k] for k in to_do if k in away]
    if first_away:
        options = first_away
    else:
        risk: dict[str, float] = {}
        for key, share in zip(where.odds.setups, where.risk, strict=True):
            risk[rigs[key]] = risk.get(rigs[key], 0.0) + float(share)
        total = sum(risk.values())
        lead_rig = rigs[where.odds.lead_key]
        if lead_rig in near:
            elsewhere = {r: x for r, x in risk.items() if r not in near and x > 0}
            if total > 0 and sum(elsewhere.values()) >= RISK_SHARE * total:
                options = sorted(elsewhere, key=lambda r: -elsewhere[r])
        else:
            options = [lead_rig]
    for rig in options:
        if _change_allowed(ledger, rig):
            return rig
    return None


def _change_allowed(ledger: Ledger, rig: str) -> bool:
    allowance = ledger.allowance
    if ledger.used_rig_changes >= allowance.rig_changes:
        return False
    minutes = change_minutes(ledger.design, ledger.mounted, rig)
    return allowance.person_minutes is None or ledger.used_person_minutes + minutes <= allowance.person_minutes


def _exhausted(ledger: Ledger, minute: float, tests: int) -> str | None:
    """Return which resource ends the campaign before the round at that minute, or None."""
    allowance = ledger.allowance
    if minute > allowance.days * 1440.0:
        return "days"
    if allowance.deadline is not None and _at(ledger, minute) > allowance.deadline:
        return "deadline"
    if tests * ledger.mb_per_test() > _data_left_mb(ledger):
        return "data"
    return None


def _course(ledger: Ledger, step: Step, where: Standing | None) -> Course:
    results = ledger.results
    counts = {s.key: 0 for s in ledger.setups}
    for r in results:
        counts[r.setup] += 1
    contending = ledger.active if where is None else tuple(k for k, p in zip(where.odds.setups, where.odds.good, strict=True) if p > 0.02)
    tested = len(results)
    return Course(
        next=step,
        tests=tested,
        rounds=len({r.round for r in results}),
        visits=len({r.visit for r in results}),
        mounted=ledger.mounted,
        visit=ledger.visit,
        used_gb=ledger.used_mb / 1000.0,
        used_days=max(0.0, ledger.last_minute) / 1440.0,
        used_rig_changes=ledger.used_rig_changes,
        used_person_minutes=ledger.used_person_minutes,
        tests_by_setup=tuple(counts.items()),
        contending=contending,
        not_attainable=ledger.not_attainable,
        void_share=ledger.voids / ledger.tests_all if ledger.tests_all else 0.0,
        moved_share=sum(r.moved for r in results) / tested if tested else 0.0,
        finished=step.kind == "finish",
    )
