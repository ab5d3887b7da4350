"""What the twin's modem answers to each command: the dialect of `+QENG` and what 3GPP TS 27.007 asks of every modem, printed from its plain state.

Sources of the layouts: Network Application Note 3.2; 3GPP TS 27.007, 8.5, 8.69, 10.1.22, 10.1.47, 7.3; codes 36.133 9.1.4, 9.1.7 and 38.133 10.1.6.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from typing import Protocol

from bandwright.twin.modem_state import CarrierState, ModemSettings, RadioState

__all__ = ["COMMANDS", "Action", "Asked"]


class Asked(Protocol):
    """The modem, as far as its answers need it; see `twin.modem.TwinModem`."""

    state: Callable[[], RadioState]
    configured: ModemSettings
    has: tuple[tuple[int, ...], tuple[int, ...]]
    operator_format: int
    reports: dict[str, int]

    def effective(self, settings: ModemSettings) -> ModemSettings: ...  # noqa: D102 -- named by itself
    def configure(self, **changes: object) -> list[str]: ...  # noqa: D102 -- named by itself


Action = Callable[[Asked, "re.Match[str]"], list[str]]

_LTE_RB = {1.4: 6, 3.0: 15, 5.0: 25, 10.0: 50, 15.0: 75, 20.0: 100}
_LTE_BW_CODE = {1.4: 0, 3.0: 1, 5.0: 2, 10.0: 3, 15.0: 4, 20.0: 5}
_NR_BW_CODE = {5: 0, 10: 1, 15: 2, 20: 3, 25: 4, 30: 5, 40: 6, 50: 7, 60: 8, 70: 9, 80: 10, 90: 11, 100: 12, 200: 13, 400: 14, 35: 15, 45: 16}
_SCS_CODE = {15: 0, 30: 1, 60: 2, 120: 3, 240: 4}
_LTE_TDD = range(33, 54)
_NR_TDD = (34, 38, 39, 40, 41, 46, 47, 48, 50, 51, 53, 77, 78, 79, 90, 96, 101, 102, 104)
_STAT = {"none": 0, "home": 1, "searching": 2, "denied": 3, "limited": 8, "roaming": 5}


def _number(band: str) -> int:
    return int(band[1:])


def _ue_state(state: RadioState) -> str:
    if state.mode == "none" or state.registration in ("none", "searching"):
        return "SEARCH"
    if state.registration in ("limited", "denied"):
        return "LIMSRV"
    return "CONNECT" if state.connected else "NOCONN"


def _lte_tail(state: RadioState, cell: CarrierState) -> str:
    """Return the LTE part of a serving-cell line, from the duplex on."""
    mcc, mnc = state.plmn.split("-")
    bandwidth = _LTE_BW_CODE.get(float(cell.get("bandwidth_mhz", 20.0)), 5)
    rsrp, rsrq, sinr = cell.get("rsrp_dbm", -140.0), cell.get("rsrq_db", -20.0), cell.get("sinr_db", -20.0)
    duplex = "TDD" if _number(cell["band"]) in _LTE_TDD else "FDD"
    tx = round(cell["tx_power_dbm"] * 10) if cell.get("tx_power_dbm") is not None else "-"
    return (
        f'"LTE","{duplex}",{mcc},{mnc},{cell.get("cell_id", state.cell_id):X},{cell["pci"]},{cell["arfcn"]},{_number(cell["band"])},{bandwidth},{bandwidth},{cell.get("tac", state.tac):X},'
        f"{round(rsrp)},{round(rsrq)},{round(_rssi(cell))},{max(0, round((sinr + 20) / 2))},{cell.get('cqi', '-')},{tx},{max(0, round(rsrp + 122))}"
    )


def _rssi(cell: CarrierState) -> float:
    if cell.get("rssi_dbm") is not None:
        return float(cell["rssi_dbm"])
    blocks = _LTE_RB.get(float(cell.get("bandwidth_mhz", 20.0)), 100)
    return float(cell.get("rsrp_dbm", -140.0)) - float(cell.get("rsrq_db", -20.0)) + 10 * math.log10(blocks)


def _nr_width(cell: CarrierState) -> tuple[int, int]:
    return _NR_BW_CODE.get(round(cell.get("bandwidth_mhz", 20.0)), 3), _SCS_CODE.get(cell.get("scs_khz", 30), 1)


def _serving(modem: Asked, _found: re.Match[str]) -> list[str]:
    state = modem.state()
    ue = _ue_state(state)
    mcc, mnc = state.plmn.split("-")
    pcell, pscell = state.first("pcell"), state.first("pscell")
    if pcell is None or ue == "SEARCH":
        return ['+QENG: "servingcell","SEARCH"', "OK"]
    if pcell["rat"] == "nr":
        width, scs = _nr_width(pcell)
        duplex = "TDD" if _number(pcell["band"]) in _NR_TDD else "FDD"
        line = (
            f'+QENG: "servingcell","{ue}","NR5G-SA","{duplex}",{mcc},{mnc},{pcell.get("cell_id", state.cell_id):X},{pcell["pci"]},{state.tac:06X},{pcell["arfcn"]},'
            f"{_number(pcell['band'])},{width},{round(pcell['rsrp_dbm'])},{round(pcell['rsrq_db'])},{round(pcell['sinr_db'])},{scs},-"
        )
        return [line, "OK"]
    if pscell is None:
        return [f'+QENG: "servingcell","{ue}",{_lte_tail(state, pcell)}', "OK"]
    width, scs = _nr_width(pscell)
    return [
        f'+QENG: "servingcell","{ue}"',
        f"+QENG: {_lte_tail(state, pcell)}",
        f'+QENG: "NR5G-NSA",{mcc},{mnc},{pscell["pci"]},{round(pscell["rsrp_dbm"])},{round(pscell["sinr_db"])},{round(pscell["rsrq_db"])},{pscell["arfcn"]},{_number(pscell["band"])},{width},{scs}',
        "OK",
    ]


def _neighbours(modem: Asked, _found: re.Match[str]) -> list[str]:
    state = modem.state()
    pcell = state.first("pcell")
    lines = []
    for cell in state.carriers:
        if cell.get("role") == "neighbour" and cell["rat"] == "lte":
            where = "intra" if pcell is not None and pcell["arfcn"] == cell["arfcn"] else "inter"
            lines.append(
                f'+QENG: "neighbourcell {where}","LTE",{cell["arfcn"]},{cell["pci"]},{round(cell.get("rsrq_db", -12))},{round(cell["rsrp_dbm"])},{round(_rssi(cell))},0,{max(0, round(cell["rsrp_dbm"] + 122))},-,-,-,-'
            )
    return [*lines, "OK"]


def _aggregated(modem: Asked, _found: re.Match[str]) -> list[str]:
    lines = []
    for cell in modem.state().carriers:
        role = {"pcell": "PCC", "scell": "SCC", "pscell": "SCC"}.get(cell.get("role", ""))
        if role is None:
            continue
        status = 1 if role == "PCC" else (2 if cell.get("active", True) else 1)
        band = _number(cell["band"])
        if cell["rat"] == "lte":
            blocks = _LTE_RB.get(float(cell.get("bandwidth_mhz", 20.0)), 100)
            tail = "" if role == "PCC" else ",0,-,-"
            lines.append(
                f'+QCAINFO: "{role}",{cell["arfcn"]},{blocks},"LTE BAND {band}",{status},{cell["pci"]},{round(cell["rsrp_dbm"])},{round(cell["rsrq_db"])},{round(_rssi(cell))},{round(cell["sinr_db"])}{tail}'
            )
        elif role == "PCC":
            lines.append(f'+QCAINFO: "PCC",{cell["arfcn"]},{_nr_width(cell)[0]},"NR5G BAND {band}",{cell["pci"]}')
        else:
            lines.append(
                f'+QCAINFO: "SCC",{cell["arfcn"]},{_nr_width(cell)[0]},"NR5G BAND {band}",{status},{cell["pci"]},0,-,-,{round(cell["rsrp_dbm"])},{round(cell["rsrq_db"])}'
            )
    return [*lines, "OK"]


def _network_info(modem: Asked, _found: re.Match[str]) -> list[str]:
    state = modem.state()
    legs = [c for c in (state.first("pcell"), state.first("pscell")) if c is not None]
    if not legs:
        return ["+QNWINFO: No Service", "OK"]
    lines = []
    for cell in legs:
        nr = cell["rat"] == "nr"
        duplex = "TDD" if _number(cell["band"]) in (_NR_TDD if nr else _LTE_TDD) else "FDD"
        lines.append(
            f'+QNWINFO: "{duplex} {"NR5G" if nr else "LTE"}","{state.plmn.replace("-", "")}","{"NR5G" if nr else "LTE"} BAND {_number(cell["band"])}",{cell["arfcn"]}'
        )
    return [*lines, "OK"]


def _extended(modem: Asked, _found: re.Match[str]) -> list[str]:
    state = modem.state()
    codes = [99, 99, 255, 255, 255, 255, 255, 255, 255]
    for cell in (state.first("pcell"), state.first("pscell")):
        if cell is not None and cell["rat"] == "lte":
            codes[4] = _code(cell["rsrq_db"], -20.0, 0.5, 34)
            codes[5] = _code(cell["rsrp_dbm"], -141.0, 1.0, 97)
        elif cell is not None:
            codes[6] = _code(cell["rsrq_db"], -43.5, 0.5, 126)
            codes[7] = _code(cell["rsrp_dbm"], -157.0, 1.0, 126)
            codes[8] = _code(cell["sinr_db"], -23.5, 0.5, 127)
    return ["+CESQ: " + ",".join(str(code) for code in codes), "OK"]


def _code(value: float, low: float, step: float, top: int) -> int:
    return min(top, max(0, math.floor((value - low) / step)))


def _strength(modem: Asked, _found: re.Match[str]) -> list[str]:
    pcell = modem.state().first("pcell")
    code = 99 if pcell is None or pcell["rat"] != "lte" else min(31, max(0, round((_rssi(pcell) + 113) / 2)))
    return [f"+CSQ: {code},99", "OK"]


def _registration(modem: Asked, found: re.Match[str]) -> list[str]:
    state, word = modem.state(), found.group(1)
    n = modem.reports.get(word, 0)
    is_5g = state.mode == "nr-sa"
    stat = _STAT.get(state.registration, 0) if (word == "C5GREG") == is_5g or state.mode == "none" else 0
    where = ""
    if n >= 2 and stat in (1, 5):
        act = 11 if is_5g else 7
        where = f',"{state.tac:06X}","{state.cell_id:09X}",{act}' if is_5g else f',"{state.tac:04X}","{state.cell_id:08X}",{act}'
    return [f"+{word}: {n},{stat}{where}", "OK"]


def _report(modem: Asked, found: re.Match[str]) -> list[str]:
    modem.reports[found.group(1)] = int(found.group(2))
    return ["OK"]


def _operator(modem: Asked, _found: re.Match[str]) -> list[str]:
    state = modem.state()
    if state.mode == "none":
        return ["+COPS: 0", "OK"]
    name = state.plmn.replace("-", "") if modem.operator_format == 2 else state.operator
    return [f'+COPS: 0,{modem.operator_format},"{name}",{11 if state.mode == "nr-sa" else 7}', "OK"]


def _operator_format(modem: Asked, found: re.Match[str]) -> list[str]:
    modem.operator_format = int(found.group(1))
    return ["OK"]


def _per_port(modem: Asked, found: re.Match[str]) -> list[str]:
    state, word = modem.state(), found.group(1)
    cell = state.first("pcell")
    if cell is None:
        return ["ERROR"]
    value = round({"QRSRP": cell["rsrp_dbm"], "QRSRQ": cell["rsrq_db"], "QSINR": cell["sinr_db"]}[word])
    return [f"+{word}: {value},{value},-32768,-32768,{'NR5G' if cell['rat'] == 'nr' else 'LTE'}", "OK"]


def _preference_ask(modem: Asked, found: re.Match[str]) -> list[str]:
    name, held = found.group(1), modem.configured
    values = {
        "mode_pref": held.mode_pref,
        "nr5g_disable_mode": str(held.nr5g_disable_mode),
        "lte_band": _list(held.lte_band),
        "nr5g_band": _list(held.nr5g_band),
        "nsa_nr5g_band": _list(held.nsa_nr5g_band),
    }
    return [f'+QNWPREFCFG: "{name}",{values[name]}', "OK"]


def _bands_ask(modem: Asked, found: re.Match[str]) -> list[str]:
    lte, nr = modem.has
    all_of_it = ModemSettings(lte_band=lte, nr5g_band=nr, nsa_nr5g_band=nr)
    shown = modem.effective(all_of_it if found.group(1) == "policy_band" else modem.configured)
    lists = (("lte_band", shown.lte_band), ("nsa_nr5g_band", shown.nsa_nr5g_band), ("nr5g_band", shown.nr5g_band))
    return [*(f'+QNWPREFCFG: "{name}",{_list(bands)}' for name, bands in lists), "OK"]


def _list(bands: Sequence[int]) -> str:
    return ":".join(str(n) for n in bands) or "0"


def _set_mode(modem: Asked, found: re.Match[str]) -> list[str]:
    return modem.configure(mode_pref=found.group(1).upper())


def _set_disable(modem: Asked, found: re.Match[str]) -> list[str]:
    return modem.configure(nr5g_disable_mode=int(found.group(1)))


def _set_bands(modem: Asked, found: re.Match[str]) -> list[str]:
    bands = tuple(sorted({int(n) for n in found.group(2).split(":")}))
    lte, nr = modem.has
    if not set(bands) <= set(lte if found.group(1) == "lte_band" else nr):
        return ["ERROR"]
    return modem.configure(**{found.group(1): bands})


def _system_ask(modem: Asked, _found: re.Match[str]) -> list[str]:
    return [f"+WS46: {({'lte': 28, 'nr-sa': 36}).get(modem.configured.mode, 37 if modem.configured.mode_pref != 'AUTO' else 35)}", "OK"]


def _set_system(modem: Asked, found: re.Match[str]) -> list[str]:
    return modem.configure(mode_pref={"28": "LTE", "35": "AUTO", "36": "NR5G", "37": "LTE:NR5G"}[found.group(1)])


def _pin_ask(modem: Asked, found: re.Match[str]) -> list[str]:
    held = modem.configured
    pin = (1, *held.pin_lte) if held.pin_lte is not None else None
    values: tuple[int, ...] | None = pin if found.group(1) == "common/4g" else held.pin_nr
    return [f'+QNWLOCK: "{found.group(1)}",' + ",".join(str(n) for n in values or (0,)), "OK"]


def _pin_lte(modem: Asked, found: re.Match[str]) -> list[str]:
    return modem.configure(pin_lte=(int(found.group(1)), int(found.group(2))))


def _pin_nr(modem: Asked, found: re.Match[str]) -> list[str]:
    pci, arfcn, scs, band = (int(n) for n in found.groups())
    return modem.configure(pin_nr=(pci, arfcn, scs, band))


def _unpin(modem: Asked, found: re.Match[str]) -> list[str]:
    return modem.configure(**{"pin_lte" if found.group(1) == "common/4g" else "pin_nr": None})


def _lines(*lines: str) -> Action:
    def give(_modem: Asked, _found: re.Match[str]) -> list[str]:
        return [*lines, "OK"]

    return give


def _row(pattern: str, action: Action) -> tuple[re.Pattern[str], Action]:
    return re.compile(pattern, re.IGNORECASE), action


COMMANDS: tuple[tuple[re.Pattern[str], Action], ...] = (
    _row(r'\+QENG="servingcell"', _serving),
    _row(r'\+QENG="neighbourcell"', _neighbours),
    _row(r"\+QCAINFO\??", _aggregated),
    _row(r"\+QNWINFO", _network_info),
    _row(r"\+(QRSRP|QRSRQ|QSINR)", _per_port),
    _row(r'\+QNWPREFCFG\s*=\s*"(mode_pref|nr5g_disable_mode|lte_band|nr5g_band|nsa_nr5g_band)"', _preference_ask),
    _row(r'\+QNWPREFCFG\s*=\s*"(policy_band|ue_capability_band)"', _bands_ask),
    _row(r'\+QNWPREFCFG\s*=\s*"mode_pref",((?:AUTO|LTE|NR5G|WCDMA)(?::(?:LTE|NR5G|WCDMA))*)', _set_mode),
    _row(r'\+QNWPREFCFG\s*=\s*"nr5g_disable_mode",([012])', _set_disable),
    _row(r'\+QNWPREFCFG\s*=\s*"(lte_band|nr5g_band|nsa_nr5g_band)",(\d+(?::\d+)*)', _set_bands),
    _row(r'\+QNWLOCK\s*=\s*"(common/4g|common/5g)"', _pin_ask),
    _row(r'\+QNWLOCK\s*=\s*"common/4g",1,(\d+),(\d+)', _pin_lte),
    _row(r'\+QNWLOCK\s*=\s*"common/5g",(\d+),(\d+),(\d+),(\d+)', _pin_nr),
    _row(r'\+QNWLOCK\s*=\s*"(common/4g|common/5g)",0', _unpin),
    _row(r"\+CESQ", _extended),
    _row(r"\+CESQ=\?", _lines("+CESQ: (0-63,99),(0-7,99),(0-96,255),(0-49,255),(0-34,255),(0-97,255),(0-126,255),(0-126,255),(0-127,255)")),
    _row(r"\+CSQ", _strength),
    _row(r"\+(CEREG|C5GREG|CGREG|CREG)\?", _registration),
    _row(r"\+(CEREG|C5GREG|CGREG|CREG)=([0-5])", _report),
    _row(r"\+CEREG=\?", _lines("+CEREG: (0-2)")),
    _row(r"\+COPS\?", _operator),
    _row(r"\+COPS=3,([012])", _operator_format),
    _row(r"\+CPIN\?", _lines("+CPIN: READY")),
    _row(r"\+CFUN\?", _lines("+CFUN: 1")),
    _row(r"\+CGDCONT\?", _lines('+CGDCONT: 1,"IPV4V6","internet","",0,0')),
    _row(r"\+CGACT\?", _lines("+CGACT: 1,1")),
    _row(r"\+WS46=\?", _lines("+WS46: (12,22,25,28,29,35,36,37)")),
    _row(r"\+WS46\?", _system_ask),
    _row(r"\+WS46=(28|35|36|37)", _set_system),
    _row(r"\+CGDCONT=\?", _lines('+CGDCONT: (1-11),"IP",,,(0-2),(0-4)', '+CGDCONT: (1-11),"IPV4V6",,,(0-2),(0-4)')),
    _row(r"\+GCAP", _lines("+GCAP: +CGSM,+DS,+ES")),
    _row(r"\+CGMI", _lines("TEST")),
    _row(r"\+CGMM", _lines("Twin modem")),
    _row(r"\+CGMR", _lines("1.0")),
    _row(r"\+CGSN", _lines("001100110011002")),
    _row(r"\+CMEE=[012]", _lines()),
)
