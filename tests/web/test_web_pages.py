"""Every page through the application: what it says, where it leads, and what it never does."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from starlette.testclient import TestClient

from bandwright.errors import DiskFull, GatewayBusy, GatewayUnreachable, OurFault, UsageError
from bandwright.web.app import create_app
from bandwright.web.pages import NAV

TEST = "/history/00000003-0000-4000-8000-000000000000"
PAGES = [*(n.path for n in NAV), "/enter", TEST]


def visible(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", re.sub(r"(?s)<(style|script|svg)\b.*?</\1>", "", html)))


@pytest.mark.parametrize("path", PAGES)
def test_every_page_has_one_headline_a_title_landmarks_and_marks_itself(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200
    assert answer.text.count("<h1>") == 1
    assert "<main" in answer.text
    assert 'class="skip"' in answer.text
    assert re.search(r"<title>.+ · Bandwright</title>", answer.text)
    if path in {n.path for n in NAV}:
        assert answer.text.count('aria-current="page"') == 1


@pytest.mark.parametrize("path", PAGES)
def test_no_page_asks_for_anything_outside(client: TestClient, path: str) -> None:
    html = client.get(path).text
    assert re.findall(r'(?:src|href|action)="(?!/|#|data:)[^"]*"', html) == []
    assert "http://" not in html.replace("http://www.w3.org/", "")
    assert " on" + "click" not in html


@pytest.mark.parametrize("path", PAGES)
def test_no_page_says_none_or_shows_a_template(client: TestClient, path: str) -> None:
    html = visible(client.get(path).text)
    assert "None" not in html
    assert "{{" not in html
    assert "headroom" not in html.lower()


@pytest.mark.parametrize("path", ["/", "/verdict", "/setups", "/campaign", "/history"])
def test_a_setup_has_one_mark_on_every_page(client: TestClient, path: str) -> None:
    found = re.findall(r'<span class="key"><svg viewBox="0 0 16 16" aria-hidden="true"><\w+ [^>]*class="f(\d) edge"/></svg>&#8288;([^<]+)</span>', client.get(path).text)
    assert found
    marks = {name: {m for m, n in found if n == name} for _, name in found}
    expected = {"Window, 5G on": {"1"}, "Gable, 5G on": {"2"}, "Gable, 4G only": {"3"}, "Window, 4G only": {"4"}}
    for name, seen in marks.items():
        assert seen == expected[name]


def test_today_says_first_how_well_the_first_need_is_met(client: TestClient) -> None:
    html = client.get("/").text
    headline = visible(re.search(r"(?s)<h1>(.*?)</h1>", html)[1])
    assert headline.startswith("Video consultations, weekdays 9 to 17: met in ")
    assert "of 100 tests with Window, 5G on" in headline
    needs = re.findall(r'<th scope="row">([^<]+)<span class="quiet">', html)
    assert needs == ["Video consultations", "X-ray images", "Card terminal", "Streaming in the flat"]


def test_today_is_light(client: TestClient) -> None:
    html = client.get("/")
    assert len(html.content) < 100_000
    assert re.findall(r'(?:src|rel="stylesheet" href)="', html.text) == []
    assert "<script" not in html.text


def test_the_householders_pages_say_4g_and_5g(client: TestClient) -> None:
    for path in ("/", "/verdict", "/campaign", "/setups"):
        html = visible(client.get(path).text)
        assert "LTE" not in html, path
        assert " NR " not in html, path


def test_today_before_anything_was_tested(jobs: Callable[..., Any]) -> None:
    with TestClient(create_app(jobs(stage="declared")), base_url="http://127.0.0.1") as client:
        html = visible(client.get("/").text)
        assert "No tests yet. From the reading, expect 45 to 210" in html
        assert "Plan the campaign, at most 20 GB" in html.replace("\u00a0", " ")


def test_an_undeclared_place_leads_to_first_use_and_reading_works_all_the_same(jobs: Callable[..., Any], sample: Any) -> None:
    with TestClient(create_app(jobs(stage="undeclared")), follow_redirects=False, base_url="http://127.0.0.1") as client:
        for path in ("/", "/setups", "/campaign", "/history", "/enter"):
            answer = client.get(path)
            assert answer.status_code == 303, path
            assert answer.headers["location"] == "/first"
        answer = client.post("/reading", data={"text": sample.TEXT})
        assert "Three carriers. Expect" in answer.text


def test_a_pasted_text_is_explained_with_its_source_marked_and_identities_hidden(client: TestClient, sample: Any) -> None:
    html = client.post("/reading", data={"text": sample.TEXT}).text
    assert "<mark>" in html
    assert '<span class="raw">33</span>' in html
    explained, form = html.split("Read another text")
    assert "004999010640000" not in explained
    assert "004999010640000" in form  # what was typed is kept in its field


@pytest.mark.parametrize("text", ["", "   \n "])
def test_an_empty_paste_is_said_beside_its_field_and_announced(client: TestClient, text: str) -> None:
    answer = client.post("/reading", data={"text": text})
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text
    assert 'aria-invalid="true"' in answer.text
    assert 'aria-describedby="text-error' in answer.text


def test_nonsense_is_not_made_into_a_reading(client: TestClient) -> None:
    html = client.post("/reading", data={"text": "<script>alert(1)</script> hello"}).text
    assert "Nothing in this text was recognised" in html
    assert "<script>alert" not in html


def test_a_reading_is_taken_from_a_gateway(client: TestClient) -> None:
    assert "Three carriers" in client.post("/reading/take", data={"gateway": "own"}).text


@pytest.mark.parametrize(
    ("error", "status", "words"),
    [
        (GatewayUnreachable("own gateway does not answer", todo="Plug it in."), 503, "Plug it in."),
        (GatewayBusy("something else holds the gateway"), 503, "Close the other program"),
        (UsageError("that gateway is not declared"), 409, "Change what is named"),
        (DiskFull("no space is left"), 507, "Nothing that was finished is lost"),
        (OurFault("a defect"), 500, "Nothing measured is lost"),
    ],
)
def test_every_error_is_a_page_that_says_what_happened_and_what_to_do(jobs: Callable[..., Any], error: Exception, status: int, words: str) -> None:
    with TestClient(create_app(jobs(raises=error)), base_url="http://127.0.0.1") as client:
        answer = client.post("/reading/take", data={"gateway": "own"})
        assert answer.status_code == status
        assert words in visible(answer.text)
        assert "What to do now:" in visible(answer.text)
        assert answer.text.count("<h1>") == 1


def test_an_unexpected_fault_is_a_page_without_a_traceback(jobs: Callable[..., Any]) -> None:
    broken = jobs()
    broken.today = lambda: 1 / 0
    with TestClient(create_app(broken), raise_server_exceptions=False, base_url="http://127.0.0.1") as client:
        answer = client.get("/")
        assert answer.status_code == 500
        assert "Nothing measured is lost" in answer.text
        assert "ZeroDivision" not in answer.text
        assert client.get("/reading").status_code == 200


@pytest.mark.parametrize("path", ["/nowhere", "/history/none", "/report.pdf?kind=as-built&rig=nowhere", "/static/none"])
def test_an_unknown_page_says_so(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 404
    assert "There is no such page here" in answer.text


def test_verdict_without_a_campaign_says_what_a_campaign_is(jobs: Callable[..., Any]) -> None:
    with TestClient(create_app(jobs(stage="declared")), base_url="http://127.0.0.1") as client:
        for path in ("/verdict", "/report.html", "/report.pdf"):
            assert "No campaign has been run yet" in client.get(path).text


def test_the_verdict_is_judged_once_for_each_new_test(jobs: Callable[..., Any]) -> None:
    made = jobs()
    with TestClient(create_app(made), base_url="http://127.0.0.1") as client:
        for path in ("/verdict", "/setups", "/campaign", "/history", "/verdict", TEST):
            client.get(path)
    assert made.judged == 1


@pytest.mark.parametrize("kind", ["campaign", "household", "before-after", "as-built", "to-ask"])
def test_reports_come_as_page_and_pdf(client: TestClient, kind: str) -> None:
    page = client.get(f"/report.html?kind={kind}&rig=gable")
    assert page.status_code == 200
    assert page.text.startswith("<!doctype html>")
    pytest.importorskip("typst")
    pdf = client.get(f"/report.pdf?kind={kind}&rig=gable")
    assert pdf.content.startswith(b"%PDF")
    assert pdf.headers["content-type"] == "application/pdf"


def test_history_says_which_needs_were_met_and_lists_failures_with_their_phase(client: TestClient, sample: Any) -> None:
    html = visible(client.get("/history").text)
    assert "70 tests kept" in html
    assert "The upload stalled (no octets for 5 s)" in html
    assert re.search(r"\d of 3", html)


def test_history_asks_no_more_than_it_shows(client: TestClient) -> None:
    assert client.get("/history?limit=5").text.count('href="/history/0000') >= 5
    assert "Show 25" in client.get("/history?limit=5").text
    assert client.get("/history?limit=0").status_code == 422
    assert client.get("/history?limit=9999999").status_code == 422


def test_one_test_opens_to_needs_figures_readings_and_raw_text(client: TestClient) -> None:
    html = client.get(TEST).text
    assert "Reading: at rest, before" in html
    assert "Reading: under download" in html
    assert "The raw text" in html
    assert "times what it asks" in html or "short by a factor" in html
    assert "path MTU" in html
    assert "not known: not asked for" in html


def test_one_test_now_leads_to_its_page(client: TestClient, jobs: Callable[..., Any]) -> None:
    answer = client.post("/measure")
    assert answer.status_code == 303
    assert answer.headers["location"] == TEST
    with TestClient(create_app(jobs(raises=UsageError("there is nothing to measure against", todo="Pair a far end."))), base_url="http://127.0.0.1") as other:
        page = other.post("/measure")
        assert page.status_code == 409
        assert "Pair a far end." in page.text


# figures read elsewhere


def test_entered_figures_are_kept(client: TestClient) -> None:
    answer = client.post("/enter", data={"goodput_down_mbps": "48,5", "setup": "gable/5g", "read_by": "A. B."})
    assert answer.status_code == 303
    page = client.get(answer.headers["location"]).text
    assert "48.5" in page
    assert "never compared with measured ones" in page


@pytest.mark.parametrize(
    ("sent", "field", "words"),
    [
        ({"goodput_down_mbps": "fast", "read_by": "A"}, "goodput_down_mbps", "not a number"),
        ({"goodput_down_mbps": "nan", "read_by": "A"}, "goodput_down_mbps", "not a number"),
        ({"goodput_down_mbps": "-4", "read_by": "A"}, "goodput_down_mbps", "outside"),
        ({"goodput_down_mbps": "48"}, "read_by", "who read"),
        ({"read_by": "A"}, "goodput_down_mbps", "at least one"),
    ],
)
def test_a_form_error_stands_beside_its_field_and_keeps_what_was_typed(client: TestClient, sent: dict[str, str], field: str, words: str) -> None:
    answer = client.post("/enter", data=sent)
    assert answer.status_code == 422
    beside = re.search(rf'id="{field}-error" role="alert">([^<]+)<', answer.text)
    assert beside is not None
    assert words in beside[1]
    assert f'aria-describedby="{field}-error' in answer.text
    for value in sent.values():
        assert f'value="{value}"' in answer.text


# first use

ANSWERS = {"name": 'Barn "A" \\ 1', "timezone": "Europe/London", "need": ["video call", "streaming"], "hours": "", "cap_gb": "300", "price": "30 GBP", "returnable": "2027-01-05", "gateway_kind": "at-tcp", "where": "192.0.2.1:5000", "far_address": "far.example.org:8620", "download_url": ""}


def test_first_use_from_nothing_to_a_declaration(jobs: Callable[..., Any]) -> None:
    made = jobs(stage="undeclared")
    with TestClient(create_app(made), follow_redirects=False, base_url="http://127.0.0.1") as client:
        assert "Where is the place?" in client.get("/first").text
        for key, title in (("place", "What must work"), ("needs", "What does the plan"), ("plan", "How can the gateway"), ("gateway", "Where is the far end"), ("far-end", "Write it down?")):
            answer = client.post(f"/first/{key}", data=ANSWERS | {"act": "next"})
            assert answer.status_code == 200
            assert title in answer.text
            assert "Barn &#34;A&#34;" in answer.text  # typed before, carried along
        answer = client.post("/first/write", data=ANSWERS)
        assert answer.status_code == 303
        assert answer.headers["location"] == "/reading"
    import tomllib

    declared = tomllib.loads(made.written)
    assert declared["site"] == {"name": 'Barn "A" \\ 1', "timezone": "Europe/London"}
    assert [n["kind"] for n in declared["need"]] == ["video call", "streaming"]
    assert declared["gateway"][0] == {"key": "gateway", "kind": "at-tcp", "address": "192.0.2.1:5000"}
    assert declared["line"][0]["cap_gb_per_month"] == 300


def test_every_step_can_be_skipped_and_gone_back_from(jobs: Callable[..., Any]) -> None:
    made = jobs(stage="undeclared")
    with TestClient(create_app(made), follow_redirects=False, base_url="http://127.0.0.1") as client:
        for key in ("place", "needs", "plan", "gateway", "far-end"):
            answer = client.post(f"/first/{key}", data={"act": "skip", "hours": "nonsense"})
            assert answer.status_code == 200
        assert "Where is the place?" in client.post("/first/needs", data={"act": "back", "name": "x"}).text
        client.post("/first/write", data={})
    import tomllib

    assert tomllib.loads(made.written)["gateway"][0]["kind"] == "pasted"


@pytest.mark.parametrize(
    ("step", "sent", "field"),
    [
        ("place", {"timezone": "Nowhere"}, "timezone"),
        ("needs", {"hours": "nine to five"}, "hours"),
        ("plan", {"cap_gb": "lots"}, "cap_gb"),
        ("plan", {"returnable": "5 January"}, "returnable"),
        ("gateway", {"gateway_kind": "at-serial", "where": ""}, "where"),
        ("gateway", {"gateway_kind": "at-tcp", "where": "192.0.2.1"}, "where"),
        ("far-end", {"download_url": "http://example.org/f"}, "download_url"),
        ("far-end", {"far_address": "far"}, "far_address"),
    ],
)
def test_what_cannot_be_used_is_said_beside_its_field(jobs: Callable[..., Any], step: str, sent: dict[str, str], field: str) -> None:
    with TestClient(create_app(jobs(stage="undeclared")), base_url="http://127.0.0.1") as client:
        answer = client.post(f"/first/{step}", data=sent | {"act": "next"})
        assert answer.status_code == 422
        assert f'id="{field}-error" role="alert"' in answer.text


def test_a_declaration_that_cannot_be_read_is_not_written(jobs: Callable[..., Any]) -> None:
    made = jobs(stage="undeclared")
    with TestClient(create_app(made), base_url="http://127.0.0.1") as client:
        answer = client.post("/first/write", data={"timezone": "Nowhere"})
        assert answer.status_code == 422
        assert "line 5" in answer.text
    assert made.written is None


def test_first_use_is_over_once_something_is_declared(client: TestClient) -> None:
    assert client.get("/first").headers["location"] == "/"
    assert client.post("/first/nothing", data={}).status_code == 404


WALKED = ["/", "/reading", "/setups", "/campaign", "/verdict", "/place", "/aim", "/history?limit=12", "/settings", "/enter", "/nowhere", TEST]


@pytest.mark.parametrize("path", WALKED)
def test_words_are_kept_apart_on_every_page(client: TestClient, path: str) -> None:
    said = visible(client.get(path).text)
    for sentence in re.findall(r"[^.;]*\bheadroom\b[^.;]*", said, flags=re.IGNORECASE):
        assert "power" in sentence, "headroom is said of transmit power only"
    outside_setups = re.sub(r"\b(?:4G|5G)\b(?= (?:on|only|alone|off))", "", said)  # a setup keeps the name it was given
    assert not (re.search(r"\b(?:LTE|NR)\b", said) and re.search(r"\b[45]G\b", outside_setups)), "the two ways to say it do not stand on one page"
    assert not re.search(r"\b(?:ping|speed ?test|jitter)\b", said, flags=re.IGNORECASE)


def test_needs_stand_in_the_users_own_order_on_every_page_that_names_them(client: TestClient) -> None:
    order = ["Video consultations", "X-ray images", "Card terminal", "Streaming in the flat"]
    for path in ("/", "/verdict", TEST):
        heads = re.findall(r"<th scope=\"(?:row|col)\"[^>]*>(Video consultations|X-ray images|Card terminal|Streaming in the flat)", client.get(path).text)
        seen = list(dict.fromkeys(heads))
        assert seen == [n for n in order if n in seen], path
