"""Every page for every role in a real browser: phone size and 320 px, light and dark, twice the
text, without JavaScript, and axe-core. A page or a role that is missing from the table fails.

A real room stands behind the pages. Screenshots stay in ``build/pages``.
"""

import re
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, replace
from html import unescape
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from flask import Flask
from playwright.sync_api import Browser, Page

from appliance.log.calendar import CalendarWeek
from appliance.log.records import parse_id
from appliance.log.room_settings import RoomSettingsEditor
from appliance.log.studios import Focus, Studios
from appliance.settings import Settings
from tests.cast import NOW, PIN, Cast, gather, signed_in
from tests.log_rows import fill, fill_called_week, fill_tuned_evening
from tests.phone import CHROMIUM, HEIGHTS, SHOTS, served
from tests.sitting_rows import fill_sitting
from tests.stage import Stage, build
from web import create_app

PATIENCE_MS = 120_000.0  # a busy machine takes its time
WEEK = "week=2026-W07"
# Who looks: nobody, a player, a teacher at their own log, the same at a player's, the owner.
ROLES = {"nobody": None, "player": "Mira", "teacher": "Tea", "reading": "Tea", "owner": "Olga"}
ALL = tuple(ROLES)
SIGNED_IN = ("player", "teacher", "reading", "owner")
MIRAS = ("player", "reading")  # what only her log has
OWN = ("player", "teacher", "owner")  # nobody else's, whoever's log is read
LEADERS = ("teacher", "reading", "owner")
TEACHER = ("teacher", "reading")
# Rule -> (address, who gets it). Every rule that can be looked at is here or among DOWNLOADS.
PAGES: dict[str, tuple[str, tuple[str, ...]]] = {
    "/sign-in": ("/sign-in", ALL),
    "/owner": ("/owner", ALL),
    "/register": ("/register", ALL),
    "/check-in": ("/check-in", SIGNED_IN),
    "/pin": ("/pin", SIGNED_IN),
    "/people": ("/people", LEADERS),
    "/people/<person_id>": ("/people/{mira}", ("owner",)),
    "/": (f"/?{WEEK}", SIGNED_IN),
    "/note/<int:midi>": (f"/note/66?{WEEK}", MIRAS),
    "/<any(shift, 'slide-move', leap):way>/<move>": (f"/shift/59-67?{WEEK}", MIRAS),
    "/change": (f"/change?{WEEK}", SIGNED_IN),
    "/ear": (f"/ear?{WEEK}", SIGNED_IN),
    "/sittings": ("/sittings", SIGNED_IN),
    "/sitting/<sitting_id>": ("/sitting/{sitting}?minute=8", MIRAS),
    "/exports": ("/exports", SIGNED_IN),
    "/choose": ("/choose?instrument=viola&notes=E4+F%234/D2+A4/A0+C%235", SIGNED_IN),
    "/whose": ("/whose", SIGNED_IN),
    "/studio-card": ("/studio-card", LEADERS),
    "/studio": ("/studio", SIGNED_IN),
    "/lesson": (f"/lesson?{WEEK}", SIGNED_IN),
    "/focus/<person_id>/<week>": ("/focus/{mira}/2026-W07", TEACHER),
    "/privacy": ("/privacy", ALL),
    "/privacy/deleted": ("/privacy/deleted", ALL),
    "/room": ("/room", SIGNED_IN),
    "/door-card": ("/door-card", SIGNED_IN),
    "/check": ("/check", ("owner",)),
}
DOWNLOADS = {
    *("/static/<path:filename>", "/week.json"),
    *("/exports/<table>.<kind>", "/privacy/all-of-mine.zip"),
}

pytestmark = pytest.mark.skipif(
    not Path(CHROMIUM).exists(), reason="NO CHROMIUM, THE PAGES ARE NOT TESTED: install chromium"
)


@dataclass
class Place:
    """Where the pages are served, who is in the log, and the room behind them."""

    address: str
    app: Flask
    cast: Cast
    sitting: str

    def path(self, rule: str, role: str) -> str:
        """The address of a page for a role, without the host."""
        mira = self.cast.people["Mira"].person_id
        path = PAGES[rule][0].format(mira=mira, sitting=self.sitting)
        if role == "reading":
            path += f"{'&' if '?' in path else '?'}player={mira}"
        return path


def _furnish(cast: Cast) -> str:
    """Give Mira weeks to look at, a focus, and something to claim; the id of a long sitting."""
    for write in (fill_called_week, fill_tuned_evening, fill):
        write(cast.path)
    mira, tea = (cast.people[name].person_id for name in ("Mira", "Tea"))
    sitting = fill_sitting(cast.path, minutes=12)
    with sqlite3.connect(cast.path) as log:
        log.execute(
            "UPDATE sitting SET player = ? WHERE player IS NULL AND started_wall_s < ?",
            [mira, NOW.wall_s - 6 * 3600.0],
        )
        left = log.execute("SELECT count(*) FROM sitting WHERE player IS NULL").fetchone()
    assert left == (1,) and parse_id(sitting)
    with Studios(cast.path, "north room") as studios:
        focus = Focus(tea, 8.0, (66, 67), ((59, 67),), 57)
        studios.set_focus(mira, CalendarWeek.parse("2026-W07"), focus)
    with RoomSettingsEditor(cast.path, "north room") as editor:
        editor.set_room_setting("self_registration", True)
    return sitting


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Stage, Cast, str]]:
    folder = tmp_path_factory.mktemp("every")
    cast = gather(folder / "room.db")
    sitting = _furnish(cast)
    stage = build(folder)
    stage.room.start()
    yield stage, cast, sitting
    stage.room.stop()
    stage.pins.reset()


