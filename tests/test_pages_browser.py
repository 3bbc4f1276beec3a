"""The pages in a real browser at phone size, without JavaScript, light and dark.

Screenshots stay in ``build/pages`` to be looked at.
"""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from appliance.settings import Settings
from tests.log_rows import fill, fill_called_week, fill_tuned_evening, instant
from tests.phone import CHROMIUM, HEIGHTS, SHOTS, served
from web import create_app

ROOT = Path(__file__).parent.parent
PAGES = {
    "week": "/",
    "week-before": "/?week=2026-W06&tuning=equal&band=15",
    "note": "/note/66",
    "shift": "/shift/59-67",
    "strings": "/?week=2026-W04",
    "ear": "/ear",
    "ear-earlier": "/ear?week=2026-W03",
    "ear-empty": "/ear?week=2026-W40",
    "empty-week": "/?week=2026-W20",
    "bad-link": "/?band=99",
    "no-page": "/nowhere",
}

pytestmark = pytest.mark.skipif(
    not Path(CHROMIUM).exists(), reason="NO CHROMIUM, THE PAGES ARE NOT TESTED: install chromium"
)


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    path = tmp_path_factory.mktemp("log") / "room.db"
    fill_called_week(path)
    fill_tuned_evening(path)
    fill(path)
    plain = Settings()
    room = replace(plain.room, name="north room", time_zone="Europe/Lisbon")
    app = create_app(path, replace(plain, room=room), lambda: instant(2026, 2, 15, 20).wall_s)
    with served(app) as at:
        yield at


@pytest.fixture(params=[(390, "light"), (390, "dark"), (320, "light")])
def phone(browser: Browser, request: pytest.FixtureRequest) -> Iterator[tuple[Page, str]]:
    width, scheme = request.param
    context = browser.new_context(
        viewport={"width": width, "height": HEIGHTS[width]},
        color_scheme=scheme,
        device_scale_factor=2,
        java_script_enabled=False,
    )
    yield context.new_page(), f"{width}-{scheme}"
    context.close()


@pytest.mark.parametrize("name", PAGES)
def test_a_page_fits_the_phone_and_asks_nobody_else(
    address: str, phone: tuple[Page, str], name: str
) -> None:
    page, size = phone
    asked: list[str] = []
    refused: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: refused.append(message.text))
    page.goto(address + PAGES[name])
    SHOTS.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=SHOTS / f"{name}-{size}.png", full_page=True)
    assert all(url.startswith(address) for url in asked)
    assert not [text for text in refused if "Content Security Policy" in text]
    width = int(size.split("-")[0])
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.locator("h1").count() == 1


def test_twice_the_text_still_fits(browser: Browser, address: str) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 844})
    for path in ("/", "/note/66"):
        page.goto(address + path)
        page.evaluate("document.documentElement.style.fontSize = '200%'")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, path
    page.close()


def test_by_thumb_from_the_week_to_a_note_and_back_in_another_tuning(
    address: str, phone: tuple[Page, str]
) -> None:
    page, _ = phone
    page.goto(address)
    sentence = page.locator("h1").inner_text()
    assert re.search(r"\d+ % landed,\s+\d+ % rescued,\s+\d+ % missed;", sentence)
    page.locator(".reading summary").click()
    page.locator("select[name=tuning]").select_option("equal")
    page.locator("input[name=band]").fill("20")
    page.get_by_role("button").click()
    assert (
        "equal temperament, in tune within 20 cents"
        in page.locator(".reading summary").inner_text()
    )
    assert page.locator("h1").inner_text() != sentence
    page.locator("h3 a").first.click()
    assert "equal temperament" in page.locator("main").inner_text()
    assert page.locator("tbody tr").count() > 0
    page.locator(".back a").click()
    assert "equal temperament" in page.locator(".reading summary").inner_text()
    page.locator("a[rel=prev]").click()
    assert "2 to 8 February 2026" in page.locator(".weeks").inner_text()
    page.locator("a[rel=next]").click()
    assert "9 to 15 February 2026" in page.locator(".weeks").inner_text()


def test_strokes_lie_in_the_drawing_and_start_where_the_note_landed(
    browser: Browser, address: str
) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto(address + "/note/66")
    drawing = page.locator("svg.diary")
    width, height = (float(part) for part in str(drawing.get_attribute("viewBox")).split()[2:])
    scale = float(page.locator(".scale span").first.inner_text().split()[0])
    strokes = re.findall(
        r"M([\d.]+) ([\d.]+)v3H([\d.]+)",
        "".join(str(path.get_attribute("d")) for path in page.locator("path.stroke").all()),
    )
    starts = sorted((float(top), float(left)) for left, top, _ in strokes)
    said_cents = []  # the page draws twelve weeks, and lists one
    for week in range(1, 8):
        page.goto(f"{address}/note/66?week=2026-W{week:02}")
        cells = page.locator('[aria-label="Every landing"] tbody td:nth-child(2)').all_inner_texts()
        said_cents += [float(cell.split()[0].replace("−", "-")) for cell in cells]
    assert len(strokes) == len(said_cents) > 0
    middle, per_cent = (34 + width) / 2, (width - 34 - 12) / (2 * scale)
    for (top, left), said in zip(starts, said_cents, strict=True):
        shown = max(-scale, min(scale, said))
        assert abs((left - middle) / per_cent - shown) <= 0.6  # whole cents in the table
        assert 0 <= top <= height
    page.close()


def _luminance(colour: str) -> float:
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.1 (definition from memory)."""
    low, high = sorted((_luminance(one), _luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_colours_can_be_read(scheme: int) -> None:
    sheet = (ROOT / "web" / "static" / "page.css").read_text()
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", sheet.split(":root {")[scheme + 1]))
    for ink in ("ink", "soft", "link"):
        assert _contrast(colours[ink], colours["paper"]) >= 4.5, ink
    for stroke in ("ink", "copper", "soft"):
        for ground in ("paper", "band"):
            assert _contrast(colours[stroke], colours[ground]) >= 3.0, (stroke, ground)


def test_a_week_is_light_to_fetch(browser: Browser, address: str) -> None:
    page = browser.new_page()
    fetched: list[int] = []
    page.on("response", lambda response: fetched.append(len(response.body())))
    page.goto(address, wait_until="networkidle")
    assert sum(fetched) < 60_000
    page.close()
