"""From labelled values to carriers: which label and heading belong to which carrier, and what stays undecided.

Every layer that finds labels (free text, tables, structured documents) makes entries; here they become the carriers of one piece. A label
that comes again with another value begins the next carrier if it began the one before; what names no technology is given one only by its
own text (B3, n78, an NR-ARFCN) or by a stated mode that leaves one choice. Nothing is copied between carriers.
"""

from __future__ import annotations

import re
from collections.abc import Hashable, Iterable
from dataclasses import dataclass, field
from functools import lru_cache

from bandwright.readings.draft import Draft, Piece, ok_field
from bandwright.readings.labels import Key, classify
from bandwright.readings.values import UNKNOWN_TEXTS, Value, mode_of, read_value, registration_of
from bandwright.words.radio import Field, FieldState, Mode, Rat, Registration, Role, Span

__all__ = ["Entry", "assemble"]


@dataclass(slots=True)
class Entry:
    """One label with its value. key: the label with its headings. block: what it stands in. start, stop: of the value; label_start: of it all."""

    key: Key
    text: str
    start: int
    stop: int
    label_start: int
    block: Hashable = ()
    cut: bool = False
    numeric: bool = False
    read: tuple[Rat | None, Value | None] | None = None  # what was read of it, and under which technology: it may be assembled again


@dataclass(slots=True, eq=False)
class _Subject:
    """What entries speak of: a carrier whose technology and role may not be known yet."""

    block: Hashable
    rat: Rat | None
    role: str
    index: int | None
    start: int
    first: tuple[str, ...]  # words of the label that began it
    fields: dict[str, Field] = field(default_factory=dict)
    ports: dict[str, list[tuple[float | None, int, int]]] = field(default_factory=dict)
    hint: Rat | None = None
    mcc: tuple[str, int, int] | None = None
    mnc: tuple[str, int, int] | None = None
    sector: int | None = None
    texts: dict[str, str] = field(default_factory=dict)  # of identities, as printed
    said: Key | None = None  # what a value beside "role" or "cell" said of it
    loose: list[tuple[int, int]] = field(default_factory=list)  # spans that go unread if it comes to nothing

    @property
    def technology(self) -> Rat | None:
        return self.rat or self.hint


class _Subjects:
    """The subjects of one piece in their order, and the last one of each place, technology, role and index."""

    def __init__(self) -> None:
        self.all: list[_Subject] = []
        self.stated_in: Hashable = None  # the part in which the mode was stated
        self._last: dict[Hashable, _Subject] = {}
        self._beside: dict[Hashable, list[_Subject]] = {}

    def add(self, subject: _Subject) -> _Subject:
        self.all.append(subject)
        self._last[subject.block, subject.role, subject.index, subject.rat] = subject
        self._beside.setdefault((subject.block, subject.role, subject.index), []).append(subject)
        return subject

    def last(self, entry: Entry) -> _Subject | None:
        """Return the last subject of an entry's place, technology, role and index."""
        key = entry.key
        return self._last.get((entry.block, key.role, key.index, key.rat))

    def beside(self, entry: Entry) -> list[_Subject]:
        """Return the subjects of an entry's place, role and index, of whatever technology."""
        return self._beside.get((entry.block, entry.key.role, entry.key.index), [])


_IDENTITIES = {"band", "arfcn", "pci", "cell_id"}
_LEVELS = {"rsrp", "rsrq", "sinr", "rssi"}
_OF_THE_NETWORK = {"plmn", "tac", "cell_id", "enb_id"}
_YES, _NO = {"yes", "true", "1", "on"}, {"no", "false", "0", "off"}


def assemble(entries: Iterable[Entry], *, key: str, dialect: str) -> Piece | None:
    """Return the piece that entries make, or None where they say nothing of the radio."""
    entries = list(entries)
    piece: Piece | None = None
    subjects = _Subjects()
    heard: set[Rat] = set()
    for entry in entries:
        if piece is None:
            piece = Piece(key, dialect, entry.label_start, entry.stop)
        piece.stop = max(piece.stop, entry.stop)
        _hear(entry, heard)
        _take(entry, piece, subjects, heard)
    if piece is None:
        return None
    if heard == {Rat.LTE}:  # the only technology that the text names, also where it names it last
        for subject in subjects.all:
            if subject.technology is None and subject.said is None:
                subject.hint = Rat.LTE
    _end_lists(entries[-1], subjects)
    _place(piece, subjects)
    if not (piece.drafts or piece.mode or piece.registration or piece.extras or piece.warnings or piece.spans):
        return None
    return piece


