"""What the jobs make of a gateway beyond a plain campaign: proposals that are accepted, pins that fade, warm-up, two gateways, what a connection lacks."""

from __future__ import annotations

import logging
from dataclasses import replace
from pathlib import Path

import pytest
from stage import CELLS, Place, SimClock, over_no_wire, wireless
from twin_bench import SMALL_SITE, small

from bandwright.advice.permitted import permitted
from bandwright.errors import DeclarationError, UsageError
from bandwright.gateways.connection import lacking as lacks
from bandwright.gateways.proof import shown
from bandwright.gateways.serial import AtGateway
from bandwright.jobs.campaign import make_design, put_back, run
from bandwright.jobs.house import House
from bandwright.jobs.propose import accept, propose_tunings
from bandwright.jobs.righting import Righting, after_righting
from bandwright.jobs.testing import InForce, do_test
from bandwright.jobs.through import through
from bandwright.jobs.tuning import keep_former, lacking
from bandwright.jobs.warmup import LONGEST_S, warm_up
from bandwright.ports import Connected, GatewayAbilities
from bandwright.trials.ledger import read
from bandwright.twin.modem_state import RadioState
from bandwright.words.campaign import Step, Tested
from bandwright.words.measurement import Measurement, MeasurementPlan, Method, Outcome, Phase, Value
from bandwright.words.radio import SettingsSeen
from bandwright.workspace.declared import read_declared
from bandwright.workspace.records import DiskRecords

SITE = """# My own words at the top.
[site]
name = "Stage"

[[need]]
kind = "streaming"
hours = "always"

[[line]]
key = "A"

[[gateway]]
key = "own"
kind = "at-tcp"
address = "192.0.2.1:5000"

[[rig]]
key = "window"
line = "A"
gateway = "own"

[[tuning]]
key = "automatic"   # as it was

[[tuning]]
key = "pinned"
mode = "endc"
cell = "lte:6300:55"
"""


class Loads:
    """A probe that notes what was asked of it. quality: what a measurement ends in."""

    def __init__(self, clock: SimClock, place: Place | None = None) -> None:
        self.clock, self.place, self.plans, self.loaded_s, self.outcome = clock, place, [], 0.0, Outcome.OK
        self.during = None

    def cost_megabytes(self, plan: MeasurementPlan, *, load_s: float = 0.0) -> float:
        self.plans.append(plan)
        return 10.0

    async def load(self, seconds: float, *, plan: MeasurementPlan) -> float:
        self.plans.append(plan)
        self.loaded_s += seconds
        if self.place is not None:
            self.place.loaded = True
        await self.clock.sleep(seconds)
        return 12.5 * seconds

    async def measure(self, plan: MeasurementPlan, *, listener=None) -> Measurement:
        self.plans.append(plan)
        if self.during is not None:
            self.during()
        await self.clock.sleep(8.0)
        failed = self.outcome is Outcome.FAILED
        values = () if failed else (Value(quantity="goodput_down_mbps", value=50.0), Value(quantity="goodput_up_mbps", value=9.0))
        return Measurement(key=f"m{len(self.plans)}", at=self.clock.now(), method=Method.NEAR_FAR, outcome=self.outcome, phase=Phase.CONNECT if failed else None, values=values)


class Noted:
    def __init__(self) -> None:
        self.told: list[str] = []

    def arm(self, rig, former, *, seconds, tuning="") -> None:
        self.told.append(f"arm {tuning}")

    def extend(self, seconds: float) -> None:
        self.told.append("extend")

    def disarm(self, gateway=None) -> None:
        self.told.append("disarm")


def a_house(folder: Path, *, text: str = SITE, **place: object) -> tuple[House, Place, Loads, AtGateway]:
    clock = SimClock()
    made = Place(clock, **place)
    gateway, _ = wireless(made, clock)
    folder.mkdir(exist_ok=True)
    (folder / "site.toml").write_text(text)
    probe = Loads(clock, made)
    house = House(
        folder=folder,
        declared=read_declared(text),
        records=DiskRecords(folder),
        clock=clock,
        gateway_maker=lambda _key: gateway,
        probe_maker=lambda _rig: probe,
        shown=shown,
        lacking=lacks,
        guard=Noted(),
    )
    return house, made, probe, gateway


# ---- proposals


