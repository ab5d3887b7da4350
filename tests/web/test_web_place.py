"""The Place page on real ground: clearance, plan, height, the area of an unknown mast, and what is missing; no position is ever shown."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from bandwright.web.app import create_app

CLASH = """() => { const out = []; for (const s of document.querySelectorAll('svg[role=img]')) { if (getComputedStyle(s).display === 'none') continue;
  const t = [...s.querySelectorAll('text')].map(e => [e.textContent, e.getBoundingClientRect()]).filter(x => x[1].width);
  for (const [w, r] of t) if (r.right > innerWidth + 1 || r.left < -1) out.push(w + ' outside');
  for (let i = 0; i < t.length; i++) for (let j = i + 1; j < t.length; j++) { const a = t[i][1], b = t[j][1];
    if (Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1 && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 5) out.push(t[i][0] + ' on ' + t[j][0]); } } return out; }"""
WIDE_FONTS = ':root{--sans:"DejaVu Sans" !important;--serif:"DejaVu Serif" !important}'
UNKNOWN = {"mast": ""}


def page_of(jobs: Callable[..., Any], **options: Any) -> str:
    with TestClient(create_app(jobs(site_options=options)), base_url="http://127.0.0.1") as client:
        answer = client.get("/place")
        assert answer.status_code == 200
        return answer.text


def words(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).replace("\u00a0", " ")


def test_the_page_shows_the_way_its_clearance_the_plan_and_height(jobs: Callable[..., Any]) -> None:
    html = page_of(jobs)
    page = words(html)
    assert "136° true, 142° by compass" in page  # geodesic azimuth 135.90° (pyproj), declination −6.07° (WMM2025)
    for word in ("How clear the way is", "free radii of the first Fresnel zone", "No sight", "Which way to look", "How high", "Ridge mast"):
        assert word in page
    assert html.count("data:image/png;base64,") == 2  # one section of the ground a layout
    assert html.index("Before you climb") < html.index("How clear the way is")
    assert html.index("Height is where people fall") < html.index("each metre brings")


@pytest.mark.parametrize("options", [{}, UNKNOWN, {"ground": False}])
def test_no_position_is_shown(jobs: Callable[..., Any], options: dict[str, Any]) -> None:
    page = words(page_of(jobs, **options))
    for secret in ("36.5", "84.1", "36.6", "84.3"):
        assert secret not in page
    assert "position withheld" in page


@pytest.mark.parametrize(
    ("options", "lacks", "todo"),
    [
        ({"position": ""}, "The position of the site is not declared", "latitude_deg and longitude_deg under [site]"),
        ({"ground": False}, "There is no elevation file", 'into the folder "elevation"'),
        (UNKNOWN, "Where the mast is, is not known", "Declare a [[mast]]"),
        ({"position": "latitude_deg = 51.0\nlongitude_deg = 0.0"}, "The elevation files do not serve", ".hgt or a GeoTIFF of the area"),
    ],
)
def test_what_is_missing_is_said_with_what_to_do(jobs: Callable[..., Any], options: dict[str, Any], lacks: str, todo: str) -> None:
    page = words(page_of(jobs, **options)).replace("&quot;", '"')
    assert "What is missing" in page
    assert lacks in page
    assert todo in page


def test_an_undeclared_site_is_sent_to_the_first_use(jobs: Callable[..., Any]) -> None:
    with TestClient(create_app(jobs(stage="undeclared")), base_url="http://127.0.0.1", follow_redirects=False) as client:
        for path in ("/place", "/aim", "/aim/sun"):
            assert client.get(path).headers["location"] == "/first"


@pytest.mark.browser
@pytest.mark.timeout(240)
@pytest.mark.parametrize("width", [320, 1280])
def test_the_place_fits_and_shuts_nobody_out(browser: Any, serve: Callable[..., Any], artefacts: Path, width: int) -> None:
    module = pytest.importorskip("axe_playwright_python")
    axe = (Path(module.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    bad: list[str] = []
    for name, options in (("declared", {}), ("bare", {"position": ""}), ("unknown", UNKNOWN), ("no-ground", {"ground": False})):
        served = serve(site_options=options)
        if name == "unknown":
            served.jobs.read_timing(24)
        for mode in ("light", "dark"):
            context = browser.new_context(viewport={"width": width, "height": 800}, reduced_motion="reduce")
            context.add_cookies([{"name": "screen", "value": mode, "url": served.url}])
            pg = context.new_page()
            pg.on("request", lambda r, url=served.url: bad.append(f"left the host: {r.url}") if not r.url.startswith((url, "data:")) else None)
            pg.on("console", lambda m: bad.append(m.text) if m.type == "error" else None)
            pg.goto(served.url + "/place")
            where = f"{name} {width} {mode}: "
            if pg.evaluate("document.documentElement.scrollWidth") > width:
                bad.append(where + "scrolls sideways")
            bad.extend([where + x for x in pg.evaluate(CLASH)])
            pg.evaluate(axe)
            bad.extend([where + f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in pg.evaluate("axe.run()")["violations"]])
            pg.screenshot(path=artefacts / f"place-{name}-{width}-{mode}.png", full_page=True)
            if mode == "light":
                pg.add_style_tag(content=WIDE_FONTS)
                bad.extend([where + "wide fonts: " + x for x in pg.evaluate(CLASH)])
                if pg.evaluate("document.documentElement.scrollWidth") > width:
                    bad.append(where + "wide fonts: scrolls sideways")
            context.close()
    assert bad == [], "\n".join(bad)