_LTE_BANDS = re.compile(r"['\" ]*B\d{1,2}(?: ?[+,/&] ?B\d{1,2})+\b")
_NR_WORDS = re.compile(r"(?i)\b(?:5g|nr|nr5g|nsa|en-?dc|sa)\b|\bn\d{1,3}\b")


@lru_cache(maxsize=4096)
def _names_nr(text: str) -> bool:
    return _NR_WORDS.search(text) is not None


def _hear(entry: Entry, heard: set[Rat]) -> None:
    """Note the technologies that the text has named so far; NR also where only a value or an unknown label names it."""
    if len(heard) == 2:
        return
    if entry.key.rat is Rat.NR or _names_nr(entry.text) or "5g" in entry.key.words:
        heard.add(Rat.NR)
    elif entry.key.known and not entry.key.blocked and (
        entry.key.rat is Rat.LTE
        or (entry.key.quantity == "mode" and mode_of(entry.text) is Mode.LTE)
        or (entry.key.quantity == "band" and _LTE_BANDS.match(entry.text) is not None)
    ):
        heard.add(Rat.LTE)


def _take(entry: Entry, piece: Piece, subjects: _Subjects, heard: set[Rat]) -> None:
    key = entry.key
    quantity = key.quantity
    span = (entry.label_start, entry.stop)
    if quantity == "private":
        piece.spans.append(span)
        if entry.text.strip("'\" \t").lower() not in UNKNOWN_TEXTS:
            piece.warnings.append("the text holds a subscriber or device identity: redact it before sharing")
    elif key.foreign or key.blocked or not key.known or quantity in {"ul_other", "time", "setting"}:
        pass
    elif not quantity:
        _status(entry, piece, span)
    elif quantity == "registration":
        _registration(entry, piece, span)
    elif quantity == "mode":
        _mode(entry, piece, subjects, span)
    elif quantity == "temperature_c":
        _temperature(entry, piece, span)
    else:
        _quantity(entry, piece, subjects, span, heard)


_OUT_OF_SERVICE = re.compile(r"(?i)no[ _-]?service|out of service|no network")
_OF_THE_DEVICE = {"network", "status", "service", "state", "connection", "mobile", "cellular"}


def _status(entry: Entry, piece: Piece, span: tuple[int, int]) -> None:
    """Read "Status: searching" and "Network: LTE", whose labels say no more than that the device's state follows."""
    key = entry.key
    if entry.cut or key.role or key.index is not None or not key.words or not _OF_THE_DEVICE.issuperset(key.words):
        return
    registration, mode = registration_of(entry.text), mode_of(entry.text)
    if not {"status", "state", "service"} & set(key.words) and registration in {Registration.HOME, Registration.ROAMING}:
        registration = None  # "Network: Home" may be a name
    if mode is Mode.NONE and registration is None and _OUT_OF_SERVICE.search(entry.text) is None:
        mode = None  # "Status: offline" may be of anything
    if registration is not None:
        piece.say_registration(registration, 9)
    if mode is not None and (mode is Mode.NONE or "network" in key.words):
        piece.say_mode(mode, 2)
    if registration is not None or mode is not None:
        piece.spans.append(span)


def _registration(entry: Entry, piece: Piece, span: tuple[int, int]) -> None:
    bare = entry.text.strip("'\" \t").lower()
    words = entry.key.words
    registration = None if entry.cut else registration_of(entry.text)
    if registration is None and bare in _YES and "registered" in words:
        registration = Registration.REGISTERED
    elif registration is None and bare in _YES and ("roaming" in words or "roam" in words):
        registration = Registration.ROAMING
    if registration is Registration.ROAMING and "no" in bare.split():
        registration = None
    if registration is not None:
        piece.say_registration(registration, 10 if registration is Registration.REGISTERED else 11)
        piece.spans.append(span)
    elif bare in UNKNOWN_TEXTS or bare in _NO:
        piece.spans.append(span)


