"""Sittings, choosing a drone, the room and exports in a real browser; a real room behind them.

Screenshots stay in ``build/pages``.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from appliance.settings import Settings
from tests.phone import CHROMIUM, HEIGHTS, SHOTS, served
from tests.sitting_rows import fill_sitting
from tests.stage import Stage, build
from web import create_app

PAGES = {
    "sittings": "/sittings",
    "sitting": "/sitting/{sitting}",
    "sitting-minute": "/sitting/{sitting}?minute=8&tuning=equal&names=german",
    "choose": "/choose",
    "choose-ranked": "/choose?instrument=cello&notes=E3+F%233/D2+A3/A0+C%234",
    "choose-voice": "/choose?instrument=voice&notes=E3",
    "choose-trouble": "/choose?notes=H3",
    "room": "/room",
    "exports": "/exports",
    "door-card": "/door-card",
}
PATIENCE_MS = 120_000.0  # a busy machine takes its time
SIZES = [(390, "light"), (390, "dark"), (320, "light")]

pytestmark = pytest.mark.skipif(
    not Path(CHROMIUM).exists(), reason="NO CHROMIUM, THE PAGES ARE NOT TESTED: install chromium"
)


@dataclass
class Place:
    """Where the pages are served, and the room behind them."""

    address: str
    sitting: str
    stage: Stage

    def page(self, name: str) -> str:
        return self.address + PAGES[name].format(sitting=self.sitting)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    folder = tmp_path_factory.mktemp("room")
    sitting = fill_sitting(folder / "room.db", minutes=12)
    stage = build(folder)
    stage.room.start()
    plain = Settings()
    room = replace(plain.room, name="north room", time_zone="Europe/Lisbon")
    app = create_app(stage.log_path, replace(plain, room=room), socket_path=stage.socket)
    with served(app) as at:
        yield Place(at, sitting, stage)
    stage.room.stop()
    stage.pins.reset()


def _phone(browser: Browser, width: int = 390, scheme: str = "light") -> Page:
    context = browser.new_context(
        viewport={"width": width, "height": HEIGHTS[width]},
        color_scheme="dark" if scheme == "dark" else "light",
        device_scale_factor=2,
        java_script_enabled=False,
    )
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    return page


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}-{size[1]}")
def test_every_page_fits_the_phone_and_asks_nobody_else(
    place: Place, browser: Browser, size: tuple[int, str]
) -> None:
    page = _phone(browser, *size)
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    SHOTS.mkdir(parents=True, exist_ok=True)
    for name in PAGES:
        page.goto(place.page(name))
        page.screenshot(path=SHOTS / f"{name}-{size[0]}-{size[1]}.png", full_page=True)
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0], name
        assert page.locator("h1").count() == 1, name
    assert all(url.startswith(place.address) for url in asked)
    assert said == []
    page.context.close()


@pytest.mark.parametrize(
    ("scheme", "names"), [("light", tuple(PAGES)), ("dark", ("sitting-minute", "choose-ranked"))]
)
def test_axe_finds_nothing_serious(
    place: Place, browser: Browser, scheme: str, names: tuple[str, ...]
) -> None:
    context = browser.new_context(
        viewport={"width": 390, "height": 844},
        color_scheme="dark" if scheme == "dark" else "light",
        bypass_csp=True,  # for axe's own script
    )
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    for name in names:
        page.goto(place.page(name))
        found = Axe().run(page).response["violations"]
        serious = [one for one in found if one["impact"] in ("serious", "critical")]
        assert not serious, (name, [(one["id"], one["nodes"][0]["html"]) for one in serious])
    context.close()


@pytest.mark.parametrize("width", [390, 320])
def test_twice_the_text_still_fits(place: Place, browser: Browser, width: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": HEIGHTS[width]})
    page.set_default_timeout(PATIENCE_MS)
    for name in PAGES:
        page.goto(place.page(name))
        page.evaluate("document.documentElement.style.fontSize = '200%'")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, name
    page.screenshot(path=SHOTS / f"door-card-{width}-twice.png", full_page=True)
    page.close()


def test_what_a_thumb_meets_is_large_enough(place: Place, browser: Browser) -> None:
    """WCAG 2.2, 2.5.8: targets of 24 by 24 CSS pixels at least (from memory)."""
    page = _phone(browser, 320)
    for name in ("choose-ranked", "room", "sitting"):
        page.goto(place.page(name))
        for target in page.locator("main button, main select, .rail button, .minute").all():
            box = target.bounding_box()
            assert (
                box is None or not box["width"] or (box["width"] >= 24 and box["height"] >= 24)
            ), (name, box)
    page.context.close()


def test_by_thumb_from_rung_to_rung_to_a_drone_that_sounds(place: Place, browser: Browser) -> None:
    page = _phone(browser)
    page.goto(place.page("choose"))
    page.locator("select[name=instrument]").select_option("cello")
    page.get_by_role("button", name="Rank the drones").click()
    page.locator("select[name=finger]").select_option("2")
    page.locator("button[value='F#3/D']").click()
    page.locator("button[value='A3/A']").click()
    assert page.locator("#passage input[name=typed]").input_value() == "F#3/D2 A3/A0"
    best = page.locator("h1").inner_text().split()[0]
    page.locator(".drone-card").first.get_by_role("button", name="Sound it").click()
    assert page.locator("h1").inner_text() == f"The drone sounds on {best}."
    assert place.stage.drones()[-1].sounding
    page.get_by_role("button", name="Silence").click()
    assert page.locator("h1").inner_text() == f"The drone is silent, on {best}."
    page.context.close()


def test_from_a_sitting_to_a_minute_and_to_the_drone_for_its_notes(
    place: Place, browser: Browser
) -> None:
    page = _phone(browser)
    page.goto(place.page("sittings"))
    page.locator(".sittings a").first.click()
    assert "Thursday 12 February 2026" in page.locator("h1").inner_text()
    assert page.locator(".minutes svg").count() > 10
    page.locator(".minute").nth(1).click()
    assert page.locator(".minutes table tr").count() > 10
    page.get_by_role("link", name="Which drone for these notes?").click()
    assert page.locator("#passage input[name=typed]").input_value() == "A3 B3 C#4 D4 E4 F#4"
    page.context.close()
