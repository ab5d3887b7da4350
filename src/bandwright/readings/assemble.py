"""From labelled values to carriers: which label and heading belong to which carrier, and what stays undecided.

Every layer that finds labels (free text, tables, structured documents) makes entries; here they become the carriers of one piece. A label
that comes again with another value begins the next carrier if it began the one before; what names no technology is given one only by its
own text (B3, n78, an NR-ARFCN) or by a stated mode that leaves one choice. Nothing is copied between carriers.
"""

from __future__ import annotations

import re
from collections.abc import Hashable, Iterable
from dataclasses import dataclass, field

from bandwright.readings.draft import Draft, Piece, ok_field
from bandwright.readings.labels import Key, classify
from bandwright.readings.values import UNKNOWN_TEXTS, mode_of, read_value, registration_of
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


@dataclass(slots=True)
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


_IDENTITIES = {"band", "arfcn", "pci", "cell_id"}
_LEVELS = {"rsrp", "rsrq", "sinr", "rssi"}
_OF_THE_NETWORK = {"plmn", "tac", "cell_id", "enb_id"}
_YES, _NO = {"yes", "true", "1", "on"}, {"no", "false", "0", "off"}


def assemble(entries: Iterable[Entry], *, key: str, dialect: str) -> Piece | None:
    """Return the piece that entries make, or None where they say nothing of the radio."""
    entries = list(entries)
    piece: Piece | None = None
    subjects: list[_Subject] = []
    heard: set[Rat] = set()
    for entry in entries:
        if piece is None:
            piece = Piece(key, dialect, entry.label_start, entry.stop)
        piece.stop = max(piece.stop, entry.stop)
        _hear(entry, heard)
        _take(entry, piece, subjects, heard)
    if piece is None:
        return None
    _end_lists(entries[-1], subjects)
    _place(piece, subjects)
    if not (piece.drafts or piece.mode or piece.registration or piece.extras or piece.warnings or piece.spans):
        return None
    return piece


_NR_WORDS = re.compile(r"(?i)\b(?:5g|nr|nr5g|nsa|en-?dc|sa)\b|\bn\d{1,3}\b")


def _hear(entry: Entry, heard: set[Rat]) -> None:
    """Note the technologies that the text has named so far; NR also where only a value or an unknown label names it."""
    if len(heard) == 2:
        return
    if entry.key.rat is Rat.NR or _NR_WORDS.search(entry.text) is not None or "5g" in entry.key.words:
        heard.add(Rat.NR)
    elif entry.key.known and not entry.key.blocked and (entry.key.rat is Rat.LTE or (entry.key.quantity == "mode" and mode_of(entry.text) is Mode.LTE)):
        heard.add(Rat.LTE)


def _take(entry: Entry, piece: Piece, subjects: list[_Subject], heard: set[Rat]) -> None:
    key = entry.key
    quantity = key.quantity
    span = (entry.label_start, entry.stop)
    if quantity == "private":
        piece.spans.append(span)
        if entry.text.strip("'\" \t").lower() not in UNKNOWN_TEXTS:
            piece.warnings.append("the text holds a subscriber or device identity: redact it before sharing")
    elif key.foreign or key.blocked or not key.known or quantity in {"", "ul_other", "time", "setting"}:
        pass
    elif quantity == "registration":
        _registration(entry, piece, span)
    elif quantity == "mode":
        _mode(entry, piece, subjects, span)
    elif quantity == "temperature_c":
        _temperature(entry, piece, span)
    else:
        _quantity(entry, piece, subjects, span, heard)


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


def _mode(entry: Entry, piece: Piece, subjects: list[_Subject], span: tuple[int, int]) -> None:
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
    if not bare and {piece.mode, mode} in ({Mode.LTE, Mode.NR}, {Mode.LTE, Mode.NR_SA}) and piece.mode_rank == 2:
        piece.mode, piece.mode_rank = None, 9
        piece.why["mode"] = "two technologies are stated"
        return
    piece.say_mode(mode, 1 if bare else 2)


def _temperature(entry: Entry, piece: Piece, span: tuple[int, int]) -> None:
    bare = entry.text.strip("'\" \t").rstrip("°ºCc ").strip()
    if not entry.cut and bare.lstrip("-").isdecimal() and bare.isascii() and len(bare) < 4:
        piece.extras.append(Field(name="temperature_c", value=int(bare), unit="°C", span=Span(entry.start, entry.stop)))
        piece.spans.append(span)