async def test_what_is_accepted_of_a_proposal_stands_in_the_file_and_nothing_else_changed(tmp_path) -> None:
    house, _, _, _ = a_house(tmp_path)
    answer = await propose_tunings(house, load=True)
    assert {band for band, _ in answer.heard} == {"B3", "B20", "n78"}
    keys = [c.tuning.key for c in answer.proposed]
    assert len(keys) == len(set(keys))
    assert {"standalone", "non-standalone", "lte", "without B3", "without B20", "anchor B3", "anchor B20"} <= set(keys)
    assert [(c.tuning.key, c.why) for c in answer.left_out if "declared" in c.why] == [("automatic", "declared already, as automatic")]
    lte = next(c for c in answer.proposed if c.tuning.key == "lte")
    assert lte.excludes == ("NR",)
    assert {row.quantity for row in lte.foreseen} == {"goodput_down_mbps", "goodput_up_mbps"}
    declared = accept(house, answer, ["anchor B20", "lte"])
    text = (tmp_path / "site.toml").read_text()
    assert text.startswith(SITE.rstrip("\n"))
    assert declared == read_declared(text)
    assert declared.tuning("anchor B20").bands == ("B20", "n78")
    assert declared.tuning("anchor B20").gateways == ("own",)
    assert "window/lte" in {s.key for s in declared.setups}
    assert "# LTE only; takes away NR" in text


async def test_prediction_leaves_out_what_another_beats_clearly_and_says_by_what(tmp_path) -> None:
    house, place, _, _ = a_house(tmp_path)
    weak = [c if c["band"] != "B20" else {**c, "sinr_db": -6.0, "rsrp_dbm": -117.0, "bandwidth_mhz": 3} for c in CELLS]
    strong = [{**c, "sinr_db": 27.0, "rsrp_dbm": -75.0} if c["band"] == "n78" else c for c in weak]
    place.modem.state = lambda: RadioState(mode="endc", registration="home", carriers=[{**strong[0], "role": "pcell"}, {**strong[1], "role": "scell"}, {**strong[2], "role": "pscell"}])
    answer = await propose_tunings(house)
    beaten = {c.tuning.key: c.why for c in answer.left_out}
    for key in ("without n78", "lte B3"):
        assert beaten[key].startswith("foreseen to carry")
        assert "Mbit/s down where automatic carries" in beaten[key]
    unknown = next(c for c in answer.proposed if c.tuning.key == "lte B20")
    assert unknown.foreseen == (), "its SINR was not printed: what is not known is not held against it"
    assert "anchor B3" in {c.tuning.key for c in answer.proposed}
    assert not any(c.tuning.mode == "lte" and not c.tuning.bands for c in answer.left_out), "a whole mode is the question itself"


async def test_more_than_is_wanted_is_said_and_a_place_without_readings_proposes_modes_only(tmp_path) -> None:
    house, place, _, _ = a_house(tmp_path)
    answer = await propose_tunings(house, load=True, most=2)
    assert len(answer.proposed) == 2
    assert any("beyond the 2 most telling" in c.why for c in answer.left_out)
    with pytest.raises(UsageError, match="tuning"):
        accept(house, answer, ["no such"])
    empty, place, _, _ = a_house(tmp_path / "empty")
    place.modem.state = RadioState
    answer = await propose_tunings(empty)
    assert answer.heard == ()
    assert all(not c.tuning.bands for c in answer.proposed)
    assert any("No band was heard yet" in note for note in answer.notes)


async def test_a_key_that_is_taken_gets_a_number_and_a_file_that_would_not_read_stays(tmp_path) -> None:
    house, _, _, _ = a_house(tmp_path, text=SITE + '\n[[tuning]]\nkey = "lte"\nmode = "endc"\n')
    answer = await propose_tunings(house, load=True)
    assert "lte 2" in {c.tuning.key for c in answer.proposed}
    broken = (tmp_path / "site.toml").read_text() + "\n[[tuning]\n"
    (tmp_path / "site.toml").write_text(broken)
    with pytest.raises(DeclarationError):
        accept(house, answer, ["lte 2"])
    assert (tmp_path / "site.toml").read_text() == broken


# ---- apply, warm-up, fading


async def one_test(house: House, setup: str, state: InForce | None = None) -> tuple[list[str], InForce]:
    design = make_design(house, key="c1")
    state = state or InForce()
    step = Step(kind="test", round=1, rig="window", visit=1, setup=setup, warmup_s=10.0)
    return [event.text async for event in do_test(house, design, state, step)], state


