"""How often a PIN and an owner code may be tried."""

import re
import threading
from types import SimpleNamespace

import pytest
from flask import Flask
from flask.testing import FlaskClient

from appliance.log import owner_code
from appliance.log.people import PeopleReader
from tests.cast import PIN, Cast, signed_in, token
from tests.doors import become

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
    monkeypatch.setattr("web.kept_tries.time", SimpleNamespace(time=clock.time))
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


def tries(client: FlaskClient, nickname: str, pin: str, where: dict[str, str]) -> int:
    form = {"csrf_token": token(client, "/sign-in"), "nickname": nickname, "pin": pin}
    return client.post("/sign-in", data=form | {"look": "x"}, environ_base=where).status_code


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
    monkeypatch.setattr("werkzeug.security.check_password_hash", lambda _, pin: pin == PIN)
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

    monkeypatch.setattr("werkzeug.security.check_password_hash", check)
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


def test_owner_codes_are_not_guessed(cast: Cast, app: Flask, clock: Clock) -> None:
    owner_code.owner_code(cast.path)
    client = app.test_client()
    statuses = [become(client, f"AAAA-AAAA-{n:04}", "Eve") for n in range(8)]
    assert statuses == [403] * 5 + [429] * 3


# -- over a restart ---------------------------------------------------------------------------


def wait_said(app: Flask, where: dict[str, str]) -> str:
    client = app.test_client()
    form = {"csrf_token": token(client, "/sign-in"), "nickname": "Mira", "pin": "999999"}
    text = client.post("/sign-in", data=form | {"look": "x"}, environ_base=where).text
    found = re.search(r"Wait \d+ (seconds|minutes)", text)
    return found[0] if found else ""


def test_a_restart_of_the_pages_gains_no_tries(
    cast: Cast, app: Flask, clock: Clock, checked: list[str]
) -> None:
    stranger = app.test_client()
    assert [tries(stranger, "Mira", "999999", HERE) for _ in range(6)] == [403] * 5 + [429]
    said = wait_said(app, HERE)
    assert said
    checked.clear()
    for _ in range(3):  # and started again, and again
        again = cast.app()
        assert wait_said(again, HERE) == said
        assert tries(again.test_client(), "Mira", PIN, HERE) == 429
        assert tries(again.test_client(), "Mira", PIN, ELSEWHERE) == 302
    assert checked == ["Mira"] * 3  # from elsewhere alone
    clock.now_s += 61.0
    assert tries(cast.app().test_client(), "Mira", PIN, HERE) == 302
    # What the right PIN has forgiven stays forgiven.
    later = cast.app()
    assert [tries(later.test_client(), "Mira", "999999", HERE) for _ in range(6)][:5] == [403] * 5


def test_a_thousand_wrong_pins_with_a_restart_after_each_hundred_find_as_little(
    cast: Cast, clock: Clock, checked: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("web.kept_tries.LINES", 20)  # written anew now and then
    for hundred in range(10):
        stranger = cast.app().test_client()
        form = {"csrf_token": token(stranger, "/sign-in"), "nickname": "Mira", "look": "x"}
        for number in range(100):
            pin = f"{100 * hundred + number + 100_000}"
            stranger.post("/sign-in", data=form | {"pin": pin}, environ_base=HERE)
            clock.now_s += 1.0
    assert 5 <= len(checked) <= 12  # in seventeen minutes, as without a restart


def test_the_file_tells_nobody_who_tried_and_forgets_within_the_hour(
    cast: Cast, app: Flask, clock: Clock
) -> None:
    path = cast.path.with_suffix(".pin-tries")
    assert not path.exists()
    tries(app.test_client(), "Mira", "999999", HERE)
    assert path.stat().st_mode & 0o777 == 0o600
    kept = path.read_text()
    assert len(kept.splitlines()) == 7  # three windows of the place, two of person and of address
    assert not re.search(r"(?i)mira|10\.0|place|person", kept)
    clock.now_s += 3600.0
    cast.app()
    assert path.read_text() == ""


@pytest.mark.parametrize("damage", ["torn", "noise", "future", "folder"])
def test_a_damaged_file_keeps_nobody_out(
    cast: Cast, app: Flask, clock: Clock, damage: str, caplog: pytest.LogCaptureFixture
) -> None:
    path = cast.path.with_suffix(".pin-tries")
    for _ in range(5):
        tries(app.test_client(), "Mira", "999999", HERE)
    whole = path.read_bytes()
    if damage == "torn":
        path.write_bytes(whole[:-9])
    elif damage == "noise":
        path.write_bytes(whole + b"\xff\x00 x y\n1 2 3 4\n" + b"nan inf inf\n")
    elif damage == "future":  # the clock of a machine without a battery
        clock.now_s -= 86400.0
    else:
        path.unlink()
        path.mkdir()
    again = cast.app()
    assert tries(again.test_client(), "Tomas", PIN, HERE) == 302
    due = 302 if damage in ("future", "folder") else 429
    assert tries(again.test_client(), "Mira", PIN, HERE) == due
    assert ("not kept" in caplog.text) == (damage == "folder")
