"""What the words of a label mean: which quantity, of which technology, carrier, direction and receive port, in which unit.

A label is understood only if every one of its words is: "RSRP threshold" or "average RSRP" is no RSRP. Headings, paths and table headings
are classified by the same words, but there unknown words are allowed. The words are those in which status pages, command-line tools, exports
and interfaces name the quantities of TS 36.214 and TS 38.215, the identities of TS 23.003 and channels of TS 36.101 and TS 38.101.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

from bandwright.words.radio import Rat

__all__ = ["Key", "classify", "combine", "flag_of", "words_of"]


@dataclass(frozen=True, slots=True)
class Key:
    """What a label says. quantity: a carrier's quantity, "mode", "registration", "mcc", "mnc", "time", a private identity, or "".

    role: primary, pscell, secondary, neighbour, serving, scan or "". direction: dl, ul or "". port: index or name of a receive chain.
    foreign: of another radio (Wi-Fi, GSM...). blocked: a setting, threshold, statistic: not a state. known: every word was understood.
    """

    quantity: str = ""
    rat: Rat | None = None
    role: str = ""
    index: int | None = None
    direction: str = ""
    port: str = ""
    unit: str = ""
    foreign: bool = False
    blocked: bool = False
    known: bool = True
    words: tuple[str, ...] = ()
    form: str = ""  # how the quantity was named, where that says more: earfcn, nrarfcn, channel


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


# fmt: off
_SPLIT = re.compile(r"(?:PS|Ps|[PSN])[Cc]ells?(?![a-z])|(?i:dbm?(?![a-z])|[mkg]?hz(?![a-z])|5g-?nr|nr-?5g|[2345]g(?![a-z])|3gpp|e-?utran?\b)|[A-Z]+(?=[A-Z][a-z])|[A-Z]?[a-z]+|[A-Z]+|\d+|%")

_LTE, _NR = Rat.LTE, Rat.NR
_RATS = {"lte": _LTE, "4g": _LTE, "eutra": _LTE, "eutran": _LTE, "e-utra": _LTE, "e-utran": _LTE, "nr": _NR, "5g": _NR, "nr5g": _NR, "nr-5g": _NR, "5gnr": _NR, "5g-nr": _NR, "nsa": _NR, "sa": _NR}
_ROLES = {
    **dict.fromkeys(("pcc", "pcell", "primary", "anchor", "mcg", "pri"), "primary"),
    **dict.fromkeys(("pscell", "scg", "spcell"), "pscell"),
    **dict.fromkeys(("scc", "scell", "secondary", "sec", "ca", "aggregated", "scells"), "secondary"),
    **dict.fromkeys(("neighbour", "neighbor", "neighbours", "neighbors", "neighbouring", "neighboring", "neigh", "nbr", "ncell", "ncells", "adjacent", "intrafreq", "interfreq", "nearby", "surrounding", "other", "others"), "neighbour"),
    **dict.fromkeys(("serving", "connected", "camped", "servingcell"), "serving"),
    **dict.fromkeys(("scan", "scanned", "scanning", "detected"), "scan"),
}
_DIRECTIONS = {**dict.fromkeys(("dl", "downlink", "down", "downstream"), "dl"), **dict.fromkeys(("ul", "uplink", "up", "upstream"), "ul")}
_FILLERS = _words(
    "value val level lvl current cur now measured reported signal radio rf cell cells carrier carriers component cc info information the of no num number mobile modem "
    "cellular wwan wan status quality received ue device in is and data intra inter freq frequency service network state stat s n leg rx measurement measurements "
    "connection main active used usage wireless strength interference m details general advanced overview summary parameters more current"
)
_UNITS = {"dbm": "dBm", "db": "dB", "mhz": "MHz", "khz": "kHz", "hz": "Hz", "rb": "RB", "rbs": "RB", "prb": "RB", "prbs": "RB", "hex": "hex", "dec": "dec", "decimal": "dec", "hexadecimal": "hex", "nrb": "RB"}
_FOREIGN = _words(
    "wifi wlan wi-fi fi fiber fibre ont sfp optical optics pon ssid hotspot voip sip telephony vpn dect ddns dyndns gsm umts wcdma utra utran hspa cdma evdo 1x gps gnss ethernet lan bluetooth dsl docsis lora zigbee 2g 3g tdscdma edge gprs uarfcn rscp ecio ecno evdo cdma1x nb iot"
)
_BLOCKED = _words(
    "threshold thresholds thresh min max minimum maximum avg average mean median limit limits target supported support supports capability capabilities capable allowed preferred preference "
    "preferences pref configured config configuration settings setting set lock locked locking mask history previous prev last best worst required recommended typical example examples delta offset "
    "hysteresis trigger requested selected selection available forbidden search home default range ranges scale guide legend policy enabled disabled enable priority count total peak lowest "
    "highest std deviation percentile option options profile want wanted desired good excellent poor fair"
)
_PRIVATE = frozenset({"imei", "imeisv", "imsi", "iccid", "msisdn", "eid", "uicc"})

# Phrases, longest first wins: words -> (quantity, form).
_PHRASES: dict[tuple[str, ...], tuple[str, str]] = {}


def _phrases(quantity: str, *texts: str, form: str = "") -> None:
    for text in texts:
        _PHRASES[tuple(text.split())] = (quantity, form)


_phrases("rsrp", "rsrp", "reference signal received power", "reference signal receive power", "ref signal received power")
_phrases("rsrq", "rsrq", "reference signal received quality", "reference signal receive quality", "ref signal received quality")
_phrases("rssi", "rssi", "received signal strength indicator", "received signal strength indication", "received signal strength")
_phrases(
    "sinr", "sinr", "snr", "rssnr", "s n", "s n r", "signal to noise ratio", "signal noise ratio", "signal to noise", "signal to interference noise ratio", "signal to interference plus noise ratio",
    "signal to interference and noise ratio", "signal to interference ratio",
)  # fmt: skip
_phrases(
    "pci", "pci", "physical cell id", "physical cell identity", "physical cellid", "physical ci", "phys cell id", "phy cell id", "phy cellid", "physical cell", "pcid", "physical id", "phy ci", "physical layer cell id",
    "physical layer cell identity", "phy cell identity", "cell physical id", "pci number", "physical cell identifier",
)  # fmt: skip
_phrases("arfcn", "earfcn", "e arfcn", "e utra absolute radio frequency channel number", form="earfcn")
_phrases("arfcn", "nrarfcn", "nr arfcn", "narfcn", form="nrarfcn")
_phrases("arfcn", "arfcn", "absolute radio frequency channel number", "ssb arfcn", "frequency channel number", form="arfcn")
_phrases("arfcn", "channel", "chan", "channel number", "channel no", "rf channel", "radio channel", "frequency channel", "rx channel", "rx chan", "channel id", "ch", form="channel")
_phrases("ul_arfcn", "tx channel", "tx chan", form="channel")
_phrases("band", "band", "frequency band", "band number", "band class", "band id", "operating band", "rf band", "active band", "band no", "freq band", "radio band", "band name", "band info", "bands", "bands used", "band in use", "active band class")
_phrases("bandwidth", "bandwidth", "bw", "band width", "channel width", "channel bandwidth", "carrier bandwidth", "carrier width", "chbw", "width", "bandwith")
_phrases(
    "cell_id", "cell id", "cellid", "cell identity", "cid", "ci", "eci", "nci", "global cell id", "global cellid", "cell identifier", "cell global id", "gcid", "global cell identity", "eutran cell id", "utran cell id", "ecid",
    "nr cell id", "nr cell identity", "long cid", "lcid", "full cell id", "global ci", "cell id long",
)  # fmt: skip
_phrases("ecgi", "ecgi", "ncgi", "cgi")
_phrases("enb_id", "enb id", "enb", "enbid", "enodeb id", "enodeb", "enodebid", "e node b", "e node b id", "node b id", "enb number", "enb identity", "enb identifier")
_phrases("enb_id", "e nodeb", "e nodeb id", "e nb", "e nb id")
_phrases("gnb_id", "gnb id", "gnb", "gnbid", "gnodeb id", "gnodeb", "g nodeb", "g nodeb id", "g node b id", "g nb id")
_phrases("sector", "sector", "sector id", "local cell id", "cell sector", "sectorid")
_phrases("tac", "tac", "tracking area code", "tracking area", "tracking area id", "tac id")
_phrases("plmn", "plmn", "plmn id", "mcc mnc", "mccmnc", "operator code", "operator id", "network code", "operator numeric", "plmn code", "registered plmn", "rplmn", "operator plmn", "plmnid", "operator mccmnc", "network id", "mnc mcc")
_phrases("mcc", "mcc", "mobile country code", "operator mcc", "country code")
_phrases("mnc", "mnc", "mobile network code", "operator mnc")
_phrases("tx_power", "tx power", "transmit power", "txpower", "tx pwr", "txpwr", "transmission power", "transmitted power", "uplink power", "ul power", "ul tx power", "transmitter power", "ue tx power")
_phrases("cqi", "cqi", "channel quality indicator", "channel quality index", "cqi index")
_phrases("rank", "ri", "rank", "rank indicator", "rank indication", "mimo rank", "rank index")
_phrases("mcs", "mcs", "mcs index", "modulation coding scheme", "modulation and coding scheme")
_phrases("modulation", "modulation", "mod", "modulation type", "modulation scheme", "modulation order")
_phrases("layers", "layers", "mimo layers", "spatial layers", "layer")
_phrases("duplex", "duplex", "duplex mode", "duplex type", "duplexing", "duplex scheme", "duplexing mode")
_phrases("scs", "scs", "subcarrier spacing", "sub carrier spacing", "subcarrierspacing")
_phrases("timing_advance", "ta", "timing advance", "timingadvance")
_phrases("srxlev", "srxlev", "s rxlev")
_phrases(
    "mode", "network type", "access technology", "access tech", "rat", "radio access technology", "technology", "system mode", "data class", "connection type", "network technology", "service type", "nw type", "radio technology", "act",
    "cell type", "data technology", "sysmode", "radio type", "type", "tech", "access type", "network access", "cellular technology", "network access technology", "mobile technology", "connection technology", "access technologies",
    "radio mode", "service mode", "network standard", "current network", "connected to", "connection mode", "registered network type", "radio access type", "rat type", "system", "wireless technology", "access mode", "current network type",
    "networktype", "accesstechnology", "radio interface",
)  # fmt: skip
_phrases(
    "registration", "registration", "registration status", "registration state", "reg status", "reg state", "network registration", "network registration status", "network registration state", "emm state", "roaming", "roaming status",
    "register state", "register status", "roaming state", "nw registration", "registered", "regstate", "is roaming", "network state", "network status", "reg stat", "ps state", "roam", "roam status",
)  # fmt: skip
_phrases("setting", "network mode", "mode pref", "mode preference", "preferred mode", "network selection", "band selection", "cell lock", "band lock")
_phrases("mode", "mode", form="bare")
_phrases("state", "scell state", "scc state", "ca state", "carrier state", "activation state", "activation", "scell status", "scc status", "activation status", "cell state")
_phrases("time", "time", "timestamp", "date", "datetime", "date time", "at", "utc", "local time", "ts", "time utc", "when", "time stamp", "clock")
_phrases("temperature_c", "temperature", "temp", "modem temperature", "device temperature")
_phrases("role", "role", "cell role", "carrier type", "cell", "carrier", "component carrier", "cc", "component", "leg", "carrier role", "name", "interface")
_LONGEST = max(len(words) for words in _PHRASES)
_PORT_NAMES = {"rxm": "0", "rxd": "1", "prx": "0", "drx": "1", "diversity": "1", "div": "1", "ant": "", "antenna": "", "port": "", "chain": "", "branch": "", "rx": ""}
_LEVELS = {"rsrp", "rsrq", "rssi", "sinr"}
# fmt: on
_VOCABULARY = sorted(
    {word for words in _PHRASES for word in words if len(word) > 1}
    | set(_RATS)
    | set(_ROLES)
    | set(_DIRECTIONS)
    | {"ss", "dbm", "mhz", "phy", "id", "rx", "tx"},
    key=len,
    reverse=True,
)
_GLUED = re.compile("|".join(re.escape(word) for word in _VOCABULARY))


# Words of status pages in other languages, each with what it is in English; looked for after accents are taken off, longest first.
_TRANSLATED = {
    "nachbarzellen": "neighbour cells", "nachbarzelle": "neighbour cell", "physikalische zell-id": "physical cell id", "physikalische zellen-id": "physical cell id", "zellen-id": "cell id", "zell-id": "cell id",
    "zell-kennung": "cell id", "frequenzband": "band", "bandbreite": "bandwidth", "zugangsart": "network type", "zugangstechnik": "network type", "netzart": "network type", "netztyp": "network type", "technik": "network type",
    "signalstarke": "signal strength", "signalqualitat": "signal quality", "sendeleistung": "tx power", "kanal": "channel", "kanalbreite": "bandwidth", "netz": "network", "zelle": "cell", "einstellungen": "settings", "einstellung": "setting",
    "technologie": "technology", "bande": "band", "largeur de bande": "bandwidth", "identifiant cellule": "cell id", "identifiant de cellule": "cell id", "cellules voisines": "neighbour cells", "cellule": "cell", "reseau": "network",
    "type de reseau": "network type", "canal": "channel", "puissance d'emission": "tx power", "banda": "band", "larghezza di banda": "bandwidth", "rete": "network", "tipo di rete": "network type", "tecnologia": "technology",
    "celle vicine": "neighbour cells", "cella": "cell", "ancho de banda": "bandwidth", "tipo de red": "network type", "celdas vecinas": "neighbour cells", "celda": "cell", "potencia de transmision": "tx power",
}  # fmt: skip
_TRANSLATE = re.compile(r"\b(?:" + "|".join(sorted(map(re.escape, _TRANSLATED), key=len, reverse=True)) + r")\b")


def _in_english(text: str) -> str:
    """Return a label with its words of other languages in English; one in English comes back as it is."""
    if not text.isascii():
        text = "".join(letter for letter in unicodedata.normalize("NFKD", text) if not unicodedata.combining(letter))
    lowered = text.lower()
    return _TRANSLATE.sub(lambda found: _TRANSLATED[found.group()], lowered) if _TRANSLATE.search(lowered) else text


def words_of(text: str) -> tuple[str, ...]:
    """Return the words of a label in lower case: parted at blanks, marks, digits and the humps of camelCase."""
    found = [word.lower() for word in _SPLIT.findall(text)]
    out: list[str] = []
    for word in found:
        out.extend(_parted(word))
    return tuple(out)


@lru_cache(maxsize=4096)
def _is_word(word: str) -> bool:
    return (
        (word,) in _PHRASES or word in _RATS or word in _ROLES or word in _DIRECTIONS or word in _FILLERS or word in _UNITS or word in _FOREIGN or word in _BLOCKED or word in _PORT_NAMES or word in _PRIVATE
        or word in _VOCABULARY
    )  # fmt: skip


@lru_cache(maxsize=4096)
def _parted(word: str) -> tuple[str, ...]:
    """Return a word, or the known words it is glued from: nrarfcn, phycellid, ssrsrp."""
    if len(word) < 4 or not word.isalpha() or _is_word(word):
        return (word,)
    found = _cover(word)
    return found if found is not None else (word,)


def _cover(word: str) -> tuple[str, ...] | None:
    if not word:
        return ()
    for size in range(min(len(word), 12), 1, -1):
        if word[:size] in _VOCABULARY_SET:
            rest = _cover(word[size:])
            if rest is not None:
                return (word[:size], *rest)
    return None


_VOCABULARY_SET = frozenset(_VOCABULARY)


@lru_cache(maxsize=8192)
def classify(text: str) -> Key:
    """Return what a label or a heading says."""
    words = words_of(_in_english(text[:200]))
    if not words:
        return Key(known=False)
    if any(word in _PRIVATE for word in words):
        return Key(quantity="private", words=words)
    position = 0
    quantity = form = role = direction = port = unit = ""
    rat: Rat | None = None
    index: int | None = None
    foreign = blocked = False
    known = True
    said: list[str] = []  # what the word before was, for numbers that follow it
    while position < len(words):
        word = words[position]
        found = _phrase_at(words, position)
        if (
            found is not None
            and (not quantity or quantity in {"role", "mode", "state"} or (quantity == found[1][0]))
            and not _is_qualifier(words, position, found)
        ):
            size, (name, how) = found
            if name == "role" and quantity:
                pass
            elif not (quantity in {"mode", "state"} and name == "role"):
                quantity, form = name, how
            said.append("cell" if word in {"cell", "carrier", "cc", "component"} else "quantity")
            position += size
            continue
        if word in _RATS:
            rat = rat if rat is not None and word in {"nsa", "sa"} else _RATS[word]
            said.append("rat")
        elif word == "ss":
            rat = _NR
            said.append("rat")
        elif word in _ROLES:
            role = _ROLES[word]
            said.append("role")
        elif (
            word in _PORT_NAMES
            and (_PORT_NAMES[word] or _level_ahead(words) or word in {"ant", "antenna", "port", "chain", "branch"})
            and not (word == "rx" and not _number_next(words, position))
        ):
            port = _PORT_NAMES[word] or "?"
            said.append("port")
        elif word == "main" and _level_ahead(words) and "cell" not in words:
            port = "0"
            said.append("port")
        elif word in _DIRECTIONS:
            direction = _DIRECTIONS[word]
            said.append("direction")
        elif word.isdigit():
            before = said[-1] if said else ""
            if before == "port":
                port = word
            elif before in {"role", "cell", "filler cell"} and index is None:
                index = int(word[:6])
            elif before == "device":
                pass
            else:
                known = False
            said.append("number")
        elif word in _BLOCKED:
            blocked = True
            known = False
            said.append("blocked")
        elif word in _UNITS:
            unit = unit or _UNITS[word]
            said.append("unit")
        elif word in _FOREIGN:
            foreign = True
            known = False
            said.append("foreign")
        elif word in _FILLERS or (word == "id" and quantity in {"pci", "cell_id", "enb_id", "tac", "plmn"}):
            said.append(
                "device"
                if word in {"modem", "wwan", "wan", "cellular"}
                else "filler cell"
                if word in {"cell", "carrier", "cc", "component", "cells", "carriers"}
                else "filler"
            )
        else:
            known = False
            said.append("unknown")
        position += 1
    if quantity == "role" and len(words) > 1:
        quantity = ""
    if len({_DIRECTIONS[word] for word in words if word in _DIRECTIONS}) > 1:
        known = False
    if words == ("wireless",):
        foreign, known = True, False
    if direction == "ul":
        quantity = {"arfcn": "ul_arfcn", "bandwidth": "ul_bandwidth", "layers": "ul_layers", "tx_power": "tx_power"}.get(quantity, quantity and "ul_other")
    quantity = {"bandwidth": "dl_bandwidth", "layers": "dl_layers"}.get(quantity, quantity)
    if form == "nrarfcn":
        rat = _NR
    if port and quantity in _LEVELS:
        quantity += "_per_port"
    elif port:
        known = known and port == "?"
    return Key(quantity, rat, role, index, direction, port, unit, foreign, blocked, known, words, form)


def _level_ahead(words: tuple[str, ...]) -> bool:
    return any(word in _LEVELS or word in {"snr", "power"} for word in words)


def _number_next(words: tuple[str, ...], position: int) -> bool:
    return position + 1 < len(words) and words[position + 1].isdigit()


def _is_qualifier(words: tuple[str, ...], position: int, found: tuple[int, tuple[str, str]]) -> bool:
    """Whether a phrase here only says whose quantity another word names: "cell", "carrier" before the quantity's own word."""
    size, (name, _) = found
    return name == "role" and len(words) > size and position + size < len(words)


