"""The stage for tests of gateways: a clock that does not wait, a place whose radio obeys the twin's modem, and a line without a wire."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta

from bandwright.errors import GatewayError, GatewayRefused, GatewayUnreachable
from bandwright.gateways.proof import shown
from bandwright.gateways.serial import AtGateway, TcpSettings
from bandwright.readings.parse import parse
from bandwright.twin.clock import SimulatedClock
from bandwright.twin.modem import Conversation, Fault, TwinModem
from bandwright.twin.modem_state import RadioState
from bandwright.words.radio import Capture, Reading, SettingsSeen
from bandwright.words.rig import GatewayPlan, Tuning

START = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)


class SimClock:
    """Simulated time: sleeping passes it at once."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def now(self) -> datetime:
        return START + timedelta(seconds=self.seconds)

    def monotonic_s(self) -> float:
        return self.seconds

    async def sleep(self, seconds: float) -> None:
        self.seconds += seconds
        await asyncio.sleep(0)

    def advance(self, seconds: float) -> None:
        self.seconds += seconds


class RealClock:
    def now(self) -> datetime:
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        return asyncio.get_running_loop().time()

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


CELLS = (
    {"rat": "lte", "band": "B3", "arfcn": 1300, "pci": 138, "bandwidth_mhz": 20, "rsrp_dbm": -92.0, "rsrq_db": -10.0, "sinr_db": 14.0},
    {"rat": "lte", "band": "B20", "arfcn": 6300, "pci": 55, "bandwidth_mhz": 10, "rsrp_dbm": -84.0, "rsrq_db": -9.0, "sinr_db": 12.0},
    {"rat": "nr", "band": "n78", "arfcn": 640000, "pci": 211, "bandwidth_mhz": 100, "scs_khz": 30, "rsrp_dbm": -98.0, "rsrq_db": -11.0, "sinr_db": 9.0},
)


class Place:
    """Three cells, and a radio that camps on what the modem's settings in force allow. standalone: whether the NR cell can be used alone."""

    def __init__(self, clock: SimClock | RealClock, *, standalone: bool = True, nr_under_load_only: bool = False, **modem: object) -> None:
        self.standalone, self.nr_under_load_only, self.loaded = standalone, nr_under_load_only, False
        self.told: list[tuple[str, tuple[str, ...], str | None]] = []
        self.modem = TwinModem(self.state, clock=clock, on_settings=lambda *what: self.told.append(what), **{"apply_delay_s": 8.0, **modem})

    def state(self) -> RadioState:
        held = self.modem.in_force
        cells = [c for c in CELLS if c["band"] in held.bands]
        if held.pin_lte is not None:
            cells = [c for c in cells if c["rat"] == "nr" or (c["arfcn"], c["pci"]) == held.pin_lte]
        if held.pin_nr is not None:
            cells = [c for c in cells if c["rat"] == "nr" and (c["pci"], c["arfcn"]) == held.pin_nr[:2]]
        lte = [c for c in cells if c["rat"] == "lte"]
        nr = [c for c in cells if c["rat"] == "nr"]
        if held.mode in ("nr-sa", "automatic") and nr and self.standalone and (held.mode == "nr-sa" or held.pin_nr or not lte):
            return RadioState(mode="nr-sa", registration="home", carriers=[{**nr[0], "role": "pcell"}])
        if held.mode == "nr-sa" or not lte:
            return RadioState(mode="none", registration="searching")
        first, *more = lte
        carriers = [{**first, "role": "pcell"}, *({**c, "role": "scell"} for c in more)]
        if held.mode in ("endc", "automatic") and nr and (self.loaded or not self.nr_under_load_only):
            return RadioState(mode="endc", registration="home", carriers=[*carriers, {**nr[0], "role": "pscell"}])
        return RadioState(mode="lte", registration="home", carriers=carriers)


