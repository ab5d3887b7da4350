"""What passes between a site and its hub: a batch as bytes, the signature over a request, and the link that a site is given.

A batch is zlib-packed JSON lines: a head, then one line a record. Each request is signed with the site's own Ed25519 key (RFC 8032); the
hub keeps only the public half, so that a stolen copy of its database speaks for no site. The signature covers method, path and the
SHA-256 of the body, and the body holds the batch's UUID and number: a replayed batch is one that the hub has, an altered one does not
verify. Plain functions between bytes and frozen values; no socket.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import re
import uuid
import zlib
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlsplit

from bandwright.errors import SecretError, UserFault
from bandwright.privacy import Private
from bandwright.words.fleet import Batch, HubAnswer, Parcel

__all__ = [
    "BATCHES", "CONTENT_TYPE", "FORMAT", "LIMIT_PACKED", "LIMIT_RECORDS", "LIMIT_UNPACKED", "NEXT", "SCHEME", "BatchError", "HubLink", "answer_from", "answer_to", "authorization",
    "decode_batch", "encode_batch", "make_link", "parse_authorization", "parse_link", "public_half", "verified",
]  # fmt: skip

FORMAT: Final = "bandwright.batch"
CONTENT_TYPE: Final = "application/vnd.bandwright.batch"
BATCHES: Final = "/v1/batches"
NEXT: Final = "/v1/next"
SCHEME: Final = "Bandwright-Ed25519"
LIMIT_PACKED: Final = 4_000_000  # bytes of a body
LIMIT_UNPACKED: Final = 32_000_000
LIMIT_RECORDS: Final = 1000
_VERSION: Final = 1
_KINDS: Final = frozenset({"declared", "captures", "readings", "measurements", "designs", "events", "watched"})
_CREDENTIAL: Final = re.compile(r"[0-9a-f]{16}")


class BatchError(UserFault):
    """A batch that is none. status: the HTTP status that says so."""

    def __init__(self, what: str, *, status: int = 422, given: object = None, allowed: str | None = None) -> None:
        self.status = status
        super().__init__(what, given=given, allowed=allowed)


# a batch as bytes


def encode_batch(batch: Batch) -> bytes:
    """Return a batch as bytes; the same batch gives the same bytes."""
    head = {"format": FORMAT, "version": _VERSION, "batch": batch.key, "sequence": batch.sequence, "records": len(batch.parcels)}
    lines = [head, *({"kind": p.kind, "key": p.key, "record": p.record} for p in batch.parcels)]
    return zlib.compress("".join(json.dumps(line, separators=(",", ":"), allow_nan=False) + "\n" for line in lines).encode(), 6)


def decode_batch(body: bytes, *, limit: int = LIMIT_UNPACKED) -> Batch:
    """Return the batch in these bytes. Raises BatchError with what is wrong and where."""
    lines = _unpacked(body, limit).split(b"\n")
    if lines[-1] != b"":
        raise BatchError("the batch ends in the middle of a line")
    head, *rows = [_json(line, number) for number, line in enumerate(lines[:-1], 1)] or [None]
    if not isinstance(head, dict) or head.get("format") != FORMAT:
        raise BatchError("this is no batch: its first line does not say so")
    if head.get("version") != _VERSION:
        raise BatchError("this batch has a form that this hub does not know", given=head.get("version"), allowed=f"version {_VERSION}")
    key, sequence = head.get("batch"), head.get("sequence")
    if not isinstance(key, str) or not _is_uuid(key):
        raise BatchError("the batch has no UUID", given=key)
    if type(sequence) is not int or not 1 <= sequence < 2**31:
        raise BatchError("the batch has no number", given=sequence, allowed="1, 2, 3, ...")
    if head.get("records") != len(rows):
        raise BatchError("the batch does not hold as many records as it says", given=len(rows), allowed=str(head.get("records")))
    if not 1 <= len(rows) <= LIMIT_RECORDS:
        raise BatchError("a batch holds 1 to 1000 records", given=len(rows), status=413 if rows else 422)
    parcels = tuple(_parcel(row, number) for number, row in enumerate(rows, 2))
    if len({(p.kind, p.key) for p in parcels}) < len(parcels):
        raise BatchError("the batch holds a record twice")
    return Batch(key=key, sequence=sequence, parcels=parcels)


def _unpacked(body: bytes, limit: int) -> bytes:
    inflate = zlib.decompressobj()
    try:
        text = inflate.decompress(body, limit + 1)
    except zlib.error as error:
        raise BatchError("the batch cannot be unpacked", given=str(error)) from None
    if len(text) > limit:
        raise BatchError("the batch is too large once unpacked", status=413, allowed=f"{limit} bytes")
    if not inflate.eof or inflate.unused_data:
        raise BatchError("the batch is cut short, or something follows it")
    return text


def _json(line: bytes, number: int) -> Any:
    def refuse(word: str) -> None:
        raise BatchError(f"line {number} is not JSON", given=word)

    try:
        return json.loads(line, parse_constant=refuse)
    except (ValueError, RecursionError):
        raise BatchError(f"line {number} is not JSON") from None


def _parcel(row: Any, number: int) -> Parcel:
    if not isinstance(row, dict) or set(row) != {"kind", "key", "record"}:
        raise BatchError(f"line {number} is no record")
    if row["kind"] not in _KINDS:
        raise BatchError(f"line {number} is of a kind that is not known", given=str(row["kind"])[:40], allowed=", ".join(sorted(_KINDS)))
    if not isinstance(row["key"], str) or not 1 <= len(row["key"]) <= 80:
        raise BatchError(f"line {number} has no key")
    if not isinstance(row["record"], dict):
        raise BatchError(f"line {number} holds no record")
    return Parcel(kind=row["kind"], key=row["key"], record=row["record"])


def _is_uuid(text: str) -> bool:
    try:
        return str(uuid.UUID(text)) == text
    except ValueError:
        return False


# what the hub answers


def answer_to(answer: HubAnswer) -> dict[str, Any]:
    """Return an answer as JSON."""
    return {
        "answer": answer.kind, "next_sequence": answer.next_sequence, "kept": answer.kept, "had": answer.had, "reason": answer.reason, "refused": [list(r) for r in answer.refused],
    }  # fmt: skip


def answer_from(document: Any) -> HubAnswer | None:
    """Return the answer in a JSON value, or None where it is none: something else than the hub has answered."""
    try:
        refused = tuple((int(place), str(why)[:300]) for place, why in document["refused"])
        kind = document["answer"]
        return None if kind not in {"kept", "had", "refused"} else HubAnswer(
            kind=kind, next_sequence=int(document["next_sequence"]), kept=int(document["kept"]), had=int(document["had"]), reason=str(document["reason"])[:300], refused=refused
        )
    except (KeyError, TypeError, ValueError):
        return None


# who speaks


@dataclass(frozen=True, slots=True, kw_only=True)
class HubLink:
    """What a site is given: where its hub is, its credential's name and key, and the certificate it must show where that is its own.

    seed: 32 bytes of an Ed25519 private key.
    """

    address: str
    credential: str
    seed: Private[bytes]
    certificate_sha256: str | None = None


def make_link(*, address: str, credential: str, certificate_sha256: str | None = None) -> tuple[str, bytes]:
    """Return (the link to give to a site, once; the public half of its key, to keep)."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key = Ed25519PrivateKey.generate()
    seed = base64.urlsafe_b64encode(key.private_bytes_raw()).decode().rstrip("=")
    pin = "" if certificate_sha256 is None else f".{certificate_sha256}"
    return f"{address.rstrip('/')}/#{credential}.{seed}{pin}", key.public_key().public_bytes_raw()


