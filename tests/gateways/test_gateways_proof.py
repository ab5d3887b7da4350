"""Whether a tuning is in force, and which tunings are worth trying: pure, on readings made by hand."""

from __future__ import annotations

import pytest

from bandwright.gateways.candidates import excludes, heard, propose
from bandwright.gateways.proof import band_of, shown
from bandwright.ports import GatewayAbilities
from bandwright.words.radio import Carrier, Field, FieldState, Mode, Rat, Reading, Registration, Role, SettingsSeen
from bandwright.words.rig import Tuning


def carrier(rat: str, role: str, band: object, channel: int, pci: int, rsrp: float = -90.0) -> Carrier:
    values = {"band": band, "arfcn": channel, "pci": pci, "rsrp": rsrp}
    return Carrier(rat=Rat(rat), role=Role(role), fields=tuple(Field(name=name, value=value) for name, value in values.items()))


B3 = carrier("lte", "pcell", "B3", 1300, 138)
B20 = carrier("lte", "scell", 20, 6300, 55, -84.0)
N78 = carrier("nr", "pscell", "n78", 640000, 211, -98.0)
ENDC = Reading(mode=Mode.ENDC, registration=Registration.HOME, carriers=(B3, B20, N78))
LTE = Reading(mode=Mode.LTE, registration=Registration.HOME, carriers=(B3, B20))
SA = Reading(mode=Mode.NR_SA, registration=Registration.HOME, carriers=(carrier("nr", "pcell", 78, 640000, 211),))
NONE = SettingsSeen()


@pytest.mark.parametrize(
    ("tuning", "settings", "reading", "ok", "why"),
    [
        (Tuning(key="x"), NONE, ENDC, True, "reading shows it"),
        (Tuning(key="x"), NONE, None, False, "nothing was read"),
        (Tuning(key="x"), NONE, Reading(mode=Mode.NONE, registration=Registration.SEARCHING), False, "searching"),
        (Tuning(key="x"), NONE, Reading(mode=Mode.NONE), False, "no service"),
        (Tuning(key="x", mode="lte"), NONE, LTE, True, ""),
        (Tuning(key="x", mode="lte"), NONE, ENDC, False, "shows EN-DC, not LTE"),
        (Tuning(key="x", mode="endc"), NONE, LTE, False, "under load"),
        (Tuning(key="x", mode="nr-sa"), NONE, SA, True, ""),
        (Tuning(key="x", mode="nr-sa"), NONE, Reading(mode=Mode.NR, carriers=SA.carriers), False, "shows NR, not NR standalone"),
        (Tuning(key="x", mode="nr-sa"), NONE, Reading(carriers=SA.carriers), False, "does not say the mode"),
        (Tuning(key="x", mode="endc"), SettingsSeen(mode="automatic"), ENDC, False, "reads back as automatic"),
        (Tuning(key="x", mode="endc", bands=("B3", "B20", "n78")), NONE, ENDC, True, ""),
        (Tuning(key="x", mode="endc", bands=("B3", "n78")), NONE, ENDC, False, "shows B20, outside B3, n78"),
        (Tuning(key="x", mode="endc", bands=("B3", "B20", "n78")), SettingsSeen(mode="endc", bands=("B3", "n78")), ENDC, False, "bands read back as B3, n78"),
        (Tuning(key="x", bands=("B3", "B20")), SettingsSeen(mode="lte", bands=("B3", "B20")), LTE, True, "read back and the reading"),
        (
            Tuning(key="x", mode="lte", bands=("B3",)),
            NONE,
            Reading(mode=Mode.LTE, carriers=(Carrier(rat=Rat.LTE, role=Role.PCELL),)),
            False,
            "does not say the band",
        ),
        (Tuning(key="x", mode="lte", cell="lte:1300:138"), SettingsSeen(cell="lte:1300:138"), LTE, True, ""),
        (Tuning(key="x", mode="lte", cell="lte:1300:138"), SettingsSeen(cell=""), LTE, False, "no cell reads back as pinned"),
        (Tuning(key="x", mode="lte", cell="lte:1300:139"), NONE, LTE, False, "channel 1300, identity 138"),
        (Tuning(key="x", mode="lte"), SettingsSeen(cell="lte:1300:138"), LTE, False, "still pinned"),
        (Tuning(key="x", mode="nr-sa", cell="nr:640000:211:30:78"), SettingsSeen(cell="nr:640000:211"), SA, True, ""),
        (Tuning(key="x", mode="nr-sa", bands=("B3",)), NONE, SA, False, "It needs an NR band"),
    ],
)
def test_a_tuning_is_shown_only_by_what_shows_it(tuning, settings, reading, ok, why) -> None:
    done, reason = shown(tuning, settings, reading)
    assert done == ok, reason
    assert why in reason


