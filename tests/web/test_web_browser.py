"""The pages in a real browser: nothing overlaps, scrolls sideways, leaves the host or shuts anyone out, in any mode and width.

Pictures go to artefacts/ to be looked at.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

TEST = "/history/00000003-0000-4000-8000-000000000000"
DONE = ["/", "/reading", "/setups", "/campaign", "/verdict", "/history?limit=12", "/settings", "/enter", TEST, "/nowhere"]
WIDTHS = (320, 768, 1280)
MODES = ("light", "sun", "dark")

# Words of charts that lie over each other or outside the page, and text of the page that is cut off.
CLASH = """() => { const out = [];
  for (const s of document.querySelectorAll('svg[role=img]')) { if (getComputedStyle(s).display === 'none') continue;
    const t = [...s.querySelectorAll('text')].map(e => [e.textContent, e.getBoundingClientRect()]).filter(x => x[1].width);
    for (const [w, r] of t) if (r.right > innerWidth + 1 || r.left < -1) out.push(w + ' outside');
    for (let i = 0; i < t.length; i++) for (let j = i + 1; j < t.length; j++) { const a = t[i][1], b = t[j][1];
      if (Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1 && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 5) out.push(t[i][0] + ' on ' + t[j][0]); } }
  for (const e of document.querySelectorAll('main *, header *')) if (e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX === 'hidden' && !e.closest('.unseen, thead')) out.push('cut off: ' + e.textContent.slice(0, 40));
  return out; }"""
# The widest fonts that a Linux box may have.
WIDE_FONTS = ':root{--sans:"DejaVu Sans" !important;--serif:"DejaVu Serif" !important}'


@pytest.fixture(scope="module")
def axe() -> str:
    module = pytest.importorskip("axe_playwright_python")
    return (Path(module.__file__).parent / "axe.min.js").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def done(serve: Callable[..., Any]) -> Any:
    return serve()


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    yield context.new_page()
    context.close()


def problems(pg: Any, axe: str, *, colours_only: bool = False) -> list[str]:
    """axe runs through the developer protocol, which the page's own policy does not bind."""
    pg.evaluate(axe)
    found = pg.evaluate("axe.run({runOnly: ['color-contrast', 'link-in-text-block']})" if colours_only else "axe.run()")["violations"]
    return [f"{v['id']}: {v['nodes'][0]['html'][:120]}" for v in found]


def slug(path: str) -> str:
    return re.sub(r"\W+", "-", path.split("?", maxsplit=1)[0]).strip("-")[:20] or "today"


@pytest.mark.parametrize("width", WIDTHS)
def test_every_page_fits_and_shuts_nobody_out(browser: Any, done: Any, axe: str, artefacts: Path, width: int) -> None:
    bad: list[str] = []

    def request(r: Any) -> None:
        if not r.url.startswith((done.url, "data:")):
            bad.append(f"left the host: {r.url}")

    def console(m: Any) -> None:
        if m.type == "error" and "404" not in m.text:
            bad.append(f"console: {m.text}")

    for mode in MODES:
        context = browser.new_context(viewport={"width": width, "height": 800}, reduced_motion="reduce")
        context.add_cookies([{"name": "screen", "value": mode, "url": done.url}])
        pg = context.new_page()
        pg.on("request", request)
        pg.on("console", console)
        for path in DONE:
            pg.goto(done.url + path)
            where = f"{path} {width} {mode}"
            if pg.evaluate("document.documentElement.scrollWidth") > width:
                bad.append(f"{where}: scrolls sideways")
            bad += [f"{where}: {x}" for x in pg.evaluate(CLASH)]
            if width == 320 or (width == 1280 and mode == "light"):  # colours do not depend on the width, order and size on the mode
                bad += [f"{where}: {x}" for x in problems(pg, axe, colours_only=mode != "light")]
            pg.screenshot(path=artefacts / f"{slug(path)}-{width}-{mode}.jpg", full_page=True, type="jpeg", quality=85)
        context.close()
    assert bad == []


@pytest.mark.parametrize("width", WIDTHS)
def test_the_widest_fonts_fit_too(browser: Any, done: Any, width: int) -> None:
    bad: list[str] = []
    context = browser.new_context(viewport={"width": width, "height": 800})
    pg = context.new_page()
    for path in DONE:
        pg.goto(done.url + path)
        pg.add_style_tag(content=WIDE_FONTS)
        if pg.evaluate("document.documentElement.scrollWidth") > width:
            bad.append(f"{path}: scrolls sideways")
        bad += [f"{path} {width}: {x}" for x in pg.evaluate(CLASH)]
    context.close()
    assert bad == []


