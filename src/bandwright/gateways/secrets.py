"""Secrets of gateways (session keys, passwords of their pages), kept out of `site.toml`: in a file that only its owner can read.

The file holds lines `name = "value"` (TOML). `site.toml` names a secret as `secret:NAME`.
"""

from __future__ import annotations

import os
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

from bandwright.errors import SecretError
from bandwright.privacy import Private

__all__ = ["file_secrets", "keep_secret"]


def file_secrets(path: Path) -> Callable[[str], Private[str]]:
    """Return what opens secrets of a file by their name. The file is read at each call, so a changed one takes effect at once.

    Calls raise SecretError where the file is missing, others may read it, or it has no such name.
    """

    def opened(name: str) -> Private[str]:
        values = _values(path)
        if name not in values:
            raise SecretError(f"secret {name!r} is not in {path}", todo=f'Add a line {name} = "..." to it.')
        return Private(values[name])

    return opened


def keep_secret(path: Path, name: str, value: Private[str]) -> None:
    """Keep a secret under a name; the file is made for its owner only."""
    values = _values(path) if path.exists() else {}
    values[name] = value.reveal(reason="to write it into the owner's file of secrets")
    fresh = path.with_name(path.name + ".new")
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.writelines(f"{_quoted(key)} = {_quoted(text)}\n" for key, text in values.items())
    fresh.replace(path)


def _values(path: Path) -> dict[str, str]:
    try:
        text = path.read_text("utf-8")
        if sys.platform != "win32" and path.stat().st_mode & 0o077:
            raise SecretError(f"{path} can be read by others", todo=f"Run: chmod 600 {path}")
        return {key: str(value) for key, value in tomllib.loads(text).items()}
    except FileNotFoundError:
        raise SecretError(f"{path} is not there", todo='Make it, with lines like: page_session = "..."') from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SecretError(f"{path} cannot be read", given=type(error).__name__, todo='It holds lines like: page_session = "..."') from None


def _quoted(text: str) -> str:
    inner = "".join(f"\\u{ord(c):04X}" if ord(c) < 32 or c in '"\\\x7f' else c for c in text)
    return f'"{inner}"'
