"""Nothing can be sent that is in no table: every never-sent command is tried, by every way that text could take."""

from __future__ import annotations

import re
import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandwright.errors import DeclarationError, GatewayRefused, OurFault
from bandwright.gateways import kinds
from bandwright.gateways.commands import Choice, Command, HexMask, Numbers, Row, Whole, Words, forbidden
from bandwright.gateways.dialects.base import wanted
from bandwright.gateways.dialects.table import DIALECTS, allowed_rows
from bandwright.gateways.router import ROUTER_ROWS
from bandwright.gateways.tools import MBIM, QMI
from bandwright.words.rig import GatewayPlan, Tuning

# Commands that this program never sends. Sources: TS 27.007 and the command manuals of the dialects; each stands for its family.
NEVER = (
    *('AT+EGMR=1,7,"001100110011002"', 'AT+SIMEI="001100110011002"', "AT^PHYNUM=IMEI,001100110011002", "AT!NVENCRYPTIMEI=00,11", "AT!IMEI=0"),  # identities
    *("AT&F", "AT+QPRTPARA=1", "AT+QPRTPARA=3", 'AT!CUSTOM="X",1', "AT!IMAGE=0", 'AT!PRIID="x"', "AT!USBVID=1199", "AT!USBPID=9071"),  # factory and files
    *('AT+QMBNCFG="Select","x"', 'AT+QNVW=1,0,"00"', 'AT+QNVFW="/nv/item_files/x",00', "AT^NVWREX=1,0,1,00", 'AT+QNWPREFCFG="restore_band"', "AT&W"),
    *("AT+GTFCCLOCKSTATE=1", "AT+GTFCCLOCKGEN", "qmicli --dms-restore-factory-defaults=000000", "mmcli -m 0 --factory-reset=000000", "AT+QFOTADL=x"),
    *('AT+CPIN="0000"', 'AT+CLCK="SC",1,"0000"', 'AT+CPWD="SC","0000","1111"', "AT^CARDLOCK=1", 'AT+CSIM=10,"0020000100"', "AT+CRSM=214,28539"),  # SIM
    *("AT+QUIMSLOT=2", "AT^SWITCH_SLOT=1", "ATD*99#", "ATD0123456789;", 'AT+CMGS="+10000"', 'AT+CUSD=1,"*100#"'),  # slots, calls and money
    *('AT+QCFG="usbnet",1', "AT!USBCOMP=1,1,10D", "AT+GTUSBMODE=40", "AT+IPR=9600"),  # port and USB mode
    *("AT+CFUN=0", "AT+CFUN=1", "AT+CFUN=1,1", "AT+CFUN=4", "AT+QPOWD", "AT!RESET", "AT+CRESET", "AT+CPOF", "AT^RESET", "AT^SMSO", "AT+COPS=2"),  # radio off
    *("qmicli --dms-set-operating-mode=offline", "mmcli -m 0 --reset", "AT+COPS=?", "AT+QSCAN=3,1"),  # power, scans
)

ALL_ROWS = (*allowed_rows(), *ROUTER_ROWS)


def words_of(row: Row) -> re.Pattern[str]:
    """The form of everything a row can send: its template, with what each slot lets through."""
    kind = {Choice: r"[\w,.]*", Words: r"[A-Z0-9:]+", Whole: r"\d+", Numbers: r'[\d:,]*|""', HexMask: "[0-9A-F]+"}
    text = re.escape(row.template)
    for name, slot in row.slots:
        text = text.replace(re.escape("{" + name + "}"), f"(?:{kind.get(type(slot), '[A-Za-z0-9_-]+')})")
    return re.compile(text)


@pytest.mark.parametrize("text", NEVER)
def test_no_row_can_produce_it(text) -> None:
    assert [row.key for row in ALL_ROWS if words_of(row).fullmatch(text)] == []
    assert text.split()[-1] not in (*QMI.arguments(), *MBIM.arguments())


@pytest.mark.parametrize("text", NEVER)
def test_a_command_cannot_be_made_from_text(text) -> None:
    with pytest.raises(OurFault):
        Command(text, ALL_ROWS[0])
    with pytest.raises(OurFault):
        Command(text, Row(key="own", template=text), object())


