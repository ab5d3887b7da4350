"""Simulated jobs behind the pages, a served copy of them, and a real browser."""

from __future__ import annotations

import asyncio
import importlib.util
import os
import shutil
import socket
import sys
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest
from starlette.testclient import TestClient

from bandwright.errors import BandwrightError, DeclarationError, RangeError
from bandwright.jobs.settings import change_settings
from bandwright.ports import Person, Question
from bandwright.web.app import create_app
from bandwright.web.pages import Stand
from bandwright.words.measurement import Measurement, Method, Value
from bandwright.words.progress import CampaignProgress

CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
ARTEFACTS = Path(__file__).resolve().parents[2] / "artefacts"


def _simulated_site() -> type:
    name = "bandwright_test_simulated_site"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name("simulated_site.py"))
        assert spec is not None
        assert spec.loader is not None
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    found: type = sys.modules[name].SimulatedSite
    return found


SIMULATED_SITE: Any = _simulated_site()


@pytest.fixture(scope="session")
def sample() -> ModuleType:
    name = "bandwright_test_sample"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).resolve().parents[1] / "telling" / "sample.py")
        assert spec is not None
        assert spec.loader is not None
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


def with_long_names(sample: ModuleType) -> Any:
    """The same campaign where everything is called something long, with one word that no line can hold."""
    setups = tuple(replace(s, label=f"{s.rig.capitalize()} panel above the shed towards the valley, {s.tuning} Donaudampfschifffahrtsgesellschaft") for s in sample.SETUPS)
    needs = tuple(replace(n, label=f"Consultations with patients far away and their families, {n.label or n.kind}") for n in sample.NEEDS)
    rigs = tuple(replace(r, label=f"{r.key.capitalize()} panel above the shed towards the valley") for r in sample.DECLARED.rigs)
    made = {name: getattr(sample, name) for name in dir(sample) if not name.startswith("__")}
    declared = replace(sample.DECLARED, setups=setups, needs=needs, rigs=rigs, site=replace(sample.DECLARED.site, name="The practice at the valley's end behind the old customs house"))
    return SimpleNamespace(**{**made, "DECLARED": declared, "SETUPS": setups, "NEEDS": needs, "DESIGN": replace(sample.DESIGN, setups=setups, needs=needs)})


@dataclass
class SimulatedJobs(SIMULATED_SITE):
    """Jobs that answer from the invented campaign. `stage`: undeclared, declared, running, done."""

    sample: ModuleType
    stage: str = "done"
    raises: BandwrightError | None = None
    judged: int = 0
    written: str | None = None
    asks: bool = True
    steps: threading.Semaphore | None = None
    entered: list[Measurement] = field(default_factory=list)
    settings: dict[str, Any] = field(default_factory=dict)
    long_names: bool = False
    shown: int | None = None  # events of the campaign that are there so far; all of them by default

    def __post_init__(self) -> None:
        if self.long_names:
            self.sample = with_long_names(self.sample)
        self.campaign = self.sample.campaign(days=4.2 if self.stage == "running" else 9.5)

    def _fail(self) -> None:
        if self.raises is not None:
            raise self.raises

    def declared(self) -> Any:
        return None if self.stage == "undeclared" else replace(self.sample.DECLARED, settings={**self.sample.DECLARED.settings, **self.settings})

    def stand(self) -> Stand:
        return Stand(campaign="c1", last_event=f"{len(self._events())} {self.campaign.tests[-1].test}", measurements=len(self.campaign.measurements)) if self.stage in {"running", "done"} else Stand()

    def _events(self) -> Any:
        return self.campaign.events if self.shown is None else self.campaign.events[: self.shown]

    def now(self) -> datetime:
        return self.campaign.tests[-1].at + timedelta(minutes=40)

    def explain(self, text: str, *, at: datetime) -> Any:
        self._fail()
        s = self.sample
        known = "QENG" in text
        return SimpleNamespace(capture=s.CAPTURE if known else replace(s.CAPTURE, text=text), readings=(s.READING,) if known else (), main=s.READING if known else None, findings=s.FINDINGS if known else (), forecasts=s.FORECASTS if known else ())

    def judge(self, campaign: str | None = None) -> Any:
        self._fail()
        self.judged += 1
        if self.stage not in {"running", "done"}:
            return None
        verdict = self.campaign.verdict if self.stage == "done" else self.sample.not_yet(self.campaign.verdict)
        return SimpleNamespace(declared=self.sample.DECLARED, design=self.sample.DESIGN, course=replace(self.campaign.course, finished=self.stage == "done"), events=self._events(), verdict=verdict, first_tests=())

    def today(self) -> Any:
        self._fail()
        look = self.explain(self.sample.TEXT, at=self.now())
        j = self.judge()
        if j is None:
            return SimpleNamespace(declared=self.sample.DECLARED, design=None, course=None, verdict=None, in_use="window/5g", shares=(), last_measurement=None, last_reading=look)
        shares = next(x.needs for x in j.verdict.setups if x.setup == "window/5g")
        return SimpleNamespace(declared=self.sample.DECLARED, design=j.design, course=j.course, verdict=j.verdict, in_use="window/5g", shares=shares, last_measurement=self.campaign.measurements[-1], last_reading=look)

    def watched(self) -> Any:
        return None

    def history(self, *, limit: int) -> Any:
        self._fail()
        kept = self.campaign.measurements if self.stage in {"running", "done"} else ()
        return SimpleNamespace(measurements=tuple(reversed(kept))[:limit], count=len(kept))

    def one_test(self, key: str) -> Any:
        found = next((m for m in self.campaign.measurements if m.key == key), None)
        look = self.explain(self.sample.TEXT, at=self.now())
        return None if found is None else SimpleNamespace(measurement=found, readings=(("idle", look), ("load_down", look)), diagnoses=())

    def tested(self, measurement: Measurement) -> Any:
        return next((t for t in self.campaign.tests if t.test == measurement.key), None)

    def enter(self, *, figures: dict[str, float], setup: str | None, read_by: str) -> Measurement:
        self._fail()
        for key, value in figures.items():
            if value < 0:
                raise RangeError(key, given=value, allowed="0..∞ Mbit/s")
        made = Measurement(key="entered-1", at=self.now(), method=Method.ENTERED, setup_asked=setup, entered_by=read_by, values=tuple(Value(quantity=k, value=v) for k, v in figures.items()))
        self.entered.append(made)
        self.campaign = replace(self.campaign, measurements=(*self.campaign.measurements, made))
        return made

    def check_declared(self, text: str) -> Any:
        if "Nowhere" in text:
            raise DeclarationError("site.toml line 5: that zone is not known", given="Nowhere", allowed="a name of the time zone database")
        return self.sample.DECLARED

    def declare(self, text: str) -> None:
        self._fail()
        self.check_declared(text)
        self.written, self.stage = text, "declared"

    def change_settings(self, typed: dict[str, str]) -> Any:
        self._fail()
        folder = self.site_house().folder
        answer = change_settings(folder, typed)
        self.settings = {**self.settings, **answer.changed}
        return answer

    async def look(self, gateway: str) -> Any:
        self._fail()
        return self.explain(self.sample.TEXT, at=self.now())

    async def measure(self) -> Measurement:
        self._fail()
        return self.campaign.measurements[2]

    async def run(self, person: Person) -> AsyncIterator[CampaignProgress]:
        self._fail()
        at = self.now()
        for k in range(3):
            if self.steps is not None:
                await asyncio.to_thread(self.steps.acquire, timeout=20)  # a failed test must not keep the thread
            yield CampaignProgress(kind="measuring", at=at, text="window/5g: measuring", setup="window/5g")
            if self.shown is not None:
                self.shown += 1
            yield CampaignProgress(kind="tested", at=at, text="x", setup="window/5g", tested=self.campaign.tests[k])
        if self.asks:
            answer = await person.ask(Question(kind="mount", text="Change to gable at gable (about 25 minutes). Heading 212° true.", cautions=("ladder", "power line", "lightning", "rf distance"), rig="gable"))
            yield CampaignProgress(kind="note", at=at, text=f"answered {answer}")
        yield CampaignProgress(kind="answer", at=at, text="decided", verdict=self.campaign.verdict)


