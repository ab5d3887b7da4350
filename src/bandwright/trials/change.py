"""Whether the answer has changed: a fold over light tests, hourly readings and events that says when, how large, and in which hours.

Each quantity has its own bank of filters (`change_bank`), with one limit for calm and wild places. Readings by themselves are notices,
never alarms: within a place they explain little of the rate. What they do is say where a change of the rate would be likely, by adding
prior mass there. Times are hours on one scale; whoever feeds it says the local hour and the weekend.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from bandwright.trials.change_bank import Bank, BankKind, Moment, Shift
from bandwright.trials.change_loss import LossBank

__all__ = ["CHANNELS", "EVENT_MASS", "LIMIT", "READINGS", "ChangeWatch", "Found", "Notice", "ReadingRow", "WatchedHour", "WatchedTest"]

LIMIT: Final = 3.0  # ln odds; at 2 calm places told too many changes that were none (bench/watch_study.py, docs/watch.md)
_SUSPICION: Final = -1.5
_EVENT_ODDS: Final = 3.0
_REVERSED_WITHIN_H: Final = 240.0
_SAME_CHANGE_H: Final = 14.0 * 24.0
_SETTLE_CELLS_H: Final = 240.0  # usual cells are those of the trial and of the first ten days
_USUAL_SHARE, _NEW_SHARE = 0.08, 0.03
_NEW_CELL_OF, _NEW_CELL_HOURS = 5, 6
_LEAST_HOURS: Final = 12
_REMEMBERED_H: Final = 96  # raw readings, to say how large a shift is: the detector's own estimate leans on clipped values

CHANNELS: Mapping[str, BankKind] = {
    "down": BankKind(floor=0.06, matters=0.10),
    "up": BankKind(floor=0.06, matters=0.10),
    "both": BankKind(floor=0.06, matters=0.10),
    "delay": BankKind(floor=0.10, matters=0.10),
}
LOSS_MATTERS: Final = 0.05
# ln rate an ln of total bandwidth under load, within a place: .56 down; half of it for the uplink, which mostly stays on one carrier (assumed).
# Holding cell and number of carriers took the sd of runs at 34 places from .45 to .34 (MobiCom 2020, device-assisted cell selection, data).
_BY_WIDTH: Final = (0.56 + 0.28) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRow:
    """One row: a quantity of the hourly readings, the shift that is worth a notice, the noise's floor, and the prior mass an event adds."""

    key: str
    event: float
    floor: float
    mass: float
    unit: str

    def kind(self) -> BankKind:
        """Return how its bank is made: hourly means wander faster and shifts are larger against their noise."""
        return BankKind(
            floor=self.floor, matters=self.event, fast_h=6.0, day_h=30.0, fast_sds=(0.3, 1.0), day_sds=(0.5, 1.6), cell_sd=8.0, clip=4.0,
            shapes=((0, 24, 1.0),), kappas=(1.0, 4.0), candidates=24, per_h=1.0 / (120.0 * 24.0),
        )  # fmt: skip