def _subject(entry: Entry, subjects: list[_Subject], rat: Rat | None = None) -> _Subject:
    """Return the last subject of an entry's place, technology, role and index, or a new one."""
    key = entry.key
    wanted = rat or key.rat
    for subject in reversed(subjects):
        if (
            subject.block == entry.block
            and subject.role == key.role
            and subject.index == key.index
            and (subject.rat is wanted or (rat is not None and subject.technology is rat))
        ):
            return subject
    made = _Subject(entry.block, wanted, key.role, key.index, entry.label_start, key.words)
    subjects.append(made)
    return made


def _quantity(entry: Entry, piece: Piece, subjects: list[_Subject], span: tuple[int, int], heard: set[Rat]) -> None:
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
    made = read_value(key, entry.text, entry.start, rat=subject.technology, cut=entry.cut, numeric=entry.numeric)
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
            subject = _Subject(entry.block, key.rat or (rat if rat is not None else None), key.role, key.index, entry.label_start, key.words)
            subject.hint = rat
            subjects.append(subject)
        else:
            piece.warnings.append(f"{item.name} is printed twice: {known.value} and {value}; the first is kept")
            return
    elif known is not None and _begins_again(subject, key):
        subject = _Subject(entry.block, key.rat, key.role, key.index, entry.label_start, key.words)
        subject.hint = rat
        subjects.append(subject)
    subject.fields[item.name] = item
    if item.name in {"cell_id", "tac"}:
        subject.texts[item.name] = entry.text.strip("'\" \t,;")
    subject.loose.append((span[0], max(made.stop, span[0])))


def _begins_again(subject: _Subject, key: Key) -> bool:
    """Whether a label that a subject has already is the one that began it: then it begins the next."""
    return subject.first == key.words


def _of_technology(entry: Entry, subject: _Subject, subjects: list[_Subject], rat: Rat) -> _Subject:
    """Return the subject that an entry whose own text names its technology belongs to."""
    if subject.technology is None:
        subject.hint = rat
        return subject
    for other in reversed(subjects):
        if other.block == entry.block and other.role == entry.key.role and other.index == entry.key.index and other.technology is rat:
            return other
    made = _Subject(entry.block, rat, entry.key.role, entry.key.index, entry.label_start, entry.key.words)
    subjects.append(made)
    return made


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


def _role(entry: Entry, subject: _Subject, subjects: list[_Subject], piece: Piece, span: tuple[int, int]) -> None:
    """Read "Cell: PCC", "Carrier: SCC1", "Role: serving": the value says whose the values around it are."""
    said = classify(entry.text.strip("'\" \t"))
    if not said.known or said.quantity not in {"", "role"} or not (said.role or said.rat is not None):
        return
    piece.spans.append(span)
    # in a page without parts, a role that stands after values begins the next carrier
    if (subject.fields and (entry.block == () or _begins_again(subject, entry.key))) or (
        subject.said is not None and (subject.said.role, subject.said.index) != (said.role, said.index)
    ):
        subject = _Subject(entry.block, entry.key.rat, entry.key.role, entry.key.index, entry.label_start, entry.key.words)
        subjects.append(subject)
    if said.role and not subject.role:
        subject.said = said  # later entries of the block still find the subject under its own key
    if said.rat is not None and subject.rat is None:
        subject.hint = said.rat


def _port(entry: Entry, subject: _Subject, item: Field) -> None:
    span = item.span or Span(entry.start, entry.stop)
    value = item.value if isinstance(item.value, int | float) else None
    subject.ports.setdefault(f"{item.name}_per_port", []).append((value, span.start, span.stop))


def _end_lists(last: Entry, subjects: list[_Subject]) -> None:
    """Drop a list of receive ports that the text ends with: it may go on."""
    for subject in subjects:
        for name, levels in list(subject.ports.items()):
            if last.key.port and last.key.quantity == name and levels:
                del subject.ports[name]


