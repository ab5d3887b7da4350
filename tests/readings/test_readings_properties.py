"""What holds for every text: a cut adds nothing, quoting and line ends change nothing, spans point at what they say, and no bytes break it."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bandwright.readings.normalise import decode, plain
from bandwright.readings.parse import parse, reading_json
from bandwright.words.radio import FieldState

OWN = [json.loads(line) for path in sorted((Path(__file__).parent / "corpus").glob("*.jsonl")) for line in path.read_text().splitlines()]
SERVING = {"pcell", "scell", "pscell", "serving"}


def printed(readings, *, also_disputed=False):
    """Return (technology, role, quantity, value) of every usable value; with also_disputed, (…, None) where the whole text contradicts itself."""
    out = set()
    for reading in readings:
        for carrier in reading.carriers:
            for item in carrier.fields:
                if item.value is not None or item.is_interval:
                    out.add((carrier.rat.value, carrier.role.value, item.name, item.value if item.value is not None else (item.low, item.high)))
                if also_disputed and (item.state is FieldState.CONFLICTING or item.derived):
                    out.add((carrier.rat.value, carrier.role.value, item.name, None))
    return out


def within(value, whole):
    rat, role, name, what = value
    roles = SERVING if role in SERVING else {role}
    fitting = [w for w in whole if w[0] == rat and w[2] == name and (w[1] == role or ("serving" in {w[1], role} and w[1] in roles))]
    return any(w[3] == what or w[3] is None for w in fitting) or (name == "band" and any(w[2] == "arfcn" and w[3] is None for w in whole))


@pytest.mark.parametrize("record", OWN, ids=lambda record: record["id"])
def test_a_cut_adds_no_value(record):
    text = record["raw"]
    whole = printed(parse(text), also_disputed=True)
    places = range(len(text)) if len(text) < 400 else sorted(random.Random(5).sample(range(len(text)), 400))
    for place in places:
        for value in printed(parse(text[:place])):
            assert within(value, whole), (place, text[:place][-40:], value)


@pytest.mark.shared
def test_a_cut_of_a_recorded_text_adds_no_value(shared_data):
    rng = random.Random(7)
    for path in sorted((shared_data / "readings").glob("*.jsonl")):
        for line in path.read_text().splitlines():
            text = json.loads(line)["raw"]
            whole = printed(parse(text), also_disputed=True)
            for place in rng.sample(range(len(text)), min(60, len(text))):
                for value in printed(parse(text[:place])):
                    assert within(value, whole), (place, text[:place][-40:], value)


def told(text):
    """Return what the readings of a text say, without where they say it."""
    return [
        (
            r.mode,
            r.registration,
            [(c.rat, c.role, sorted((f.name, str(f.value), str(f.low), str(f.high), f.state.value) for f in c.fields)) for c in r.carriers],
        )
        for r in parse(text)
    ]


VARIANTS = {
    "CRLF": lambda text: text.replace("\r\n", "\n").replace("\n", "\r\n"),
    "BOM": lambda text: "\ufeff" + text,
    "quoted": lambda text: "".join("> " + line for line in text.splitlines(keepends=True)),
    "quoted twice": lambda text: "".join("> > " + line for line in text.splitlines(keepends=True)),
    "minus sign": lambda text: text.replace("-", "\u2212") if "-->" not in text and "--" not in text and "[" not in text else text,
    "wide digits": lambda text: text.translate({ord("0") + n: 0xFF10 + n for n in range(10)}),
    "coloured": lambda text: "\x1b[1;32m" + text.replace("\n", "\x1b[0m\n"),
    "doubled": lambda text: text + text if text.endswith("\n") else text,
    "doubled with a gap": lambda text: text + "\n\n" + text if text.endswith("\n") else text,
}


@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("record", OWN, ids=lambda record: record["id"])
def test_dress_does_not_change_the_meaning(record, variant):
    text = record["raw"]
    assert told(VARIANTS[variant](text)) == told(text)


@pytest.mark.parametrize("record", OWN, ids=lambda record: record["id"])
def test_spans_point_at_what_was_read(record):
    """The digits of a value stand in its span of the text that was given, quoted and with CRLF."""
    text = VARIANTS["quoted"](VARIANTS["CRLF"](record["raw"]))
    for reading in parse(text):
        for carrier in reading.carriers:
            for item in carrier.fields:
                assert item.span is not None
                assert 0 <= item.span.start <= item.span.stop <= len(text)
                if isinstance(item.value, int) and item.name in {"rsrp", "rsrq", "pci", "arfcn", "band"} and not item.derived and item.why is None:
                    shown = text[item.span.start : item.span.stop]
                    assert (
                        str(item.value) in shown
                        or "x" in shown.lower()
                        or shown.strip('",\\r').upper() in {"D3", "4D", "-920", "-110", "5078"}
                        or shown.startswith("&minus;")
                    ), (item, shown)
        for span in (*reading.unread, *reading.recognised):
            assert 0 <= span.start < span.stop <= len(text)


def test_what_is_left_over_and_what_was_read_do_not_overlap():
    for record in OWN:
        for reading in parse(record["raw"]):
            taken = [False] * len(record["raw"])
            for span in reading.recognised:
                for n in range(span.start, span.stop):
                    taken[n] = True
            for span in reading.unread:
                assert not any(taken[span.start : span.stop]), record["id"]


PIECES = [piece for record in OWN for piece in record["raw"].splitlines(keepends=True)]
FRAGMENTS = st.lists(
    st.one_of(
        st.sampled_from(PIECES),
        st.text(max_size=12),
        st.sampled_from([",", '"', "{", "}", "[", "]", "-", "\n", "\t", ":", "=", "<a>", "</a>", "|", "9" * 30, "٣", "²"]),
    ),
    max_size=25,
)


@given(FRAGMENTS)
@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_no_mixture_of_texts_breaks_it(pieces):
    text = "".join(pieces)
    for reading in parse(text):
        json.dumps(reading_json(reading, text))


@given(st.binary(max_size=300))
@settings(max_examples=250, deadline=None)
def test_no_bytes_break_it(data):
    text = decode(data)
    for reading in parse(data):
        json.dumps(reading_json(reading, text))
        for span in (*reading.unread, *reading.recognised):
            assert 0 <= span.start <= span.stop <= len(text)


@given(st.text(max_size=80))
@settings(max_examples=200, deadline=None)
def test_plain_text_maps_back_into_the_text(text):
    made = plain(text)
    for index, letter in enumerate(made.text):
        span = made.original(index, index + 1)
        assert 0 <= span.start < span.stop <= len(text)
        if letter.isascii() and letter.isalnum() and text[span.start].isascii():
            assert text[span.start] == letter


def test_changed_bytes_of_real_answers_do_not_break_it():
    rng = random.Random(11)
    for record in OWN:
        data = bytearray(record["raw"].encode())
        for _ in range(12):
            changed = bytearray(data)
            for _ in range(rng.randint(1, 4)):
                changed[rng.randrange(len(changed))] = rng.randrange(256)
            parse(bytes(changed))


def test_deep_and_long_documents_do_not_break_it():
    for text in (
        "[" * 5000,
        '{"a":' * 3000,
        "<a>" * 3000 + "x" + "</a>" * 3000,
        "(" * 4000,
        '"' * 4001,
        "RSRP: " * 2000,
        "|" * 5000,
        "-" * 9000,
        "a=1," * 2000,
    ):
        parse(text)


FOUND_BY_FUZZING = (
    b'{"modem":{"signal":{"5g":"x"}},"refresh":"1"}\n',
    b"[/dev/cdc-wdm0] Successfully got serving system:\n\tCurrent PLMN:\n\t\tx: 'y'\n\t\t3GPP cell ID: '27447299'\n\t\tMCC: '001'\n",
)


@pytest.mark.parametrize("data", FOUND_BY_FUZZING)
def test_what_once_broke_it_does_no_more(data):
    assert parse(data)
