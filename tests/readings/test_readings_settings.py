"""Read-back of settings: what each dialect's answer says it is set to, and that no other text says anything."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bandwright.readings.settings import SETTING_ROWS, read_settings

# (text, mode, bands, cell). Forms: Network Application Note 3.2 for +QNWPREFCFG and +QNWLOCK; recorded answers for the others.
SAID = {
    "automatic": ('+QNWPREFCFG: "mode_pref",AUTO\r\n\r\nOK\r\n', "automatic", None, None),
    "lte only": ('+QNWPREFCFG: "mode_pref",LTE\n', "lte", None, None),
    "stand-alone only": ('+QNWPREFCFG: "mode_pref",NR5G\n', "nr-sa", None, None),
    "no stand-alone": ('+QNWPREFCFG: "mode_pref",LTE:NR5G\n+QNWPREFCFG: "nr5g_disable_mode",1\n', "endc", None, None),
    "neither word fits": ('+QNWPREFCFG: "mode_pref",LTE:NR5G\n+QNWPREFCFG: "nr5g_disable_mode",2\n', None, None, None),
    "bands of both": (
        '+QNWPREFCFG: "lte_band",1:3:20\n+QNWPREFCFG: "nsa_nr5g_band",28:78\n+QNWPREFCFG: "nr5g_band",78\n',
        None,
        ("B1", "B3", "B20", "n28", "n78"),
        None,
    ),
    "lock on LTE": ('+QNWLOCK: "common/4g",1,1300,138\n', None, None, "lte:1300:138"),
    "lock on NR": ('+QNWLOCK: "common/5g",500,640000,30,78\n', None, None, "nr:640000:500"),
    "no lock": ('+QNWLOCK: "common/4g",0\n', None, None, None),
    "mask": ('+QCFG: "band",0x260,0x80004,0x0\n', None, ("B3", "B20"), None),
    "older mode": ('+QCFG: "nwscanmode",3\n', "lte", None, None),
    "28 is E-UTRAN": ("+WS46: 28\n", "lte", None, None),  # TS 27.007 5.9, from memory
    "named mode": ("!SELRAT: 06, LTE Only\n", "lte", None, None),
    "profile": (
        "!BAND: \nIndex, Name,                GW Band Mask     L Band Mask\n01, LTE B3 B7            0000000000000000 0000000000000044\nOK\n",
        None,
        ("B3", "B7"),
        None,
    ),
    "numbered mode": ("+CNMP: 38\n", "lte", None, None),
    "codes of LTE": ("+XACT: 2,2,,101,103,120\n", "lte", ("B1", "B3", "B20"), None),
    "codes of both": ("+GTACT: 20,6,3,101,103,5078\n", "automatic", ("B1", "B3", "n78"), None),
    "ordered": ('^SYSCFGEX:"03",3FFFFFFF,1,2,800C5,,\n', "lte", ("B1", "B3", "B7", "B8", "B20"), None),
    "any band": ('^SYSCFGEX:"00",3FFFFFFF,1,2,7FFFFFFFFFFFFFFF,,\n', "automatic", None, None),
    "router": ('network-mode=lte,5g band="3,20" 5g-band=78\n', "automatic", ("B3", "B20", "n78"), None),
    "daemon's text": (
        "  Modes    |            supported: allowed: 3g, 4g; preferred: none\n           |              current: allowed: 4g; preferred: none\n  Bands    |              current: eutran-3, ngran-78\n",
        "lte",
        ("B3", "n78"),
        None,
    ),
    "daemon's numbers": ('{"CurrentBands": [33, 378], "CurrentModes": [8, 0]}\n', "lte", ("B3", "n78"), None),  # E-UTRA n is 30+n, NR n is 300+n
}


@pytest.mark.parametrize("name", SAID)
def test_setting_is_read_back(name):
    text, mode, bands, cell = SAID[name]
    seen = read_settings(text)
    assert (seen.mode, seen.bands, seen.cell) == (mode, bands, cell)
    assert seen.raw


@pytest.mark.parametrize(
    "text", ["", "OK\n", "+WS46: (12,22,25,28)\n", '+QNWPREFCFG: "mode_pref",LTE', "+CSQ: 20,99\n", 'AT+QNWPREFCFG="mode_pref",LTE\n', "mode_pref is LTE\n"]
)
def test_what_is_no_whole_answer_to_a_query_says_nothing(text):
    seen = read_settings(text)
    assert (seen.mode, seen.bands, seen.cell, seen.raw) == (None, None, None, ())


def test_raw_value_sets_the_setting_again():
    seen = read_settings('+QNWPREFCFG: "mode_pref",LTE:NR5G\n+QCFG: "band",0x260,0x80004,0x0\n^SYSCFGEX:"03",3FFFFFFF,1,2,800C5,,\n')
    assert dict(seen.raw) == {'+QNWPREFCFG="mode_pref"': "LTE:NR5G", '+QCFG="band"': "0x260,0x80004,0x0", "^SYSCFGEX": '"03",3FFFFFFF,1,2,800C5,,'}


def test_each_row_names_its_tag_once_and_its_source():
    tags = [row.tag for row in SETTING_ROWS]
    assert len(tags) == len(set(tags))
    assert all(row.source for row in SETTING_ROWS)


def test_texts_of_states_say_no_settings_but_those_they_print():
    for path in sorted((Path(__file__).parent / "corpus").glob("*.jsonl")):
        for line in path.read_text().splitlines():
            record = json.loads(line)
            seen = read_settings(record["raw"])
            assert seen.cell is None
            if path.stem == "labelled":
                assert seen.raw == (), record["id"]