async def test_a_leg_that_comes_under_load_only_is_found_under_load_and_the_load_is_spared(tmp_path) -> None:
    text = SITE + '\n[[tuning]]\nkey = "nsa"\nmode = "endc"\n'
    house, _, probe, _ = a_house(tmp_path, text=text, nr_under_load_only=True)
    said, _ = await one_test(house, "window/nsa")
    assert any("measuring" in line for line in said), said
    assert 3.0 <= probe.loaded_s <= 3.0 + 10.0 + 5.0
    house, place, probe, _ = a_house(tmp_path / "never", text=text)
    place.modem.state = lambda: replace(Place.state(place), mode="lte", carriers=[{**CELLS[0], "role": "pcell"}])
    said, _ = await one_test(house, "window/nsa")
    assert any("not applied" in line and "under load" in line for line in said), said
    assert probe.loaded_s <= 8 * 3.0, "looking for a leg that never comes must not cost data without end"


async def test_warm_up_goes_on_until_no_carrier_is_added_and_no_longer_than_its_limit(tmp_path) -> None:
    house, place, probe, gateway = a_house(tmp_path)
    rig, tuning, able = house.declared.rig("window"), house.declared.tuning("automatic"), await gateway.abilities()
    counts = iter([1, 2, 3, 3])

    def growing() -> RadioState:
        if not growing.held:
            growing.held = next(counts)
        return RadioState(mode="lte", registration="home", carriers=[{**CELLS[i % 2], "role": "scell" if i else "pcell"} for i in range(growing.held)])

    growing.held = 0
    place.modem.state = growing
    plain = probe.load

    async def load(seconds, *, plan):
        growing.held = 0
        return await plain(seconds, plan=plan)

    probe.load = load
    warm = await warm_up(house, rig, tuning, able, seconds=10.0, plan=MeasurementPlan())
    assert warm.carriers == 3
    assert warm.seconds == 20.0
    assert "still being added" in warm.told
    counts = iter(range(1, 100))
    warm = await warm_up(house, rig, tuning, able, seconds=10.0, plan=MeasurementPlan())
    assert warm.seconds <= LONGEST_S
    assert "still being added after 45 s" in warm.told
    counts = iter([2, 2])
    assert (await warm_up(house, rig, tuning, able, seconds=10.0, plan=MeasurementPlan())).seconds == 10.0


async def test_what_warm_ups_take_is_data_of_the_campaign(tmp_path) -> None:
    house, _, probe, _ = a_house(tmp_path)
    _, state = await one_test(house, "window/automatic")
    loaded_s = probe.loaded_s
    await one_test(house, "window/automatic", state)
    assert loaded_s >= 10.0
    assert probe.loaded_s == loaded_s, "what is in force already needs no warm-up"
    events = house.records.events("c1")
    first, second = [e for e in events if isinstance(e, Tested)]
    assert (first.load_megabytes, second.load_megabytes) == (12.5 * loaded_s, 0.0)
    assert read(make_design(house, key="c1"), events).used_mb == first.megabytes + second.megabytes + 12.5 * loaded_s


async def test_a_pin_on_a_cell_that_fades_is_lifted_and_the_failed_test_is_kept(tmp_path) -> None:
    house, place, probe, gateway = a_house(tmp_path)
    before = place.modem.configured

    def fade() -> None:
        place.modem.state = lambda: RadioState(mode="none", registration="searching") if place.modem.in_force.pin_lte else Place.state(place)

    probe.during, probe.outcome = fade, Outcome.FAILED
    said, state = await one_test(house, "window/pinned")
    assert any("the pinned cell does not carry any more and is taken back" in line for line in said), said
    assert place.modem.configured == before
    assert state.tuning is None
    assert [m.outcome for m in house.records.measurements()] == [Outcome.FAILED]
    assert house.guard.told[0] == "arm pinned"
    assert house.guard.told[-1] == "disarm"
    probe.during, probe.outcome = None, Outcome.FAILED
    place.modem.state = place.state
    said, state = await one_test(house, "window/pinned", state)
    assert state.tuning == "pinned", "a failed test under a pin that still carries is no reason to lift it"
    assert place.modem.configured.cell == "lte:6300:55"
    assert (await gateway.settings()).cell == "lte:6300:55"


async def test_service_seen_in_a_reading_under_load_counts_the_return_anew(tmp_path) -> None:
    house, place, _, gateway = a_house(tmp_path)
    rig, able = house.declared.rig("window"), await gateway.abilities()
    await warm_up(house, rig, house.declared.tuning("pinned"), able, seconds=10.0, plan=MeasurementPlan())
    assert house.guard.told == ["extend", "extend"]
    place.modem.state = lambda: RadioState(mode="none", registration="searching")
    await warm_up(house, rig, house.declared.tuning("pinned"), able, seconds=10.0, plan=MeasurementPlan())
    assert house.guard.told == ["extend", "extend"]


