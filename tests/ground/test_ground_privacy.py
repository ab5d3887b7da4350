"""Secrets stay closed, and identities are dotted out without moving a character."""

from __future__ import annotations

import json
import pickle

import pytest

from bandwright.privacy import Private, redact_text


def test_a_private_value_never_shows_itself() -> None:
    secret = Private("hunter2")
    for shown in (repr(secret), str(secret), f"{secret}", f"{secret:>20}", repr([secret]), repr({"k": secret})):
        assert "hunter2" not in shown
    with pytest.raises(TypeError):
        json.dumps(secret)
    with pytest.raises(TypeError):
        pickle.dumps(secret)
    assert secret.reveal(reason="a test opens it") == "hunter2"
    with pytest.raises(ValueError, match="reason"):
        secret.reveal(reason="")
    assert secret == Private("hunter2")
    assert secret != "hunter2"


@pytest.mark.parametrize(
    "text",
    [
        "IMEI: 490154203237518",  # the example of 3GPP TS 23.003, annex B (check digit), used as invented
        "+CIMI: 001010123456789",
        "ICCID 8988211000000000013",
        "number +441632960961",  # a number set aside for drama, from memory
        "mac 02:00:5e:10:00:01",
        "serial: AB12CD34",
    ],
)
def test_identities_are_dotted_out_in_place(text: str) -> None:
    redacted = redact_text(text)
    assert len(redacted) == len(text)
    assert "•" in redacted
    assert not any(len(run) > 6 and run.isdigit() for run in redacted.replace(":", " ").split())


@pytest.mark.parametrize("text", ["RSRP: -97 dBm", "EARFCN 66436", "cell 4886718346", "a serial driver", "serial number unknown", "1.2.3.4:5000", "2026-11-25T10:21:54"])
def test_what_is_no_identity_stays(text: str) -> None:
    assert redact_text(text) == text
