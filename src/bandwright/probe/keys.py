"""The far end's memory on disk: its keys (one per near end, revocable), its certificate, and what it has carried.

`keys.json`: {"version": 1, "keys": [{"id", "label", "key", "added", "revoked"}]}, mode 0600. `certificate.pem` and `private.pem`:
self-signed, valid for 10 years; near ends know it by its SHA-256. `carried.json`: octets by day and by month, of all and by key.
"""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from bandwright.errors import DiskFull, SecretError, StoreError
from bandwright.privacy import Private
from bandwright.probe import pairing

__all__ = ["Carried", "KeyRow", "add_key", "certificate_sha256", "ensure_certificate", "json_rows", "keys_in_force", "list_keys", "revoke_key"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyRow:
    """One key of the far end. revoked: when, or None."""

    key_id: str
    label: str
    key: Private[bytes]
    added: str
    revoked: str | None = None


def add_key(state: Path, label: str) -> KeyRow:
    """Make a key for one near end, keep it, and return it. Raises SecretError where the label is empty or taken."""
    rows = list_keys(state)
    if not label.strip() or any(r.label == label and r.revoked is None for r in rows):
        raise SecretError("label of a key", given=label, allowed="a name that no key in force has", todo="Give each near end a name of its own.")
    row = KeyRow(key_id=pairing.new_key_id(), label=label, key=Private(pairing.new_key()), added=_now())
    _write_keys(state, [*rows, row])
    return row


def revoke_key(state: Path, key_id: str) -> None:
    """Refuse a key from now on; a test under way ends with its session. Raises SecretError where there is no such key in force."""
    rows = list_keys(state)
    if not any(r.key_id == key_id and r.revoked is None for r in rows):
        raise SecretError("key id", given=key_id, allowed=", ".join(r.key_id for r in rows if r.revoked is None) or "no key is in force")
    _write_keys(
        state,
        [KeyRow(key_id=r.key_id, label=r.label, key=r.key, added=r.added, revoked=_now()) if r.key_id == key_id and r.revoked is None else r for r in rows],
    )


def list_keys(state: Path) -> list[KeyRow]:
    """Return all keys, oldest first. Raises StoreError where the file cannot be read."""
    path = state / "keys.json"
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        return [
            KeyRow(key_id=r["id"], label=r["label"], key=Private(bytes.fromhex(r["key"])), added=r["added"], revoked=r["revoked"]) for r in document["keys"]
        ]
    except FileNotFoundError:
        return []
    except (OSError, ValueError, KeyError, TypeError):
        raise StoreError(
            "the far end's key file cannot be read", given=str(path), todo="Restore it, or move it away: near ends must then be paired anew."
        ) from None


def keys_in_force(state: Path) -> dict[str, bytes]:
    """Return key id -> key of the keys that are not revoked."""
    return {r.key_id: r.key.reveal(reason="the far end checks proofs with it") for r in list_keys(state) if r.revoked is None}


def _write_keys(state: Path, rows: list[KeyRow]) -> None:
    document = {
        "version": 1,
        "keys": [
            {"id": r.key_id, "label": r.label, "key": r.key.reveal(reason="the key file is where it is kept").hex(), "added": r.added, "revoked": r.revoked}
            for r in rows
        ],
    }
    _replace(state / "keys.json", json.dumps(document, indent=1).encode())


def ensure_certificate(state: Path) -> tuple[Path, Path]:
    """Return the paths of certificate and private key, made on first use."""
    certificate, private = state / "certificate.pem", state / "private.pem"
    if not (certificate.exists() and private.exists()):
        certificate_pem, private_pem = _self_signed()
        _replace(private, private_pem)
        _replace(certificate, certificate_pem)
    return certificate, private


def certificate_sha256(state: Path) -> bytes:
    """Return the SHA-256 of the far end's certificate, as near ends know it."""
    from cryptography import x509
    from cryptography.hazmat.primitives.hashes import SHA256

    certificate, _ = ensure_certificate(state)
    return x509.load_pem_x509_certificate(certificate.read_bytes()).fingerprint(SHA256())


def _self_signed() -> tuple[bytes, bytes]:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "bandwright far end")])
    start = datetime.now(UTC) - timedelta(days=1)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(start)
        .not_valid_after(start + timedelta(days=3653))
        .sign(key, hashes.SHA256())
    )
    private = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    return certificate.public_bytes(serialization.Encoding.PEM), private


class Carried:
    """What the far end has carried today and this month (UTC), in all and for each key; durable."""

    def __init__(self, state: Path) -> None:
        self._path = state / "carried.json"
        self._counts: dict[str, dict[str, int]] = {}
        with contextlib.suppress(OSError, ValueError):
            found = json.loads(self._path.read_text(encoding="utf-8"))
            self._counts = {p: {str(k): int(n) for k, n in by.items()} for p, by in found.items()}

    def octets(self, period: str, key_id: str | None = None) -> int:
        """Return octets in a period ("2026-03" or "2026-03-10"), of all or of one key."""
        by_key = self._counts.get(period, {})
        return sum(by_key.values()) if key_id is None else by_key.get(key_id, 0)

    def add(self, key_id: str, octets: int, now: datetime) -> None:
        """Count octets. Only this and the last month are kept by day."""
        for period in (f"{now:%Y-%m}", f"{now:%Y-%m-%d}"):
            by_key = self._counts.setdefault(period, {})
            by_key[key_id] = by_key.get(key_id, 0) + octets
        oldest = f"{now - timedelta(days=62):%Y-%m}"
        self._counts = {p: by for p, by in self._counts.items() if p[:7] >= oldest}
        with contextlib.suppress(StoreError):  # counting goes on in memory where the disk is full
            _replace(self._path, json.dumps(self._counts).encode())


def _replace(path: Path, data: bytes) -> None:
    """Write a file that is never seen half written, readable by its owner only."""
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        descriptor, temporary = tempfile.mkstemp(dir=path.parent)  # mode 0600
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(temporary).replace(path)
    except OSError as error:
        kind = DiskFull if error.errno == 28 else StoreError
        raise kind("the far end's state cannot be written", given=str(path), todo="Free some space, or choose another folder.") from None


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def json_rows(rows: list[KeyRow]) -> list[dict[str, Any]]:
    """Return the keys as they may be shown: without the keys themselves."""
    return [{"id": r.key_id, "label": r.label, "added": r.added, "revoked": r.revoked} for r in rows]