async def test_what_a_risky_tuning_may_take_ends_before_the_timed_return(tmp_path) -> None:
    house, place, _, _ = a_house(tmp_path, text=SITE + "\n[settings]\napply_timeout_s = 600\nreturn_after_s = 60\n")
    place.modem.state = lambda: RadioState(mode="none", registration="searching")
    began = house.clock.monotonic_s()
    said, _ = await one_test(house, "window/pinned")
    assert any("not applied" in line for line in said)
    assert house.clock.monotonic_s() - began < 60.0 + 30.0


# ---- connection, terms, rights


@pytest.mark.parametrize(
    ("change", "missing"),
    [
        ({}, ()),
        ({"+CPIN: READY": "+CPIN: SIM PIN"}, ("The SIM asks for something first",)),
        ({'+CGDCONT: 1,"IPV4V6","internet","",0,0': '+CGDCONT: 1,"IPV4V6","","",0,0'}, ("No access point name is set",)),
        ({'"IPV4V6"': '"IP"'}, ("Only IPv4 is asked for",)),
        ({"+CGACT: 1,1": "+CGACT: 1,0"}, ("No data connection is active",)),
    ],
)
async def test_what_a_connection_lacks_is_read_and_said_and_nothing_is_set(change, missing, tmp_path) -> None:
    house, place, _, gateway = a_house(tmp_path)
    plain = place.modem.answer

    def answer(command: str) -> list[str]:
        lines = plain(command)
        for old, new in change.items():
            lines = [line.replace(old, new) for line in lines]
        return lines

    place.modem.answer = answer
    said = await lacking(house, house.declared.rig("window"), wait=False)
    assert len(said) == len(missing)
    assert all(text.startswith(start) for text, start in zip(said, missing, strict=True))
    assert isinstance(gateway, Connected)
    assert not any("=" in command.replace("=?", "").replace('"', "") for command in place.modem.heard if command.startswith(("AT+CPIN", "AT+CGDCONT", "AT+CGACT")))


async def test_a_gateway_just_plugged_in_is_given_a_minute_to_find_service(tmp_path) -> None:
    house, place, _, _ = a_house(tmp_path)
    place.modem.state = lambda: Place.state(place) if house.clock.monotonic_s() > 40 else RadioState(mode="none", registration="searching")
    assert await lacking(house, house.declared.rig("window"), wait=True) == ()
    place.modem.state = lambda: RadioState(mode="none", registration="searching")
    began = house.clock.monotonic_s()
    assert "the registration is 'searching'" in (await lacking(house, house.declared.rig("window"), wait=True))[0]
    assert 60 <= house.clock.monotonic_s() - began < 70


def test_where_a_setup_may_breach_terms_it_is_said_and_nowhere_else() -> None:
    plain = read_declared(SITE)
    assert [s for s in permitted(plain) if "Line" in s] == []
    assert "pinned stays on one cell" in permitted(plain)[0]
    told = permitted(read_declared(SITE.replace('key = "A"', 'key = "A"\nterms = ["bound to this address", "18 months"]', 1)))
    assert "“bound to this address”, and setups differ in place or cell" in told[0]
    assert told[1] == "Line A says “18 months”: see that these setups keep to it."
    outside = permitted(read_declared(SITE.replace('gateway = "own"\n\n[[tuning]]', 'gateway = "own"\nantenna = { kind = "panel", gain_dbi = 9 }\n\n[[tuning]]', 1)))
    assert any("local rules may limit what an outside antenna sends" in s for s in outside)


async def test_what_was_left_behind_is_put_back_before_any_question_and_once(tmp_path, caplog) -> None:
    _, _, _, gateway = a_house(tmp_path)
    order: list[str] = []

    async def recover() -> tuple[str, ...]:
        order.append("put back")
        return ("own: the former setting is back (a record was left behind)",)

    plain = gateway.fetch

    async def fetch(**rest):
        order.append("asked")
        return await plain(**rest)

    gateway.fetch = fetch
    first, second = (after_righting(gateway, Righting(recover)) for _ in range(2))
    with caplog.at_level(logging.WARNING, logger="bandwright"):
        await first.fetch()
        await first.fetch()
    assert order == ["put back", "asked", "asked"]
    assert "is back" in caplog.text
    assert isinstance(first, Connected)
    await second.connection()
    assert order[-1] == "put back"


