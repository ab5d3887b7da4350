"""The command line as a new user meets it: each command as a process of its own, in an empty folder."""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from bandwright.jobs.declare import NEW_SITE

QENG = """AT+QENG="servingcell"
+QENG: "servingcell","CONNECT"
+QENG: "LTE","FDD",001,01,1A2D003,77,1575,3,5,5,2B07,-91,-10,-61,16,10,-,33
+QENG: "NR5G-NSA",001,01,211,-94,14,-11,642668,78,6,1
OK
"""


def bandwright(*words: str, cwd: Path, given: str = "", timeout: float = 60, env: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    """Run one command as a user would."""
    return subprocess.run(
        [sys.executable, "-m", "bandwright.cli.main", *words], cwd=cwd, input=given, capture_output=True, text=True, timeout=timeout, env={**os.environ, **(env or {})}
    )


def one_sentence(done: subprocess.CompletedProcess[str]) -> str:
    """Return the error as said; it is one line, and no trace."""
    lines = [line for line in done.stderr.strip().splitlines() if line.strip()]
    assert "Traceback" not in done.stderr
    assert len(lines) == 1, done.stderr
    return lines[0]


def declare(folder: Path, *changes: tuple[str, str]) -> None:
    text = NEW_SITE
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    (folder / "site.toml").write_text(text)


AT_TCP = ('kind = "pasted"                     # you read its page and paste what it shows', 'kind = "at-tcp"\naddress = "127.0.0.1:9"')


def test_help_names_every_verb(tmp_path: Path) -> None:
    done = bandwright("--help", cwd=tmp_path)
    assert done.returncode == 0
    for verb in ("demo", "new", "check", "reading", "enter", "measure", "setups", "design", "run", "verdict", "history", "report", "serve", "far-end", "twin"):
        assert re.search(rf"^\s+{verb}\s", done.stdout, re.MULTILINE), verb


def test_new_writes_a_commented_file_that_is_valid_and_is_not_written_over(tmp_path: Path) -> None:
    assert bandwright("new", "here", cwd=tmp_path).returncode == 0
    text = (tmp_path / "here" / "site.toml").read_text()
    assert text.count("#") > 30
    assert bandwright("setups", "--site", "here", cwd=tmp_path).returncode == 0
    again = bandwright("new", "here", cwd=tmp_path)
    assert again.returncode == 2
    assert "exists already" in one_sentence(again)
    assert (tmp_path / "here" / "site.toml").read_text() == text


def test_every_commented_line_of_the_new_file_is_valid_too(tmp_path: Path) -> None:
    """What is offered in comments can be used as it stands."""
    out, skip = [], {"# kind = ", "# Lines", "# A site"}
    for line in NEW_SITE.splitlines():
        plain = re.sub(r"^# (?=(\[\[?\w+\]\]?|\w+ = ))", "", line)
        out.append(line if any(line.startswith(s) for s in skip) or (line.startswith(("# address", "# port", "# download", "# upload")) and "far.example" not in line) else plain)
    (tmp_path / "site.toml").write_text("\n".join(out))
    done = bandwright("setups", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "gable" in done.stdout


def test_a_paste_is_explained_before_anything_is_declared(tmp_path: Path) -> None:
    done = bandwright("reading", "--paste", cwd=tmp_path, given=QENG)
    assert done.returncode == 0, done.stderr
    for word in ("n78", "LTE B3", "Expect", "40 MHz", "PCI 211"):
        assert word in done.stdout
    assert not list(tmp_path.iterdir())


def test_a_paste_as_json_has_the_fields_of_each_carrier(tmp_path: Path) -> None:
    found = json.loads(bandwright("reading", "--paste", "--json", cwd=tmp_path, given=QENG).stdout)
    assert found["schema"] == "bandwright.reading"
    (reading,) = found["readings"]
    assert reading["mode"] == "endc"
    lte, nr = reading["carriers"]
    assert (lte["rat"], lte["role"], nr["rat"], nr["role"]) == ("lte", "pcell", "nr", "pscell")
    # field order: RG50xQ&RM5xxQ Series Network Application Note, 3.2.2; NSA prints SINR before RSRQ; width code 6 is 40 MHz
    assert nr["fields"]["sinr"] == {"value": 14, "unit": "dB"}
    assert nr["fields"]["rsrq"]["value"] == -11
    assert nr["fields"]["dl_bandwidth"]["value"] == 40
    assert lte["fields"]["dl_bandwidth"]["value"] == 20
    assert isinstance(reading["unread"], list)


@pytest.mark.parametrize("given", ["", "hello", "\x00\xff", "[[[[", "+QENG:"])
def test_text_without_a_radio_state_is_said_and_nothing_is_invented(tmp_path: Path, given: str) -> None:
    done = bandwright("reading", "--paste", "--json", cwd=tmp_path, given=given)
    assert done.returncode == 8, done.stderr  # the answer is printed all the same: a script can tell "nothing recognised" from "read"
    assert not [c for r in json.loads(done.stdout)["readings"] for c in r["carriers"]]


def test_dialect_a_texts_of_the_field_are_explained(shared_data: Path, tmp_path: Path) -> None:
    """Recorded texts of the dialect of `+QENG`: each is explained, and no carrier is shown that its meaning does not hold."""
    records = [json.loads(line) for line in (shared_data / "readings" / "at_qeng.jsonl").read_text().splitlines()]
    assert len(records) > 10
    text = "\n".join(r["raw"] for r in records[:1])
    assert bandwright("reading", "--paste", cwd=tmp_path, given=text).returncode == 0
    from datetime import UTC, datetime

    from bandwright.jobs.look import explain
    from bandwright.telling.accounts.reading import reading_document
    from bandwright.telling.plain import document_lines

    for record in records:
        look = explain(record["raw"], at=datetime(2026, 1, 1, tzinfo=UTC))
        lines = document_lines(reading_document(look.capture, look.readings, main=look.main, findings=look.findings, forecasts=look.forecasts))
        assert lines, record["id"]
        assert max(len(line) for line in lines if not line.startswith("  |")) <= 100


def test_a_wrong_declaration_names_its_place_and_exits_2(tmp_path: Path) -> None:
    declare(tmp_path, ("weight = 3 ", "weight = -3 "))
    done = bandwright("verdict", cwd=tmp_path)
    assert done.returncode == 2
    assert "site.toml line" in one_sentence(done)
    assert "greater than 0" in one_sentence(done)


def test_a_missing_declaration_says_what_to_do(tmp_path: Path) -> None:
    done = bandwright("run", cwd=tmp_path)
    assert done.returncode == 2
    assert "bandwright new" in one_sentence(done)


def test_an_unreachable_gateway_exits_5(tmp_path: Path) -> None:
    declare(tmp_path, AT_TCP)
    done = bandwright("reading", "--from", "mine", cwd=tmp_path)
    assert done.returncode == 5, done.stderr
    assert "127.0.0.1" in one_sentence(done)
    checked = bandwright("check", cwd=tmp_path)
    assert checked.returncode == 5
    assert "NOT  gateway mine" in checked.stdout


def test_a_wrong_pairing_string_is_refused_and_never_repeated(tmp_path: Path) -> None:
    declare(tmp_path)
    secret = "bw1.c2VjcmV0LXRoYXQtbXVzdC1ub3QtYmUtc2hvd24"
    done = bandwright("check", "--pair", secret, cwd=tmp_path)
    assert done.returncode == 2
    assert secret[4:] not in done.stderr + done.stdout
    assert "incomplete" in one_sentence(done) or "copy" in one_sentence(done).lower()
    assert not (tmp_path / "secrets.toml").exists()


def test_a_far_end_that_is_gone_exits_6_and_the_attempt_is_kept(tmp_path: Path) -> None:
    declare(tmp_path)
    made = bandwright("far-end", "--new-key", "--folder", "far", "--address", "127.0.0.1:9", cwd=tmp_path)
    assert made.returncode == 0, made.stderr
    pairing = made.stdout.strip().splitlines()[-1]
    assert bandwright("check", "--pair", pairing, cwd=tmp_path).returncode == 6
    assert (tmp_path / "secrets.toml").stat().st_mode & 0o077 == 0
    done = bandwright("measure", "--json", cwd=tmp_path)
    assert done.returncode == 6, done.stderr
    found = json.loads(done.stdout)
    assert found["phase"] == "far_end"  # nothing listens there: the radio is fine
    assert found["goodput_down_mbps"]["value"] is None
    assert found["goodput_down_mbps"]["reason"]
    listed = json.loads(bandwright("history", "--json", cwd=tmp_path).stdout)
    assert [m["key"] for m in listed["measurements"]] == [found["key"]]


def test_measuring_against_nothing_says_what_to_declare(tmp_path: Path) -> None:
    declare(tmp_path)
    done = bandwright("measure", cwd=tmp_path)
    assert done.returncode == 2
    assert "bandwright far-end" in one_sentence(done)


def test_a_taken_port_is_said_with_what_to_do(tmp_path: Path) -> None:
    declare(tmp_path)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        done = bandwright("serve", "--port", str(taken.getsockname()[1]), cwd=tmp_path)
    assert done.returncode == 2
    assert "is taken" in one_sentence(done)
    assert "--port" in one_sentence(done)


def test_entered_figures_are_kept_marked_and_checked(tmp_path: Path) -> None:
    declare(tmp_path)
    done = bandwright("enter", "goodput_down_mbps=48", "goodput_up_mbps=7.5", "--by", "the householder", "--setup", "window/automatic", "--at", "2026-11-25T18:30", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    (kept,) = json.loads(bandwright("history", "--json", cwd=tmp_path).stdout)["measurements"]
    assert kept["method"] == "entered"
    assert kept["goodput_down_mbps"]["value"] == 48
    for words, said in ((["goodput=5"], "not known"), (["goodput_down_mbps=-5"], "outside"), (["goodput_down_mbps"], "NAME=NUMBER"), (["goodput_down_mbps=5", "--setup", "roof/x"], "not declared")):
        wrong = bandwright("enter", *words, "--by", "me", cwd=tmp_path)
        assert wrong.returncode == 2
        assert said in one_sentence(wrong)


def test_a_verdict_without_a_campaign_says_how_to_start_one(tmp_path: Path) -> None:
    declare(tmp_path)
    done = bandwright("verdict", cwd=tmp_path)
    assert done.returncode == 2
    assert "bandwright run" in one_sentence(done)


def test_one_setup_alone_cannot_be_compared(tmp_path: Path) -> None:
    declare(tmp_path)
    done = bandwright("run", cwd=tmp_path)
    assert done.returncode == 2
    assert "only one setup" in one_sentence(done)


@pytest.mark.root
def test_a_full_disk_is_one_clear_sentence_and_nothing_kept_is_lost(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("a small file system can be mounted by root only")
    small = tmp_path / "small"
    small.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(small)], capture_output=True).returncode:
        pytest.skip("no file system can be mounted here")
    try:
        declare(small)
        assert bandwright("enter", "goodput_down_mbps=1", "--by", "me", cwd=small).returncode == 0
        filler = small / "filler"
        with pytest.raises(OSError, match="space"), filler.open("wb", buffering=0) as out:
            while True:
                out.write(b"x" * 4096)
        done = bandwright("enter", "goodput_down_mbps=2", "--by", "me", cwd=small)
        assert done.returncode == 1
        assert "disk is full" in one_sentence(done)
        filler.unlink()
        listed = json.loads(bandwright("history", "--json", cwd=small).stdout)
        assert [m["goodput_down_mbps"]["value"] for m in listed["measurements"]] == [1]
    finally:
        subprocess.run(["umount", str(small)], check=True)


def test_version_and_unknown_words(tmp_path: Path) -> None:
    assert bandwright("--version", cwd=tmp_path).stdout.startswith("bandwright ")
    assert bandwright("frobnicate", cwd=tmp_path).returncode == 2


def test_lists_of_kinds_and_settings_come_from_their_tables(tmp_path: Path) -> None:
    from bandwright.gateways.kinds import KINDS
    from bandwright.words.settings import SETTINGS

    kinds = bandwright("check", "--kinds", cwd=tmp_path).stdout
    settings = bandwright("check", "--settings", cwd=tmp_path).stdout
    assert all(f"{k.key}: " in kinds for k in KINDS)
    assert all(f"{s.key} = " in settings for s in SETTINGS)
