"""The door: PINs and how often they may be tried, sessions, forged requests, names of the room."""

import re
import sqlite3
import stat
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from flask import Flask
from flask.testing import FlaskClient

from appliance.log import owner_code
from appliance.log.people import People, PeopleReader, Role
from appliance.log.room_settings import RoomSettingsEditor
from tests.cast import NOW, PIN, Cast, app_for, gather, sign_in, signed_in, token

ELSEWHERE, HERE = {"REMOTE_ADDR": "10.0.0.7"}, {"REMOTE_ADDR": "10.0.0.9"}


class Clock:
    """Seconds that pass when the test says so, for what counts tries."""

    def __init__(self) -> None:
        self.now_s = 1.7e9

    def time(self) -> float:
        return self.now_s


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr("limits.storage.memory.time", SimpleNamespace(time=clock.time))
    monkeypatch.setattr("web.pin_tries.time", SimpleNamespace(time=clock.time))
    return clock


@pytest.fixture
def checked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The nicknames whose PIN was really looked at."""
    seen: list[str] = []
    real = PeopleReader.right_pin

    def counted(self: PeopleReader, nickname: str, pin: str) -> object:
        seen.append(nickname)
        return real(self, nickname, pin)

    monkeypatch.setattr(PeopleReader, "right_pin", counted)
    return seen


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Cast:
    return gather(tmp_path_factory.mktemp("cast") / "room.db")


@pytest.fixture
def cast(first: Cast, tmp_path: Path) -> Cast:
    """A copy of its own for each test: hashing everybody's PIN is slow."""
    with sqlite3.connect(first.path) as source, sqlite3.connect(tmp_path / "room.db") as copy:
        source.backup(copy)
    return replace(first, path=tmp_path / "room.db")


@pytest.fixture
def app(cast: Cast) -> Flask:
    return cast.app()


def tries(client: FlaskClient, nickname: str, pin: str, where: dict[str, str]) -> int:
    form = {"csrf_token": token(client, "/sign-in"), "nickname": nickname, "pin": pin}
    return client.post("/sign-in", data=form | {"look": "x"}, environ_base=where).status_code


# --- tries of a PIN ----------------------------------------------------------------------------


def test_a_thousand_wrong_pins_find_nothing_and_lock_nobody_out(
    app: Flask, clock: Clock, checked: list[str]
) -> None:
    own_phone = signed_in(app, "Mira")  # at home once
    stranger = app.test_client()
    form = {"csrf_token": token(stranger, "/sign-in"), "nickname": "Mira", "look": "x"}
    checked.clear()
    statuses = []
    for number in range(1000):
        pin = f"{number + 100_000}"
        answer = stranger.post("/sign-in", data=form | {"pin": pin}, environ_base=HERE)
        statuses.append(answer.status_code)
        clock.now_s += 1.0
    assert set(statuses) == {403, 429}
    assert len(checked) == statuses.count(403) <= 12  # in seventeen minutes
    # Others at that very address, Mira's own phone there, and Mira anywhere else get in at once.
    assert tries(app.test_client(), "Tomas", PIN, HERE) == 302
    own_phone.post("/sign-out", data={"csrf_token": token(own_phone, "/check-in")})
    assert tries(own_phone, "Mira", PIN, HERE) == 302
    assert tries(app.test_client(), "Mira", PIN, ELSEWHERE) == 302
    # A phone nobody knows has to wait at that address, an hour at most.
    assert tries(app.test_client(), "Mira", PIN, HERE) == 429
    clock.now_s += 3601.0
    assert tries(app.test_client(), "Mira", PIN, HERE) == 302


def test_waits_grow_and_say_how_long(app: Flask, clock: Clock, checked: list[str]) -> None:
    stranger = app.test_client()
    form = {"csrf_token": token(stranger, "/sign-in"), "nickname": "Mira", "pin": "999999"}
    waits = []
    for _ in range(15):
        answer = stranger.post("/sign-in", data=form | {"look": "x"}, environ_base=HERE)
        if answer.status_code == 429:
            said = re.search(r"Wait (\d+) (seconds|minutes)", answer.text)
            assert said
            waits.append(int(said[1]) * (60 if said[2] == "minutes" else 1))
            clock.now_s += waits[-1] + 1
    minute, ten_minutes, hour = waits
    assert minute <= 60
    assert 300 < ten_minutes <= 600
    assert 1800 < hour <= 3600


