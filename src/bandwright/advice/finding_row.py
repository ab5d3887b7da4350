"""What a row of the table of findings is, and the weights that several rows share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["CAP", "HOP_CLEARS", "MAY_CAP", "MEASURED", "NO", "RATE_NOT_RADIO", "RATE_RADIO", "YES", "FindingRow", "Weight", "no", "yes"]


@dataclass(frozen=True, slots=True)
class Weight:
    """One rule: where evidence `key` is at least `low` and below `high`, the finding is `ratio` times as likely.

    ratio: None takes the evidence's own value, to the power of `power` (an evidence that is itself a likelihood ratio).
    group: of all rules of one group only the one that says most speaks. shown: the evidence is a demonstration (before and after, one
    against the other, a state read directly), which may weigh up to 100 either way; a correlation weighs at most 30.
    """

    key: str
    ratio: float | None
    low: float | None = None
    high: float | None = None
    group: str = ""
    shown: bool = False
    power: float = 1.0
    source: str = "common practice, no source"

    def holds(self, value: float) -> bool:
        """Whether the rule speaks at that value."""
        return (self.low is None or value >= self.low) and (self.high is None or value < self.high)

    def of(self, value: float) -> float:
        """Return the likelihood ratio at that value."""
        return value**self.power if self.ratio is None else self.ratio


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRow:
    """One finding. rule: what it is judged by, in words. priors: by symptom. parents: of which findings it is a special case.

    needs: evidence that must be known before it may be claimed, because it tells it from its look-alikes; "down:key" only for that
    symptom. own: groups whose items count as its own (none: all); what several findings explain alike is nobody's own. settle_by: tests.
    will_not_help: keys of remedies that would be money or effort lost.
    """

    key: str
    sentence: str
    rule: str
    priors: Mapping[str, float]
    weights: tuple[Weight, ...]
    settle_by: tuple[str, ...]
    remedy: str
    cost: str
    will_not_help: tuple[str, ...]
    source: str
    parents: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    own: tuple[str, ...] = ()
    needs_no_item: bool = False



YES, NO = 0.5, 0.5  # yes/no evidence is 1 or 0
MEASURED = "measured on 547 runs of a minute, LTE"


def yes(key: str, ratio: float, *, group: str = "", shown: bool = False, source: str = "common practice, no source") -> Weight:
    """Return the weight of evidence that is there: 1 of 1 or 0."""
    return Weight(key, ratio, low=YES, group=group or key, shown=shown, source=source)


def no(key: str, ratio: float, *, group: str = "", shown: bool = False) -> Weight:
    """Return the weight of evidence that is known not to be there."""
    return Weight(key, ratio, high=NO, group=group or key, shown=shown)


# What the rate says against what the radio would carry. Below 0.4 the radio's quality is not the whole story, above 0.6 it may be.
RATE_NOT_RADIO = (
    Weight("rate_ratio", 2.2, high=0.4, group="rate", source=MEASURED),
    Weight("rate_ratio", 1.5, low=0.4, high=0.55, group="rate", source=MEASURED),
    Weight("rate_ratio", 0.4, low=0.55, group="rate", source=MEASURED),
)
RATE_RADIO = (
    Weight("rate_ratio", 0.08, high=0.4, group="rate", source=MEASURED),
    Weight("rate_ratio", 0.6, low=0.4, high=0.55, group="rate", source=MEASURED),
)
# What holds the rate at one figure: steady within a test, the same between tests, at all hours.
CAP = (
    Weight("cv_with_history", 12, high=0.05, group="flat", source="measured: in none of 612 fixed LTE tests"),
    Weight("cv", 4, high=0.05, group="flat", source="measured: .13 to .61 at mmWave and in 3 s samples"),
    Weight("cv", 0.05, low=0.08, group="flat", source="measured"),
    yes("same_figure", 15, group="same figure", source="derived: chance .002 among five radio-limited tests"),
    Weight("figure_spread", 0.08, low=1.3, group="same figure", source="derived"),
    Weight("hour_lr", 0.1, low=3, group="hours"),
)
# The same for findings that may hold the rate at one figure but need not.
MAY_CAP = (
    Weight("cv_with_history", 12, high=0.05, group="flat", source="measured: in none of 612 fixed LTE tests"),
    Weight("cv", 4, high=0.05, group="flat", source="measured: .13 to .61 at mmWave and in 3 s samples"),
    yes("same_figure", 15, group="same figure", source="derived: chance .002 among five radio-limited tests"),
)
HOP_CLEARS = Weight("hop_share", 0.04, high=0.15, group="first hop", source="measured: .00-.01 on the radio")
