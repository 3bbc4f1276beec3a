"""Signing in, checking in and looking after people in a real browser, without JavaScript.

A real room stands behind the pages. Screenshots stay in ``build/pages``. Every page of every role
is looked at in ``test_every_page_browser``.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from appliance.log.room_settings import RoomSettingsEditor
from appliance.settings import Settings
from tests.cast import NOW, PIN, app_for, gather
from tests.phone import CHROMIUM, HEIGHTS, SHOTS, served
from tests.stage import Stage, build
from web import create_app

PATIENCE_MS = 120_000.0  # a busy machine takes its time
pytestmark = pytest.mark.skipif(
    not Path(CHROMIUM).exists(), reason="NO CHROMIUM, THE PAGES ARE NOT TESTED: install chromium"
)


@dataclass
class Place:
    """Where the pages are served, and the room behind them."""

    address: str
    stage: Stage

    def url(self, path: str) -> str:
        return self.address + path


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    folder = tmp_path_factory.mktemp("people")
    cast = gather(folder / "room.db")
    with RoomSettingsEditor(cast.path, "north room") as editor:
        editor.set_room_setting("self_registration", True)
    stage = build(folder)
    stage.room.start()
    plain = Settings()
    room = replace(plain.room, name="north room", time_zone="Europe/Lisbon")
    app = create_app(cast.path, replace(plain, room=room), lambda: NOW.wall_s, stage.socket)
    with served(app) as at:
        yield Place(at, stage)
    stage.room.stop()
    stage.pins.reset()


def _phone(browser: Browser, width: int = 390) -> Page:
    context = browser.new_context(
        viewport={"width": width, "height": HEIGHTS[width]},
        device_scale_factor=2,
        java_script_enabled=False,
    )
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    return page


def _sign_in(page: Page, place: Place, nickname: str, button: str = "Only look") -> None:
    page.goto(place.url("/sign-in"))
    page.get_by_label("Nickname").fill(nickname)
    page.get_by_label("PIN").fill(PIN)
    page.get_by_role("button", name=button).click()


@pytest.mark.parametrize("width", HEIGHTS)
@pytest.mark.parametrize("person", [None, "Mira", "Tea", "Olga"])
def test_the_menu_of_every_role_fits_the_phone(
    place: Place, browser: Browser, person: str | None, width: int
) -> None:
    SHOTS.mkdir(parents=True, exist_ok=True)
    page = _phone(browser, width)
    if person is None:
        page.goto(place.url("/sign-in"))
    else:
        _sign_in(page, place, person)
    page.get_by_text("Menu").click()
    assert page.get_by_role("link", name="Week", exact=True).is_visible()
    page.screenshot(path=SHOTS / f"menu-{person}-{width}.png")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.context.close()


def test_two_players_check_in_one_after_the_other_without_javascript(
    place: Place, browser: Browser
) -> None:
    mira, tomas = _phone(browser), _phone(browser)
    _sign_in(mira, place, "Mira", "Check in: I play here now")
    assert "You are checked in" in mira.locator("h1").inner_text()
    mira.screenshot(path=SHOTS / "checked-in-390.png")
    _sign_in(tomas, place, "Tomas", "Check in: I play here now")
    assert "Mira is checked in and may be playing" in tomas.locator("h1").inner_text()
    tomas.screenshot(path=SHOTS / "asks-first-390.png")
    tomas.get_by_role("button", name="Yes, I play here now").click()
    assert "You are checked in" in tomas.locator("h1").inner_text()
    mira.goto(place.url("/check-in"))
    assert "Tomas is checked in" in mira.locator("h1").inner_text()
    tomas.get_by_role("button", name="Check out", exact=True).click()
    assert "Nobody is checked in" in tomas.locator("h1").inner_text()
    for page in (mira, tomas):
        page.context.close()


def test_the_owner_adds_somebody_who_chooses_a_pin(place: Place, browser: Browser) -> None:
    owner, ada = _phone(browser), _phone(browser)
    _sign_in(owner, place, "Olga")
    owner.goto(place.url("/people"))
    owner.get_by_label("Nickname").fill("Ada")
    owner.get_by_role("button", name="Add", exact=True).click()
    pin = owner.locator(".pin").inner_text()
    owner.screenshot(path=SHOTS / "new-pin-390.png")
    ada.goto(place.url("/sign-in"))
    ada.get_by_label("Nickname").fill("ada")
    ada.get_by_label("PIN").fill(pin)
    ada.get_by_role("button", name="Only look").click()
    assert "Choose a PIN of your own" in ada.locator("h1").inner_text()
    ada.screenshot(path=SHOTS / "choose-pin-390.png")
    for page in (owner, ada):
        page.context.close()


def test_a_room_nobody_owns_says_so(browser: Browser, tmp_path: Path) -> None:
    with served(app_for(tmp_path / "room.db")) as at:
        page = _phone(browser)
        page.goto(f"{at}/room")
        page.screenshot(path=SHOTS / "nobody-owns-390.png", full_page=True)
        page.get_by_role("link", name="Become its owner").click()
        assert "Become the owner" in page.locator("h1").inner_text()
        page.context.close()