def _mode(entry: Entry, piece: Piece, subjects: _Subjects, span: tuple[int, int]) -> None:
    mode = None if entry.cut else mode_of(entry.text)
    bare = entry.key.form == "bare"
    if bare and mode not in {None, Mode.LTE, Mode.NR_SA} and not (mode is Mode.ENDC and re.search(r"(?i)nsa|en-?dc", entry.text)):
        return
    if mode is None and not bare and classify(entry.text.strip("'\" \t")).role:
        _role(entry, _subject(entry, subjects), subjects, piece, span)
        return
    if mode is None:
        if entry.text.strip("'\" \t").lower() in UNKNOWN_TEXTS:
            piece.spans.append(span)
        return
    piece.spans.append(span)
    if entry.key.role in {"neighbour", "scan"}:
        return
    if entry.key.role or entry.key.index is not None:
        subject = _subject(entry, subjects)
        if subject.technology is None and mode in {Mode.LTE, Mode.NR, Mode.NR_SA}:
            subject.hint = Rat.LTE if mode is Mode.LTE else Rat.NR
        return
    own = None
    if entry.block and mode in {Mode.LTE, Mode.NR}:  # within a part of its own: that part's technology first of all
        own = entry.block
        subject = _subject(entry, subjects)
        if subject.technology is None:
            subject.hint = Rat.LTE if mode is Mode.LTE else Rat.NR
    if not bare and {piece.mode, mode} in ({Mode.LTE, Mode.NR}, {Mode.LTE, Mode.NR_SA}) and piece.mode_rank == 2:
        apart = own is not None and subjects.stated_in is not None and own != subjects.stated_in
        piece.mode, piece.mode_rank = None, 0 if apart else 9
        if not apart:
            piece.why["mode"] = "two technologies are stated"
        return
    subjects.stated_in = own
    piece.say_mode(mode, 1 if bare else 2)


def _temperature(entry: Entry, piece: Piece, span: tuple[int, int]) -> None:
    bare = entry.text.strip("'\" \t").rstrip("°ºCc ").strip()
    if not entry.cut and bare.lstrip("-").isdecimal() and bare.isascii() and len(bare) < 4:
        piece.extras.append(Field(name="temperature_c", value=int(bare), unit="°C", span=Span(entry.start, entry.stop)))
        piece.spans.append(span)


def _subject(entry: Entry, subjects: _Subjects) -> _Subject:
    """Return the last subject of an entry's place, technology, role and index, or a new one."""
    known = subjects.last(entry)
    return known if known is not None else subjects.add(_new_subject(entry, entry.key.rat))


def _new_subject(entry: Entry, rat: Rat | None) -> _Subject:
    return _Subject(entry.block, rat, entry.key.role, entry.key.index, entry.label_start, entry.key.words)


def _quantity(entry: Entry, piece: Piece, subjects: _Subjects, span: tuple[int, int], heard: set[Rat]) -> None:
    key = entry.key
    subject = _subject(entry, subjects)
    if subject.technology is None and (heard == {Rat.LTE} or key.quantity == "enb_id"):
        subject.hint = Rat.LTE
    if key.quantity in {"mcc", "mnc"}:
        _network_code(entry, subject, piece, span)
        return
    if key.quantity in {"gnb_id", "ecgi"}:
        return
    if key.quantity == "sector":
        bare = entry.text.strip("'\" \t")
        if bare.isdecimal() and bare.isascii() and not entry.cut and len(bare) < 4:
            subject.sector = int(bare)
            piece.spans.append(span)
        return
    if key.quantity == "role":
        _role(entry, subject, subjects, piece, span)
        return
    technology = subject.technology
    if entry.read is None or entry.read[0] is not technology:
        entry.read = (technology, read_value(key, entry.text, entry.start, rat=technology, cut=entry.cut, numeric=entry.numeric))
    made = entry.read[1]
    if made is None or made.field is None:
        return
    item = made.field
    value = item.value
    rat = made.rat
    if item.name == "arfcn" and isinstance(value, int):
        if value > 262143:
            rat = Rat.NR
        elif key.form == "earfcn" and subject.rat is None:
            rat = Rat.LTE
        elif key.form == "channel" and subject.technology is None and key.rat is None and "band" not in subject.fields:
            pass
    if rat is not None and subject.technology is not rat:
        subject = _of_technology(entry, subject, subjects, rat)
    if key.port:
        _port(entry, subject, item)
        piece.spans.append((span[0], max(made.stop, span[0])))
        return
    known = subject.fields.get(item.name)
    if known is not None and known.state is FieldState.OK:
        same = item.state is not FieldState.OK or (known.value == value and known.is_interval == item.is_interval)
        if same and not _begins_again(subject, key):
            piece.spans.append((span[0], made.stop))
            return
        if _begins_again(subject, key) or item.name in _IDENTITIES:
            subject = subjects.add(_new_subject(entry, key.rat or rat))
            subject.hint = rat
        else:
            piece.warnings.append(f"{item.name} is printed twice: {known.value} and {value}; the first is kept")
            return
    elif known is not None and _begins_again(subject, key):
        subject = subjects.add(_new_subject(entry, key.rat))
        subject.hint = rat
    subject.fields[item.name] = item
    if item.name in {"cell_id", "tac"}:
        subject.texts[item.name] = entry.text.strip("'\" \t,;")
    subject.loose.append((span[0], max(made.stop, span[0])))


