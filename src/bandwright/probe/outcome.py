"""How a measurement, or a check of the far end, can end, and the plain sentence for each way.

The near end raises `PathFault` inside itself only; what leaves the room is a Measurement or a `Check`. A fault knows the phase
in which it arose and whether it speaks of the link (failed) or of something else (void): a closed port at the far end's host,
a wrong key or a far end that says it is itself in trouble tell nothing of the setup under test.
"""

from __future__ import annotations

import errno
import socket
import ssl
from dataclasses import dataclass

from bandwright.words.measurement import Fact, Outcome, Phase

__all__ = ["Check", "PathFault", "fault_from"]


class PathFault(Exception):
    """A measurement cannot go on. Never leaves the room."""

    def __init__(self, phase: Phase, reason: str, *, outcome: Outcome = Outcome.FAILED) -> None:
        super().__init__(reason)
        self.phase, self.reason, self.outcome = phase, reason, outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """Whether a far end can be reached and believes us. phase: where it stopped, None where all went well."""

    outcome: Outcome
    phase: Phase | None = None
    reason: str | None = None
    facts: tuple[tuple[str, Fact], ...] = ()

    @property
    def is_ok(self) -> bool:
        """Whether all went well."""
        return self.outcome is Outcome.OK


_NO_ROUTE = {errno.ENETUNREACH, errno.EHOSTUNREACH, errno.ENETDOWN, errno.EADDRNOTAVAIL, errno.ENODEV}


def fault_from(error: BaseException, *, phase: Phase, where: str) -> PathFault:
    """Return the fault that a library's exception stands for, in the phase in which it arose.

    where: the far end as the user wrote it.
    """
    if isinstance(error, PathFault):
        return error
    if phase is Phase.NAME_LOOKUP:
        return PathFault(
            phase, f"The name in {where} could not be looked up ({_short(error)}). The radio may be fine: try the far end's number instead of its name."
        )
    if phase is Phase.NEAR_END:
        return PathFault(phase, f"This computer could not start measuring ({_short(error)}). It may lack memory or processes.", outcome=Outcome.VOID)
    if isinstance(error, ConnectionRefusedError):
        return PathFault(
            Phase.FAR_END,
            f"The host of {where} answered, but nothing listens there (port closed). Check that `bandwright far-end` runs there.",
            outcome=Outcome.VOID,
        )
    if isinstance(error, OSError) and error.errno in _NO_ROUTE:
        return PathFault(Phase.CONNECT, f"This computer has no way out to {where} ({_short(error)}). Check its connection to the gateway.")
    if phase is Phase.CONNECT:
        return PathFault(phase, f"{where} did not answer ({_short(error)}). Either the path is dead or the far end is.")
    if phase is Phase.TLS:
        return _tls_fault(error, where)
    if phase is Phase.AUTH:
        return PathFault(phase, f"{where} was reached but stopped answering while it was being proved who is who ({_short(error)}).")
    if phase is Phase.RESULT:
        return PathFault(phase, f"It was measured, but the far end's half of the result did not arrive ({_short(error)}).")
    return PathFault(phase, f"The path to {where} died during this phase ({_short(error)}). What was measured until then is kept.")


def _tls_fault(error: BaseException, where: str) -> PathFault:
    if isinstance(error, ssl.SSLError) and error.reason in {"WRONG_VERSION_NUMBER", "HTTP_REQUEST", "UNKNOWN_PROTOCOL", "RECORD_LAYER_FAILURE"}:
        return PathFault(Phase.TLS, f"Something else answered in place of {where}, perhaps a sign-in page of the network.")
    if isinstance(error, TimeoutError):
        return PathFault(Phase.TLS, f"{where} accepted the connection and then said nothing: a half-open path, or something in between holds it.")
    return PathFault(Phase.TLS, f"A secure connection to {where} could not be made ({_short(error)}).")


def _short(error: BaseException) -> str:
    if isinstance(error, TimeoutError):
        return "no answer in time"
    if isinstance(error, socket.gaierror):
        return str(error.strerror)
    if isinstance(error, ConnectionResetError | BrokenPipeError):
        return "connection reset"
    if isinstance(error, EOFError):
        return "connection closed"
    if isinstance(error, ssl.SSLError):
        return str(error.reason or "TLS failed").replace("_", " ").lower()
    if isinstance(error, OSError) and error.errno is not None:
        return errno.errorcode.get(error.errno, str(error.errno))
    return type(error).__name__
