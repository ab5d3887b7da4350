"""Serve the pages of a workspace: on this computer alone, or to the local network behind a one-time code."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from bandwright.errors import UsageError
from bandwright.web.app import LOCAL_HOSTS, create_app
from bandwright.web.house import HouseJobs
from bandwright.web.pages import PageJobs

__all__ = ["Address", "address_of", "lan_address", "serve"]

_CODE_DIGITS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """Where the pages are. code: asked of every browser; link: address and code in one, for the QR code."""

    url: str
    code: str | None = None

    @property
    def link(self) -> str:
        """The address with its code."""
        return f"{self.url}?code={self.code}" if self.code else self.url

    def qr(self) -> str:
        """Return the link as a QR code drawn in characters, for the terminal."""
        import io

        import segno

        out = io.StringIO()
        segno.make(self.link, micro=False).terminal(out=out, compact=True)
        return out.getvalue()


def lan_address() -> str:
    """Return this computer's address on the local network. Nothing is sent: a datagram socket only asks which way it would go."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:
        try:
            s.connect(("192.0.2.1", 9))
        except OSError:
            return "127.0.0.1"
        return str(s.getsockname()[0])


def address_of(*, port: int, lan: bool) -> Address:
    """Return where the pages will be, with a fresh code where they are open to the network."""
    if not lan:
        return Address(url=f"http://127.0.0.1:{port}/")
    return Address(url=f"http://{lan_address()}:{port}/", code="".join(secrets.choice("0123456789") for _ in range(_CODE_DIGITS)))


def serve(folder: Path, *, port: int, lan: bool = False, jobs: PageJobs | None = None, say: Callable[[str], None] = print) -> None:
    """Serve until interrupted. jobs: those of a simulated place; None is the folder's own. Raises UsageError where the port is taken."""
    import uvicorn

    host = "0.0.0.0" if lan else "127.0.0.1"  # noqa: S104 - asked for with --lan, and behind the code
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise UsageError(f"port {port} is taken", given=error.strerror, todo=f"Name another with --port, or set page_port under [settings]; {port + 1} may be free") from error
    where = address_of(port=port, lan=lan)
    hosts = (*LOCAL_HOSTS, lan_address()) if lan else LOCAL_HOSTS
    say(f"The pages are at {where.url}")
    if where.code:
        say(f"On a phone in the same network, type the code {where.code[:4]} {where.code[4:]}, or scan:")
        say(where.qr())
        say("Anyone who can read this screen can open the pages, and anyone on this network can read what is sent: it is not encrypted.")
    uvicorn.run(create_app(jobs or HouseJobs(folder), hosts=hosts, code=where.code), host=host, port=port, log_level="warning", timeout_graceful_shutdown=3)