@pytest.mark.parametrize("width", WIDTHS)
def test_long_names_are_neither_cut_nor_laid_over_one_another(browser: Any, serve: Callable[..., Any], artefacts: Path, width: int) -> None:
    bad: list[str] = []
    long = serve(long_names=True)
    context = browser.new_context(viewport={"width": width, "height": 800})
    pg = context.new_page()
    for path in DONE:
        pg.goto(long.url + path)
        pg.add_style_tag(content=WIDE_FONTS)
        if pg.evaluate("document.documentElement.scrollWidth") > width:
            bad.append(f"{path}: scrolls sideways")
        bad += [f"{path} {width}: {x}" for x in pg.evaluate(CLASH)]
        if "…" in (pg.text_content("main") or ""):
            bad.append(f"{path}: something is cut")
        pg.screenshot(path=artefacts / f"long-{slug(path)}-{width}.jpg", full_page=True, type="jpeg", quality=85)
    context.close()
    assert bad == []


@pytest.mark.parametrize("width", WIDTHS)
def test_pages_that_only_some_states_show(browser: Any, serve: Callable[..., Any], axe: str, artefacts: Path, width: int) -> None:
    bad: list[str] = []
    first, planned, running = serve(stage="undeclared"), serve(stage="declared"), serve(stage="running")
    context = browser.new_context(viewport={"width": width, "height": 800})
    pg = context.new_page()

    def look(name: str) -> None:
        if pg.evaluate("document.documentElement.scrollWidth") > width:
            bad.append(f"{name}: scrolls sideways")
        bad.extend(f"{name}: {x}" for x in [*pg.evaluate(CLASH), *(problems(pg, axe) if width == 320 else ())])
        pg.screenshot(path=artefacts / f"{name}-{width}-device.jpg", full_page=True, type="jpeg", quality=85)

    for step in range(1, 6):
        if step == 1:
            pg.goto(first.url + "/")
        look(f"first-{step}")
        with pg.expect_navigation():
            pg.click("text=Skip this step")
    look("first-end")
    pg.goto(planned.url + "/")
    look("today-planned")
    pg.goto(planned.url + "/campaign")
    look("campaign-planned")
    pg.goto(running.url + "/")
    look("today-running")
    pg.goto(running.url + "/campaign")
    look("campaign-paused")
    pg.click("text=Go on with the campaign")
    pg.wait_for_selector(".card")
    look("campaign-asked")
    pg.click("text=It is done, take a reading")
    pg.wait_for_selector("text=Answered done.")
    pg.goto(running.url + "/reading")
    pg.fill("#text", running.jobs.sample.TEXT)
    with pg.expect_navigation():
        pg.click("text=Explain this text")
    look("reading-explained")
    pg.fill("#text", "")
    with pg.expect_navigation():
        pg.click("text=Explain this text")
    look("reading-error")
    pg.goto(planned.url + "/settings")
    pg.fill("#warmup_s", "soon")
    with pg.expect_navigation():
        pg.click("text=Write these settings into site.toml")
    look("settings-error")
    assert pg.evaluate("document.activeElement.id") == "warmup_s"
    assert pg.input_value("#warmup_s") == "soon"
    pg.fill("#warmup_s", "7")
    with pg.expect_navigation():
        pg.click("text=Write these settings into site.toml")
    look("settings-written")
    assert "written into site.toml" in pg.text_content("[role=status]")
    context.close()
    assert bad == []


def test_the_device_decides_where_nothing_is_chosen(browser: Any, done: Any, axe: str) -> None:
    context = browser.new_context(viewport={"width": 768, "height": 800}, color_scheme="dark")
    pg = context.new_page()
    pg.goto(done.url + "/verdict")
    assert pg.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(21, 25, 28)"
    assert problems(pg, axe) == []
    with pg.expect_navigation():
        pg.click("text=light")
    assert pg.url == done.url + "/verdict"
    assert pg.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    context.close()


def test_the_verdict_prints_on_one_side_of_paper_in_light_whatever_the_screen(browser: Any, done: Any, artefacts: Path) -> None:
    context = browser.new_context()
    context.add_cookies([{"name": "screen", "value": "dark", "url": done.url}])
    pg = context.new_page()
    pg.goto(done.url + "/verdict")
    pdf = pg.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1
    pg.emulate_media(media="print")
    pg.set_viewport_size({"width": 688, "height": 1000})  # A4 less its margins at 96 per inch
    assert pg.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    assert pg.evaluate("getComputedStyle(document.querySelector('h1')).color") == "rgb(0, 0, 0)"
    pg.screenshot(path=artefacts / "verdict-print.png", full_page=True)
    context.close()