@pytest.mark.parametrize("row", [row for row in ALL_ROWS if row.slots], ids=lambda row: row.key)
def test_no_slot_lets_it_through(row) -> None:
    for text in NEVER:
        for smuggled in (text, f";{text[2:]}", f'1"\r{text}', (text,), [text]):
            with pytest.raises(GatewayRefused, match="Nothing was sent"):
                row.fill(**{name: smuggled for name, _ in row.slots})


@pytest.mark.parametrize("text", NEVER)
def test_no_declared_request_may_hold_it(text) -> None:
    ways = (
        (("fetch.command", f"modem-tool --send '{text}'"),),
        (("fetch.url", f"http://192.0.2.1/at?command={text.replace(' ', '%20').replace('#', '%23')}"),),
        (("fetch.url", "http://192.0.2.1/at"), ("fetch.method", "POST"), ("fetch.body", f"command={text}")),
        (("fetch.url", "http://192.0.2.1/"), ("apply.url", "http://192.0.2.1/"), ("apply.body", text), ("settings.url", "http://192.0.2.1/")),
    )
    for settings_ in ways:
        with pytest.raises(DeclarationError, match="never asked for"):
            kinds.open_gateway(GatewayPlan(key="own", kind="remote", settings=settings_), clock=None)


@pytest.mark.parametrize("dressed", ["AT%2BCFUN%3D0", "AT+CFUN =0", "at+cfun=0", "ＡＴ＋ＣＦＵＮ＝０", 'AT+"CFUN"=0', "AT%252BCFUN%253D0", "AT+CF\\UN=0"])
def test_a_disguised_command_is_known(dressed) -> None:
    assert forbidden(dressed) is not None


@pytest.mark.parametrize("harmless", ["/api/radio?format&Fields=all", "/atdata", "/status?a=1+iprange", "/net/mode", "show --signal", "/lte/attach", "AT+CSQ"])
def test_a_harmless_request_is_not_taken_for_forbidden(harmless) -> None:
    assert forbidden(harmless) is None


def test_what_may_be_sent_is_not_taken_for_forbidden() -> None:
    for row in ALL_ROWS:
        assert forbidden(row.template) is None, row.key


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    mode=st.text(string.printable, max_size=12),
    bands=st.lists(st.text(string.printable, max_size=8), max_size=3),
    cell=st.none() | st.text(string.printable, max_size=24),
)
def test_a_tuning_of_any_text_is_refused_or_sent_as_rows_only(mode, bands, cell) -> None:
    try:
        want = wanted(Tuning(key="x", mode=mode, bands=tuple(bands), cell=cell))
    except GatewayRefused:
        return
    for dialect in DIALECTS:
        try:
            commands = dialect.write(want, raw={}, supported=("B3", "n78"))
        except GatewayRefused:
            continue
        for command in commands:
            assert words_of(command.row).fullmatch(command.text)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    raw=st.dictionaries(
        st.sampled_from(
            [
                "mode_pref",
                "nr5g_disable_mode",
                "lte_band",
                "common/4g",
                "common/5g",
                "ws46",
                "cnmp",
                "xact",
                "gtact",
                "syscfgex",
                "band",
                "selrat",
                "nwscanmode",
            ]
        ),
        st.text(string.printable, max_size=30),
    )
)
def test_a_former_setting_of_any_text_is_refused_or_sent_as_rows_only(raw) -> None:
    for dialect in DIALECTS:
        try:
            commands = dialect.put_back(raw, raw={})
        except GatewayRefused:
            continue
        for command in commands:
            assert words_of(command.row).fullmatch(command.text)
            assert forbidden(command.text) is None


def test_rows_have_their_own_keys_and_say_where_they_come_from() -> None:
    for dialect in DIALECTS:
        keys = [row.key for row in dict.fromkeys(dialect.rows())]
        assert len(keys) == len(set(keys))
        assert all(row.source for row in dialect.rows())
        assert all(row.changes == (row in dialect.writes) for row in dialect.rows())
