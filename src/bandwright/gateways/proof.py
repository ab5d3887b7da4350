"""Whether a tuning has taken hold: what was asked for, against what reads back and what the radio shows. Pure.

An "OK" proves nothing. A mode is shown by the mode of a reading; bands by every serving carrier lying within the list; a pinned cell by
its channel and identity. What a reading does not say is not taken for shown.
"""

from __future__ import annotations

from bandwright.errors import GatewayRefused
from bandwright.gateways.dialects.base import Wanted, band_names, pinned, wanted
from bandwright.words.radio import Carrier, FieldState, Mode, Rat, Reading, Registration, SettingsSeen
from bandwright.words.rig import Tuning

__all__ = ["band_of", "read_back", "shown"]

_SERVED = (Registration.HOME, Registration.ROAMING, Registration.REGISTERED)
_SAID = {Mode.LTE: "LTE", Mode.ENDC: "EN-DC", Mode.NR_SA: "NR standalone", Mode.NR: "NR", Mode.GSM: "GSM", Mode.WCDMA: "WCDMA", Mode.NONE: "no service"}


def shown(tuning: Tuning, settings: SettingsSeen, reading: Reading | None) -> tuple[bool, str]:
    """Return whether the tuning is in force, and the reason in words: what shows it, or what does not."""
    try:
        want = wanted(tuning)
    except GatewayRefused as error:
        return False, str(error)
    for ok, why in (read_back(tuning, settings), _mode(want, reading), _bands(tuning, reading), _cell(want, reading)):
        if not ok:
            return False, why
    return True, "the settings read back and the reading shows them" if settings.mode or settings.bands else "the reading shows it"


def read_back(tuning: Tuning, settings: SettingsSeen) -> tuple[bool, str]:
    """Return whether the settings that read back are the tuning's. What the equipment does not say is not held against it."""
    want = wanted(tuning)
    antenna = dict(settings.raw).get("antenna")
    if tuning.antenna is not None and antenna not in (None, tuning.antenna):
        return False, f"the antenna reads back as {antenna}, not {tuning.antenna}"
    if settings.mode is not None and settings.mode != want.mode:
        return False, f"the mode reads back as {settings.mode}, not {want.mode}"
    if settings.bands is not None and not want.all_bands:
        asked = band_names(want.lte if want.mode != "nr-sa" else (), want.nr if want.mode != "lte" else ())
        if set(settings.bands) != set(asked):
            return False, f"the bands read back as {', '.join(settings.bands) or 'none'}, not {', '.join(asked)}"
    if want.pin is None:
        return (False, f"the cell {settings.cell} is still pinned") if settings.cell else (True, "")
    if settings.cell == "":
        return False, "no cell reads back as pinned"
    if settings.cell is not None:
        seen = pinned(settings.cell)
        if (seen.rat, seen.channel, seen.pci) != (want.pin.rat, want.pin.channel, want.pin.pci):
            return False, f"the pinned cell reads back as {settings.cell}, not {tuning.cell}"
    return True, ""


def band_of(carrier: Carrier) -> str | None:
    """Return a carrier's band by its usual name ("B3", "n78"), or None where it was not read."""
    field = carrier.get("band")
    if field is None or field.state is not FieldState.OK or field.value is None or isinstance(field.value, tuple):
        return None
    digits = str(field.value).strip().lstrip("Bbn").split(".")[0]
    return f"{'B' if carrier.rat is Rat.LTE else 'n'}{int(digits)}" if digits.isdecimal() else None


def _mode(want: Wanted, reading: Reading | None) -> tuple[bool, str]:
    if reading is None:
        return False, "nothing was read yet"
    if reading.registration is not None and reading.registration not in _SERVED:
        return False, f"no service: the registration is '{reading.registration.value}'"
    if reading.mode is Mode.NONE:
        return False, "no service"
    if want.mode == "automatic":
        return True, ""
    if reading.mode is None:
        return False, "the reading does not say the mode"
    asked = {"lte": Mode.LTE, "endc": Mode.ENDC, "nr-sa": Mode.NR_SA}[want.mode]
    if reading.mode is asked:
        return True, ""
    if asked is Mode.ENDC and reading.mode is Mode.LTE:
        return False, "the reading shows LTE alone; the NR leg may show under load only: read under load"
    return False, f"the reading shows {_SAID[reading.mode]}, not {_SAID[asked]}"


def _bands(tuning: Tuning, reading: Reading | None) -> tuple[bool, str]:
    if not tuning.bands or reading is None:
        return True, ""
    bands = [band for carrier in reading.serving() if (band := band_of(carrier)) is not None]
    outside = sorted({band for band in bands if band not in tuning.bands})
    if outside:
        return False, f"the reading shows {', '.join(outside)}, outside {', '.join(tuning.bands)}"
    return (True, "") if bands else (False, "the reading does not say the band")


def _cell(want: Wanted, reading: Reading | None) -> tuple[bool, str]:
    if want.pin is None or reading is None:
        return True, ""
    asked = f"channel {want.pin.channel}, identity {want.pin.pci}"
    mains = [c for c in reading.serving() if c.rat.value == want.pin.rat]
    seen = [(c.number("arfcn"), c.number("pci")) for c in mains]
    if (float(want.pin.channel), float(want.pin.pci)) in seen:
        return True, ""
    known = [f"channel {channel:g}, identity {pci:g}" for channel, pci in seen if channel is not None and pci is not None]
    return (
        False,
        f"the reading shows {'; '.join(known)}, not {asked}" if known else f"the reading shows no {want.pin.rat.upper()} cell with channel and identity",
    )
