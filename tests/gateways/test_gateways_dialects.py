"""From a tuning to commands and from a read-back to settings, dialect by dialect, without a line.

Read-back texts have the form of the test suites of a public modem daemon and of public code; figures are invented. Where the reader of
texts knows a dialect's settings too, both must agree.
"""

from __future__ import annotations

import pytest
from stage import Place, SimClock, wireless

from bandwright.errors import DeclarationError, GatewayRefused
from bandwright.gateways.dialects.base import band_names, fields, information, pinned, wanted
from bandwright.gateways.dialects.table import DIALECTS, dialect
from bandwright.readings.settings import read_settings
from bandwright.twin.modem import Fault
from bandwright.words.rig import Tuning

A = {
    "mode_pref?": '+QNWPREFCFG: "mode_pref",AUTO',
    "nr5g_disable_mode?": '+QNWPREFCFG: "nr5g_disable_mode",0',
    "lte_band?": '+QNWPREFCFG: "lte_band",1:3:20',
    "nr5g_band?": '+QNWPREFCFG: "nr5g_band",1:78',
    "nsa_nr5g_band?": '+QNWPREFCFG: "nsa_nr5g_band",78',
    "common/4g?": '+QNWLOCK: "common/4g",0',
    "common/5g?": '+QNWLOCK: "common/5g",0',
    "policy_band?": '+QNWPREFCFG: "lte_band",1:3:7:20\r\n+QNWPREFCFG: "nsa_nr5g_band",28:78\r\n+QNWPREFCFG: "nr5g_band",1:78',
}
A_OLDER = {"nwscanmode?": '+QCFG: "nwscanmode",0', "qcfg band?": '+QCFG: "band",0x260,0x80005,0x0'}
B = {
    "selrat?": "!SELRAT: 00, Automatic",
    "band?": "Index, Name,                        GW Band Mask     L Band Mask\r\n00, All bands                   0002000007C00000 0000000000080005",
    "band all": (
        "Index, Name,                        GW Band Mask     L Band Mask\r\n00, All bands                   0002000007C00000 0000000000080005\r\n"
        "09, LTE ALL                     0000000000000000 0000000000080005\r\n0A, B20                         0000000000000000 0000000000080000"
    ),
}
C = {
    "cnmp?": "+CNMP: 2",
    "csyssel lte_band?": '+CSYSSEL: "lte_band",1:3:20',
    "csyssel nr5g_band?": '+CSYSSEL: "nr5g_band",78',
    "csyssel nsa_nr5g_band?": '+CSYSSEL: "nsa_nr5g_band",78',
}
D = {"ws46?": "+WS46: 35", "ws46 all": "+WS46: (12,22,25,28,35,36)"}
E = {"xact?": "+XACT: 4,2,,1,8,101,103,120", "xact all": "+XACT: (0-6),(0-2),0,1,8,101,103,107,120"}
F = {"gtact?": "+GTACT: 17,6,3,103,120,501,5078", "gtact all": "+GTACT: (1,2,14,17,20),(2,3,6),(2,3,6),(),(1,8),(101,103,120),(),(),(501,5028,5078)"}
G = {"syscfgex?": '^SYSCFGEX:"00",3FFFFFFF,1,2,7FFFFFFFFFFFFFFF'}
TEXTS = {"+QENG": A, "+QENG older": A_OLDER, "!GSTATUS": B, "+CPSI": C, "TS 27.007": D, "+XCESQ": E, "+GTCCINFO": F, "^HCSQ": G}


def do(key: str, tuning: Tuning, changed: dict[str, str] | None = None) -> list[str]:
    speaks = dialect(key)
    answers = TEXTS[key] | (changed or {})
    raw = speaks.raw(answers)
    return [command.text for command in speaks.write(wanted(tuning), raw=raw, supported=speaks.supported(answers, raw))]


# What each read-back means. Values: readings of the texts above by their documented form.
SEEN = {
    "+QENG": ("automatic", ("B1", "B3", "B20", "n1", "n78"), ""),
    "+QENG older": ("automatic", ("B1", "B3", "B20"), None),
    "!GSTATUS": ("automatic", ("B1", "B3", "B20"), None),
    "+CPSI": ("automatic", ("B1", "B3", "B20", "n78"), None),
    "TS 27.007": ("automatic", None, None),
    "+XCESQ": ("automatic", ("B1", "B3", "B20"), None),
    "+GTCCINFO": ("automatic", ("B3", "B20", "n1", "n78"), None),
    "^HCSQ": ("automatic", None, None),
}


