"""What a gateway still lacks for a connection after a SIM or gateway change, from its own answers. Pure; setting it is left to the person.

Source: 3GPP TS 27.007, 8.3 (+CPIN), 10.1.1 (+CGDCONT), 10.1.10 (+CGACT), 10.1.22 and 10.1.47 (registration).
"""

from __future__ import annotations

from bandwright.gateways.dialects.base import fields, information
from bandwright.words.radio import Reading, Registration

__all__ = ["lacking"]

_SERVED = (Registration.HOME, Registration.ROAMING, Registration.REGISTERED)


def lacking(text: str, reading: Reading | None = None) -> tuple[str, ...]:
    """Return what is missing, in sentences; () where nothing is. text: of the capture of `AtGateway.connection`.

    What was not answered is not taken for missing.
    """
    found: list[str] = []
    sim = information(text, "+CPIN:")
    if sim and sim[-1] != "READY":
        found.append(f"The SIM asks for something first ({sim[-1]}). Enter it on the gateway's own page; it is never sent from here.")
    if reading is not None and reading.registration is not None and reading.registration not in _SERVED:
        found.append(f"The network does not serve it yet: the registration is '{reading.registration.value}'.")
    contexts = [fields(line) for line in information(text, "+CGDCONT:")]
    named = [parts for parts in contexts if len(parts) >= 3 and parts[2]]
    if contexts and not named:
        found.append("No access point name is set. The provider says which; set it on the gateway's own page.")
    families = {parts[1].upper() for parts in named if len(parts) >= 2}
    if families == {"IP"}:
        found.append("Only IPv4 is asked for (IP). Where the provider offers IPv6, IPV4V6 gives both.")
    if families == {"IPV6"}:
        found.append("Only IPv6 is asked for. Where something needs IPv4, IPV4V6 gives both.")
    active = [fields(line) for line in information(text, "+CGACT:")]
    if active and not any(parts[-1] == "1" for parts in active):
        found.append("No data connection is active.")
    return tuple(found)
