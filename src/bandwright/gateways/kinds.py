"""The table of gateway kinds. A new kind is one module and one row here; help, forms, docs and the contract suite read the rows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from bandwright.errors import DeclarationError
from bandwright.gateways import bus, datamodel, pasted, remote, router, second, serial, tools
from bandwright.gateways.declared import Declared, read_settings
from bandwright.gateways.pasted import Ask
from bandwright.ports import Clock, Gateway
from bandwright.privacy import Private
from bandwright.words.rig import GatewayPlan

__all__ = ["KINDS", "Kind", "Opening", "Secrets", "kind", "open_gateway", "settings_of"]

Secrets = Callable[[str], Private[str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """What a factory may use beside the plan. secrets: opens a secret by its name; None where none can be had."""

    clock: Clock
    ask: Ask | None = None
    secrets: Secrets | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One kind of gateway. settings: the model of its own settings, whose fields say what they mean. tunes: whether it can set anything."""

    key: str
    label: str
    settings: type[Declared]
    factory: Callable[[GatewayPlan, Any, Opening], Gateway]
    tunes: str  # a sentence: what it can set
    about: str


def _over_bus(plan: GatewayPlan, settings: bus.BusSettings, opening: Opening) -> Gateway:
    reads = bus.over_bus(plan, settings, clock=opening.clock)
    if settings.second_port is None:
        return reads
    return second.TwoPorts(reads, serial.over_either(plan, settings.second_port, kind=plan.kind, clock=opening.clock))


KINDS: tuple[Kind, ...] = (
    Kind(
        key="pasted",
        label="a person reads and sets it",
        settings=pasted.PastedSettings,
        factory=lambda plan, settings, opening: pasted.by_person(plan, settings, clock=opening.clock, ask=opening.ask),
        tunes="whatever its page offers, by the person's hand",
        about="Works with any gateway: you paste what its page shows, and set what you are told.",
    ),
    Kind(
        key="at-serial",
        label="AT commands over a serial port",
        settings=serial.SerialSettings,
        factory=lambda plan, settings, opening: serial.over_serial(plan, settings, clock=opening.clock),
        tunes="what the modem's dialect documents: mode, bands, cell",
        about="A modem on this computer, by its command port.",
    ),
    Kind(
        key="at-tcp",
        label="AT commands over TCP",
        settings=serial.TcpSettings,
        factory=lambda plan, settings, opening: serial.over_tcp(plan, settings, clock=opening.clock),
        tunes="what the modem's dialect documents: mode, bands, cell",
        about="A gateway, or a program beside it, that passes AT commands through a socket.",
    ),
    Kind(
        key="modem-daemon",
        label="modem daemon over D-Bus",
        settings=bus.BusSettings,
        factory=_over_bus,
        tunes="modes and bands that the daemon's driver for this modem supports; with a second port, what the modem's AT dialect documents",
        about="A modem that the daemon of a Linux desktop or router already manages; its ports stay with the daemon.",
    ),
    Kind(
        key="qmi-tool",
        label="QMI command-line tool",
        settings=tools.ToolSettings,
        factory=lambda plan, settings, opening: tools.over_qmi(plan, settings, clock=opening.clock),
        tunes="nothing: it reads",
        about="A modem on this computer with a QMI control device, read by qmicli.",
    ),
    Kind(
        key="mbim-tool",
        label="MBIM command-line tool",
        settings=tools.ToolSettings,
        factory=lambda plan, settings, opening: tools.over_mbim(plan, settings, clock=opening.clock),
        tunes="nothing: it reads",
        about="A modem on this computer with an MBIM control device, read by mbimcli.",
    ),
    Kind(
        key="router-ssh",
        label="router console over ssh",
        settings=router.RouterSettings,
        factory=lambda plan, settings, opening: router.over_ssh(plan, settings, clock=opening.clock),
        tunes="mode and bands",
        about="A router whose console prints `monitor` for its mobile interface and takes `set network-mode=`.",
    ),
    Kind(
        key="tr181",
        label="TR-181 data model",
        settings=datamodel.DataModelSettings,
        factory=lambda plan, settings, opening: datamodel.over_data_model(plan, settings, clock=opening.clock, secrets=opening.secrets),
        tunes="nothing: it reads",
        about="A gateway whose Device.Cellular. parameters are in a file or a JSON document.",
    ),
    Kind(
        key="remote",
        label="requests you declare",
        settings=remote.RemoteSettings,
        factory=lambda plan, settings, opening: remote.by_declaration(plan, settings, clock=opening.clock, secrets=opening.secrets),
        tunes="what the request that you declare sets",
        about="A gateway that only has its own page: you declare how its document is fetched and how a tuning is asked for.",
    ),
)


def kind(key: str) -> Kind:
    """Return the row of a kind. Raises DeclarationError naming the kinds there are."""
    found = {row.key: row for row in KINDS}.get(key)
    if found is None:
        raise DeclarationError("gateway kind", given=key, allowed=", ".join(row.key for row in KINDS))
    return found


def settings_of(plan: GatewayPlan) -> Declared:
    """Return a plan's settings, checked. Raises DeclarationError naming the place, what was given and what is allowed."""
    return read_settings(kind(plan.kind).settings, plan.settings, place=f'gateway "{plan.key}"')


def open_gateway(plan: GatewayPlan, *, clock: Clock, ask: Ask | None = None, secrets: Secrets | None = None) -> Gateway:
    """Return the gateway of a plan. Nothing is touched before its first question.

    ask: how a person is asked, for kinds that need one. secrets: opens a declared secret by its name.
    Raises DeclarationError where the plan cannot be used.
    """
    return kind(plan.kind).factory(plan, settings_of(plan), Opening(clock=clock, ask=ask, secrets=secrets))