@pytest.mark.parametrize("key", SEEN)
def test_a_read_back_means_what_it_says(key) -> None:
    speaks = dialect(key)
    seen = speaks.seen(speaks.raw(TEXTS[key]))
    assert (seen.mode, seen.bands, seen.cell) == SEEN[key]


@pytest.mark.parametrize("key", ["+QENG", "+QENG older", "!GSTATUS", "+CPSI", "TS 27.007", "+XCESQ", "+GTCCINFO", "^HCSQ"])
def test_the_reader_of_texts_agrees(key) -> None:
    speaks = dialect(key)
    asks = {row.key for row in speaks.asks} - {"band all"}
    read = read_settings("\r\n".join(text for name, text in TEXTS[key].items() if name in asks) + "\r\n")
    seen = speaks.seen(speaks.raw(TEXTS[key]))
    assert read.mode in (None, seen.mode)  # a reader of texts may say "unsure" where the asker knows the dialect
    if read.bands is not None and seen.bands is not None:
        assert set(read.bands) == set(seen.bands)
    assert (read.cell or None) == (seen.cell or None)


# Tuning -> the commands that bring it about, by the documented syntax of each dialect.
WRITES = [
    (
        "+QENG",
        Tuning(key="x", mode="lte"),
        ['AT+QNWPREFCFG="lte_band",1:3:7:20', 'AT+QNWPREFCFG="nr5g_band",1:28:78', 'AT+QNWPREFCFG="nsa_nr5g_band",1:28:78', 'AT+QNWPREFCFG="mode_pref",LTE'],
    ),
    (
        "+QENG",
        Tuning(key="x", mode="endc", bands=("B20", "n78")),
        ['AT+QNWPREFCFG="lte_band",20', 'AT+QNWPREFCFG="nr5g_disable_mode",1', 'AT+QNWPREFCFG="mode_pref",LTE:NR5G'],
    ),
    (
        "+QENG",
        Tuning(key="x", mode="nr-sa", bands=("n78",)),
        ['AT+QNWPREFCFG="nr5g_band",78', 'AT+QNWPREFCFG="nr5g_disable_mode",2', 'AT+QNWPREFCFG="mode_pref",NR5G'],
    ),
    ("+QENG", Tuning(key="x", mode="automatic", bands=("B20",)), ['AT+QNWPREFCFG="lte_band",20', 'AT+QNWPREFCFG="mode_pref",LTE']),
    ("+QENG older", Tuning(key="x", mode="lte", bands=("B3", "B20")), ['AT+QCFG="band",0,80004', 'AT+QCFG="nwscanmode",3']),
    ("+QENG older", Tuning(key="x", mode="automatic"), []),
    ("!GSTATUS", Tuning(key="x", mode="lte", bands=("B20",)), ["AT!BAND=A", "AT!SELRAT=6"]),
    ("+CPSI", Tuning(key="x", mode="nr-sa", bands=("n78",)), ["AT+CNMP=71"]),
    ("+CPSI", Tuning(key="x", mode="lte", bands=("B3",)), ['AT+CSYSSEL="lte_band",3', "AT+CNMP=38"]),
    ("TS 27.007", Tuning(key="x", mode="nr-sa"), ["AT+WS46=36"]),
    ("+XCESQ", Tuning(key="x", mode="lte", bands=("B3", "B7")), ["AT+XACT=2,,,103,107"]),
    ("+GTCCINFO", Tuning(key="x", mode="nr-sa", bands=("n78",)), ["AT+GTACT=14,,,5078"]),
    ("+GTCCINFO", Tuning(key="x", mode="automatic", bands=("B3", "n1")), ["AT+GTACT=17,6,3,103,501"]),
    ("^HCSQ", Tuning(key="x", mode="lte", bands=("B3", "B20")), ['AT^SYSCFGEX="03",3FFFFFFF,1,2,80004,,']),
]


@pytest.mark.parametrize(("key", "tuning", "commands"), WRITES)
def test_a_tuning_becomes_the_documented_commands(key, tuning, commands) -> None:
    assert do(key, tuning) == commands


def test_a_pin_is_set_last_and_lifted_first() -> None:
    pinned_now = {"common/4g?": '+QNWLOCK: "common/4g",1,1300,138'}
    assert do("+QENG", Tuning(key="x", mode="automatic", bands=("B1", "B3", "B20", "n1", "n78"), cell="lte:6300:55"), pinned_now) == [
        'AT+QNWLOCK="common/4g",0',
        'AT+QNWPREFCFG="nsa_nr5g_band",1:78',
        'AT+QNWLOCK="common/4g",1,6300,55',
    ]
    assert do("+QENG", Tuning(key="x", mode="nr-sa", bands=("n78",), cell="nr:640000:211:30:78"))[-1] == 'AT+QNWLOCK="common/5g",211,640000,30,78'


