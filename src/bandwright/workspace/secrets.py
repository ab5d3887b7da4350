"""Secrets of a workspace: the far end's pairing string, passwords of gateways. In a file of their own, readable by its owner only.

The file is never exported, never logged, and not part of `site.toml`.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

from bandwright.errors import SecretError
from bandwright.privacy import Private

__all__ = ["SECRETS_FILE", "keep_secret", "secret_of"]

SECRETS_FILE = "secrets.json"


def _read(folder: Path) -> dict[str, str]:
    path = folder / SECRETS_FILE
    if not path.exists():
        return {}
    if os.name == "posix" and path.stat().st_mode & 0o077:
        raise SecretError(f"{SECRETS_FILE} can be read by others on this computer", todo=f"Run: chmod 600 {SECRETS_FILE}")
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise SecretError(f"{SECRETS_FILE} cannot be read", given=str(error)) from None
    return {str(k): str(v) for k, v in found.items()}


def keep_secret(folder: Path, name: str, value: Private[str]) -> None:
    """Keep a secret under a name, in a file that only its owner can read."""
    secrets = _read(folder)
    secrets[name] = value.reveal(reason="written to the secrets file")
    path = folder / SECRETS_FILE
    part = path.with_suffix(".part")
    descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as out:
        json.dump(secrets, out)
        out.flush()
        os.fsync(out.fileno())
    part.replace(path)


def secret_of(folder: Path, name: str) -> Private[str] | None:
    """Return the secret of that name, or None."""
    found = _read(folder).get(name)
    return None if found is None else Private(found)