def _begins_again(subject: _Subject, key: Key) -> bool:
    """Whether a label that a subject has already is the one that began it: then it begins the next."""
    return subject.first == key.words


def _of_technology(entry: Entry, subject: _Subject, subjects: _Subjects, rat: Rat) -> _Subject:
    """Return the subject that an entry whose own text names its technology belongs to."""
    if subject.technology is None:
        subject.hint = rat
        return subject
    for other in reversed(subjects.beside(entry)):
        if other.technology is rat:
            return other
    return subjects.add(_new_subject(entry, rat))


def _network_code(entry: Entry, subject: _Subject, piece: Piece, span: tuple[int, int]) -> None:
    bare = entry.text.strip("'\" \t,;")
    if entry.key.quantity == "mcc" and len(bare) >= 5:
        return
    if bare.isdecimal() and bare.isascii() and not entry.cut and len(bare) in ({3} if entry.key.quantity == "mcc" else {2, 3}):
        piece.spans.append(span)
        where = (bare, entry.start, entry.stop)
        if entry.key.quantity == "mcc":
            subject.mcc = subject.mcc or where
        else:
            subject.mnc = subject.mnc or where


def _role(entry: Entry, subject: _Subject, subjects: _Subjects, piece: Piece, span: tuple[int, int]) -> None:
    """Read "Cell: PCC", "Carrier: SCC1", "Role: serving": the value says whose the values around it are."""
    said = classify(entry.text.strip("'\" \t"))
    if not said.known or said.quantity not in {"", "role"} or not (said.role or said.rat is not None):
        return
    piece.spans.append(span)
    # in a page without parts, a role that stands after values begins the next carrier
    if (subject.fields and (entry.block == () or _begins_again(subject, entry.key))) or (
        subject.said is not None and (subject.said.role, subject.said.index) != (said.role, said.index)
    ):
        subject = subjects.add(_new_subject(entry, entry.key.rat))
    if said.role and not subject.role:
        subject.said = said  # later entries of the block still find the subject under its own key
    if said.rat is not None and subject.rat is None:
        subject.hint = said.rat


def _port(entry: Entry, subject: _Subject, item: Field) -> None:
    span = item.span or Span(entry.start, entry.stop)
    value = item.value if isinstance(item.value, int | float) else None
    subject.ports.setdefault(f"{item.name}_per_port", []).append((value, span.start, span.stop))


def _end_lists(last: Entry, subjects: _Subjects) -> None:
    """Drop a list of receive ports that the text ends with: it may go on."""
    for subject in subjects.all:
        for name, levels in list(subject.ports.items()):
            if last.key.port and last.key.quantity == name and levels:
                del subject.ports[name]


def _place(piece: Piece, subjects: _Subjects) -> None:
    """Turn subjects into carriers: technology by the stated mode where one choice is left, then role; join what is one carrier."""
    placed = _Placed()
    measured: dict[Rat, set[str]] = {}
    if piece.mode is Mode.ENDC:
        measured = {rat: {name for subject in subjects.all if subject.technology is rat for name in subject.fields} for rat in Rat}
    for subject in subjects.all:
        rat = subject.technology or (subject.said.rat if subject.said is not None else None) or _by_mode(piece.mode, subject, measured)
        _finish(subject, rat)
        if rat is None or not subject.fields:
            piece.unread.extend(subject.loose)
            continue
        role = subject.said.role if subject.said is not None and subject.said.role else subject.role
        piece.spans.extend(subject.loose)
        draft = Draft(rat, _role_of(role, rat, piece.mode, placed), subject.start, dict(subject.fields))
        if not _has_value(draft) or _unmeasured(draft):
            if draft.fields:
                piece.warnings.append(f"{rat.value}: levels at zero or at the floor of their ranges, and no channel: nothing was measured")
            continue
        twin = placed.one_of(subject, draft)
        if twin is None and rat in placed.rats and draft.fields.keys() <= _OF_THE_NETWORK:
            twin = placed.primary.get(rat)
            if twin is None:
                piece.unread.extend(subject.loose)
                continue
        if twin is None:
            placed.add(subject, draft)
        else:
            _put_to(twin, draft, piece)
            placed.changed(twin)
    piece.drafts.extend(placed.drafts)
    rats = {draft.rat for draft in piece.drafts if draft.role not in {Role.NEIGHBOUR, Role.SCAN}}
    homeless = piece.mode is None and any(
        subject.technology is None and subject.said is None and any(name in subject.fields and subject.fields[name].state is FieldState.OK for name in _LEVELS)
        for subject in subjects.all
    )
    if len(rats) == 2 or (rats and not homeless):
        piece.say_mode(Mode.ENDC if len(rats) == 2 else Mode.LTE if rats == {Rat.LTE} else Mode.NR, 1)


