"""The page of the room check: a real app, a real control socket, a caretaker with a short check."""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from flask import Flask
from flask.testing import FlaskClient

from appliance.caretaker import Caretaker
from appliance.checking.verdicts import Line, Verdict
from appliance.control import ControlServer, Message
from appliance.log.people import People, Role
from appliance.settings import Settings
from tests.phone import CHROMIUM, HEIGHTS, SHOTS, chromium, served
from web import create_app
from web.room_check import LOOK_AT_THE_LIGHT, NO_LIGHT

PIN = "402915"
LINES = [
    Line("microphone", Verdict.FINE, "input 1 of a card"),
    Line("clocks", Verdict.DOUBTFUL, "they drift apart by 100 ppm", "use one interface"),
    Line("hum", Verdict.WRONG, "50 Hz and multiples, -42 dBFS", "plug all into one outlet"),
    Line("reverberation", Verdict.NOT_MEASURED, "too soft against the noise"),
]


class ShortCheckup:
    """A check that finds what the test wants, at once."""

    def __init__(self) -> None:
        self.found = LINES

    def lines(self, progress: Callable[[], None]) -> list[Line]:
        progress()
        return self.found


class SeenLight:
    def __init__(self) -> None:
        self.tried = 0

    def try_out(self) -> None:
        self.tried += 1


@dataclass
class Place:
    app: Flask
    checkup: ShortCheckup
    light: SeenLight
    status: Message
    caretaker: Caretaker

    def client(self, nickname: str | None = "Ilse") -> FlaskClient:
        client = self.app.test_client()
        if nickname is not None:
            form = {"nickname": nickname, "pin": PIN, "csrf_token": token(client, "/sign-in")}
            assert client.post("/sign-in", data=form).status_code == 302
        return client


def token(client: FlaskClient, address: str) -> str:
    found = re.search(r'name="csrf_token"[^>]*value="([^"]+)"', client.get(address).text)
    assert found
    return found[1]


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    log_path, socket = tmp_path / "room.db", tmp_path / "c.sock"
    people = People(log_path, "north room")
    for nickname, role in (("Ilse", Role.OWNER), ("Tom", Role.TEACHER), ("Mira", Role.PLAYER)):
        people.add(nickname, PIN, role, 1.0)
    checkup, light = ShortCheckup(), SeenLight()
    caretaker = Caretaker(checkup, light)  # type: ignore[arg-type]
    status: Message = {
        "felt_s_ago": {"left": 3.0, "right": None, "middle": 900.0},
        "sounding": False,
        "player": None,
    }

    def answer(request: Message) -> Message:
        if request["do"] in ("check", "light"):
            return place.caretaker.answer(request, lambda: None, sounding=status["sounding"])
        return status

    server = ControlServer(socket, answer)
    server.start()
    plain = Settings()
    settings = replace(plain, room=replace(plain.room, name="north room", time_zone="UTC"))
    app = create_app(log_path, settings, socket_path=socket)
    place = Place(app, checkup, light, status, caretaker)
    yield place
    server.stop()
    people.close()


def words(client: FlaskClient, address: str = "/check") -> str:
    text = re.sub(r"<head>.*?</head>|<[^>]+>", " ", client.get(address).text, flags=re.S)
    return re.sub(r"\s+", " ", unescape(text))


def test_only_the_owner_may_check(place: Place) -> None:
    for nickname, status_code in (("Tom", 403), ("Mira", 403), (None, 302)):
        client = place.client(nickname)
        assert client.get("/check").status_code == status_code
    client = place.client("Tom")
    form = {"csrf_token": token(client, "/pin")}
    assert client.post("/check", data=form).status_code == 403
    assert client.post("/check/light", data=form).status_code == 403
    assert place.light.tried == 0


def test_a_check_is_started_and_read(place: Place) -> None:
    client = place.client()
    assert "has not been checked since it was started" in words(client)
    assert client.post("/check").status_code == 400  # without its token
    form = {"csrf_token": token(client, "/check")}
    answer = client.post("/check", data=form)
    assert (answer.status_code, answer.location) == (302, "/check")
    page = words(client)
    assert "1 thing is wrong, 1 doubtful." in page and "Checked on" in page
    for line in LINES:
        assert re.search(f"{line.what} {line.verdict}", page, re.I)
        assert (f"{line.advice}.".lower() in page.lower()) or not line.advice
    place.checkup.found = LINES[:1]
    client.post("/check", data=form)
    assert "The room is fit to practise in." in words(client)
    assert "use one interface" not in words(client)


def test_pedals_are_shown_as_they_were_felt(place: Place) -> None:
    page = words(place.client())
    assert "Left pedal fine Felt 3 s ago." in page
    assert "Right pedal not measured Not felt yet." in page
    assert "Middle pedal not measured Not felt lately." in page
    place.status["felt_s_ago"] = {}
    assert "runs without pedals" in words(place.client())


def test_a_drone_that_sounds_is_left_alone(place: Place) -> None:
    client = place.client()
    place.status["sounding"] = True
    client.post("/check", data={"csrf_token": token(client, "/check")})
    assert "The drone is on: stop it" in words(client)


def test_the_light_flashes_when_asked(place: Place) -> None:
    client = place.client()
    client.post("/check/light", data={"csrf_token": token(client, "/check")})
    assert place.light.tried == 1
    assert LOOK_AT_THE_LIGHT in words(client)
    place.caretaker = Caretaker()
    client.post("/check/light", data={"csrf_token": token(client, "/check")})
    assert NO_LIGHT in words(client)


def test_without_a_room_it_says_so(tmp_path: Path, place: Place) -> None:
    room = place.app.extensions["groundnote"]
    place.app.extensions["groundnote"] = replace(room, socket_path=tmp_path / "none.sock")
    page = words(place.client())
    assert "The room cannot be checked." in page and "No groundnote answers" in page


@pytest.mark.skipif(
    not Path(CHROMIUM).exists(), reason="NO CHROMIUM, THE PAGE IS NOT TESTED: install chromium"
)
def test_it_fits_the_phone(place: Place) -> None:
    client = place.client()
    client.post("/check", data={"csrf_token": token(client, "/check")})
    cookie = client.get_cookie("groundnote")
    assert cookie is not None
    SHOTS.mkdir(parents=True, exist_ok=True)
    with served(place.app) as address, chromium() as browser:
        for width, scheme in ((390, "light"), (390, "dark"), (320, "light")):
            context: Any = browser.new_context(
                viewport={"width": width, "height": HEIGHTS[width]},
                color_scheme=scheme,
                device_scale_factor=2,
            )
            context.add_cookies([{"name": "groundnote", "value": cookie.value, "url": address}])
            page = context.new_page()
            page.goto(f"{address}/check")
            page.screenshot(path=SHOTS / f"check-{width}-{scheme}.png", full_page=True)
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert page.locator("h1").count() == 1
            assert Axe().run(page).violations_count == 0
            context.close()