READINGS: tuple[ReadingRow, ...] = (
    ReadingRow(key="rsrp", event=1.5, floor=0.4, mass=0.10, unit="dB"),
    ReadingRow(key="sinr", event=1.2, floor=0.5, mass=0.10, unit="dB"),
    ReadingRow(key="rsrq", event=0.6, floor=0.3, mass=0.03, unit="dB"),
    ReadingRow(key="nr_share", event=0.25, floor=0.05, mass=0.15, unit=""),
    ReadingRow(key="ln_bandwidth", event=0.15, floor=0.10, mass=0.15, unit="ln"),
    ReadingRow(key="ln_first_hop", event=0.4, floor=0.12, mass=0.15, unit="ln"),
)
EVENT_MASS: Mapping[str, float] = {"firmware": 0.15, "cap": 0.20, "cell": 0.15, "mode": 0.15, "reboot": 0.01, **{r.key: r.mass for r in READINGS}}


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedTest:
    """One test. ln rates in Mbit/s, ln delay in ms; None is not measured. lossy: more than 0.5 % lost, or failed.

    ln_width: of all carriers under its load together, in MHz.
    stalled: it carried nothing while there was service. cell: what served it, where known.
    """

    at_h: float
    hour: float
    weekend: bool = False
    ln_down: float | None = None
    ln_up: float | None = None
    ln_delay: float | None = None
    lossy: bool | None = None
    stalled: bool = False
    cell: str | None = None
    ln_width: float | None = None
    learning: bool = False  # of the trial: teaches level, profile and noise


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedHour:
    """One hour of readings: means by the keys of READINGS, absent ones left out; the cell that served most of it."""

    at_h: float
    hour: float
    weekend: bool = False
    values: Mapping[str, float]
    cell: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """Something changed in the readings. kind: a key of EVENT_MASS. size: in the row's unit, None for events without one."""

    at_h: float
    kind: str
    since_h: float
    size: float | None = None
    since_low_h: float | None = None
    since_high_h: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A change of what tests find. channel: down, up, both, delay or loss. thread: number of the change; `reversed`: it is back to normal.

    news: the first word on this change. dated_by: a reading's notice within the interval, which dates it better than tests do.
    hours: which hours of the day it is limited to, or "all".
    """

    at_h: float
    channel: str
    shift: Shift
    thread: int
    news: bool = True
    reversed: bool = False
    dated_by: Notice | None = None
    hours: Literal["all", "16-24", "8-16", "0-8"] = "all"


_HOURS: tuple[Literal["all", "16-24", "8-16", "0-8"], ...] = ("all", "16-24", "8-16", "0-8")


class _Cells:
    """Which cells are usual here. The commonest at first sight is the reference; at most three others get an offset of their own."""

    def __init__(self) -> None:
        self._hours: Counter[str] = Counter()
        self._places: dict[str, int] = {}
        self._recent: deque[str] = deque(maxlen=_NEW_CELL_HOURS)
        self._first_h: float | None = None
        self._told: set[str] = set()

    def place(self, cell: str | None) -> int:
        """Return the place of a cell's offset: 0 for the reference and for cells that are not usual."""
        return 0 if cell is None else self._places.get(cell, 0)

    def hour(self, at_h: float, cell: str | None) -> str | None:
        """Count an hour. Returns a cell that is new here and has taken over, once."""
        if cell is None:
            return None
        self._first_h = at_h if self._first_h is None else self._first_h
        total = sum(self._hours.values())
        self._recent.append(cell)
        fresh = [c for c in self._recent if self._hours[c] - self._recent.count(c) < _NEW_SHARE * total]
        self._hours[cell] += 1
        if total < _LEAST_HOURS or at_h - self._first_h < _SETTLE_CELLS_H:
            usual = not self._places or (total >= _LEAST_HOURS and self._hours[cell] >= _USUAL_SHARE * total)
            if cell not in self._places and usual and len(self._places) <= 3:
                self._places[cell] = len(self._places)
        if total >= 48 and len(fresh) >= _NEW_CELL_OF and cell in fresh and cell not in self._told:
            self._told.add(cell)
            return cell
        return None