def test_many_tries_at_once_gain_nothing(app: Flask, checked: list[str]) -> None:
    stranger = app.test_client()
    form = {"csrf_token": token(stranger, "/sign-in"), "nickname": "Mira", "look": "x"}
    cookie = stranger.get_cookie("groundnote")
    assert cookie is not None

    def come(pin: str) -> None:
        client = app.test_client()
        client.set_cookie("groundnote", cookie.value)
        client.post("/sign-in", data=form | {"pin": pin}, environ_base=HERE)

    threads = [threading.Thread(target=come, args=(f"{n + 200_000}",)) for n in range(24)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert 0 < len(checked) <= 5  # on a slow machine some are told to come again


def test_a_class_at_one_address_gets_in_though_one_of_them_tries_everybodys_pin(
    app: Flask, clock: Clock, checked: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("appliance.log.people.check_password_hash", lambda _, pin: pin == PIN)
    names = [f"pupil {number}" for number in range(23)]  # nobody's, and tried like anybody's
    stranger = app.test_client()
    form = {"csrf_token": token(stranger, "/sign-in"), "pin": "999999", "look": "x"}
    for number in range(300):
        name = names[number % len(names)]
        stranger.post("/sign-in", data=form | {"nickname": name}, environ_base=HERE)
        clock.now_s += 1.0
    assert len(checked) < 150  # the address itself is held up by now
    assert tries(app.test_client(), names[0], "999999", HERE) == 429
    for name in ("Mira", "Tomas", "Tea"):
        assert tries(app.test_client(), name, PIN, HERE) == 302


def test_nobodys_nickname_is_answered_like_a_wrong_pin_and_hashed_as_often(
    app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    hashed: list[str] = []

    def check(pin_hash: str, pin: str) -> bool:
        hashed.append(pin_hash)
        return False

    monkeypatch.setattr("appliance.log.people.check_password_hash", check)
    answers = []
    for name in ("Mira", "Nobody"):
        client = app.test_client()
        form = {"csrf_token": token(client, "/sign-in"), "nickname": name, "pin": "999999"}
        answer = client.post("/sign-in", data=form | {"look": "x"})
        answers.append((answer.status_code, re.sub(r'value="[^"]*"', "", answer.text)))
    assert answers[0] == answers[1]
    assert [pin_hash.split("$")[0] for pin_hash in hashed] == ["scrypt:32768:8:1"] * 2


def test_a_known_phones_mark_cannot_be_made_up(app: Flask, clock: Clock) -> None:
    for mark in ("", "x", "W10.x.y", '[["1",1,"a"]]'):
        client = app.test_client()
        client.set_cookie("groundnote-phone", mark)
        statuses = [tries(client, "Mira", "999999", HERE) for _ in range(6)]
        assert statuses[-1] == 429
        clock.now_s += 3700.0


# --- sessions ----------------------------------------------------------------------------------


def let_in(client: FlaskClient) -> bool:
    return client.get("/").status_code == 200


def test_a_session_ends_when_it_is_idle_and_in_any_case(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [NOW.wall_s]
    plain = app_for(cast.path, session_idle_s=3600.0, session_ends_s=7200.0)
    room = plain.extensions["groundnote"]
    plain.extensions["groundnote"] = type(room)(
        **{name: getattr(room, name) for name in room.__slots__} | {"now_s": lambda: now[0]}
    )
    idle, busy = signed_in(plain, "Mira"), signed_in(plain, "Mira")
    for _ in range(3):
        now[0] += 2000.0
        assert let_in(busy)
    assert not let_in(idle)
    now[0] += 1300.0
    assert not let_in(busy)


def test_a_clock_that_goes_back_far_ends_sessions(cast: Cast) -> None:
    now = [NOW.wall_s]
    app = cast.app()
    room = app.extensions["groundnote"]
    app.extensions["groundnote"] = type(room)(
        **{name: getattr(room, name) for name in room.__slots__} | {"now_s": lambda: now[0]}
    )
    client = signed_in(app, "Mira")
    now[0] -= 60.0
    assert let_in(client)
    now[0] -= 1e6
    assert not let_in(client)


def test_a_new_pin_ends_every_other_session(cast: Cast, app: Flask) -> None:
    here, there = signed_in(app, "Mira"), signed_in(app, "Mira")
    new = {"new_pin": "860352", "again": "860352"}
    form = {"csrf_token": token(here, "/pin"), "pin": PIN, **new}
    assert here.post("/pin", data=form).status_code == 302
    assert let_in(here)
    assert not let_in(there)
    assert sign_in(app.test_client(), "Mira") == 403
    assert sign_in(app.test_client(), "Mira", "860352") == 302


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ({"pin": "999999", "new_pin": "860352", "again": "860352"}, "do not fit"),
        ({"pin": PIN, "new_pin": "860352", "again": "860353"}, "not the same"),
        ({"pin": PIN, "new_pin": "123456", "again": "123456"}, "take another"),
        ({"pin": PIN, "new_pin": PIN, "again": PIN}, "choose another"),
    ],
)
def test_a_pin_is_not_changed_by_mistake(app: Flask, form: dict[str, str], said: str) -> None:
    client = signed_in(app, "Mira")
    answer = client.post("/pin", data={"csrf_token": token(client, "/pin"), **form})
    assert answer.status_code in (400, 403)
    assert said in answer.text
    assert sign_in(app.test_client(), "Mira") == 302


def test_signing_out_and_in_makes_a_new_session(app: Flask) -> None:
    client = signed_in(app, "Mira")
    before = client.get_cookie("groundnote")
    form = {"csrf_token": token(client, "/check-in")}
    assert client.post("/sign-out", data=form).status_code == 302
    assert not let_in(client)
    assert sign_in(client, "Tomas") == 302
    assert client.get_cookie("groundnote") != before


def test_a_session_that_is_forged_or_of_another_room_is_nobodys(
    cast: Cast, app: Flask, tmp_path: Path
) -> None:
    (tmp_path / "other").mkdir()
    other = gather(tmp_path / "other" / "room.db").app()
    cookie = signed_in(other, "Mira").get_cookie("groundnote")
    real = signed_in(app, "Mira").get_cookie("groundnote")
    assert cookie is not None
    assert real is not None
    for value in (cookie.value, real.value[:-2] + "xx", "", real.value.partition(".")[0]):
        client = app.test_client()
        client.set_cookie("groundnote", value)
        assert not let_in(client)


def test_a_role_that_is_taken_away_is_gone_at_once(cast: Cast, app: Flask) -> None:
    client = signed_in(app, "Tea")
    assert client.get("/people").status_code == 200
    with People(cast.path, "north room") as people:
        people.set_role(cast.people["Tea"].person_id, Role.PLAYER)
    assert client.get("/people").status_code == 403
    assert client.get(f"/?player={cast.people['Mira'].person_id}").status_code == 403


def test_the_key_of_sessions_is_its_owners_alone_and_stays(cast: Cast, app: Flask) -> None:
    path = cast.path.with_suffix(".session-key")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert len(path.read_bytes()) == 32
    assert cast.app().secret_key == app.secret_key


@pytest.mark.parametrize(("https", "name"), [(False, "groundnote"), (True, "__Host-groundnote")])
def test_cookies_are_kept_from_scripts_and_other_sites(cast: Cast, https: bool, name: str) -> None:
    client = cast.app(https=https).test_client()
    base = "https://localhost" if https else "http://localhost"
    page = client.get("/sign-in", base_url=base)
    found = re.search(r'name="csrf_token"[^>]*value="([^"]+)"', page.text)
    assert found
    form = {"csrf_token": found[1], "nickname": "Mira", "pin": PIN, "look": "x"}
    sent = {"Referer": f"{base}/sign-in"}
    answer = client.post("/sign-in", data=form, base_url=base, headers=sent)
    assert answer.status_code == 302
    cookies = answer.headers.getlist("Set-Cookie")
    assert {cookie.partition("=")[0] for cookie in cookies} == {name, "groundnote-phone"}
    for cookie in cookies:
        assert "HttpOnly" in cookie
        assert "SameSite=" in cookie
        assert "Path=/" in cookie
        assert ("Secure" in cookie) is https
    assert ("Strict-Transport-Security" in answer.headers) is https


# --- forged requests, names, sizes -------------------------------------------------------------


def posts(app: Flask) -> Iterator[str]:
    for rule in app.url_map.iter_rules():
        if "POST" in (rule.methods or ()):
            yield re.sub("<[^>]+>", "00000001-1", rule.rule)


def test_no_form_is_taken_without_its_token(app: Flask) -> None:
    owner, stranger = signed_in(app, "Olga"), app.test_client()
    others = token(stranger, "/sign-in")
    for path in posts(app):
        for form in ({}, {"csrf_token": "x"}, {"csrf_token": others}):
            answer = owner.post(path, data=form)
            assert answer.status_code == 400, path
            assert "no longer good" in answer.text
    assert let_in(owner)


def test_over_https_a_form_is_taken_from_our_own_pages_alone(cast: Cast) -> None:
    client = cast.app(https=True).test_client()
    page = client.get("/sign-in", base_url="https://localhost").text
    found = re.search(r'name="csrf_token"[^>]*value="([^"]+)"', page)
    assert found
    form = {"csrf_token": found[1], "nickname": "Mira", "pin": PIN, "look": "x"}
    for referrer in ({}, {"Referer": "https://elsewhere.example/"}):
        answer = client.post("/sign-in", data=form, base_url="https://localhost", headers=referrer)
        assert answer.status_code == 400


@pytest.mark.parametrize(
    ("host", "ours"),
    [
        ("localhost", True),
        ("LOCALHOST:8080", True),
        ("north-room.local", True),
        ("north-room.local.:8080", True),
        ("127.0.0.1:8080", True),
        ("192.168.4.20", True),
        ("[::1]:8080", True),
        ("room.school.example", True),
        ("evil.example", False),
        ("north-room.local.evil.example", False),
        ("localhost.evil.example", False),
        ("1.2.3.4.evil.example", False),
        ("evil.example:80@localhost", False),
        ("localhost:80x", False),
        ("0x7f000001", False),
        ("", False),
    ],
)
def test_a_page_answers_under_the_rooms_own_names_alone(cast: Cast, host: str, ours: bool) -> None:
    client = cast.app(names="Room.school.example, another.example").test_client()
    answer = client.get("/sign-in", headers={"Host": host})
    assert answer.status_code == (200 if ours else 400)
    assert ("Nickname" in answer.text) is ours


def test_what_is_too_large_is_refused(app: Flask) -> None:
    client = app.test_client()
    form = {"csrf_token": token(client, "/sign-in"), "nickname": "x" * 70_000}
    assert client.post("/sign-in", data=form).status_code == 413
    assert client.post("/sign-in", data=form | {"nickname": "x" * 9000}).status_code == 400


def test_there_is_no_debugger(app: Flask) -> None:
    assert not app.debug
    assert not app.testing
    assert app.test_client().get("/console").status_code == 404


@pytest.mark.parametrize(
    ("asked", "led"),
    [
        ("/ear?week=2026-W07", "/ear?week=2026-W07"),
        ("", "/"),
        ("https://evil.example/", "/"),
        ("//evil.example/", "/"),
        ("/\\evil.example", "/"),
        ("\t//evil.example", "/"),
        ("/\t/evil.example", "/"),
        ("javascript:alert(1)", "/"),
    ],
)
def test_the_door_leads_nowhere_else(app: Flask, asked: str, led: str) -> None:
    client = app.test_client()
    form = {"csrf_token": token(client, "/sign-in"), "nickname": "Mira", "pin": PIN, "look": "x"}
    answer = client.post("/sign-in", data=form | {"next": asked})
    assert (answer.status_code, answer.headers["Location"]) == (302, led)


# --- owner, teacher, players -------------------------------------------------------------------


def become(client: FlaskClient, code: str, nickname: str, pin: str = PIN) -> int:
    form = {"csrf_token": token(client, "/owner"), "code": code, "nickname": nickname}
    return client.post("/owner", data=form | {"new_pin": pin, "again": pin}).status_code


def test_the_first_owner_has_the_code_of_the_machine(tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    app = app_for(path)
    told = owner_code.waiting(path)
    code = owner_code.owner_code(path)
    assert told is not None
    assert code in told
    assert stat.S_IMODE(owner_code.code_path(path).stat().st_mode) == 0o600
    assert become(app.test_client(), "AAAA-BBBB-CCCC", "Olga") == 403
    client = app.test_client()
    assert become(client, code.lower().replace("-", " "), "Olga") == 302
    assert client.get("/people").status_code == 200
    assert become(app.test_client(), code, "Eve") == 403  # it works once
    assert owner_code.waiting(path) is None
    assert not owner_code.code_path(path).exists()


def test_an_owner_gets_back_in_with_a_new_code_and_nobody_else_is_taken_over(
    cast: Cast, app: Flask
) -> None:
    lost = signed_in(app, "Olga")
    code = owner_code.owner_code(cast.path)
    assert become(app.test_client(), code, "Mira") == 400
    assert become(app.test_client(), code, "olga", "860352") == 302
    assert not let_in(lost)
    assert sign_in(app.test_client(), "Olga", "860352") == 302


def test_owner_codes_are_not_guessed(cast: Cast, app: Flask, clock: Clock) -> None:
    owner_code.owner_code(cast.path)
    client = app.test_client()
    statuses = [become(client, f"AAAA-AAAA-{n:04}", "Eve") for n in range(8)]
    assert statuses == [403] * 5 + [429] * 3


def test_a_given_pin_opens_nothing_until_its_person_chose_one(cast: Cast, app: Flask) -> None:
    owner = signed_in(app, "Olga")
    form = {"csrf_token": token(owner, "/people"), "nickname": "Ada", "role": "player"}
    page = owner.post("/people", data=form)
    found = re.search(r'class="pin">(\d{6})<', page.text)
    assert found
    client = app.test_client()
    assert sign_in(client, "Ada", found[1]) == 302
    for path in ("/", "/week.json", "/check-in", "/sittings"):
        assert client.get(path).headers["Location"] == "/pin"
    new = {"new_pin": "860352", "again": "860352"}
    form = {"csrf_token": token(client, "/pin"), "pin": found[1], **new}
    assert client.post("/pin", data=form).status_code == 302
    assert let_in(client)


def test_a_teacher_resets_the_pin_of_their_players_and_adds_only_players(
    cast: Cast, app: Flask
) -> None:
    mira, teacher = signed_in(app, "Mira"), signed_in(app, "Tea")
    guard = {"csrf_token": token(teacher, "/people")}
    page = teacher.post(f"/people/{cast.people['Mira'].person_id}/pin", data=guard)
    found = re.search(r'class="pin">(\d{6})<', page.text)
    assert found
    assert not let_in(mira)
    assert sign_in(app.test_client(), "Mira") == 403
    assert sign_in(app.test_client(), "Mira", found[1]) == 302
    teacher.post("/people", data=guard | {"nickname": "Eve", "role": "owner"})
    with PeopleReader(cast.path) as people:
        eve = people.find("Eve")
    assert eve is not None
    assert eve.role is Role.PLAYER


def test_removing_somebody_takes_their_log_with_them(cast: Cast, app: Flask) -> None:
    owner, mira = signed_in(app, "Olga"), signed_in(app, "Mira")
    person = cast.people["Mira"].person_id
    guard = {"csrf_token": token(owner, f"/people/{person}")}
    assert owner.post(f"/people/{person}/remove", data=guard).status_code == 400  # not ticked
    assert owner.post(f"/people/{person}/remove", data=guard | {"sure": "y"}).status_code == 302
    assert not let_in(mira)
    with PeopleReader(cast.path) as people:
        assert people.find("Mira") is None
        assert {row.sitting.player for row in people.notes(0.0, 1e12)} == {
            cast.people["Tomas"].person_id
        }
    own = cast.people["Olga"].person_id
    answer = owner.post(f"/people/{own}/remove", data=guard | {"sure": "y"})
    assert answer.status_code == 400
    assert "at least one owner" in answer.text


def test_players_register_themselves_where_the_owner_allows_it(cast: Cast, app: Flask) -> None:
    assert app.test_client().get("/register").status_code == 403
    with RoomSettingsEditor(cast.path, "north room") as editor:
        editor.set_room_setting("self_registration", True)
    client = app.test_client()
    assert "/register" in client.get("/sign-in").text
    form = {"csrf_token": token(client, "/register"), "nickname": "Ada"}
    own = {"new_pin": "860352", "again": "860352"}
    assert client.post("/register", data=form | own).status_code == 302
    assert let_in(client)
    assert client.get("/people").status_code == 403
    again = app.test_client()
    form = {"csrf_token": token(again, "/register"), "nickname": "ＡＤＡ"}
    assert again.post("/register", data=form | own).status_code == 400


def test_a_nickname_with_markup_is_shown_and_nothing_else(cast: Cast, app: Flask) -> None:
    named = '<img src=x onerror="1">'
    with People(cast.path, "north room") as people:
        person = people.add(named, PIN, Role.PLAYER, NOW.wall_s)
    client, owner = signed_in(app, named), signed_in(app, "Olga")
    pages = [client.get(path).text for path in ("/", "/check-in", "/sittings", "/room")]
    pages += [owner.get(path).text for path in ("/people", f"/people/{person.person_id}")]
    for page in pages:
        assert "<img" not in page
        assert "&lt;img src=x onerror=&#34;1&#34;&gt;" in page