def test_everything_is_reached_by_keyboard_and_focus_is_seen(page: Any, done: Any) -> None:
    for path in ("/", "/verdict", "/reading", "/history?limit=12"):
        page.goto(done.url + path)
        wanted = page.evaluate("document.querySelectorAll('a[href], button, input:not([type=hidden]), textarea, select, summary, [tabindex=\"0\"]').length")
        seen = set()
        for _ in range(wanted + 3):
            page.keyboard.press("Tab")
            state = page.evaluate("""() => { const e = document.activeElement; if (!e || e === document.body) return null; const r = e.getBoundingClientRect();
                return [[...document.querySelectorAll('*')].indexOf(e), getComputedStyle(e).outlineStyle, r.width > 0 && r.left > -1]; }""")
            if state is not None:
                seen.add(state[0])
                assert state[1] != "none", path
                assert state[2], path
        assert len(seen) == wanted, path


def test_a_live_campaign_reaches_the_page_and_the_answer_reaches_the_campaign(browser: Any, serve: Callable[..., Any]) -> None:
    gate = threading.Semaphore(0)
    live = serve(stage="running", steps=gate)
    context = browser.new_context(viewport={"width": 360, "height": 800})
    pg = context.new_page()
    left: list[str] = []
    pg.on("request", lambda r: left.append(r.url) if not r.url.startswith(live.url) else None)
    errors: list[str] = []
    pg.on("pageerror", lambda e: errors.append(str(e)))
    pg.on("console", lambda m: errors.append(m.text) if m.type == "error" else None)
    pg.goto(live.url + "/campaign")
    pg.click("text=Go on with the campaign")
    pg.wait_for_selector("text=Starting: the setting in force is read first.")
    gate.release()
    pg.wait_for_selector(".live .log li >> nth=0")
    gate.release(2)
    pg.wait_for_selector(".card >> text=First the cautions")
    assert pg.text_content("#spoken") != ""
    pg.click("text=It cannot be done")
    pg.wait_for_selector("text=Answered skip.")
    assert "Answered skip." in pg.text_content(".live")
    context.close()
    assert left == []
    assert errors == []


def test_the_chart_is_redrawn_under_the_readers_eyes_and_what_is_open_stays_open(browser: Any, serve: Callable[..., Any]) -> None:
    gate = threading.Semaphore(0)
    live = serve(stage="running", steps=gate, shown=20, asks=False)
    context = browser.new_context(viewport={"width": 360, "height": 800})
    pg = context.new_page()
    errors: list[str] = []
    pg.on("pageerror", lambda e: errors.append(str(e)))
    pg.on("console", lambda m: errors.append(m.text) if m.type == "error" else None)
    pg.goto(live.url + "/campaign")
    with pg.expect_response("**/campaign/feed"):
        pg.click("text=Go on with the campaign")
    tests = "document.querySelector('#campaign-body figure svg').getAttribute('aria-label').match(/^(\\d+) tests/)[1]"
    before = int(pg.evaluate(tests))
    pg.click("#campaign-body summary")
    pg.evaluate("window.kept = document.querySelector('#campaign-body details')")
    pg.evaluate("scrollTo(0, 300)")
    gate.release(2)
    other = f'#campaign-body figure svg[aria-label*=" tests"]:not([aria-label^="{before} tests"])'
    pg.wait_for_selector(other, state="attached")  # by selector: the page's policy forbids what evaluates a string again and again
    assert int(pg.evaluate(tests)) > before
    assert pg.evaluate("document.querySelector('#campaign-body details').open"), "a table that the reader opened stays open"
    assert pg.evaluate("window.kept === document.activeElement.closest('details')"), "and the focus stays where it was"
    assert pg.evaluate("scrollY") == 300
    gate.release(5)
    pg.wait_for_selector("#campaign-acts >> text=Go on with the campaign")
    assert pg.locator("text=Stop, keep what is finished").count() == 0
    context.close()
    assert errors == []


def test_a_stopped_server_is_said_on_the_page_and_what_was_shown_stays(browser: Any, serve: Callable[..., Any]) -> None:
    gate = threading.Semaphore(0)
    live = serve(stage="running", steps=gate)
    context = browser.new_context()
    pg = context.new_page()
    pg.goto(live.url + "/campaign")
    with pg.expect_response("**/campaign/feed"):
        pg.click("text=Go on with the campaign")
    pg.wait_for_selector("text=Starting: the setting in force is read first.")
    assert not pg.is_visible("#lost")
    gate.release(10)
    pg.wait_for_selector(".card")
    live.stop()
    pg.wait_for_selector("#lost:visible")
    assert "nothing is lost" in pg.text_content("#lost")
    assert "Heading 212° true" in pg.text_content(".live")
    context.close()


def test_a_form_error_is_announced_and_takes_the_focus(page: Any, done: Any) -> None:
    page.goto(done.url + "/enter")
    page.fill("#goodput_down_mbps", "fast")
    page.click("text=Keep these figures")
    assert page.get_attribute("#goodput_down_mbps", "aria-invalid") == "true"
    assert page.input_value("#goodput_down_mbps") == "fast"
    assert page.evaluate("document.activeElement.id") == "goodput_down_mbps"
    assert page.locator("[role=alert]").count() == 2