def _phrase_at(words: tuple[str, ...], position: int) -> tuple[int, tuple[str, str]] | None:
    for size in range(min(_LONGEST, len(words) - position), 0, -1):
        entry = _PHRASES.get(words[position : position + size])
        if entry is not None:
            return size, entry
    return None


_FLAGS = {**dict.fromkeys(("yes", "true", "y", "x", "1", "*"), True), **dict.fromkeys(("no", "false", "n", "0"), False)}


def flag_of(key: Key, text: str) -> Key | None:
    """Return what "serving: yes", "primary: no" say of a carrier: the label names a role, the value whether it has it. None for other values.

    What does not serve is a neighbour; what is not primary is secondary; of other roles, not having them says nothing.
    """
    flag = _FLAGS.get(text.strip("'\" \t").lower())
    if flag is None:
        return None
    role = key.role if flag else {"serving": "neighbour", "primary": "secondary", "neighbour": "serving"}.get(key.role, "")
    return Key(role=role, index=key.index, rat=key.rat)


def combine(outer: tuple[Key, ...], own: Key) -> Key:
    """Return a label's key with what its headings say: the nearest word on technology and role wins; blocked and foreign are inherited."""
    if not outer:
        return own
    rat, role, index, foreign, blocked = own.rat, own.role, own.index, own.foreign, own.blocked
    for context in reversed(outer):
        if rat is None and context.rat is not None:
            rat = context.rat
        if not role and context.role:
            role = context.role
            if index is None:
                index = context.index
        elif index is None and not role and context.index is not None:
            index = context.index
        foreign = foreign or (context.foreign and context.rat is None)
        blocked = blocked or context.blocked
    return Key(own.quantity, rat, role, index, own.direction, own.port, own.unit, foreign, blocked, own.known, own.words, own.form)
