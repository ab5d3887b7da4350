"""Random sequences of faults against a gateway: whatever the line does, the twin is on the setup that was promised, or it is said that it is not.

Used with 100 examples in the tests and 1,000 in `bench/gateways_faults.py`.
"""

from __future__ import annotations

import asyncio
import contextlib

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule
from stage import Place, Script, SimClock, bring_back, put, read, wireless

from bandwright.errors import GatewayError
from bandwright.twin.modem import Fault
from bandwright.words.rig import Tuning

TUNINGS = (
    Tuning(key="automatic", mode="automatic"),
    Tuning(key="lte", mode="lte"),
    Tuning(key="sa", mode="nr-sa"),
    Tuning(key="anchor", mode="endc", bands=("B20", "n78")),
    Tuning(key="two", mode="lte", bands=("B3", "B20")),
    Tuning(key="pinned", mode="endc", cell="lte:6300:55"),
    Tuning(key="nowhere", mode="lte", cell="lte:9999:7"),
)
FAULTS = st.lists(st.sampled_from([None, None, *Fault]), max_size=8)


class Faults(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.loop = asyncio.new_event_loop()
        self.clock = SimClock()
        self.place = Place(self.clock)
        self.gateway, self.link = wireless(self.place, self.clock)
        self.former = self.do(self.gateway.settings())
        self.do(self.gateway.abilities())
        self.promised: Tuning | None = None
        self.told: list[str] = []

    def do(self, what):
        return self.loop.run_until_complete(what)

    def teardown(self) -> None:
        # whatever happened, with a line that works again the site comes back to what it was
        self.place.modem.faults = None
        self.link.refuse_to_open = 0
        assert self.do(bring_back(self.gateway, self.former, self.clock))
        self.clock.seconds += 20
        assert self.place.modem.in_force == type(self.place.modem.in_force)(
            mode_pref="AUTO", lte_band=(1, 3, 7, 8, 20, 28, 38), nr5g_band=(1, 3, 28, 78), nsa_nr5g_band=(1, 3, 28, 78)
        )
        assert read(self.do(self.gateway.fetch())).serving()
        self.do(self.gateway.close())
        self.loop.close()

    @rule(tuning=st.sampled_from(TUNINGS), faults=FAULTS)
    def apply(self, tuning, faults) -> None:
        self.place.modem.faults = Script(faults)
        began = self.clock.seconds
        ok, why = self.do(put(self.gateway, tuning, self.clock))
        self.place.modem.faults = None
        assert self.clock.seconds - began < 90 + 600  # no hang: 8 faults of at most some time-outs each, and the wait
        if ok:
            held = self.place.modem.in_force
            assert (held.mode, held.cell) == (tuning.mode, tuning.cell)
            assert not tuning.bands or set(held.bands) == set(tuning.bands)
            self.promised = tuning
        else:
            assert why
            assert self.do(bring_back(self.gateway, self.former, self.clock))
            self.clock.seconds += 20
            assert (self.place.modem.in_force.mode, self.place.modem.in_force.cell) == ("automatic", None)
            self.promised = None

    @rule(faults=FAULTS)
    def look(self, faults) -> None:
        self.place.modem.faults = Script(faults)
        with contextlib.suppress(GatewayError):
            for done in self.do(self.gateway.fetch()).exchanges:
                self._own(done)
        self.place.modem.faults, self.link.refuse_to_open = None, 0
        clean = self.do(self.gateway.fetch())
        assert all(done.complete and done.fault is None for done in clean.exchanges)
        for done in clean.exchanges:
            self._own(done)

    @rule(faults=FAULTS)
    def restore(self, faults) -> None:
        self.place.modem.faults = Script(faults)
        back = self.do(bring_back(self.gateway, self.former, self.clock))
        self.place.modem.faults = None
        assert back
        self.clock.seconds += 20
        assert (self.place.modem.in_force.mode, self.place.modem.in_force.cell) == ("automatic", None)
        self.promised = None

    @rule(times=st.integers(1, 3))
    def away(self, times) -> None:
        self.do(self.gateway.close())
        self.link.refuse_to_open = times

    @invariant()
    def nothing_changes_by_itself(self) -> None:
        if self.promised is not None:
            assert self.place.modem.in_force.mode == self.promised.mode

    def _own(self, done) -> None:
        """An exchange holds its own answer: no command line of another, and no answer that only another command gives."""
        words = {"+QENG:": "QENG", "+QCAINFO:": "QCAINFO", "+C5GREG:": "C5GREG", "+COPS:": "COPS", "+QNWPREFCFG:": "QNWPREFCFG", "+QNWLOCK:": "QNWLOCK"}
        for word, command in words.items():
            if word in done.received:
                assert command in done.sent, (done.sent, done.received)
