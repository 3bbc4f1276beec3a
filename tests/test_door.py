"""The door: forged requests, names of the room, sizes, where it leads."""

import re
from collections.abc import Iterator

import pytest
from flask import Flask

from tests.cast import PIN, Cast, signed_in, token
from tests.doors import let_in


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