def parse_link(text: Private[str]) -> HubLink:
    """Return the link in a text. Raises SecretError, which does not show it."""
    wrong = SecretError("the link to the hub cannot be used", allowed="what `bandwright hub --add-site` printed, like https://hub.example/#1f...", todo="Copy it again, whole")
    parts = urlsplit(text.reveal(reason="to find the hub").strip())
    try:
        local = parts.hostname in {"127.0.0.1", "localhost", "::1"}
        fine = parts.hostname and not parts.username and not parts.query and (parts.scheme == "https" or (parts.scheme == "http" and local))
    except ValueError:
        raise wrong from None
    words = parts.fragment.split(".")
    if not fine or not 2 <= len(words) <= 3 or not _CREDENTIAL.fullmatch(words[0]) or (len(words) == 3 and not re.fullmatch(r"[0-9a-f]{64}", words[2])):
        raise wrong
    try:
        seed = base64.urlsafe_b64decode(words[1] + "=" * (-len(words[1]) % 4))
    except (binascii.Error, ValueError):
        raise wrong from None
    if len(seed) != 32:
        raise wrong
    return HubLink(address=f"{parts.scheme}://{parts.netloc}{parts.path.rstrip('/')}", credential=words[0], seed=Private(seed), certificate_sha256=words[2] if len(words) == 3 else None)


def _signed_text(method: str, path: str, body: bytes) -> bytes:
    return f"{FORMAT}\n{method}\n{path}\n{hashlib.sha256(body).hexdigest()}\n".encode()


def authorization(link: HubLink, *, method: str, path: str, body: bytes = b"") -> str:
    """Return the Authorization header of a request."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key = Ed25519PrivateKey.from_private_bytes(link.seed.reveal(reason="to sign a request to the hub"))
    return f"{SCHEME} {link.credential}:{base64.b64encode(key.sign(_signed_text(method, path, body))).decode()}"


def parse_authorization(header: str) -> tuple[str, bytes] | None:
    """Return (credential, signature) of an Authorization header, or None where it is none of ours."""
    scheme, _, rest = header.partition(" ")
    credential, _, signature = rest.strip().partition(":")
    if scheme.lower() != SCHEME.lower() or not _CREDENTIAL.fullmatch(credential):
        return None
    try:
        return credential, base64.b64decode(signature, validate=True)
    except (binascii.Error, ValueError):
        return None


def verified(public: bytes, signature: bytes, *, method: str, path: str, body: bytes = b"") -> bool:
    """Whether the holder of that key signed this request."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, _signed_text(method, path, body))
    except (InvalidSignature, ValueError):
        return False
    return True


def public_half(link: HubLink) -> bytes:
    """Return the public half of a link's key."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    return Ed25519PrivateKey.from_private_bytes(link.seed.reveal(reason="to show its public half")).public_key().public_bytes_raw()