def _has_value(draft: Draft) -> bool:
    return any(item.state is FieldState.OK for item in draft.fields.values())


def _put_to(twin: Draft, draft: Draft, piece: Piece) -> None:
    """Put what a later block says of a carrier to it."""
    for item in draft.fields.values():
        if item.name in twin.fields and _differ(twin.fields[item.name], item):
            twin.others.append((item, piece.key))
            piece.warnings.append(f"{item.name} is printed twice and differs: the first is kept, the other beside it")
        else:
            twin.put(item)
    if twin.role is Role.SERVING and draft.role is not None:
        twin.role = draft.role


_DEFAULTS = {"rsrp": (0, -140, -141, -156, -44), "rsrq": (0, -20, -19.5, -43), "sinr": (0, -20, -23), "rssi": (0, -113, -117, -120)}


def _unmeasured(draft: Draft) -> bool:
    """Whether a carrier is only named, with the values that equipment prints where nothing was measured."""
    for item in draft.fields.values():
        if item.name in _DEFAULTS:
            if item.state is FieldState.OK and item.value not in _DEFAULTS[item.name]:
                return False
        elif item.state is FieldState.OK and not (item.name in {"pci", "cell_id", "arfcn", "band"} and item.value == 0):
            return False
    return "rsrp" in draft.fields


def _by_mode(mode: Mode | None, subject: _Subject, measured: dict[Rat, set[str]]) -> Rat | None:
    """Return the technology that a stated mode leaves for a subject that names none. measured: what others name of each technology."""
    if mode is Mode.LTE:
        return Rat.LTE
    if mode in {Mode.NR, Mode.NR_SA}:
        return Rat.NR
    if mode is Mode.ENDC and not measured[Rat.NR].isdisjoint(subject.fields):
        return Rat.LTE if measured[Rat.LTE].isdisjoint(subject.fields) else None
    return None


_LEADING = {Role.PCELL, Role.PSCELL, Role.SERVING}
_MOST_COMPARED = 20  # carriers of one technology and index without an identity that decides: more than any device has


def _role_of(role: str, rat: Rat, mode: Mode | None, placed: _Placed) -> Role:
    if role == "neighbour":
        return Role.NEIGHBOUR
    if role == "scan":
        return Role.SCAN
    if role == "pscell" and rat is Rat.NR:
        return Role.PSCELL
    if role == "primary":
        if rat is Rat.LTE or mode is Mode.NR_SA:
            return Role.PCELL
        return Role.PSCELL if mode is Mode.ENDC else Role.SERVING
    if role == "secondary":
        return Role.SCELL if rat is Rat.LTE or rat in placed.led else Role.SERVING
    return Role.SERVING