def test_a_neighbour_outside_the_bands_says_nothing_against_them() -> None:
    reading = Reading(mode=Mode.LTE, carriers=(B3, carrier("lte", "neighbour", "B7", 3100, 9)))
    assert shown(Tuning(key="x", mode="lte", bands=("B3",)), NONE, reading)[0]


@pytest.mark.parametrize(("value", "name"), [("B3", "B3"), (3, "B3"), ("3", "B3"), (3.0, "B3"), (None, None), ("LTE", None)])
def test_a_band_has_one_name_however_it_was_read(value, name) -> None:
    field = Field(name="band", value=value, state=FieldState.OK if value is not None else FieldState.UNKNOWN)
    assert band_of(Carrier(rat=Rat.LTE, role=Role.PCELL, fields=(field,))) == name


ABLE = GatewayAbilities(can_tune=True, modes=("automatic", "nr-sa", "endc", "lte"), bands=("B1", "B3", "B20", "n1", "n78"), can_pin_cell=True)


def test_proposals_are_few_and_each_says_what_it_excludes() -> None:
    found = propose(ABLE, [ENDC])
    assert [tuning.key for tuning in found] == [
        *("automatic", "non-standalone", "standalone", "lte"),
        *("without B20", "without B3", "without n78"),
        *("anchor B20", "anchor B3", "lte B20", "lte B3"),
    ]
    by_key = {tuning.key: tuning for tuning in found}
    assert by_key["automatic"].label == "as it chooses itself"
    assert by_key["lte"].label == "LTE only; excludes NR"
    assert by_key["without B20"].bands == ("B1", "B3", "n1", "n78")
    assert by_key["without B20"].label == "without B20; excludes B20"
    assert by_key["anchor B20"].bands == ("B20", "n78")
    assert excludes(by_key["anchor B20"], ABLE) == ("NR standalone", "B1", "B3", "n1")
    assert len({(tuning.mode, tuning.bands) for tuning in found}) == len(found)


def test_what_was_never_heard_or_is_too_weak_is_not_proposed_alone() -> None:
    weak = Reading(mode=Mode.LTE, carriers=(B3, carrier("lte", "neighbour", "B1", 300, 9, -119.0)))
    keys = [tuning.key for tuning in propose(ABLE, [weak], most=50)]
    assert "lte B1" not in keys
    assert not any("B20" in key for key in keys)
    assert heard([weak]) == {"B3": -90.0, "B1": -119.0}


def test_only_what_the_gateway_can_do_is_proposed() -> None:
    few = GatewayAbilities(can_tune=True, modes=("automatic", "lte"), bands=("B3", "B20"))
    assert {tuning.mode for tuning in propose(few, [ENDC], most=50)} == {"automatic", "lte"}
    assert not any(band[0] == "n" for tuning in propose(few, [ENDC], most=50) for band in tuning.bands)
    assert propose(GatewayAbilities(can_tune=False), [ENDC]) == ()
    silent = GatewayAbilities(can_tune=True, modes=("automatic", "lte"))
    assert [tuning.key for tuning in propose(silent, [ENDC])] == ["automatic", "lte"]


def test_there_are_never_more_than_were_asked_for() -> None:
    assert len(propose(ABLE, [ENDC], most=5)) == 5
    assert [tuning.key for tuning in propose(ABLE, [ENDC], most=1)] == ["automatic"]


def test_every_proposal_can_be_asked_of_a_gateway() -> None:
    from bandwright.gateways.dialects.base import wanted

    for tuning in propose(ABLE, [ENDC, SA, LTE], most=50):
        assert wanted(tuning).mode in ABLE.modes