class ChangeWatch:
    """The fold. Feed it in order of time; each call returns what is new. The same records give the same answers."""

    def __init__(self, *, limit: float = LIMIT) -> None:
        self.limit = limit
        self._banks = {key: Bank(kind) for key, kind in CHANNELS.items()}
        self._steady = Bank(CHANNELS["both"])  # both rates, less what the carriers of the moment explain
        self._loss = LossBank()
        self._readings = {row.key: Bank(row.kind()) for row in READINGS}
        self._raw: dict[str, deque[tuple[float, float]]] = {row.key: deque(maxlen=_REMEMBERED_H) for row in READINGS}
        self._cells = _Cells()
        self._notices: list[Notice] = []
        self._found: list[Found] = []
        self._beliefs: dict[str, Shift] = {}

    @property
    def suspicion(self) -> bool:
        """Whether a change is likely enough to spend extra tests on."""
        return any(s.ln_odds > _SUSPICION for s in self._beliefs.values())

    @property
    def beliefs(self) -> Mapping[str, Shift]:
        """What is believed of each channel now."""
        return dict(self._beliefs)

    @property
    def found(self) -> tuple[Found, ...]:
        """All changes found so far."""
        return tuple(self._found)

    @property
    def notices(self) -> tuple[Notice, ...]:
        """All notices so far."""
        return tuple(self._notices)

    def expected(self, channel: str, *, at_h: float, hour: float, weekend: bool = False) -> tuple[float, float] | None:
        """Return what a test of a channel is expected to find and its sd, in the channel's unit; None before the first test."""
        bank = self._banks[channel]
        return bank.predicted(Moment(at_h, hour, weekend)) if bank.tests else None

    def test(self, test: WatchedTest) -> tuple[Found, ...]:
        """Take a test."""
        moment = Moment(test.at_h, test.hour, test.weekend, self._cells.place(test.cell))
        both = (test.ln_down + test.ln_up) / 2.0 if test.ln_down is not None and test.ln_up is not None else None
        values = {"down": test.ln_down, "up": test.ln_up, "both": both, "delay": test.ln_delay}
        for key, bank in self._banks.items():
            y = -math.inf if test.stalled and key != "delay" else values[key]
            if y is None or (y == -math.inf and not bank.tests):
                continue
            if test.learning:
                bank.learn(moment, y)
                continue
            bank.observe(moment, y)
            self._believe(key, bank.shift())
        self._take_steady(test, moment, -math.inf if test.stalled else both)
        if test.lossy is not None or test.stalled:
            hit = test.stalled or bool(test.lossy)
            if test.learning:
                self._loss.learn(test.at_h, hit=hit)
            else:
                self._loss.observe(test.at_h, hit=hit)
                self._believe("loss", self._loss.shift())
        return () if test.learning else self._alarms(test.at_h)

    def _take_steady(self, test: WatchedTest, moment: Moment, both: float | None) -> None:
        """Look at both rates at equal carriers. What is found there counts as found of both rates where those moved the same way."""
        bank = self._steady
        if both is None or (test.ln_width is None and math.isfinite(both)) or (both == -math.inf and not bank.tests):
            return
        y = both - _BY_WIDTH * test.ln_width if test.ln_width is not None and math.isfinite(both) else both
        if test.learning:
            bank.learn(moment, y)
            return
        bank.observe(moment, y)
        plain = self._beliefs.get("both")
        if plain is None or bank.ln_odds() <= plain.ln_odds:
            return
        steady = bank.shift()
        if steady is not None and steady.size * plain.size > 0.0 and abs(plain.size) > self._matters("both"):
            self._believe("both", steady)

    def hour(self, hour: WatchedHour) -> tuple[Notice, ...]:
        """Take an hour of readings."""
        out: list[Notice] = []
        new_cell = self._cells.hour(hour.at_h, hour.cell)
        if new_cell is not None:
            out.append(
                Notice(at_h=hour.at_h, kind="cell", since_h=hour.at_h - _NEW_CELL_OF + 0.5, since_low_h=hour.at_h - _NEW_CELL_HOURS, since_high_h=hour.at_h)
            )
        moment = Moment(hour.at_h, hour.hour, hour.weekend, self._cells.place(hour.cell))
        for row in READINGS:
            y = hour.values.get(row.key)
            if y is None:
                continue
            bank = self._readings[row.key]
            bank.observe(moment, y)
            self._raw[row.key].append((hour.at_h, y))
            s = bank.shift() if bank.ln_odds() > _EVENT_ODDS else None
            if s is not None and abs(s.size) > row.event:
                out.append(Notice(at_h=hour.at_h, kind=row.key, since_h=s.since_h, size=self._size(row.key, s), since_low_h=s.since_low_h, since_high_h=s.since_high_h))
                bank.accept()
        for notice in out:
            self._take(notice)
        return tuple(out)

    def event(self, kind: str, at_h: float) -> Notice:
        """Take an event that is sure: firmware, cap, mode, reboot. Raises KeyError for a kind that is not in EVENT_MASS."""
        notice = Notice(at_h=at_h, kind=kind, since_h=at_h, since_low_h=at_h, since_high_h=at_h)
        EVENT_MASS[kind]
        self._take(notice)
        return notice

    def _size(self, key: str, shift: Shift) -> float:
        """Return a reading's shift as its values show it, or what the bank believes where there are few."""
        before = [y for t, y in self._raw[key] if t < shift.since_h]
        after = [y for t, y in self._raw[key] if t >= shift.since_h]
        if len(before) < 6 or not after:
            return shift.size
        seen = sum(after) / len(after) - sum(before) / len(before)
        return seen if seen * shift.size > 0 else shift.size

    def _take(self, notice: Notice) -> None:
        self._notices.append(notice)
        for bank in (*self._banks.values(), self._steady):
            bank.add_mass(notice.since_h, EVENT_MASS[notice.kind])
        self._loss.add_mass(notice.since_h, EVENT_MASS[notice.kind])

    def _believe(self, channel: str, shift: Shift | None) -> None:
        if shift is not None:
            self._beliefs[channel] = shift

    def _alarms(self, at_h: float) -> tuple[Found, ...]:
        out: list[Found] = []
        over = {k: s for k, s in self._beliefs.items() if s.ln_odds > self.limit and abs(s.size) > self._matters(k)}
        for channel in sorted(over, key=lambda k: -over[k].ln_odds):
            out.append(self._alarm(at_h, channel, over[channel]))
            self._found.append(out[-1])
        for channel in over:
            self._accept(channel)
        if out and any(f.channel in CHANNELS for f in out):
            # the same change, not sure enough by itself: taken as known there too, or it would be told again days later
            sizes = {f.channel: f.shift.size for f in out}
            for channel, s in list(self._beliefs.items()):
                if channel not in sizes and channel != "loss" and s.ln_odds > 0.0:
                    self._accept(channel)
        return tuple(out)

    def _alarm(self, at_h: float, channel: str, shift: Shift) -> Found:
        earlier = self._found[-1] if self._found else None
        back = next((f for f in reversed(self._found) if f.channel == channel or {f.channel, channel} <= {"down", "up", "both"}), None)
        is_back = back is not None and not back.reversed and at_h - back.at_h < _REVERSED_WITHIN_H and back.shift.size * shift.size < 0
        same = earlier is not None and not is_back and at_h - earlier.at_h < _SAME_CHANGE_H and shift.since_low_h <= earlier.at_h
        thread = earlier.thread if earlier is not None and (same or is_back) else (earlier.thread + 1 if earlier is not None else 1)
        low, high = shift.since_low_h - 6.0, shift.since_high_h + 6.0
        near = [n for n in self._notices if low <= n.since_h <= high]
        best = max(near, key=lambda n: EVENT_MASS[n.kind], default=None)
        place = max(range(len(shift.shapes)), key=lambda i: shift.shapes[i])
        return Found(
            at_h=at_h, channel=channel, shift=shift, thread=thread, news=not same and not is_back, reversed=is_back, dated_by=best, hours=_HOURS[place] if shift.shapes[place] > 0.5 else "all",
        )  # fmt: skip

    def _accept(self, channel: str) -> None:
        bank = self._loss if channel == "loss" else self._banks[channel]
        bank.accept()
        if channel == "both":
            self._steady.accept()
        self._beliefs.pop(channel, None)

    @staticmethod
    def _matters(channel: str) -> float:
        return LOSS_MATTERS if channel == "loss" else CHANNELS[channel].matters
