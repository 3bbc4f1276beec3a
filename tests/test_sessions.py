"""Sessions: when they end, and what nobody can make of them."""

import re
import stat
from pathlib import Path

import pytest
from flask import Flask

from appliance.log.people import People, Role
from tests.cast import NOW, PIN, Cast, app_for, gather, sign_in, signed_in, token
from tests.doors import let_in


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