@pytest.fixture
def jobs(sample: ModuleType) -> Callable[..., SimulatedJobs]:
    """Make simulated jobs."""
    return lambda **k: SimulatedJobs(sample, **k)


@pytest.fixture
def client(jobs: Callable[..., SimulatedJobs]) -> Iterator[TestClient]:
    """The pages of a finished campaign."""
    with TestClient(create_app(jobs()), follow_redirects=False, base_url="http://127.0.0.1") as c:
        yield c


@dataclass(kw_only=True)
class Served:
    """A served copy of the pages."""

    url: str
    jobs: SimulatedJobs
    server: Any
    thread: threading.Thread

    def stop(self) -> None:
        """Stop the server, as a power cut would from the page's side."""
        self.server.should_exit = True
        self.thread.join(10)


@pytest.fixture(scope="session")
def serve(sample: ModuleType) -> Iterator[Callable[..., Served]]:
    """Serve simulated jobs on a free port of this computer, until the session ends."""
    import uvicorn

    running: list[Served] = []

    def start(**k: Any) -> Served:
        made = SimulatedJobs(sample, **k)
        with socket.socket() as s:
            s.bind(("127.0.0.1", 0))
            port = s.getsockname()[1]
        server = uvicorn.Server(uvicorn.Config(create_app(made), host="127.0.0.1", port=port, log_level="error", timeout_graceful_shutdown=1))
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        deadline = time.monotonic() + 20
        while not server.started and time.monotonic() < deadline:
            threading.Event().wait(0.01)
        assert server.started
        running.append(Served(url=f"http://127.0.0.1:{port}", jobs=made, server=server, thread=thread))
        return running[-1]

    yield start
    for served in running:
        served.server.should_exit = True
    for served in running:
        served.stop()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A real browser, closed with its module because its driver holds the event loop. Skipped, saying why, where there is none; with CI=true that is a failure."""
    if not Path(CHROMIUM).exists() and shutil.which(CHROMIUM) is None:
        why = f"no browser at {CHROMIUM}; on Debian: apt-get install chromium"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as p:
        b = p.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--no-first-run"])
        yield b
        b.close()


@pytest.fixture(scope="session")
def artefacts() -> Path:
    """Where pictures are put to be looked at; not kept under version control."""
    ARTEFACTS.mkdir(exist_ok=True)
    return ARTEFACTS
