"""A share out and in: the same records, nothing private, one clear error for anything that is no share."""

from __future__ import annotations

import json
import struct
import zipfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bandwright.errors import BandwrightError, UsageError
from bandwright.words.campaign import Design, RoundDrawn, Stopped, Tested
from bandwright.words.measurement import Measurement, Method, Value
from bandwright.words.radio import Capture, Carrier, Exchange, Field, Mode, Rat, Reading, Role, Span
from bandwright.words.rig import Setup
from bandwright.words.site import Hours, Need, Requirements
from bandwright.words.watch import HourKept
from bandwright.workspace.declared import read_declared
from bandwright.workspace.exchange import FILES, VERSION, Checked, Share, keep, read_share, redacted, write_share
from bandwright.workspace.records import DiskRecords
from bandwright.workspace.redact import SHARED_NAME, redact_site

AT = datetime(2026, 11, 2, 9, 0, tzinfo=UTC)
IMEI, IMSI, PHONE, MAC = "490154203237518", "001010123456789", "+4915550000000", "02:00:5e:10:00:01"  # invented: TS 23.003 B.1's example, test PLMN, no number in use
SITE = """# the house behind the church, third door
[site]
name = "Nobody's house"
notes = "key under the pot"
timezone = "Europe/London"
latitude_deg = 51.2345
longitude_deg = -1.2345
height_m = 123

[[mast]]
name = "hill"
latitude_deg = 51.3
longitude_deg = -1.3

[[need]]
kind = "video call"

[[line]]
key = "A"
plmn = "001-01"
price_per_month = "31 GBP"

[[gateway]]
key = "own"
kind = "at-tcp"
address = "192.0.2.77:5000"
interface = "enp7s0"
price = "310 GBP"
capability = { max_dl_layers = 4 }

[[rig]]
key = "gable"
line = "A"
gateway = "own"
price = "32 GBP"
antenna = { kind = "panel", gain_dbi = 9, price = "95 GBP" }

[[tuning]]
key = "automatic"

[campaign]
seed = 5
in_use = "gable/automatic"

[far_end]
address = "far.example.org:8620"

[settings]
alert_to = "my-phone"
warmup_s = 12.0
"""
PRIVATE = ("church", "Nobody", "pot", "51.2345", "1.2345", "51.3", "GBP", "192.0.2.77", "enp7s0", "far.example.org", "my-phone", IMEI, IMSI, PHONE, MAC, "Householder", "2001:db8::7", "wlan5")


def share() -> Share:
    """Return a share with one record of each sort, each holding something private."""
    need = Need(key="call", kind="video call", requirements=Requirements(uplink_mbps=3.0), hours=Hours("daily 09:00-17:00", tuple((d, 540, 1020) for d in range(7))))
    text = f"AT+GSN\r\n{IMEI}\r\nAT+CIMI\r\n{IMSI}\r\nmac {MAC} call {PHONE} ip 192.0.2.77 lat: 51.2345\r\n+CESQ: 99,99,255,255,20,80\r\nOK\r\n"
    capture = Capture(
        key="c1", at=AT, kind="at-tcp", text=text, exchanges=(Exchange(sent="AT+GSN", received=f"{IMEI}\r\nOK"),), gateway="own", moment="idle", meta=(("device", "192.0.2.77:5000"), ("dialect", "A"))
    )
    carrier = Carrier(rat=Rat.LTE, role=Role.PCELL, fields=(Field(name="rsrp", value=-91.25, unit="dBm", span=Span(90, 93)), Field(name="cell_id", value=0x1A2D003)))
    reading = Reading(mode=Mode.LTE, carriers=(carrier,), at=AT, capture_key="c1", warnings=(f"IMEI {IMEI} seen",))
    facts = (("streams", 4), ("campaign", "c1"), ("interface", "wlan5"), ("near_address", "2001:db8::7"))
    measurement = Measurement(
        key="m1", at=AT, method=Method.NEAR_FAR, reason="2001:db8::7 and https://far.example.org/x gave up", values=(Value(quantity="goodput_down_mbps", value=61.1, low=0.1 + 0.2, high=62.5),),
        series=(("series_down_mbps", (1.5, 1 / 3)),), facts=facts, captures=(("idle", "c1"),), far_end="far.example.org:8620", entered_by="Householder",
    )  # fmt: skip
    design = Design(key="c1", setups=(Setup(key="gable/automatic", rig="gable", tuning="automatic", predicted_score=0.1),), needs=(need,), start=AT)
    events = (
        ("c1", RoundDrawn(at=AT, round=1, rig="gable", visit=1, order=("gable/automatic",))),
        ("c1", Tested(at=AT, test="m1", round=1, setup="gable/automatic", visit=1, score=1 / 3, margins=(("call", 0.7),), reason="the name far.example.org is not known on enp7s0")),
    )
    return Share(
        kind="workspace", redacted=False, made_by="bandwright 0.1.0", site_toml=SITE, captures=(capture,), readings=(reading,), measurements=(measurement,), designs=(design,), events=events,
        watched=(HourKept(at=AT, values=(("rsrp", -91.5),), readings=3),), checks=(Checked(what="gateway", ok=False, text="no connection to 192.0.2.77:5000"),),
    )  # fmt: skip