async def test_a_fresh_campaign_after_an_unfinished_one_starts_from_the_households_own_setting(tmp_path) -> None:
    twin, house = await small(tmp_path, days=0.2)
    gateway, _ = over_no_wire(twin.world.modem, twin.world.clock)
    house.gateway_maker = lambda _key: gateway
    before = twin.world.modem.configured
    await keep_former(house, make_and_keep(house), house.declared.rig("sill-own"))
    await gateway.apply(house.declared.tuning("standalone"))  # and the power goes
    assert twin.world.modem.configured != before
    stream = run(house, fresh=True)
    await anext(stream)
    assert twin.world.modem.configured == before
    assert len(house.records.designs()) == 2
    await stream.aclose()
    assert twin.world.modem.configured == before
    assert await put_back(house) == ("the former setting of own is back (automatic)",)
    await house.close()
    await twin.close()


def make_and_keep(house: House) -> str:
    design = make_design(house)
    house.records.add_design(design)
    return design.key


# ---- two gateways


async def test_every_plan_leaves_by_the_interface_of_its_rig() -> None:
    inner = Loads(SimClock())
    bound = through(inner, "eth7")
    await bound.load(1.0, plan=MeasurementPlan())
    await bound.measure(MeasurementPlan(setup="x"))
    bound.cost_megabytes(MeasurementPlan(interface="eth9"))
    assert [plan.interface for plan in inner.plans] == ["eth7", "eth7", "eth9"]
    assert through(inner, None) is inner


TWO = (
    SMALL_SITE.replace('kind = "at-tcp"\naddress = "192.0.2.1:5000"', 'kind = "at-tcp"\naddress = "192.0.2.1:5000"\ninterface = "eth1"')
    .replace("[[rig]]", '[[gateway]]\nkey = "other"\nkind = "at-tcp"\naddress = "192.0.2.2:5000"\ninterface = "eth2"\n\n[[rig]]\nkey = "sill-other"\nline = "A"\ngateway = "other"\n\n[[rig]]')
    .replace("[campaign]", '[campaign]\nrigs_at_once = [["sill-own", "sill-other"]]')
)  # fmt: skip


async def test_two_gateways_take_turns_each_by_its_own_interface_and_a_shared_cell_is_said(tmp_path) -> None:
    clock = SimClock()
    places = {key: Place(clock, lte_bands=(3, 20), nr_bands=(78,)) for key in ("own", "other")}
    gateways = {key: over_no_wire(place.modem, clock)[0] for key, place in places.items()}
    probe = Loads(clock)
    text = TWO.replace("{days}", "1")
    (tmp_path / "site.toml").write_text(text)
    declared = read_declared(text)
    house = House(
        folder=tmp_path, declared=declared, records=DiskRecords(tmp_path), clock=clock, gateway_maker=gateways.__getitem__, probe_maker=lambda _rig: probe, shown=shown, lacking=lacks
    )
    busy: list[str] = []
    plain = probe.measure

    async def measure(plan, *, listener=None):
        assert busy == [], "one test at a time"
        busy.append(plan.setup)
        if listener is not None:
            from bandwright.ports import ProbeEvent

            await listener(ProbeEvent(kind="phase", phase=Phase.DOWNLINK))
        found = await plain(plan, listener=listener)
        busy.clear()
        return replace(found, key=f"{plan.setup}-{len(probe.plans)}")

    probe.measure = measure
    notes = [event.text async for event in run(house) if event.kind == "note"]
    by_setup = {plan.setup.partition("/")[0]: plan.interface for plan in probe.plans if plan.setup}
    assert by_setup == {"sill-own": "eth1", "sill-other": "eth2"}
    assert all(plan.interface is not None for plan in probe.plans if plan.setup is None), "load without a test leaves by the interface too"
    shared = [note for note in notes if "use the same cell" in note]
    assert shared
    assert "sill-own" in shared[0]
    assert "keep it idle" in shared[0]
    assert len(shared) == len(set(shared))
    for key, place in places.items():
        assert place.modem.configured.mode == "automatic", key


async def test_abilities_by_person_are_never_asked_what_a_connection_lacks(tmp_path) -> None:
    house, _, _, gateway = a_house(tmp_path)

    async def by_person() -> GatewayAbilities:
        return GatewayAbilities(can_tune=True, by_person=True)

    gateway.abilities = by_person
    assert await lacking(house, house.declared.rig("window"), wait=True) == ()
    assert house.lacking("", None) == ()
    assert SettingsSeen() == SettingsSeen()
