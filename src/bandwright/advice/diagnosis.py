"""What limits a connection: findings with their certainty, what cannot be told apart, and what to test next.

Findings compete with each other and with "unknown" by naive Bayes, under guards: one item speaks for a group of evidence, a
correlation weighs less than a demonstration, a special case and its parent are not rivals, and nothing is claimed without an item
of its own, nor without the evidence that tells it from its look-alikes. What is missing counts for nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bandwright.advice.case import Case
from bandwright.advice.case_json import case_from_json
from bandwright.advice.case_words import case_from_words
from bandwright.advice.evidence import EVIDENCE, gather
from bandwright.advice.explain import explain_readings
from bandwright.advice.facts import facts_of
from bandwright.advice.findings import FINDINGS, UNKNOWN_PRIORS, FindingRow, Weight, ancestors, descendants, finding_row
from bandwright.advice.nexttest import NextTest, next_tests, sentences_of
from bandwright.words.answers import Evidence, Finding

__all__ = [
    "Case",
    "Diagnosis",
    "Item",
    "Ranked",
    "Weighed",
    "case_from_json",
    "case_from_words",
    "combine",
    "diagnose",
    "explain_readings",
    "items_of",
    "judge",
]

UNKNOWN = "unknown"
_MOST_CORRELATION, _MOST_DEMONSTRATION = 30.0, 100.0
_OWN_ITEM = 3.0
_MASS, _LEAD = 0.5, 3.0
_CANDIDATE, _CANDIDATE_SHARE = 0.15, 1 / 3
_CHILD_SHARE, _CHILD_PRODUCT = 1 / 3, 10.0
_WAIVES_NEEDS = 30.0


@dataclass(frozen=True, slots=True)
class Item:
    """One rule that spoke: its weight, the evidence's value, and the likelihood ratio after its limit."""

    weight: Weight
    value: float
    ratio: float


@dataclass(frozen=True, slots=True)
class Weighed:
    """A finding with the items that spoke for and against it, one a group, and its chance."""

    row: FindingRow
    items: tuple[Item, ...]
    chance: float = 0.0

    @property
    def product(self) -> float:
        """The product of its likelihood ratios."""
        return math.prod(i.ratio for i in self.items)

    @property
    def best(self) -> float:
        """The largest likelihood ratio of any item; 1 where none speaks for it."""
        return max((i.ratio for i in self.items), default=1.0)

    @property
    def best_own(self) -> float:
        """The largest likelihood ratio of an item of its own; 1 where none speaks for it."""
        return max((i.ratio for i in self.items if not self.row.own or i.weight.group in self.row.own), default=1.0)

    @property
    def shown(self) -> bool:
        """Whether a demonstration speaks for it."""
        return any(i.weight.shown and i.ratio >= _WAIVES_NEEDS for i in self.items)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranked:
    """One finding's place: its chance against all others and "unknown"."""

    key: str
    chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """What is made of one symptom.

    claims: at most one finding, "probably" or from 0.9 "very likely". undecided: findings that cannot be told apart. ranked: all
    that were weighed, most likely first; the rest of the chance is "unknown". next_tests: best first. will_not_help: what would be
    money or effort lost whichever of them it is. facts: worth knowing, without blame.
    """

    symptom: str
    claims: tuple[Finding, ...] = ()
    undecided: tuple[Finding, ...] = ()
    ranked: tuple[Ranked, ...] = ()
    unknown: float = 1.0
    next_tests: tuple[NextTest, ...] = ()
    will_not_help: tuple[str, ...] = ()
    facts: tuple[Finding, ...] = ()


def diagnose(case: Case) -> tuple[Diagnosis, ...]:
    """Return one diagnosis for each symptom of the case, in its order."""
    return tuple(_diagnose(case, symptom) for symptom in case.not_met)


def items_of(row: FindingRow, evidence: Mapping[str, float]) -> tuple[Item, ...]:
    """Return the items that speak for or against a finding: of each group the one that says most."""
    by_group: dict[str, Item] = {}
    for weight in row.weights:
        value = evidence.get(weight.key)
        if value is None or not weight.holds(value):
            continue
        most = _MOST_DEMONSTRATION if weight.shown else _MOST_CORRELATION
        ratio = min(max(weight.of(value), 1 / most), most)
        group = weight.group or weight.key
        if group not in by_group or abs(math.log(ratio)) > abs(math.log(by_group[group].ratio)):
            by_group[group] = Item(weight, value, ratio)
    return tuple(by_group.values())


def combine(evidence: Mapping[str, float], symptom: str, *, rows: Sequence[FindingRow] = FINDINGS) -> tuple[tuple[Weighed, ...], float]:
    """Return the weighed findings of a symptom, most likely first, and the chance of "unknown".

    P = prior x product of likelihood ratios, over the sum of all and the prior of "unknown".
    """
    weighed = [(row.priors[symptom], Weighed(row, items_of(row, evidence))) for row in rows if symptom in row.priors]
    masses = [prior * w.product for prior, w in weighed]
    total = math.fsum(masses) + UNKNOWN_PRIORS[symptom]
    found = [Weighed(w.row, w.items, mass / total) for (_, w), mass in zip(weighed, masses, strict=True)]
    return tuple(sorted(found, key=lambda w: -w.chance)), UNKNOWN_PRIORS[symptom] / total