def test_a_pin_that_already_stands_is_left_alone() -> None:
    pinned_now = {"common/4g?": '+QNWLOCK: "common/4g",1,6300,55'}
    assert not any("QNWLOCK" in text for text in do("+QENG", Tuning(key="x", mode="endc", cell="lte:6300:55"), pinned_now))


# What each dialect cannot do, said before anything is sent.
REFUSED = [
    ("+QENG", Tuning(key="x", mode="endc", cell="nr:640000:211:30:78"), "standalone mode only"),
    ("+QENG", Tuning(key="x", mode="nr-sa", cell="nr:640000:211"), "nr:ARFCN:PCI:SCS_KHZ:BAND"),
    ("+QENG older", Tuning(key="x", mode="nr-sa"), "allowed: automatic, lte"),
    ("!GSTATUS", Tuning(key="x", mode="lte", bands=("B3",)), "unlock code"),
    ("+CPSI", Tuning(key="x", mode="endc"), "allowed: automatic, nr-sa, lte"),
    ("+CPSI", Tuning(key="x", mode="lte", cell="lte:1300:138"), "No command for it is documented"),
    ("TS 27.007", Tuning(key="x", mode="lte", bands=("B3",)), "no command for them"),
    ("TS 27.007", Tuning(key="x", mode="endc"), "mode"),
    ("+XCESQ", Tuning(key="x", mode="nr-sa"), "allowed: automatic, lte"),
    ("^HCSQ", Tuning(key="x", mode="lte", cell="lte:1300:138"), "No command for it is documented"),
    ("^SMONI", Tuning(key="x", mode="lte"), "only read"),
]


@pytest.mark.parametrize(("key", "tuning", "why"), REFUSED)
def test_what_cannot_be_done_is_refused_with_the_reason(key, tuning, why) -> None:
    with pytest.raises(GatewayRefused, match=why):
        TEXTS.setdefault("^SMONI", {})
        do(key, tuning)


def test_what_cannot_be_read_back_is_not_set() -> None:
    for key, tuning in (("TS 27.007", Tuning(key="x", mode="lte")), ("+XCESQ", Tuning(key="x", mode="lte")), ("^HCSQ", Tuning(key="x", mode="lte"))):
        with pytest.raises(GatewayRefused, match="cannot be read back"):
            dialect(key).write(wanted(tuning), raw={}, supported=())


@pytest.mark.parametrize("key", ["+QENG", "+QENG older", "!GSTATUS", "+CPSI", "TS 27.007", "+XCESQ", "+GTCCINFO", "^HCSQ"])
def test_former_settings_come_back_exactly(key) -> None:
    """The commands that put back carry the former values, and nothing is sent where nothing changed."""
    speaks = dialect(key)
    former = speaks.raw(TEXTS[key])
    assert speaks.put_back(former, raw=former) == ()
    changed = {
        "+QENG": former | {"mode_pref": "LTE", "lte_band": "20", "common/4g": "1,1300,138"},
        "+QENG older": former | {"nwscanmode": "3", "band": "80000"},
        "!GSTATUS": former | {"selrat": "06", "band": "0A"},
        "+CPSI": former | {"cnmp": "38", "lte_band": "3"},
        "TS 27.007": former | {"ws46": "28"},
        "+XCESQ": {"xact": "2,,,103"},
        "+GTCCINFO": {"gtact": "14,,,5078"},
        "^HCSQ": {"syscfgex": '"03",3FFFFFFF,1,2,80004'},
    }[key]
    assert [command.text for command in speaks.put_back(former, raw=changed)] == {
        "+QENG": ['AT+QNWLOCK="common/4g",0', 'AT+QNWPREFCFG="lte_band",1:3:20', 'AT+QNWPREFCFG="mode_pref",AUTO'],
        "+QENG older": ['AT+QCFG="band",0,80005', 'AT+QCFG="nwscanmode",0'],
        "!GSTATUS": ["AT!BAND=0", "AT!SELRAT=0"],
        "+CPSI": ['AT+CSYSSEL="lte_band",1:3:20', "AT+CNMP=2"],
        "TS 27.007": ["AT+WS46=35"],
        "+XCESQ": ["AT+XACT=4,2,,1,8,101,103,120"],
        "+GTCCINFO": ["AT+GTACT=17,6,3,103,120,501,5078"],
        "^HCSQ": ['AT^SYSCFGEX="00",3FFFFFFF,1,2,7FFFFFFFFFFFFFFF,,'],
    }[key]


