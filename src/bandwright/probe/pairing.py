"""The pairing string: all that a near end must be told of its far end, in one line that can be pasted.

`bw1.` and the base64url form, without padding, of: key id (8 octets), key (32), SHA-256 of the far end's certificate (32),
the address (UTF-8, "host:port" or "[v6]:port") and the first 4 octets of the SHA-256 of all that, against slips in copying.
It is a secret; `Pairing` shows the key to nobody.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import secrets
from dataclasses import dataclass

from bandwright.errors import SecretError
from bandwright.privacy import Private

__all__ = ["DEFAULT_PORT", "Pairing", "make", "new_key", "new_key_id", "parse", "split_address"]

DEFAULT_PORT = 8620
_PREFIX = "bw1."
_FIXED = 8 + 32 + 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairing:
    """What a near end knows of its far end. key_id: 16 hex digits. key: 32 octets. certificate_sha256: 32 octets."""

    address: str
    key_id: str
    key: Private[bytes]
    certificate_sha256: bytes


def new_key() -> bytes:
    """Return a fresh 256-bit key."""
    return secrets.token_bytes(32)


def new_key_id() -> str:
    """Return a fresh key id: 16 hex digits."""
    return secrets.token_hex(8)


def make(pairing: Pairing) -> str:
    """Return the pairing string. Raises SecretError where a part has the wrong length."""
    key = pairing.key.reveal(reason="the pairing string carries the key to the near end")
    split_address(pairing.address)
    body = bytes.fromhex(pairing.key_id) + key + pairing.certificate_sha256
    if len(body) != _FIXED:
        raise SecretError("pairing parts", given=len(body), allowed=f"{_FIXED} octets of key id, key and certificate hash")
    body += pairing.address.encode()
    return _PREFIX + base64.urlsafe_b64encode(body + hashlib.sha256(body).digest()[:4]).rstrip(b"=").decode()


def parse(text: str) -> Pairing:
    """Return what a pairing string says.

    Raises SecretError, which never repeats the string, where it is no pairing string or was copied incompletely.
    """
    text = "".join(text.split())
    todo = "Copy the whole line that `bandwright far-end` printed."
    if not text.startswith(_PREFIX):
        raise SecretError("the pairing string", allowed=f"a line that begins with {_PREFIX}", todo=todo)
    encoded = text[len(_PREFIX) :]
    try:
        raw = base64.b64decode(encoded + "=" * (-len(encoded) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        raise SecretError("the pairing string", allowed="letters, digits, - and _ after its prefix", todo=todo) from None
    body, check = raw[:-4], raw[-4:]
    if len(body) <= _FIXED or hashlib.sha256(body).digest()[:4] != check:
        raise SecretError("the pairing string is incomplete or has a slip in it", todo=todo)
    try:
        address = body[_FIXED:].decode()
    except UnicodeDecodeError:
        raise SecretError("the address in the pairing string cannot be read", todo=todo) from None
    split_address(address)
    return Pairing(address=address, key_id=body[:8].hex(), key=Private(body[8:40]), certificate_sha256=body[40:72])


def split_address(address: str) -> tuple[str, int]:
    """Return host and port of "host", "host:port", "[v6]" or "[v6]:port". Raises SecretError otherwise."""
    host, port = address.strip(), ""
    if host.startswith("["):
        host, closed, rest = host[1:].partition("]")
        if not closed or (rest and not rest.startswith(":")):
            raise SecretError("far end's address", given=address, allowed="host:port or [v6]:port")
        port = rest[1:]
    elif host.count(":") == 1:
        host, port = host.split(":")
    if not host or any(c.isspace() or c in "/@?#" for c in host) or (port and not (port.isdecimal() and 1 <= int(port) <= 65535)):
        raise SecretError("far end's address", given=address, allowed="host:port or [v6]:port with a port of 1..65535")
    return host, int(port) if port else DEFAULT_PORT
