"""The layers by themselves: plain text, labels, values, AT fields, cross-checks; both sides of each boundary."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from bandwright.readings.at.table import DIALECTS
from bandwright.readings.checks import check_carrier
from bandwright.readings.draft import Draft, ok_field
from bandwright.readings.labels import classify
from bandwright.readings.normalise import decode, plain
from bandwright.readings.parse import parse, reading_json
from bandwright.readings.values import mode_of, read_value, registration_of
from bandwright.words.radio import Capture, FieldState, Mode, Rat, Registration, Role


def only(text, rat="lte"):
    (reading,) = parse(text)
    return next(c for c in reading.carriers if c.rat.value == rat)


def fields(text, rat="lte"):
    return {item.name: (item.value, item.state.value) for item in only(text, rat)}


# --- plain text


@pytest.mark.parametrize(
    ("given", "made"),
    [
        ("\ufeffa", "a"),
        ("a\r\nb\rc", "a\nb\nc"),
        ("> a\n> > b", "a\nb"),
        ("\x1b[31mRSRP\x1b[0m", "RSRP"),
        ("\u221292", "-92"),
        ("\uff11\uff12", "12"),
        ("\u201cLTE\u201d", '"LTE"'),
        ("a\u00a0b", "a b"),
        ("&quot;x&quot;", '"x"'),
    ],
)
def test_plain_text(given, made):
    assert plain(given).text == made


def test_span_of_a_plain_text_leads_back():
    given = "> \x1b[1mRSRP\x1b[0m: \u221292 dBm\r\n> x"
    made = plain(given)
    start = made.text.index("-92")
    span = made.original(start, start + 3)
    assert given[span.start : span.stop] == "\u221292"


@pytest.mark.parametrize("data", [b"\xff\xfeA\x00", b"\xef\xbb\xbfA", b"A", b"\xe9", b"\xff"])
def test_any_bytes_are_decoded(data):
    assert isinstance(decode(data), str)


# --- labels


@pytest.mark.parametrize(
    ("label", "quantity", "rat", "role", "index"),
    [
        ("RSRP", "rsrp", None, "", None),
        ("SS-RSRP (dBm)", "rsrp", Rat.NR, "", None),
        ("ssRsrp", "rsrp", Rat.NR, "", None),
        ("nrarfcn", "arfcn", Rat.NR, "", None),
        ("phycellid", "pci", None, "", None),
        ("LTE_SCELL2_BAND", "band", Rat.LTE, "secondary", 2),
        ("scc0_rsrp", "rsrp", None, "secondary", 0),
        ("Primary Cell RSRQ", "rsrq", None, "primary", None),
        ("DL Bandwidth [MHz]", "dl_bandwidth", None, "", None),
        ("Uplink bandwidth", "ul_bandwidth", None, "", None),
        ("UL EARFCN", "ul_arfcn", None, "", None),
        ("Neighbour cell PCI", "pci", None, "neighbour", None),
        ("Signal to Interference plus Noise Ratio", "sinr", None, "", None),
        ("Antenna 2 RSRP", "rsrp_per_port", None, "", None),
        ("IMEI", "private", None, "", None),
    ],
)
def test_label_that_is_understood(label, quantity, rat, role, index):
    key = classify(label)
    assert (key.quantity, key.rat, key.role, key.index) == (quantity, rat, role, index)
    assert key.known or quantity == "private"


@pytest.mark.parametrize(
    "label",
    [
        "RSRP threshold",
        "average RSRP",
        "min RSRP",
        "RSRP 5",
        "preferred band",
        "supported band",
        "RSCP",
        "yesterday's RSRP",
        "Download bandwidth",
        "DL/UL bandwidth",
        "Wi-Fi channel",
        "target SINR",
    ],
)
def test_label_with_a_word_that_is_not_understood_is_no_label(label):
    key = classify(label)
    assert not key.known or key.blocked or key.foreign


# --- values


@pytest.mark.parametrize(
    ("label", "text", "rat", "value", "state"),
    [
        ("RSRP", "-92 dBm", None, -92, "ok"),
        ("RSRP", "-92.5", None, -92.5, "ok"),
        ("RSRP", "-156", None, -156, "ok"),
        ("RSRP", "-157", None, None, "implausible"),
        ("RSRP", "-31", None, -31, "ok"),
        ("RSRP", "-30", None, None, "implausible"),
        ("RSRP", "--", None, None, "unknown"),
        ("RSRP", "-32768", None, None, "unknown"),
        ("RSRP", "-92 MHz", None, None, "implausible"),
        ("RSRP (dBm)", "'-92.5' dBm", None, -92.5, "ok"),
        ("bandwidth", "20 MHz", None, 20, "ok"),
        ("bandwidth", "20000 kHz", None, 20, "ok"),
        ("bandwidth", "20", None, None, "ambiguous"),
        ("LTE bandwidth", "100 RB", Rat.LTE, 20, "ok"),
        ("LTE bandwidth", "99 RB", Rat.LTE, None, "ambiguous"),
        ("cell id", "27447299", Rat.LTE, 27447299, "ok"),  # as hexadecimal it would need 30 bits
        ("cell id", "1234567", Rat.LTE, None, "ambiguous"),
        ("cell id", "0x1A2D003", Rat.LTE, 27447299, "ok"),
        ("cell id", "1A2D003 (27447299)", Rat.LTE, 27447299, "ok"),
        ("cell id", "1A2D003 (27447298)", Rat.LTE, None, "conflicting"),
        ("TAC", "6699", Rat.LTE, None, "ambiguous"),
        ("TAC", "16699", Rat.LTE, 16699, "ok"),  # as hexadecimal it would need 17 bits
        ("TAC", "FFFF", Rat.LTE, None, "unknown"),
        ("PLMN", "00101", None, "001-01", "ok"),
        ("PLMN", "001-001", None, "001-001", "ok"),
        ("band", "LTE B20 (800 MHz)", None, 20, "ok"),
        ("band", "n78", None, 78, "ok"),
        ("band", "1800 MHz (B3)", None, 3, "ok"),
        ("tx power", "18", None, None, "ambiguous"),
        ("SCS", "30 kHz", None, 30, "ok"),
        ("SCS", "1", None, None, "ambiguous"),
    ],
)
def test_value_of_a_label(label, text, rat, value, state):
    made = read_value(classify(label), text, 0, rat=rat)
    assert made is not None
    assert (made.field.value, made.field.state.value) == (value, state)


@pytest.mark.parametrize("text", ["-80 to -90 dBm", "> -80", "-80 dBm or better", "about -80", "-80..-90", "better than -80 dBm", "-80 / -90"])
def test_prose_and_ranges_are_no_value(text):
    assert read_value(classify("RSRP"), text, 0) is None


@pytest.mark.parametrize(
    ("text", "mode"),
    [
        ("LTE-A", Mode.LTE),
        ("4G+", Mode.LTE),
        ("5G NSA", Mode.ENDC),
        ("LTE+NR", Mode.ENDC),
        ("5G SA", Mode.NR_SA),
        ("NR", Mode.NR),
        ("WCDMA", Mode.WCDMA),
        ("LTE only", None),
        ("auto", None),
    ],
)
def test_mode_words(text, mode):
    assert mode_of(text) is mode


@pytest.mark.parametrize(
    ("text", "registration"),
    [
        ("Home network", Registration.HOME),
        ("Registered (roaming)", Registration.ROAMING),
        ("not registered", Registration.NONE),
        ("searching", Registration.SEARCHING),
        ("yes", None),
    ],
)
def test_registration_words(text, registration):
    assert registration_of(text) is registration


# --- AT fields


SERVING = '+QENG: "servingcell","NOCONN","LTE","FDD",001,01,1A2D003,211,1300,3,5,5,1A2B,-92,{rsrq},-61,{sinr},{tail}\n'


def test_signal_to_noise_code_of_the_serving_line():
    """dB = 2X - 20 (Network Application Note 3.2, 3.2.2; X = 25 stood beside 30.0 dB of another tool in a recorded text)."""
    assert fields(SERVING.format(rsrq=-11, sinr=25, tail="9,-,-"))["sinr"] == (30, "ok")
    assert fields(SERVING.format(rsrq=-11, sinr=0, tail="9,-,-"))["sinr"] == (-20, "ok")
    assert fields(SERVING.format(rsrq=-11, sinr=26, tail="9,-,-"))["sinr"] == (None, "implausible")


def test_layout_of_the_serving_line_by_its_number_of_fields():
    assert fields(SERVING.format(rsrq=-11, sinr=18, tail="37"))["srxlev"] == (37, "ok")
    assert "cqi" not in fields(SERVING.format(rsrq=-11, sinr=18, tail="37"))
    assert fields(SERVING.format(rsrq=-11, sinr=18, tail="9,-,37"))["cqi"] == (9, "ok")
    assert fields(SERVING.format(rsrq=-11, sinr=18, tail="9,-,37"))["srxlev"] == (37, "ok")


@pytest.mark.parametrize(
    ("code", "width"), [(0, 5), (6, 40), (8, 60), (9, None), (10, None), (11, None), (12, 100), (13, None), (15, 35), (16, 45), (17, None)]
)
def test_width_codes_of_nr_by_edition(code, width):
    """Codes 9 to 11 differ between editions of the manual; below 7.125 GHz code 12 can only be 100 MHz and 13 does not exist."""
    text = f'+QENG: "NR5G-NSA",001,01,500,-95,12,-11,640000,78,{code},1\n'
    assert fields(text, "nr")["dl_bandwidth"][0] == width


@pytest.mark.parametrize("code", ["3", "25", "32"])
def test_the_last_number_of_a_text_without_a_line_end_is_unknown(code):
    """Also where a longer one would be out of range: 747 is printed by mistake too, and its beginning 74 would be read for it."""
    assert fields(f"+XCESQ: 0,99,99,255,255,19,46,{code}")["sinr"] == (None, "unknown")
    assert fields("+XCESQ: 0,99,99,255,255,19,46,32\n")["sinr"] == (16.0, "ok")
    assert fields("Technology: LTE\nRSRP: -90 dBm\nPCI: 74 ")["pci"] == (None, "unknown")
    assert fields("Technology: LTE\nRSRP: -90 dBm\nBand: B7+").get("band", (None, ""))[0] is None


@pytest.mark.parametrize(("rsrp", "value"), [(-98, -98), (-987, -98.7), (-139, -139), (-1390, -139.0), (-200, None), (-44, -44)])
def test_tenths_are_told_from_whole_by_size(rsrp, value):
    text = f"+CPSI: LTE,Online,001-01,0x1A2B,27447299,211,EUTRAN-BAND20,6300,3,3,-11,{rsrp},-61,13\n"
    assert fields(text)["rsrp"][0] == value


def test_operator_with_one_digit_of_network_code_is_not_decided():
    text = '+QENG: "servingcell","NOCONN","LTE","FDD",1,1,1A2D003,211,1300,3,5,5,1A2B,-92,-11,-61,18,9,-,-\n'
    assert fields(text)["plmn"] == (None, "ambiguous")


def test_rxlev_never_becomes_a_level_of_lte():
    """TS 27.007 8.69: <rxlev> is of GSM, however filled."""
    (reading,) = parse("+CESQ: 17,99,255,255,255,255\n\nOK\n")
    assert reading.carriers == ()


def test_each_dialect_has_a_row_of_its_own():
    keys = [row.key for row in DIALECTS]
    tags = [tag for row in DIALECTS for tag in row.tags]
    assert len(keys) == len(set(keys))
    assert len(tags) == len(set(tags))
    assert all(row.source and row.title for row in DIALECTS)


# --- several answers


def test_two_answers_that_name_one_carrier_make_one_carrier():
    text = SERVING.format(rsrq=-11, sinr=18, tail="9,-,37") + '+QNWINFO: "FDD LTE","00101","LTE BAND 3",1300\n+CEREG: 2,1,"1A2B","01A2D003",7\n'
    (reading,) = parse(text)
    assert len(reading.carriers) == 1
    assert reading.registration is Registration.HOME


def test_two_sources_that_differ_are_both_kept_with_their_source():
    text = "[/dev/cdc-wdm0] Successfully got signal info\nLTE:\n\tRSRP: '-70 dBm'\n\tRSRQ: '-5 dB'\n\n" + SERVING.format(rsrq=-9, sinr=18, tail="9,-,37")
    (reading,) = parse(text)
    rsrq = [item for item in reading.carriers[0] if item.name == "rsrq"]
    assert [item.value for item in rsrq] == [-5, -9]
    assert len({item.source for item in rsrq}) == 2
    assert any("both are kept" in line for line in reading.warnings)


def test_the_same_answer_with_another_value_is_a_later_reading():
    readings = parse("+CESQ: 99,99,255,255,20,80\nOK\n+CESQ: 99,99,255,255,20,81\nOK\n")
    assert [r.carriers[0].get("rsrp").low for r in readings] == [-61, -60]


def test_rows_of_a_log_are_readings():
    readings = parse("time,rat,rsrp,rsrq,pci\n2026-01-01T10:00:00Z,LTE,-92,-11,211\n2026-01-01T10:01:00Z,LTE,-93,-12,211\n")
    assert [r.carriers[0].get("rsrp").value for r in readings] == [-92, -93]


# --- cross-checks


def checked(rat, role=Role.SERVING, **values):
    draft = Draft(rat, role, 0)
    for name, value in values.items():
        draft.put(ok_field(name, value, 0, 1))
    warnings = []
    check_carrier(draft, warnings)
    return draft.fields, warnings


def test_channel_against_band():
    """TS 36.101 5.7.3: 1300 is B3; 66436 is B66, and 900 is what its lowest 16 bits print. TS 38.101-1 5.4.2.3: 629952 is n77 and n78."""
    fields_, _ = checked(Rat.LTE, arfcn=1300, band=3)
    assert fields_["arfcn"].value == 1300
    fields_, warnings = checked(Rat.LTE, arfcn=1300, band=20)
    assert fields_["arfcn"].state is FieldState.CONFLICTING
    assert fields_["band"].value == 20
    assert warnings
    fields_, _ = checked(Rat.LTE, arfcn=900, band=66)
    assert (fields_["arfcn"].value, fields_["arfcn"].derived) == (66436, True)
    fields_, _ = checked(Rat.LTE, arfcn=6300)
    assert (fields_["band"].value, fields_["band"].derived) == (20, True)
    fields_, _ = checked(Rat.NR, arfcn=629952)
    assert "band" not in fields_
    fields_, _ = checked(Rat.NR, arfcn=693334)  # n79 alone
    assert (fields_["band"].value, fields_["band"].derived) == (79, True)


@pytest.mark.parametrize(("rat", "pci", "kept"), [(Rat.LTE, 503, True), (Rat.LTE, 504, False), (Rat.NR, 1007, True), (Rat.NR, 1008, False), (Rat.LTE, 0, True)])
def test_physical_cell_id_ranges(rat, pci, kept):
    """TS 36.211 6.11 and TS 38.211 7.4.2."""
    fields_, _ = checked(rat, pci=pci)
    assert (fields_["pci"].value == pci) is kept


def test_identity_against_its_node():
    """TS 36.413 9.2.1.37: 27447299 is cell 3 of node 107216."""
    assert checked(Rat.LTE, cell_id=27447299, enb_id=107216)[0]["enb_id"].value == 107216
    assert checked(Rat.LTE, cell_id=27447299, enb_id=107215)[0]["enb_id"].state is FieldState.CONFLICTING


def test_floor_of_the_range_is_a_default_where_the_level_stands_there_too():
    fields_, _ = checked(Rat.LTE, rsrp=-140, rsrq=-20, rssi=-117)
    assert all(fields_[name].value is None for name in ("rsrp", "rsrq", "rssi"))
    fields_, _ = checked(Rat.LTE, rsrp=-89.3, rsrq=-20.0)
    assert fields_["rsrq"].value == -20.0


def test_widths_that_no_carrier_has():
    """TS 36.101 table 5.6.1-1: B8 ends at 10 MHz."""
    assert checked(Rat.LTE, band=8, dl_bandwidth=20)[0]["dl_bandwidth"].state is FieldState.CONFLICTING
    assert checked(Rat.LTE, band=8, dl_bandwidth=10)[0]["dl_bandwidth"].value == 10
    assert checked(Rat.LTE, dl_bandwidth=40)[0]["dl_bandwidth"].state is FieldState.IMPLAUSIBLE
    assert checked(Rat.NR, dl_bandwidth=40)[0]["dl_bandwidth"].value == 40


# --- privacy and shape


@pytest.mark.parametrize(
    "text",
    [
        "IMEI: 001100110011002\nNetwork type: LTE\nRSRP: -92 dBm\n",
        '{"imei":"001100110011002","rat":"LTE","rsrp":-92}\n',
        "  imsi: 001010123456789\n  primary-band: B3@20Mhz earfcn: 1300 phy-cellid: 211\n",
    ],
)
def test_identities_of_subscriber_and_device_are_flagged_and_never_read(text):
    readings = parse(text)
    shown = repr(readings)
    assert "0011001100" not in shown
    assert "0010101234" not in shown
    assert any("redact" in line for reading in readings for line in reading.warnings)


def test_plain_data_has_exactly_the_documented_shape():
    text = SERVING.format(rsrq=-11, sinr=18, tail="9,-,37")
    made = reading_json(parse(text)[0], text)
    assert sorted(made) == ["carriers", "mode", "registration", "unread"]
    assert made["carriers"][0]["fields"]["rsrp"] == {"value": -92, "unit": "dBm"}
    assert made["carriers"][0]["fields"]["tx_power"] == {"value": None, "why": "printed as not known", "state": "unknown"}
    code = "+CESQ: 99,99,255,255,20,0\n"
    assert reading_json(parse(code)[0], code)["carriers"][0]["fields"]["rsrp"] == {"low": None, "high": -140.0, "unit": "dBm"}
    beside = "Network type: LTE\nRSRP: -92 dBm\nSomething else: 12\n"
    assert reading_json(parse(beside)[0], beside)["unread"] == [{"start": 32, "stop": 50, "text": "Something else: 12"}]


def test_capture_gives_its_time_and_key_to_its_readings():
    at = datetime(2026, 1, 1, 10, 0, tzinfo=UTC)
    capture = Capture(key="c1", at=at, kind="pasted", text='+CEREG: 2,1,"1A2B","01A2D003",7\r\n\r\nOK\r\n')
    (reading,) = parse(capture)
    assert (reading.at, reading.capture_key, reading.dialects) == (at, "c1", ("TS 27.007",))
    assert reading == replace(parse(capture.text)[0], at=at, capture_key="c1")
    assert parse(capture.text.encode()) == parse(capture.text)


def test_rows_under_headings_of_their_kind_are_read():
    text = "+GTCCINFO:\nLTE service cell:\n1,4,001,01,1A2B,1A2D003,1300,211,103,100,40,50,49,18\nLTE neighbor cell:\n2,4,,,FFFF,00FFFFFFF,1300,12,,36,36,10\n\nOK\n"
    (reading,) = parse(text)
    assert [(c.role, c.get("pci").value) for c in reading.carriers] == [(Role.SERVING, 211), (Role.NEIGHBOUR, 12)]
    assert reading.carriers[0].get("dl_bandwidth").value == 20
