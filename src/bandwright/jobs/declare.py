"""Declare a site: write a commented `site.toml` to fill in."""

from __future__ import annotations

from pathlib import Path

from bandwright.errors import UsageError

__all__ = ["NEW_SITE", "new"]

NEW_SITE = """# A site for Bandwright. Lines that begin with # are comments; remove the # to use a line. Everything can be changed later.
# Check it with: bandwright check

[site]
name = "My place"
timezone = "UTC"                    # a name of the time zone database, like "Europe/London"
# latitude_deg = 51.0               # position and heights are optional and stay in this folder
# longitude_deg = 0.0
# height_m = 80                     # of the ground, above sea level
# elevation_unit = "m"              # only for elevation files that do not say it; .hgt and .tif files go into the folder "elevation" beside this file

# A mast whose position you know (several are possible). Without one, `bandwright place` works out where it can be.
# [[mast]]
# name = "hill"
# latitude_deg = 51.05
# longitude_deg = 0.02
# height_m = 30                     # of its antennas, above the ground

# What must work, and when. Kinds: video call, group video call, voice call, large upload, backup, security camera, streaming,
# streaming ultra high definition, gaming, card terminal, remote desktop, web, software updates, telemetry, or own.
[[need]]
kind = "video call"
hours = "Mon-Fri 09:00-17:00"       # several with commas; "daily 18:00-23:00"; "always"
weight = 3                          # against the other needs
# uplink_mbps = 4                   # overrides the catalogue; also downlink_mbps, loaded_delay_ms, idle_delay_ms, loss_ratio

[[need]]
kind = "streaming"
hours = "daily 18:00-23:00"
weight = 1

# A subscription on its SIM. Two lines let you compare two providers.
[[line]]
key = "A"
# plmn = "001-01"
# cap_gb_per_month = 300
# price_per_month = "30 GBP"
# returnable_until = 2027-01-05     # the campaign ends before this day, and says whether to send it back
# terms = ["bound to this address"]

# How the gateway is reached. Kinds: `bandwright check --kinds` lists them with their settings.
[[gateway]]
key = "mine"
kind = "pasted"                     # you read its page and paste what it shows
# kind = "at-tcp"                   # AT commands over the network
# address = "192.0.2.1:5000"
# kind = "at-serial"                # AT commands over a serial port
# port = "/dev/ttyUSB2"
# interface = "eth1"                # measurements through this gateway leave here
# price = "310 GBP"

# What is slow to change: whose SIM, which gateway, where, with which antenna.
[[rig]]
key = "window"
line = "A"
gateway = "mine"
place = "window sill, west"

# [[rig]]
# key = "gable"
# line = "A"
# gateway = "mine"
# place = "gable"
# antenna = { kind = "panel", gain_dbi = 9, beamwidth_deg = 60, height_m = 6.5, azimuth_deg = 212, price = "95 GBP" }
# feeder = { length_m = 8, loss_db_per_10m = { "800 MHz" = 2.1, "1800 MHz" = 3.5, "3500 MHz" = 5.3 } }
# change_minutes = 25               # a person's minutes to change to this rig; moving a SIM is such a change too

# What is quick to change: mode, bands, cell. Each rig is tried with each tuning that its gateway can take.
[[tuning]]
key = "automatic"

# [[tuning]]
# key = "standalone"
# mode = "nr-sa"                    # automatic, nr-sa, endc, lte
# gateways = ["mine"]

# [[tuning]]
# key = "anchor 20"
# mode = "endc"
# bands = ["B20", "n78"]

# What a trial may use, and how sure it must be.
[campaign]
indifference = 0.10                 # differences below about 10 % do not matter
risk = 0.05                         # allowed chance of a wrong "best"
allowance_gb = 40
allowance_days = 14
rig_changes = 6
# person_hours = "daily 18:00-21:00"  # when somebody can change a rig
# in_use = "window/automatic"
# by_hand = true                    # you start each sitting yourself
# prove_equal = true                # once it is known which to use, go on until it is known whether the closest other is as good: many more tests
seed = 1

# Where measurements go: a far end of your own (`bandwright far-end` on a rented server or a second home), or any HTTPS address.
[far_end]
# address = "far.example.org:8620"  # then: bandwright check --pair PAIRING-STRING
# download_url = "https://example.org/some-large-file"
# upload_url = "https://example.org/upload"

[settings]                          # `bandwright check --settings` lists them; none is needed
"""


def new(folder: Path, *, text: str = NEW_SITE) -> Path:
    """Write a commented `site.toml` into a folder, made where it is missing. Returns the file's path.

    Raises UsageError where a `site.toml` is there already, or the folder cannot be written.
    """
    path = folder / "site.toml"
    if path.exists():
        raise UsageError(f"{path} exists already", todo="Edit it, or name another folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{folder} cannot be written", given=str(error), todo="Name a folder of your own") from error
    return path