def entries(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {n: archive.read(n) for n in archive.namelist()}


def zipped(path: Path, files: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return path


@pytest.fixture
def good(tmp_path: Path) -> Path:
    path = tmp_path / "good.zip"
    write_share(share(), path)
    return path


def refused(path: Path, **limits: Any) -> str:
    with pytest.raises(UsageError) as error:
        read_share(path, **limits)
    assert "\n" not in str(error.value).strip()
    return str(error.value)


def test_what_is_written_is_read_back_to_the_last_bit(good: Path) -> None:
    assert read_share(good) == share()


def test_the_same_records_make_the_same_file(good: Path, tmp_path: Path) -> None:
    write_share(share(), tmp_path / "again.zip")
    assert (tmp_path / "again.zip").read_bytes() == good.read_bytes()


def test_a_file_is_never_written_over(good: Path) -> None:
    before = good.read_bytes()
    with pytest.raises(UsageError, match="exists already"):
        write_share(share(), good)
    assert good.read_bytes() == before


def test_nothing_private_is_in_a_redacted_share(tmp_path: Path) -> None:
    write_share(redacted(share()), tmp_path / "r.zip")
    everything = b"\n".join(entries(tmp_path / "r.zip").values()).decode()
    assert [p for p in PRIVATE if p in everything] == []
    whole = b"\n".join(e for e in _entries_of(share(), tmp_path).values()).decode()
    assert [p for p in PRIVATE if p not in whole] == []  # each of them was there to be found


def _entries_of(given_share: Share, tmp_path: Path) -> dict[str, bytes]:
    write_share(given_share, tmp_path / "whole.zip")
    return entries(tmp_path / "whole.zip")


def test_redaction_keeps_lengths_ties_and_figures(tmp_path: Path) -> None:
    before, after = share(), redacted(share())
    assert len(after.captures[0].text) == len(before.captures[0].text)
    assert "+CESQ: 99,99,255,255,20,80" in after.captures[0].text
    assert after.readings[0].carriers == before.readings[0].carriers
    assert after.measurements[0].values == before.measurements[0].values
    assert after.measurements[0].captures == before.measurements[0].captures
    assert after.measurements[0].fact("campaign") == "c1"
    assert after.measurements[0].entered_by == "a person"
    assert after.events[0] == before.events[0]
    tested = after.events[1][1]
    assert isinstance(tested, Tested)
    assert tested.reason == f"the name {'•' * 15} is not known on {'•' * 6}"
    assert (tested.score, tested.margins, tested.test) == (1 / 3, (("call", 0.7),), "m1")
    assert after.designs == before.designs
    assert redacted(after) == after
    assert redacted(replace(before, site_toml="")).measurements[0].reason.count("far.example.org") == 0  # known from the measurement itself
    write_share(after, tmp_path / "r.zip")
    assert read_share(tmp_path / "r.zip") == after


def test_the_redacted_site_can_be_used_and_has_the_same_setups() -> None:
    before, after = read_declared(SITE), read_declared(redact_site(SITE))
    assert after.site.name == SHARED_NAME
    assert after.setups == before.setups
    assert after.needs == before.needs
    assert after.gateways[0].kind == "pasted"  # how it is reached is not told
    assert after.gateways[0].capability == before.gateways[0].capability
    assert after.rigs[0].antenna.gain_dbi == 9
    assert after.masts == ()
    assert after.far_end.address is None
    assert after.campaign == before.campaign
    assert after.settings["warmup_s"] == 12.0


def test_keeping_twice_is_keeping_once_and_nothing_is_written_over(tmp_path: Path) -> None:
    records = DiskRecords(tmp_path)
    first, again = keep(share(), records), keep(share(), records)
    assert first.added == 7
    assert again.added == 0
    third = keep(redacted(share()), records)
    assert third.added == 0  # the redacted form of what is here is what is here
    assert IMEI in records.captures()[0].text
    assert list(records.measurements()) == list(share().measurements)
    assert records.events("c1") == [e for _, e in share().events]
    records.close()


def test_a_campaign_that_went_on_is_taken_up_from_where_it_was(tmp_path: Path) -> None:
    records = DiskRecords(tmp_path)
    keep(share(), records)
    more = replace(share(), events=(*share().events, ("c1", Stopped(at=AT + timedelta(hours=1)))))
    assert {w: a for w, a, _ in keep(more, records).rows}["events"] == 1
    assert keep(share(), records).added == 0  # the older share has nothing new
    assert len(records.events("c1")) == 3
    records.close()


@pytest.mark.parametrize("what", ["design", "event"])
def test_a_campaign_that_differs_is_refused_before_anything_is_kept(tmp_path: Path, what: str) -> None:
    records = DiskRecords(tmp_path)
    keep(share(), records)
    other = share()
    fresh = replace(other.measurements[0], key="m2")
    if what == "design":
        other = replace(other, designs=(replace(other.designs[0], risk=0.01),), measurements=(fresh,))
    else:
        other = replace(other, events=((other.events[1]), other.events[0]), measurements=(fresh,))
    with pytest.raises(UsageError, match="differs"):
        keep(other, records)
    assert records.measurement("m2") is None
    records.close()


@pytest.mark.parametrize("name", ["../evil.toml", "/etc/passwd", "a/../../b", "C:\\x", "secrets.toml", "records.db", "captures.jsonl/", "CAPTURES.JSONL"])
def test_a_name_that_is_not_in_the_table_is_refused(good: Path, tmp_path: Path, name: str) -> None:
    assert "no share has" in refused(zipped(tmp_path / "x.zip", {**entries(good), name: b"x"}))
    assert not (tmp_path.parent / "evil.toml").exists()


def test_a_file_that_unpacks_to_too_much_is_refused_without_unpacking_it(good: Path, tmp_path: Path) -> None:
    bomb = zipped(tmp_path / "bomb.zip", {**entries(good), "captures.jsonl": b" " * 20_000_000})
    assert bomb.stat().st_size < 100_000
    assert "larger than 10 MB" in refused(bomb, limit_bytes=10_000_000)


def test_an_entry_that_lies_about_its_size_is_refused(good: Path, tmp_path: Path) -> None:
    bomb = zipped(tmp_path / "bomb.zip", {**entries(good), "captures.jsonl": b" " * 20_000_000})
    data = bytearray(bomb.read_bytes())
    real = struct.pack("<I", 20_000_000)
    at = data.find(real)
    while at >= 0:
        data[at : at + 4] = struct.pack("<I", 100)
        at = data.find(real)
    bomb.write_bytes(data)
    refused(bomb, limit_bytes=10_000_000)


def test_an_encrypted_or_doubled_entry_is_refused(good: Path, tmp_path: Path) -> None:
    data = bytearray(good.read_bytes())
    for signature, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.find(signature) + offset] |= 1
    locked = tmp_path / "locked.zip"
    locked.write_bytes(data)
    refused(locked)
    doubled = tmp_path / "doubled.zip"
    with zipfile.ZipFile(doubled, "w") as archive:
        for name, content in entries(good).items():
            archive.writestr(name, content)
        with pytest.warns(UserWarning, match="Duplicate"):
            archive.writestr("designs.jsonl", b"")
    assert "twice" in refused(doubled)


def test_a_newer_version_says_so(good: Path, tmp_path: Path) -> None:
    files = entries(good)
    manifest = json.loads(files["manifest.json"])
    found = refused(zipped(tmp_path / "new.zip", {**files, "manifest.json": json.dumps({**manifest, "version": VERSION + 1}).encode()}))
    assert "newer" in found
    for wrong in ({"version": "1"}, {"version": True}, {"format": "other"}, {"kind": "everything"}, {"redacted": "no"}, {"extra": 1}):
        refused(zipped(tmp_path / "w.zip", {**files, "manifest.json": json.dumps({**manifest, **wrong}).encode()}))


def _changed(line: bytes, **changes: Any) -> bytes:
    return json.dumps({**json.loads(line), **changes}).encode()


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("measurements.jsonl", {"megabytes": "twelve"}),
        ("measurements.jsonl", {"megabytes": "12.0"}),  # a number, said as text
        ("measurements.jsonl", {"outcome": "splendid"}),
        ("measurements.jsonl", {"surprise": 1}),
        ("measurements.jsonl", {"at": "2026-11-02T09:00:00"}),  # no zone
        ("measurements.jsonl", {"key": None}),
        ("captures.jsonl", {"text": 5}),
        ("captures.jsonl", {"exchanges": {}}),
        ("readings.jsonl", {"capture_key": "elsewhere"}),
        ("readings.jsonl", {"at": None}),
        ("events.jsonl", {"kind": "Erased"}),
        ("events.jsonl", {"campaign": "another"}),
        ("events.jsonl", {"event": []}),
        ("watched.jsonl", {"kind": "Tested"}),
        ("designs.jsonl", {"setups": "all"}),
    ],
)
def test_a_line_that_is_not_exactly_one_word_is_refused_with_its_place(good: Path, tmp_path: Path, name: str, changes: dict[str, Any]) -> None:
    files = entries(good)
    line = files[name].splitlines()[0]
    refused(zipped(tmp_path / "x.zip", {**files, name: _changed(line, **changes) + b"\n"}))


