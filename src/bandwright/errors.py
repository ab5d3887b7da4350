"""The error tree. An error carries what was given, what is allowed and what to do next, and makes its sentence from them.

    BandwrightError
    ├── OurFault                    a defect of this program
    ├── UserFault                   something given to us cannot be used
    │   ├── UsageError              a command or a call was used wrongly
    │   ├── DeclarationError        a place in site.toml
    │   ├── RangeError              a number outside the range its source allows
    │   │   ├── CodeError           a report code
    │   │   ├── ChannelError        a channel number, band or bandwidth
    │   │   └── IdentityError       a cell identity, area code or PLMN
    │   ├── TerrainError            an elevation file that cannot be used as it is
    │   ├── AllowanceError          it would pass what the user allowed
    │   └── SecretError             a pairing secret or code that cannot be used
    └── OtherEndFault               the world answered otherwise, or not at all
        ├── GatewayError            the gateway
        │   ├── GatewayUnreachable  no answer, port gone
        │   ├── GatewayRefused      it answered with an error, or we may not send that
        │   └── GatewayBusy         something else holds it
        ├── FarEndError             the far end; `phase` says how far we came
        ├── HubError                the hub that looks after many sites
        └── StoreError              the disk or the database
            └── DiskFull            nothing was lost; free some space and go on

Library exceptions are translated into these at the edge where they arise.
"""

from __future__ import annotations

__all__ = [
    "AllowanceError",
    "BandwrightError",
    "ChannelError",
    "CodeError",
    "DeclarationError",
    "DiskFull",
    "FarEndError",
    "GatewayBusy",
    "GatewayError",
    "GatewayRefused",
    "GatewayUnreachable",
    "HubError",
    "IdentityError",
    "OtherEndFault",
    "OurFault",
    "RangeError",
    "SecretError",
    "StoreError",
    "TerrainError",
    "UsageError",
    "UserFault",
]


class BandwrightError(Exception):
    """Base of all. `str(error)` is one clear sentence.

    what: the thing the error is about, e.g. "nr_arfcn".
    given: what was given; allowed: what would have been accepted; todo: what to do next; source: clause, if any.
    """

    def __init__(
        self,
        what: str,
        *,
        given: object = None,
        allowed: str | None = None,
        todo: str | None = None,
        source: str | None = None,
    ) -> None:
        self.what, self.given, self.allowed, self.todo, self.source = what, given, allowed, todo, source
        super().__init__(self._sentence())

    def _sentence(self) -> str:
        parts = self.what
        if self.given is not None:
            parts += f"={self.given!r}" if self.allowed else f": {self.given}"
        if self.allowed:
            parts += f" is outside {self.allowed}" if isinstance(self.given, int | float) else f"; allowed: {self.allowed}"
        if self.source:
            parts += f" ({self.source})"
        if self.todo:
            parts += f". {self.todo}"
        return parts


class OurFault(BandwrightError):
    """A defect of this program."""


class UserFault(BandwrightError):
    """Something given to us cannot be used."""


class UsageError(UserFault):
    """A command or a call was used wrongly."""


class DeclarationError(UserFault):
    """A place in site.toml cannot be used."""


class RangeError(UserFault):
    """A number outside the range its source allows."""


class CodeError(RangeError):
    """A report code outside its table."""


class ChannelError(RangeError):
    """A channel number, band or bandwidth outside its table."""


class IdentityError(RangeError):
    """A cell identity, area code or PLMN outside its range."""


class TerrainError(UserFault):
    """An elevation file that cannot be used as it is."""


class AllowanceError(UserFault):
    """It would pass what the user allowed."""


class SecretError(UserFault):
    """A pairing secret or one-time code that cannot be used."""


class OtherEndFault(BandwrightError):
    """The world answered otherwise, or not at all."""


class GatewayError(OtherEndFault):
    """The gateway."""


class GatewayUnreachable(GatewayError):
    """No answer, or the port is gone."""


class GatewayRefused(GatewayError):
    """It answered with an error, or we may not send that."""


class GatewayBusy(GatewayError):
    """Something else holds the gateway."""


class FarEndError(OtherEndFault):
    """The far end; `phase` says how far we came."""

    def __init__(self, what: str, *, phase: str, given: object = None, todo: str | None = None) -> None:
        self.phase = phase
        super().__init__(what, given=given, todo=todo)


class HubError(OtherEndFault):
    """The hub that looks after many sites."""


class StoreError(OtherEndFault):
    """The disk or the database."""


class DiskFull(StoreError):
    """No space left; nothing that was acknowledged is lost."""