class _Placed:
    """The carriers of one piece so far, found again by what they could share with a later block: technology, index and physical cell."""

    def __init__(self) -> None:
        self.drafts: list[Draft] = []
        self.rats: set[Rat] = set()
        self.led: set[Rat] = set()  # technologies that have a carrier which a secondary one can be secondary to
        self.primary: dict[Rat, Draft] = {}
        self._all: dict[Hashable, list[tuple[_Subject, Draft]]] = {}
        self._by_pci: dict[Hashable, list[tuple[_Subject, Draft]]] = {}
        self._without_pci: dict[int, tuple[tuple[Rat, int | None], tuple[_Subject, Draft]]] = {}

    def add(self, subject: _Subject, draft: Draft) -> None:
        """Put a carrier of its own."""
        self.drafts.append(draft)
        if draft.rat is None or draft.role is None:
            return
        self.rats.add(draft.rat)
        if draft.role in _LEADING:
            self.led.add(draft.rat)
        if draft.role in {Role.NEIGHBOUR, Role.SCAN}:
            return
        if draft.role in {Role.PCELL, Role.PSCELL}:
            self.primary.setdefault(draft.rat, draft)
        index, pci, both = _index(subject), _pci(draft), (subject, draft)
        self._all.setdefault((draft.rat, index), []).append(both)
        self._by_pci.setdefault((draft.rat, index, pci), []).append(both)
        if pci is None:
            self._without_pci[id(draft)] = ((draft.rat, index), both)

    def changed(self, draft: Draft) -> None:
        """Note what a carrier is since another block was put to it."""
        if draft.rat is not None and draft.role in {Role.PCELL, Role.PSCELL}:
            self.primary.setdefault(draft.rat, draft)
        pci = _pci(draft)
        if pci is not None and id(draft) in self._without_pci:
            kind, both = self._without_pci.pop(id(draft))
            self._by_pci[*kind, None].remove(both)
            self._by_pci.setdefault((*kind, pci), []).append(both)

    def one_of(self, subject: _Subject, draft: Draft) -> Draft | None:
        """Return the carrier that a subject of another block is part of; None where it is its own, or where several could be meant."""
        if draft.role in {Role.NEIGHBOUR, Role.SCAN}:
            return None
        if not self._all:
            return None
        kind = (draft.rat, _index(subject))
        pci = _pci(draft)
        candidates = self._all.get(kind, []) if pci is None else self._by_pci.get((*kind, pci), []) + self._by_pci.get((*kind, None), [])
        fitting: list[Draft] = []
        for other, known in candidates[:_MOST_COMPARED]:
            if _could_be(other, known, subject, draft):
                fitting.append(known)
                if len(fitting) > 1:
                    return None
        return fitting[0] if fitting else None


def _index(subject: _Subject) -> int | None:
    return subject.said.index if subject.said is not None and subject.said.index is not None else subject.index


def _pci(draft: Draft) -> object:
    item = draft.fields.get("pci")
    return None if item is None else item.value


def _could_be(other: _Subject, known: Draft, subject: _Subject, draft: Draft) -> bool:
    """Whether a carrier, made of another subject of the same technology and index, and a draft could be one carrier."""
    same_block = other.block == subject.block
    if same_block and other.first == subject.first:
        return False
    if known.role is not draft.role and (Role.SERVING not in {known.role, draft.role} or Role.SCELL in {known.role, draft.role}):
        return False
    for name in ("pci", "arfcn", "band"):
        mine, theirs = draft.fields.get(name), known.fields.get(name)
        if mine is not None and theirs is not None and mine.value is not None and theirs.value is not None and mine.value != theirs.value:
            return False
    shared = draft.fields.keys() & known.fields.keys()
    if same_block:  # one carrier, named with and without its technology: only another identity makes another of it
        shared &= _IDENTITIES
    return not any(_differ(known.fields[name], draft.fields[name]) for name in shared)


def _differ(one: Field, other: Field) -> bool:
    return one.state is FieldState.OK and other.state is FieldState.OK and (one.value, one.low, one.high) != (other.value, other.low, other.high)


def _finish(subject: _Subject, rat: Rat | None) -> None:
    """Join country and network code, and receive ports; decide a cell identity by the node and sector printed beside it."""
    if subject.mcc is not None and subject.mnc is not None and "plmn" not in subject.fields:
        (mcc, start, stop), (mnc, other_start, other_stop) = subject.mcc, subject.mnc
        subject.fields["plmn"] = ok_field("plmn", f"{mcc}-{mnc}", min(start, other_start), max(stop, other_stop))
    for name, levels in subject.ports.items():
        if any(level is not None for level, _, _ in levels):
            subject.fields[name] = ok_field(name, tuple(level for level, _, _ in levels), levels[0][1], levels[-1][2])
    for name, text in subject.texts.items():
        known = subject.fields[name]
        if known.state is FieldState.AMBIGUOUS and known.span is not None:  # the technology, which is known now, may decide
            again = read_value(Key(quantity=name), text, known.span.start, rat=rat)
            if again is not None and again.field is not None:
                subject.fields[name] = again.field
    cell, node = subject.fields.get("cell_id"), subject.fields.get("enb_id")
    if (
        rat is Rat.LTE
        and cell is not None
        and cell.state is FieldState.AMBIGUOUS
        and node is not None
        and isinstance(node.value, int)
        and cell.span is not None
    ):
        digits = subject.texts.get("cell_id", "")
        if digits.isdecimal() and int(digits) >> 8 == node.value:
            subject.fields["cell_id"] = ok_field(
                "cell_id", int(digits), cell.span.start, cell.span.stop, why="decimal: it belongs to the node printed beside it"
            )