def test_the_policy_of_the_network_cuts_what_can_be_chosen() -> None:
    speaks = dialect("+QENG")
    assert speaks.supported(A, speaks.raw(A)) == ("B1", "B3", "B7", "B20", "n1", "n28", "n78")
    without = {key: text for key, text in A.items() if key != "policy_band?"}
    assert speaks.supported(without, speaks.raw(without)) == ("B1", "B3", "B20", "n1", "n78")


@pytest.mark.parametrize(
    ("mode", "disable", "means"),
    [
        ("AUTO", "0", "automatic"),
        ("LTE:NR5G", "0", "automatic"),
        ("NR5G:LTE", "1", "endc"),
        ("LTE:NR5G", "2", None),
        ("NR5G", "2", "nr-sa"),
        ("NR5G", "1", None),
        ("LTE", "0", "lte"),
        ("LTE:WCDMA", "0", "lte"),
        ("WCDMA", "0", None),
    ],
)
def test_mode_and_disable_mode_are_read_together(mode, disable, means) -> None:
    assert dialect("+QENG").seen({"mode_pref": mode, "nr5g_disable_mode": disable}).mode == means


def test_reading_the_same_settings_again_sends_nothing() -> None:
    """Idempotent: what was just written and reads back needs no further command."""
    speaks = dialect("+QENG")
    raw = speaks.raw(A) | {"mode_pref": "LTE:NR5G", "nr5g_disable_mode": "1", "lte_band": "20", "nsa_nr5g_band": "78"}
    assert speaks.write(wanted(Tuning(key="x", mode="endc", bands=("B20", "n78"))), raw=raw, supported=()) == ()


@pytest.mark.parametrize(
    ("cell", "fits"),
    [
        ("lte:0:0", True),
        ("lte:262143:503", True),
        ("lte:262144:0", False),
        ("lte:0:504", False),
        ("nr:3279165:1007", True),
        ("nr:3279166:0", False),
        ("nr:0:1008", False),
        ("gsm:1:1", False),
        ("lte:-1:0", False),
        ("lte:1", False),
    ],
)
def test_a_cell_lies_within_its_ranges(cell, fits) -> None:
    # TS 36.101 5.7.3: EARFCN 0..262143; TS 36.211 6.11: PCI 0..503; TS 38.104 5.4.2.1: NR-ARFCN 0..3279165; TS 38.211 7.4.2: PCI 0..1007
    if fits:
        assert pinned(cell).rat == cell.partition(":")[0]
    else:
        with pytest.raises(GatewayRefused):
            pinned(cell)


def test_small_helpers_read_what_modems_print() -> None:
    assert fields('"common/4g",1,1300,138') == ["common/4g", "1", "1300", "138"]
    assert fields("4,2,,101") == ["4", "2", "", "101"]
    assert fields("a\rb") == ["a b"]
    assert information("AT+CNMP?\r\n+CNMP: 2\r\n\r\nOK\r\n", "+CNMP:") == ["2"]
    assert band_names([20, 3, 3], [78]) == ("B3", "B20", "n78")


def test_every_dialect_can_be_recognised_by_a_reading_command() -> None:
    for one in DIALECTS:
        assert not one.recognise.changes
        assert one.recognise in one.rows()


async def test_equipment_that_does_not_say_its_settings_is_read_only() -> None:
    clock = SimClock()
    place = Place(clock, standard_only=True)
    place.modem.faults = lambda command: Fault.ERROR if "WS46" in command else None
    gateway, _ = wireless(place, clock)
    able = await gateway.abilities()
    assert not able.can_tune
    assert able.modes == ()
    with pytest.raises(GatewayRefused, match="cannot be read back"):
        await gateway.apply(Tuning(key="x", mode="lte"))
    assert not any(command.startswith(("AT+WS46=2", "AT+WS46=3")) for command in place.modem.heard)


async def test_a_declared_list_of_bands_is_what_all_bands_means() -> None:
    clock = SimClock()
    place = Place(clock, policy=("B3", "B20", "n78"))
    gateway, _ = wireless(place, clock, bands="B3 B20, n78")
    assert (await gateway.abilities()).bands == ("B3", "B20", "n78")
    await gateway.apply(Tuning(key="x"))
    assert place.modem.configured.lte_band == (3, 20)
    assert place.modem.configured.nr5g_band == (78,)


def test_a_dialect_that_nobody_speaks_is_refused_with_those_there_are() -> None:
    with pytest.raises(DeclarationError, match=r"'\+QING'; allowed: auto, \+QENG, .*found by asking"):
        dialect("+QING")
