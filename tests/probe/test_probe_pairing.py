"""The pairing string, the key file, and what the far end allows."""

from __future__ import annotations

import stat
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandwright.errors import SecretError, StoreError
from bandwright.privacy import Private
from bandwright.probe import far, keys, pairing
from bandwright.probe.limits import Knocks, Limits, Refusal, granted_octets, network_of


def _pairing(address: str = "far.example:8620") -> pairing.Pairing:
    return pairing.Pairing(address=address, key_id="0123456789abcdef", key=Private(bytes(range(32))), certificate_sha256=bytes(range(32, 64)))


@pytest.mark.parametrize("address", ["far.example:8620", "192.0.2.7:1", "[2001:db8::1]:65535", "far.example"])
def test_a_pairing_string_says_what_went_in(address: str) -> None:
    text = pairing.make(_pairing(address))
    assert text.startswith("bw1.")
    assert pairing.parse(text) == _pairing(address)
    assert pairing.parse("  " + text[:30] + "\n" + text[30:]) == _pairing(address)  # broken over two lines by a mail program


def test_a_pairing_string_is_secret_in_every_print() -> None:
    shown = repr(pairing.parse(pairing.make(_pairing())))
    assert bytes(range(32)).hex() not in shown
    assert "Private(...)" in shown


@given(st.integers(4, 140), st.characters(codec="ascii"))
def test_one_slip_in_copying_is_noticed_and_the_string_not_repeated(at: int, wrong: str) -> None:
    text = pairing.make(_pairing())
    at = min(at, len(text) - 1)
    bent = text[:at] + wrong + text[at + 1 :]
    if "".join(bent.split()) == text:
        return
    if at == len(text) - 1:
        return  # the last character carries spare bits
    with pytest.raises(SecretError) as caught:
        pairing.parse(bent)
    assert text[10:40] not in str(caught.value)


@pytest.mark.parametrize("text", ["", "bw1.", "bw2.AAAA", "bw1.AAAA", "hello", "bw1.é"])
def test_what_is_no_pairing_string_is_refused(text: str) -> None:
    with pytest.raises(SecretError):
        pairing.parse(text)


@pytest.mark.parametrize("address", ["", "a b:1", "host:0", "host:65536", "host:x", "[::1", "[::1]x", "user@host:1", "a:b:c/d"])
def test_addresses_that_cannot_be_are_refused(address: str) -> None:
    with pytest.raises(SecretError):
        pairing.split_address(address)


def test_keys_are_kept_for_their_owner_only_and_revoked_for_good(tmp_path) -> None:
    one, two = far.add_key(tmp_path, "attic"), far.add_key(tmp_path, "office")
    assert stat.S_IMODE((tmp_path / "keys.json").stat().st_mode) == 0o600
    assert set(keys.keys_in_force(tmp_path)) == {one.key_id, two.key_id}
    far.revoke_key(tmp_path, one.key_id)
    assert set(keys.keys_in_force(tmp_path)) == {two.key_id}
    with pytest.raises(SecretError):
        far.revoke_key(tmp_path, one.key_id)
    with pytest.raises(SecretError):
        far.add_key(tmp_path, "office")
    with pytest.raises(SecretError):
        far.add_key(tmp_path, " ")
    assert far.add_key(tmp_path, "attic").key_id != one.key_id
    shown = str(keys.json_rows(far.list_keys(tmp_path)))
    assert one.key.reveal(reason="test").hex() not in shown


def test_a_key_file_that_cannot_be_read_is_one_clear_error(tmp_path) -> None:
    (tmp_path / "keys.json").write_text("{half")
    with pytest.raises(StoreError, match="key file"):
        far.list_keys(tmp_path)


def test_the_certificate_is_made_once_and_its_key_kept_private(tmp_path) -> None:
    first = keys.certificate_sha256(tmp_path)
    assert keys.certificate_sha256(tmp_path) == first
    assert stat.S_IMODE((tmp_path / "private.pem").stat().st_mode) == 0o600


def test_what_was_carried_is_counted_by_day_month_and_key_and_outlives_a_restart(tmp_path) -> None:
    day = datetime(2026, 3, 31, 23, 59, tzinfo=UTC)
    carried = keys.Carried(tmp_path)
    carried.add("a", 1000, day)
    carried.add("b", 500, day)
    carried.add("a", 7, datetime(2026, 4, 1, 0, 0, tzinfo=UTC))
    again = keys.Carried(tmp_path)
    assert (again.octets("2026-03"), again.octets("2026-03-31", "a"), again.octets("2026-04-01")) == (1500, 1000, 7)
    assert again.octets("2026-05") == 0


def test_a_used_up_budget_refuses_and_a_small_rest_is_granted() -> None:
    limits = Limits(megabytes_per_day=10, megabytes_per_month=100)
    assert granted_octets(5e6, limits=limits, day_octets=0, month_octets=0) == 5e6
    assert granted_octets(5e6, limits=limits, day_octets=8_000_000, month_octets=8_000_000) == 2e6
    assert granted_octets(5e6, limits=limits, day_octets=0, month_octets=99_000_000) == 1e6
    assert granted_octets(5e6, limits=limits, day_octets=10_000_000, month_octets=10_000_000) == Refusal("day", "The far end's transfer for today is used up.")
    refusal = granted_octets(5e6, limits=limits, day_octets=0, month_octets=100_000_000)
    assert isinstance(refusal, Refusal)
    assert refusal.code == "month"


def test_knocks_are_counted_by_network() -> None:
    knocks = Knocks(rate_per_s=5, burst=10, networks=100)
    assert sum(knocks.admit(f"192.0.2.{i}", now_s=0.0) for i in range(50)) == 10
    assert knocks.admit("198.51.100.1", now_s=0.0)
    assert sum(knocks.admit("192.0.2.9", now_s=2.0) for _ in range(50)) == 10
    for i in range(1000):
        knocks.admit(f"10.{i // 256}.{i % 256}.1", now_s=3.0)
    assert len(knocks._buckets) == 100


@pytest.mark.parametrize(
    ("address", "network"),
    [
        ("192.0.2.77", "192.0.2.0/24"),
        ("2001:db8:0:1ff::1", "2001:db8:0:100::/56"),
        ("::ffff:192.0.2.77", "192.0.2.0/24"),
        ("fe80::1%eth0", "fe80::/56"),
        ("odd", "odd"),
    ],
)
def test_networks_are_24_and_56_bits(address: str, network: str) -> None:
    assert network_of(address) == network