@pytest.mark.parametrize("line", [b"[1]", b"7", b"null", b'"x"', b"{", b"\xff\xfe", b'{"key": NaN}', b"[" * 100_000])
@pytest.mark.parametrize("name", [f.name for f in FILES])
def test_a_line_of_another_type_is_refused(good: Path, tmp_path: Path, name: str, line: bytes) -> None:
    assert name.removesuffix(".jsonl") in refused(zipped(tmp_path / "x.zip", {**entries(good), name: line}))


def test_what_is_no_zip_is_refused(tmp_path: Path) -> None:
    empty, text = tmp_path / "empty.zip", tmp_path / "text.zip"
    empty.write_bytes(b"")
    text.write_text("hello")
    for path in (empty, text, tmp_path / "none.zip", tmp_path):
        refused(path)
    assert "manifest" in refused(zipped(tmp_path / "bare.zip", {"site.toml": SITE.encode()}))


def test_a_number_that_json_cannot_write_comes_back(tmp_path: Path) -> None:
    odd = replace(share(), measurements=(replace(share().measurements[0], seconds=float("inf")),))
    write_share(odd, tmp_path / "odd.zip")
    assert read_share(tmp_path / "odd.zip").measurements[0].seconds == float("inf")


FUZZED = settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])


@FUZZED
@given(cut=st.integers(0, 3000), flips=st.lists(st.tuples(st.integers(0, 3000), st.integers(0, 255)), max_size=6))
def test_a_damaged_file_is_refused_or_read_and_never_anything_else(good: Path, tmp_path: Path, cut: int, flips: list[tuple[int, int]]) -> None:
    data = bytearray(good.read_bytes())
    for place, value in flips:
        data[place % len(data)] = value
    path = tmp_path / "damaged.zip"
    path.write_bytes(bytes(data[: len(data) - cut % len(data)] if cut else data))
    try:
        read_share(path, limit_bytes=1_000_000)
    except BandwrightError as error:
        assert str(error)  # noqa: PT017 -- either outcome is right; any other exception fails the test


_json = st.recursive(st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=8), lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3), max_leaves=6)


@FUZZED
@given(name=st.sampled_from([f.name for f in FILES]), key=st.integers(0, 40), value=_json)
def test_any_value_in_any_place_of_any_record_is_refused_or_read(good: Path, tmp_path: Path, name: str, key: int, value: Any) -> None:
    files = entries(good)
    if name not in files:
        return
    document = json.loads(files[name].splitlines()[0])
    document[list(document)[key % len(document)]] = value
    path = zipped(tmp_path / "odd.zip", {**files, name: json.dumps(document).encode()})
    try:
        found = read_share(path)
    except BandwrightError as error:
        assert str(error)  # noqa: PT017 -- either outcome is right; any other exception fails the test
    else:
        records = DiskRecords("sqlite://")
        keep(found, records)
        records.close()
