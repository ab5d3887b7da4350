"""What this computer has that could reach a gateway: ports, daemon, tools, rights; and what to do about what is missing.

Looks only at the operating system's own lists: no port is opened, no command is sent, nothing is asked over the network.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from bandwright.gateways.owners import daemon_holds, daemon_owner
from bandwright.gateways.tools import MBIM, QMI

__all__ = ["Found", "discover"]

_DIALOUT = "Join the group that owns it: sudo usermod -aG {group} $USER, then log in again."
_UDEV = (
    'Give your group the right to it with a udev rule, e.g. in /etc/udev/rules.d/90-modem.rules: SUBSYSTEM=="usbmisc", KERNEL=="cdc-wdm*", '
    'GROUP="dialout", MODE="0660"; then: sudo udevadm control --reload && sudo udevadm trigger.'
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One thing that was looked for. what: port, device, daemon, tool, ssh. kind: the kind of gateway that would use it.

    usable: whether it can be used as things stand. todo: what to do where it cannot, or where it is missing.
    """

    what: str
    name: str
    usable: bool
    kind: str
    text: str
    todo: str | None = None


def discover(*, platform: str = sys.platform, root: Path = Path("/"), owner: Callable[[str], str | None] | None = None) -> tuple[Found, ...]:
    """Return what was found on this computer, and what is missing with what to do about it.

    platform, root, owner: for tests; the folder that holds `dev`, and who owns a port.
    """
    found = _ports(platform, root, daemon_owner if owner is None else owner)
    if platform == "linux":
        found += [*_devices(root), _daemon()]
    found += [_tool(family.program, family.kind, family.package, platform) for family in (QMI, MBIM)]
    found.append(_ssh(platform))
    return tuple(found)


def _ports(platform: str, root: Path, owner: Callable[[str], str | None]) -> list[Found]:
    names = _port_names(platform, root)
    if not names:
        todo = {
            "linux": "Plug the modem in by USB; a serial driver (option, qcserial, cdc_acm) makes ports like /dev/ttyUSB2. A gateway with its own page needs none.",
            "darwin": "Plug the modem in by USB; its ports appear as /dev/cu.usbmodem… or /dev/cu.usbserial…. A gateway with its own page needs none.",
            "win32": "Install the modem's serial driver; its command port then appears in the device manager as COM…. A gateway with its own page needs none.",
        }.get(platform, "Plug the modem in by USB. A gateway with its own page needs none.")
        return [Found(what="port", name="serial ports", usable=False, kind="at-serial", text="no serial port of a modem", todo=todo)]
    return [_port(name, text, owner) for name, text in names]


def _port_names(platform: str, root: Path) -> list[tuple[str, str]]:
    if root != Path("/"):
        folder = root / "dev"
        return [(str(path), "") for pattern in ("ttyUSB*", "ttyACM*", "cu.usb*") for path in sorted(folder.glob(pattern))]
    from serial.tools import list_ports

    listed = [(port.device, port.description if port.description not in (None, "n/a") else "") for port in list_ports.comports()]
    if platform == "linux":
        return [(name, text) for name, text in listed if "ttyUSB" in name or "ttyACM" in name]
    return [(name, text) for name, text in listed if "Bluetooth" not in name]


def _port(name: str, text: str, owner: Callable[[str], str | None]) -> Found:
    shown = f"{name} ({text})" if text else name
    holder = owner(name)
    if holder is not None:
        todo = "Declare the gateway with kind 'modem-daemon', or have the daemon leave this port alone."
        return Found(what="port", name=name, usable=False, kind="at-serial", text=f"{shown} belongs to {holder}", todo=todo)
    if Path(name).exists() and not os.access(name, os.R_OK | os.W_OK):
        return Found(
            what="port", name=name, usable=False, kind="at-serial", text=f"{shown} may not be opened by you", todo=_DIALOUT.format(group=_group(Path(name)))
        )
    return Found(what="port", name=name, usable=True, kind="at-serial", text=f"{shown} can be opened; one of a modem's ports answers AT, often the third")


def _devices(root: Path) -> list[Found]:
    found = []
    for path in sorted((root / "dev").glob("cdc-wdm*")):
        may = os.access(path, os.R_OK | os.W_OK)
        text = f"{path}, a control device (QMI or MBIM)" + ("" if may else ", may not be opened by you")
        found.append(Found(what="device", name=str(path), usable=may, kind="qmi-tool", text=text, todo=None if may else _UDEV))
    return found


def _daemon() -> Found:
    ports = daemon_holds()
    problem = "no message bus" if ports is None else "it does not run, or has no modem"
    if ports:
        text = f"the modem daemon runs and has {len(set(ports.values()))} modem(s)"
        return Found(what="daemon", name="modem daemon", usable=True, kind="modem-daemon", text=text)
    installed = shutil.which("ModemManager") is not None or Path("/usr/sbin/ModemManager").exists()
    todo = "Start it: sudo systemctl start ModemManager." if installed else "On Debian: apt install modemmanager. It is not needed for other kinds."
    return Found(what="daemon", name="modem daemon", usable=False, kind="modem-daemon", text=f"the modem daemon has nothing for us: {problem}", todo=todo)


def _tool(program: str, kind: str, package: str, platform: str) -> Found:
    where = shutil.which(program)
    if where is not None:
        return Found(what="tool", name=program, usable=True, kind=kind, text=f"{program} is installed ({where})")
    todo = f"On Debian: apt install {package}. It is not needed for other kinds." if platform == "linux" else "It runs on Linux; use another kind here."
    return Found(what="tool", name=program, usable=False, kind=kind, text=f"{program} is not installed", todo=todo)


def _ssh(platform: str) -> Found:
    if shutil.which("ssh") is not None:
        return Found(what="ssh", name="ssh", usable=True, kind="router-ssh", text="an ssh program is installed")
    todo = (
        "Settings, Apps, Optional features: add the OpenSSH client."
        if platform == "win32"
        else "Install an OpenSSH client. It is needed for kind 'router-ssh' only."
    )
    return Found(what="ssh", name="ssh", usable=False, kind="router-ssh", text="no ssh program is installed", todo=todo)


def _group(path: Path) -> str:
    try:
        return path.group()
    except (KeyError, OSError, NotImplementedError):
        return "dialout"