@pytest.fixture(scope="module")
def place(stage: tuple[Stage, Cast, str]) -> Iterator[Place]:
    behind, cast, sitting = stage
    plain = Settings()
    room = replace(plain.room, name="north room", time_zone="Europe/Lisbon", instrument="viola")
    app = create_app(cast.path, replace(plain, room=room), lambda: NOW.wall_s, behind.socket)
    with served(app) as at:
        yield Place(at, app, cast, sitting)


def test_every_page_is_in_the_table(place: Place) -> None:
    rules = {
        rule.rule for rule in place.app.url_map.iter_rules() if "GET" in (rule.methods or set())
    }
    assert rules == PAGES.keys() | DOWNLOADS
    assert not PAGES.keys() & DOWNLOADS


@pytest.mark.parametrize("role", ROLES)
def test_every_role_is_in_the_table(place: Place, role: str) -> None:
    """Who gets a page is asked of the app, and a page that shows it stands in the table."""
    name = ROLES[role]
    client = place.app.test_client() if name is None else signed_in(place.app, name)
    got = {
        rule: client.get(place.path(rule, role), headers={"Host": "localhost"}).status_code
        for rule in PAGES
    }
    assert {rule for rule, status in got.items() if status == 200} == {
        rule for rule, (_, roles) in PAGES.items() if role in roles
    }


def test_the_list_of_sittings_is_read_with_each_weeks_own_band(place: Place) -> None:
    client = signed_in(place.app, "Mira")
    text = client.get("/sittings", headers={"Host": "localhost"}).text
    assert "Sittings of a week with a focus are read with its band: 8 cents." in text
    listed = re.findall(r'href="(/sitting/[^"]+)".*?(\d+ that count, [^;<(]*missed)', text, re.S)
    assert len(listed) > 10
    for address, said in listed:
        assert said in client.get(unescape(address)).text
    asked = client.get("/sittings?band=12").text
    assert "Sittings of a week" not in asked


def _phone(browser: Browser, place: Place, role: str, *, scripts: bool = False) -> Page:
    context = browser.new_context(
        viewport={"width": 390, "height": HEIGHTS[390]},
        device_scale_factor=2,
        java_script_enabled=scripts,
        bypass_csp=scripts,  # for axe's own script
    )
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    if name := ROLES[role]:
        page.goto(f"{place.address}/sign-in")
        page.get_by_label("Nickname").fill(name)
        page.get_by_label("PIN").fill(PIN)
        page.get_by_role("button", name="Only look").click()
    return page


@pytest.mark.parametrize("role", ROLES)
def test_every_page_fits_the_phone(place: Place, browser: Browser, role: str) -> None:
    """Also with twice the text; light and dark; nothing is asked of anybody else."""
    SHOTS.mkdir(parents=True, exist_ok=True)
    page = _phone(browser, place, role)
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    wide = []
    for rule, (_, roles) in PAGES.items():
        if role not in roles:
            continue
        answer = page.goto(place.address + place.path(rule, role))
        assert answer is not None and answer.status == 200, rule
        assert page.locator("h1").count() == 1, rule
        for width, size in ((390, 100), (390, 200), (320, 200), (320, 100)):
            page.set_viewport_size({"width": width, "height": HEIGHTS[width]})
            page.evaluate(f"document.documentElement.style.fontSize = '{size}%'")
            if page.evaluate("document.documentElement.scrollWidth") > width:
                wide.append((rule, width, size))
            if (width, size) != (390, 200):
                page.screenshot(path=_shot(rule, role, f"{width}-{size}"), full_page=True)
        page.set_viewport_size({"width": 390, "height": HEIGHTS[390]})
        page.emulate_media(color_scheme="dark")
        page.screenshot(path=_shot(rule, role, "dark"), full_page=True)
        page.emulate_media(color_scheme="light")
    assert wide == []
    assert all(url.startswith(place.address) for url in asked)
    assert said == []
    page.context.close()


def _shot(rule: str, role: str, how: str) -> Path:
    """Where the picture of a page is kept."""
    name = PAGES[rule][0].split("?")[0].split("{")[0].strip("/").replace("/", "-") or "week"
    return SHOTS / f"{role}-{name}-{how}.png"


def test_on_a_phone_everything_of_a_week_stands_below_each_other(
    place: Place, browser: Browser
) -> None:
    page = _phone(browser, place, "player")
    page.goto(place.address + place.path("/", "player"))
    ends = 0.0
    for section in page.locator("main section:has(> h2)").all():
        box = section.bounding_box()
        assert box is not None and box["y"] >= ends and box["width"] > 340.0
        ends = box["y"] + box["height"] - 1.0
    assert ends > 3000.0
    page.context.close()


@pytest.mark.parametrize("role", ROLES)
def test_axe_finds_nothing_serious(place: Place, browser: Browser, role: str) -> None:
    """In the dark only what hangs on colours is looked at again."""
    page = _phone(browser, place, role, scripts=True)
    grave = []
    for rule, (_, roles) in PAGES.items():
        if role not in roles:
            continue
        page.goto(place.address + place.path(rule, role))
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
            options = {} if scheme == "light" else {"runOnly": ["color-contrast"]}
            found = Axe().run(page, options=options).response["violations"]
            grave += [
                (rule, scheme, one["id"], one["nodes"][0]["html"])
                for one in found
                if one["impact"] in ("serious", "critical")
            ]
    assert grave == []
    page.context.close()
