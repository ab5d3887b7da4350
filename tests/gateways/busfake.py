"""A fake of the few interfaces of the modem daemon that we use, on a bus of our own. Values are invented.

No `from __future__ import annotations` here: dbus-fast reads the annotations of its methods as D-Bus signatures.
"""
# ruff: noqa: F722, F821, N802

from dbus_fast import PropertyAccess, Variant
from dbus_fast.aio import MessageBus
from dbus_fast.errors import DBusError
from dbus_fast.service import ServiceInterface, dbus_property, method

SERVICE = "org.freedesktop.ModemManager1"
PATH = "/org/freedesktop/ModemManager1/Modem/0"
CORE = f"{SERVICE}.Error.Core"


class Modem(ServiceInterface):
    def __init__(self) -> None:
        super().__init__(f"{SERVICE}.Modem")
        self.modes = [24, 0]
        self.bands = [33, 50, 378]
        self.called: list[str] = []
        self.fails: dict[str, DBusError] = {}

    def _note(self, name: str) -> None:
        self.called.append(name)
        if name in self.fails:
            raise self.fails[name]

    @dbus_property(access=PropertyAccess.READ)
    def State(self) -> "i":
        return 8

    @dbus_property(access=PropertyAccess.READ)
    def EquipmentIdentifier(self) -> "s":
        return "001100110011002"

    @dbus_property(access=PropertyAccess.READ)
    def AccessTechnologies(self) -> "u":
        return 0x4000 | 0x8000

    @dbus_property(access=PropertyAccess.READ)
    def SignalQuality(self) -> "(ub)":
        return [67, True]

    @dbus_property(access=PropertyAccess.READ)
    def SupportedModes(self) -> "a(uu)":
        return [[8, 0], [16, 0], [24, 0], [24, 16]]

    @dbus_property(access=PropertyAccess.READ)
    def CurrentModes(self) -> "(uu)":
        return self.modes

    @dbus_property(access=PropertyAccess.READ)
    def SupportedBands(self) -> "au":
        return [33, 50, 378]

    @dbus_property(access=PropertyAccess.READ)
    def CurrentBands(self) -> "au":
        return self.bands

    @dbus_property(access=PropertyAccess.READ)
    def Ports(self) -> "a(su)":
        return [["ttyUSB2", 3], ["cdc-wdm0", 6]]

    @method()
    def SetCurrentModes(self, modes: "(uu)"):
        self._note("SetCurrentModes")
        self.modes = list(modes)

    @method()
    def SetCurrentBands(self, bands: "au"):
        self._note("SetCurrentBands")
        self.bands = list(bands)

    @method()
    def GetCellInfo(self) -> "aa{sv}":
        self._note("GetCellInfo")
        lte = {"cell-type": Variant("u", 5), "serving": Variant("b", True), "operator-id": Variant("s", "00101"), "physical-ci": Variant("s", "8A")}
        lte |= {"earfcn": Variant("u", 1300), "rsrp": Variant("d", -92.0), "rsrq": Variant("d", -11.0)}
        nr = {
            "cell-type": Variant("u", 6),
            "serving": Variant("b", True),
            "physical-ci": Variant("s", "D3"),
            "nrarfcn": Variant("u", 640000),
            "rsrp": Variant("d", -98.0),
        }
        return [lte, nr]


class Modem3gpp(ServiceInterface):
    def __init__(self) -> None:
        super().__init__(f"{SERVICE}.Modem.Modem3gpp")

    @dbus_property(access=PropertyAccess.READ)
    def Imei(self) -> "s":
        return "001100110011002"

    @dbus_property(access=PropertyAccess.READ)
    def RegistrationState(self) -> "u":
        return 1

    @dbus_property(access=PropertyAccess.READ)
    def OperatorCode(self) -> "s":
        return "00101"

    @dbus_property(access=PropertyAccess.READ)
    def OperatorName(self) -> "s":
        return "TEST"


class Signal(ServiceInterface):
    def __init__(self) -> None:
        super().__init__(f"{SERVICE}.Modem.Signal")
        self.rate = 0
        self.rates: list[int] = []
        self.rsrp = -92.0

    @dbus_property(access=PropertyAccess.READ)
    def Rate(self) -> "u":
        return self.rate

    @dbus_property(access=PropertyAccess.READ)
    def Lte(self) -> "a{sv}":
        return {"rsrp": Variant("d", self.rsrp), "rsrq": Variant("d", -11.0), "snr": Variant("d", 13.4)}

    @dbus_property(access=PropertyAccess.READ)
    def Nr5g(self) -> "a{sv}":
        return {"rsrp": Variant("d", -98.0)}

    @method()
    def Setup(self, rate: "u"):
        self.rate = rate
        self.rates.append(rate)


class FakeDaemon:
    """The fake daemon with one modem."""

    def __init__(self) -> None:
        self.modem, self.gpp, self.signal = Modem(), Modem3gpp(), Signal()
        self.bus: MessageBus | None = None

    async def start(self, address: str) -> None:
        self.bus = await MessageBus(bus_address=address).connect()
        for interface in (self.modem, self.gpp, self.signal):
            self.bus.export(PATH, interface)
        await self.bus.request_name(SERVICE)

    def remove_modem(self) -> None:
        self.bus.unexport(PATH)

    async def stop(self) -> None:
        if self.bus is not None:
            await self.bus.release_name(SERVICE)
            self.bus.disconnect()
            self.bus = None