class Wireless:
    """A link without a wire: the twin's conversation in this process, its pauses and our time-outs on the simulated clock."""

    def __init__(self, modem: TwinModem, clock: SimClock | SimulatedClock) -> None:
        self.name = "twin"
        self._modem, self._clock = modem, clock
        self._talk: Conversation | None = None
        self._coming: deque[tuple[float, bytes | None]] = deque()
        self.refuse_to_open = 0
        self.written: list[bytes] = []

    async def open(self) -> None:
        if self._talk is None:
            if self.refuse_to_open > 0:
                self.refuse_to_open -= 1
                raise GatewayUnreachable("no connection to twin")
            self._talk, self._coming = self._modem.conversation(), deque()

    async def send(self, data: bytes) -> None:
        self._alive()
        self.written.append(data)
        due = self._coming[-1][0] if self._coming else self.now_s()
        for piece in self._talk.feed(data):
            due += piece.pause_s
            self._coming.append((due, None if piece.hang_up else piece.data))

    async def receive(self, timeout_s: float) -> bytes:
        self._alive()
        if self._coming and self._coming[0][0] <= self.now_s() + timeout_s:
            due, data = self._coming.popleft()
            self._clock.advance(max(0.0, due - self.now_s()))
            if data is None:
                await self.close()
                raise GatewayUnreachable("twin closed the line")
            return data
        self._clock.advance(timeout_s)
        return b""

    async def close(self) -> None:
        self._talk = None

    def now_s(self) -> float:
        return self._clock.monotonic_s()

    def _alive(self) -> None:
        if self._talk is None:
            raise GatewayUnreachable("the line to twin is closed")


class Script:
    """Faults in their order: each command takes the next one that `when` picks out; None lets it pass."""

    def __init__(self, faults: Iterable[Fault | None] = (), when: Callable[[str], bool] = lambda _command: True) -> None:
        self.faults, self.when = deque(faults), when

    def __call__(self, command: str) -> Fault | None:
        return self.faults.popleft() if self.faults and self.when(command) else None


def wireless(place: Place, clock: SimClock, **settings: object) -> tuple[AtGateway, Wireless]:
    return over_no_wire(place.modem, clock, **settings)


def over_no_wire(modem: TwinModem, clock: SimClock | SimulatedClock, **settings: object) -> tuple[AtGateway, Wireless]:
    link = Wireless(modem, clock)
    plan = GatewayPlan(key="own", kind="at-tcp", settings=(("address", "twin:1"),))
    return AtGateway("at-tcp", link, plan=plan, settings=TcpSettings(address="twin:1", **settings), clock=clock), link


def read(capture: Capture) -> Reading | None:
    readings = [reading for reading in parse(capture) if reading.serving()]
    return readings[-1] if readings else None


async def put(gateway: AtGateway, tuning: Tuning, clock: SimClock, *, within_s: float = 90.0) -> tuple[bool, str]:
    """Ask for a tuning and wait until it is shown, as a job does; what goes wrong is told in words."""
    for _ in range(10):  # asking twice is safe: only what differs is sent
        try:
            await gateway.apply(tuning)
            break
        except GatewayRefused as error:
            return False, str(error)
        except GatewayError as error:
            why = str(error)
            await clock.sleep(1.0)
    else:
        return False, why
    await clock.sleep(10.0)
    until_s, ok, why = clock.seconds + within_s, False, "not asked yet"
    while not ok and clock.seconds < until_s:
        try:
            ok, why = shown(tuning, await gateway.settings(), read(await gateway.fetch()))
        except GatewayError as error:
            why = str(error)
        if not ok:
            await clock.sleep(2.0)
    return ok, why


async def bring_back(gateway: AtGateway, former: SettingsSeen, clock: SimClock, *, tries: int = 30) -> bool:
    """Put former settings back until they read back, as the guard does."""
    for _ in range(tries):
        try:
            await gateway.restore(former)
            if dict((await gateway.settings()).raw) == dict(former.raw):
                return True
        except GatewayError:
            await clock.sleep(1.0)
    return False