def judge(weighed: Sequence[Weighed], unknown: float, evidence: Mapping[str, float], symptom: str) -> tuple[Weighed | None, float, tuple[Weighed, ...], bool]:
    """Return (lead, its mass with its kin, candidates that cannot be told apart, whether the lead may be claimed).

    The lead is the likeliest, or a special case of it that has a third of its chance and a product of ten. It is claimed where it
    has an item of its own of three or more, what tells it from its look-alikes is known, its mass is half or more and three times
    that of the next rival.
    """
    if not weighed:
        return None, 0.0, (), False
    lead = _name_the_child(weighed)
    kin = ancestors(lead.row.key) | descendants(lead.row.key)
    mass = lead.chance + math.fsum(w.chance for w in weighed if w.row.key in kin)
    rival = max([unknown, *(w.chance for w in weighed if w.row.key != lead.row.key and w.row.key not in kin)])
    own = lead.row.needs_no_item or lead.best_own >= _OWN_ITEM
    known = lead.shown or all(key in evidence for key in _needs(lead.row, symptom))
    suspected = lead.row.needs_no_item and any(w.best_own >= _OWN_ITEM for w in weighed if w.row.key in descendants(lead.row.key))
    twins = tuple(w for w in weighed if w.row.key in descendants(lead.row.key) and w.best_own >= _OWN_ITEM and w.product >= _OWN_ITEM)
    if len(twins) > 1 and not suspected:
        return lead, mass, twins, False
    claimed = own and known and not suspected and mass >= _MASS and mass >= _LEAD * rival
    first = weighed[0].chance
    candidates = tuple(w for w in weighed if w.chance > _CANDIDATE and w.chance >= _CANDIDATE_SHARE * first and w.best > 1)
    return lead, mass, candidates, claimed


def _needs(row: FindingRow, symptom: str) -> list[str]:
    """Return the evidence that must be known for a symptom."""
    split = [need.rpartition(":") for need in row.needs]
    return [key for where, _, key in split if where in {"", symptom}]


def _name_the_child(weighed: Sequence[Weighed]) -> Weighed:
    """Return the likeliest, or, again and again, a special case of it that stands out."""
    lead = weighed[0]
    while True:
        children = [w for w in weighed if lead.row.key in ancestors(w.row.key) and w.chance >= _CHILD_SHARE * lead.chance and w.product >= _CHILD_PRODUCT]
        if not children:
            return lead
        lead = max(children, key=lambda w: w.chance)


def _diagnose(case: Case, symptom: str) -> Diagnosis:
    evidence = gather(case, symptom)
    weighed, unknown = combine(evidence, symptom)
    lead, mass, candidates, claimed = judge(weighed, unknown, evidence, symptom)
    claims = (_finding(lead, symptom, status="claimed", certainty=mass),) if lead is not None and claimed else ()
    undecided = () if claims else tuple(_finding(w, symptom, status="candidate", certainty=w.chance) for w in candidates)
    heads = _heads(lead, candidates, claimed=claimed)
    order = [*heads, *(w for w in weighed if w not in heads)]
    chances = _folded(weighed, unknown, heads)
    return Diagnosis(
        symptom=symptom,
        claims=claims,
        undecided=undecided,
        ranked=tuple(Ranked(key=w.row.key, chance=w.chance) for w in order),
        unknown=unknown,
        next_tests=next_tests(
            chances,
            evidence,
            settle_by=tuple(key for w in heads if w.best > 1 for key in w.row.settle_by),
            anything_known=any(w.best > 1 for w in weighed),
        ),
        will_not_help=_will_not_help(claims or undecided),
        facts=facts_of(case, symptom, evidence),
    )


def _heads(lead: Weighed | None, candidates: Sequence[Weighed], *, claimed: bool) -> tuple[Weighed, ...]:
    """Return what stands first: the lead, or its special cases where two of them cannot be told apart."""
    if lead is None:
        return ()
    twins = tuple(c for c in candidates if c.row.key in descendants(lead.row.key))
    return twins if not claimed and len(twins) > 1 and len(twins) == len(candidates) else (lead,)


def _folded(weighed: Sequence[Weighed], unknown: float, heads: Sequence[Weighed]) -> dict[str, float]:
    """Return the chances for choosing a test: what is kin of the heads is theirs, shared by their own chances."""
    chances = {w.row.key: w.chance for w in weighed} | {UNKNOWN: unknown}
    keys = [h.row.key for h in heads]
    kin = set().union(*(ancestors(k) for k in keys)) & chances.keys() - set(keys)
    freed, own = math.fsum(chances.pop(k) for k in kin), math.fsum(h.chance for h in heads)
    for head in heads:
        chances[head.row.key] += freed * head.chance / own
    return chances


def _will_not_help(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return what helps none of the findings."""
    if not findings:
        return ()
    shared = set(findings[0].will_not_help).intersection(*(f.will_not_help for f in findings))
    return tuple(x for x in findings[0].will_not_help if x in shared)


def _finding(weighed: Weighed, symptom: str, *, status: str, certainty: float) -> Finding:
    labels = {row.key: row for row in EVIDENCE}
    row = finding_row(weighed.row.key)
    spoken = sorted(weighed.items, key=lambda i: -abs(math.log(i.ratio)))
    return Finding(
        key=row.key,
        sentence=row.sentence,
        status="claimed" if status == "claimed" else "candidate",
        certainty=certainty,
        symptom=symptom,
        evidence=(
            *(Evidence(key=i.weight.key, value=i.value, likelihood_ratio=i.ratio, rule=labels[i.weight.key].label, source=i.weight.source) for i in spoken),
            Evidence(key="rule", value=None, rule=row.rule, source=row.source),
        ),
        settle_by=sentences_of(row.settle_by),
        remedy=row.remedy,
        cost=row.cost,
        will_not_help=row.will_not_help,
        source=row.source,
    )