def _place(piece: Piece, subjects: list[_Subject]) -> None:
    """Turn subjects into carriers: technology by the stated mode where one choice is left, then role; join what is one carrier."""
    placed: list[tuple[_Subject, Draft]] = []
    for subject in subjects:
        rat = subject.technology or (subject.said.rat if subject.said is not None else None) or _by_mode(piece.mode, subject, subjects)
        _finish(subject, rat)
        if rat is None or not subject.fields:
            piece.unread.extend(subject.loose)
            continue
        role = subject.said.role if subject.said is not None and subject.said.role else subject.role
        index = subject.said.index if subject.said is not None and subject.said.index is not None else subject.index
        piece.spans.extend(subject.loose)
        draft = Draft(rat, _role_of(role, rat, piece.mode, placed), subject.start, dict(subject.fields))
        if not _has_value(draft):
            continue
        twin = _one_of(placed, subject, draft, index)
        if twin is None and set(draft.fields) <= _OF_THE_NETWORK and any(known.rat is rat for _, known in placed):
            twin = next((known for _, known in placed if known.rat is rat and known.role in {Role.PCELL, Role.PSCELL}), None)
            if twin is None:
                piece.unread.extend(subject.loose)
                continue
        if twin is None:
            placed.append((subject, draft))
        else:
            for item in draft.fields.values():
                if item.name in twin.fields and _differ(twin.fields[item.name], item):
                    twin.others.append((item, piece.key))
                    piece.warnings.append(f"{item.name} is printed twice and differs: the first is kept, the other beside it")
                else:
                    twin.put(item)
            if twin.role is Role.SERVING and draft.role is not None:
                twin.role = draft.role
    piece.drafts.extend(draft for _, draft in placed)
    rats = {draft.rat for draft in piece.drafts if draft.role not in {Role.NEIGHBOUR, Role.SCAN}}
    homeless = any(subject.technology is None and subject.said is None and _LEVELS & set(subject.fields) for subject in subjects) and piece.mode is None
    if rats and not homeless:
        piece.say_mode(Mode.ENDC if len(rats) == 2 else Mode.LTE if rats == {Rat.LTE} else Mode.NR, 1)


def _has_value(draft: Draft) -> bool:
    return any(item.state is FieldState.OK for item in draft.fields.values())


def _by_mode(mode: Mode | None, subject: _Subject, subjects: list[_Subject]) -> Rat | None:
    """Return the technology that a stated mode leaves for a subject that names none."""
    if mode is Mode.LTE:
        return Rat.LTE
    if mode in {Mode.NR, Mode.NR_SA}:
        return Rat.NR
    if mode is Mode.ENDC and any(other.technology is Rat.NR and set(other.fields) & set(subject.fields) for other in subjects):
        led = any(other.technology is Rat.LTE and set(other.fields) & set(subject.fields) for other in subjects)
        return None if led else Rat.LTE
    return None


def _role_of(role: str, rat: Rat, mode: Mode | None, placed: list[tuple[_Subject, Draft]]) -> Role:
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
        led = any(draft.rat is rat and draft.role in {Role.PCELL, Role.PSCELL, Role.SERVING} for _, draft in placed)
        return Role.SCELL if rat is Rat.LTE or led else Role.SERVING
    return Role.SERVING


def _one_of(placed: list[tuple[_Subject, Draft]], subject: _Subject, draft: Draft, index: int | None) -> Draft | None:
    """Return the carrier that a subject of another block is part of; None where it is its own, or where several could be meant."""
    if draft.role in {Role.NEIGHBOUR, Role.SCAN}:
        return None
    named = [(name, item.value) for name in ("pci", "arfcn", "band") if (item := draft.fields.get(name)) is not None and item.value is not None]
    fitting = []
    for other, known in placed:
        if any((theirs := known.fields.get(name)) is not None and theirs.value is not None and theirs.value != value for name, value in named):
            continue
        if other.first is subject.first and other.block == subject.block:
            continue
        other_index = other.said.index if other.said is not None and other.said.index is not None else other.index
        if known.rat is not draft.rat or known.role in {Role.NEIGHBOUR, Role.SCAN}:
            continue
        if known.role is not draft.role and (Role.SERVING not in {known.role, draft.role} or Role.SCELL in {known.role, draft.role}):
            continue
        if other_index != index or (other.block == subject.block and other.first == subject.first):
            continue
        shared = [name for name in draft.fields if name in known.fields]
        if other.block == subject.block:  # one carrier, named with and without its technology: only another identity makes another of it
            shared = [name for name in shared if name in _IDENTITIES]
        if shared and any(_differ(known.fields[name], draft.fields[name]) for name in shared):
            continue
        fitting.append(known)
    return fitting[0] if len(fitting) == 1 else None


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
