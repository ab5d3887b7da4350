"""site.toml: what is declared comes out as words; what is wrong is named by its place, what was given and what is allowed."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest

from bandwright.errors import DeclarationError
from bandwright.needs.hours import parse_hours
from bandwright.workspace.declared import read_declared, read_file

TEXT = """[site]
name = "Practice"
timezone = "Europe/London"

[[need]]
kind = "video call"
hours = "Mon-Fri 09:00-17:00"
weight = 3

[[need]]
kind = "large upload"
uplink_mbps = 8

[[line]]
key = "A"
plmn = "001-01"
cap_gb_per_month = 600
returnable_until = 2027-01-05

[[gateway]]
key = "supplied"
kind = "pasted"

[[gateway]]
key = "own"
kind = "at-tcp"
address = "192.0.2.1:5000"
returnable_until = 2026-12-20

[[rig]]
key = "sill"
line = "A"
gateway = "supplied"

[[rig]]
key = "gable"
line = "A"
gateway = "own"
antenna = { kind = "panel", gain_dbi = 9 }
feeder = { length_m = 8, loss_db_per_10m = { "800 MHz" = 2.1, "3.5 GHz" = 5.3 } }

[[tuning]]
key = "automatic"
gateways = ["own"]

[[tuning]]
key = "low"
gateways = ["own"]
mode = "lte"
bands = ["B20"]

[campaign]
seed = 7
in_use = "gable/low"

[settings]
warmup_s = 12
"""


def test_a_declared_site_comes_out_as_words() -> None:
    declared = read_declared(TEXT)
    assert [s.key for s in declared.setups] == ["sill/as it is", "gable/automatic", "gable/low"]
    assert declared.needs[0].requirements.uplink_mbps == 3.0  # from the catalogue
    assert declared.needs[1].requirements.uplink_mbps == 8
    assert declared.needs[1].requirements.source.startswith("declared")
    assert declared.rig("gable").feeder is not None
    assert declared.rig("gable").feeder.loss_db_per_10m == ((800.0, 2.1), (3500.0, 5.3))  # type: ignore[union-attr]
    assert dict(declared.gateway("own").settings)["address"] == "192.0.2.1:5000"
    assert declared.campaign.allowance.deadline is not None
    assert declared.campaign.allowance.deadline.date() == date(2026, 12, 20)  # the earliest last day binds
    assert declared.settings["warmup_s"] == 12
    assert declared.tuning("low").is_risky


WRONG = [
    ('kind = "video call"', 'kind = "vidéo"', "", '"video call"'),
    ('timezone = "Europe/London"', 'timezone = "Moon/Sea"', "", "time zone database"),
    ("cap_gb_per_month = 600", "cap_gb_per_month = -1", "", "greater than 0"),
    ('plmn = "001-01"', 'plmn = "00101"', "", "001-01"),
    ('gateway = "own"\nantenna', 'gateway = "owm"\nantenna', "", '"supplied", "own"'),
    ("gain_dbi = 9", "gain_dbi = 900", "", "less than or equal to 50"),
    ('"800 MHz"', '"800"', "feeder", "3.5 GHz"),
    ('mode = "lte"', 'mode = "4g"', "", "'lte'"),
    ('bands = ["B20"]', 'bands = ["20"]', "", '"B20"'),
    ('hours = "Mon-Fri 09:00-17:00"', 'hours = "office hours"', "", "Mon-Fri 09:00-17:00"),
    ('in_use = "gable/low"', 'in_use = "gable"', "", "gable/automatic"),
    ("warmup_s = 12", "warmup_s = 1200", "", "0 to 60 s"),
    ("warmup_s = 12", "warmups = 12", "", "warmup_s"),
    ('key = "low"', 'key = "automatic"', "line 47 (tuning 2, key)", "no other tuning"),
    ('address = "192.0.2.1:5000"', 'password = "hunter"', "", "no secrets"),
    ('line = "A"\ngateway = "supplied"', 'lime = "A"\ngateway = "supplied"', "rig 1", "missing"),
    ("seed = 7", "seed = ", "TOML", "missing quote"),
]


@pytest.mark.parametrize(("old", "new", "place", "allowed"), WRONG, ids=[w[1].split("\n")[0] for w in WRONG])
def test_what_is_wrong_is_named_by_place_and_by_what_is_allowed(old: str, new: str, place: str, allowed: str) -> None:
    assert old in TEXT
    text = TEXT.replace(old, new, 1)
    with pytest.raises(DeclarationError) as caught:
        read_declared(text)
    assert (place or f"line {text[: text.index(new)].count(chr(10)) + 1} ") in str(caught.value)
    assert allowed in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "hunter" not in str(caught.value)


def test_hours_on_both_sides_of_midnight() -> None:
    night = parse_hours("Fri 22:00-06:00")
    assert night.includes(4, 22 * 60)
    assert not night.includes(4, 22 * 60 - 0.1)
    assert night.includes(5, 5 * 60 + 59)
    assert not night.includes(5, 6 * 60)
    assert sum(night.weights_by_hour()) == pytest.approx(1)
    assert night.weights_by_hour()[23] == pytest.approx(1 / 8)


@pytest.mark.parametrize("text", ["", "Mon", "Mon 25:00-26:00", "Mon 09:00-09:00", "Mon 09:60-10:00", "Lun 09:00-10:00", "09:00", "Mon-Fri 9-17"])
def test_texts_that_name_no_hours_are_refused(text: str) -> None:
    with pytest.raises(DeclarationError):
        parse_hours(text)


def test_hours_merge_and_wrap_the_week() -> None:
    assert parse_hours("Sat-Mon 10:00-12:00, Sun 11:00-13:00").spans == ((0, 600, 720), (5, 600, 720), (6, 600, 780))


def test_masts_are_declared_with_their_positions_and_checked() -> None:
    text = '[site]\nname = "x"\nelevation_unit = "ft"\n\n[[mast]]\nname = "hill"\nlatitude_deg = 51.05\nlongitude_deg = 0.02\nheight_m = 30\n\n[[mast]]\nlatitude_deg = 51.0\nlongitude_deg = 0.1\n'
    declared = read_declared(text)
    assert [(m.name, m.height_m) for m in declared.masts] == [("hill", 30.0), ("", None)]
    assert declared.site.elevation_unit == "ft"
    with pytest.raises(DeclarationError, match="line 13"):
        read_declared(text.replace("longitude_deg = 0.1", "longitude_deg = 181"))
    with pytest.raises(DeclarationError, match="latitude_deg is missing"):
        read_declared('[site]\nname = "x"\n\n[[mast]]\nlongitude_deg = 1.0\n')


def test_a_folder_without_a_declaration_is_named_in_full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(DeclarationError, match=re.escape(f"in {tmp_path.resolve()}")):
        read_file(Path("site.toml"))
