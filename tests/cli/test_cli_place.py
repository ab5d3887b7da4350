"""`bandwright place` at the terminal: the same words as the page, and no position in either form."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

SITE = """
[site]
name = "Shoulder"
latitude_deg = 36.55
longitude_deg = -84.16

[[mast]]
name = "hill mast"
latitude_deg = 36.50
longitude_deg = -84.10
height_m = 35
"""


def run(folder: Path, *more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "bandwright.cli.main", "place", "--site", str(folder), *more], capture_output=True, text=True, timeout=60, check=False)


def test_the_way_is_told_and_what_is_missing_with_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE)
    done = run(tmp_path)
    assert done.returncode == 0, done.stderr
    assert "Hill mast lies at 136° true" in done.stdout
    assert "There is no elevation file" in done.stdout
    assert 'into the folder "elevation" beside site.toml' in " ".join(done.stdout.split())
    for secret in ("36.5", "84.1"):
        assert secret not in done.stdout


def test_as_json_distances_and_bearings_only(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE)
    done = run(tmp_path, "--json")
    told = json.loads(done.stdout)
    (way,) = told["ways"]
    assert abs(way["distance_m"] - 7724.132) < 0.01  # WGS 84 geodesic
    assert way["clearance"] is None
    assert told["missing"][0]["todo"]
    assert "latitude" not in done.stdout.replace("latitude_deg and", "")
