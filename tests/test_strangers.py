"""What a stranger may send to the pages, and what they answer."""

import re
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from flask.testing import FlaskClient
from hypothesis import example, given, settings
from hypothesis import strategies as st
from werkzeug.exceptions import MethodNotAllowed, NotFound
from werkzeug.routing import RequestRedirect

from appliance.settings import Settings
from appliance.vocabulary import SettingsError
from tests.cast import NOW, settings_of
from tests.pages import page_words
from web import create_app


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("week=2026-W54", "no such week"),
        ("week=yesterday", "no such week"),
        ("week=", "no such week"),
        ("tuning=meantone", "one of just, pythagorean, equal"),
        ("tuning=", "no such tuning"),
        ("band=4.9", "from 5 to 30"),
        ("band=31", "from 5 to 30"),
        ("band=nan", "from 5 to 30"),
        ("band=1e1", "from 5 to 30"),
        ("band=١٠", "from 5 to 30"),
        ("a4=39", "from 400 to 480"),
        ("a4=inf", "from 400 to 480"),
    ],
)
@pytest.mark.parametrize("address", ["/", "/note/66", "/shift/59-67", "/week.json"])
def test_bad_input_gets_one_sentence(
    client: FlaskClient, address: str, query: str, says: str
) -> None:
    answer = client.get(f"{address}?{query}")
    assert answer.status_code == 400
    assert says in answer.text
    assert "Traceback" not in answer.text


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(["/", "/week.json", "/note/66", "/shift/59-67"]),
    st.dictionaries(st.sampled_from(["week", "tuning", "band", "a4", "player"]), st.text()),
)
def test_any_query_gets_an_answer(client: FlaskClient, address: str, query: dict[str, str]) -> None:
    assert client.get(address, query_string=query).status_code in (200, 400)


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=40))
@example("sign-out")
@example("sign-out?x")
def test_any_path_gets_an_answer(client: FlaskClient, path: str) -> None:
    path = path.lstrip("/")  # the client would take what follows "//" for a host
    for address in (f"/{path}", f"/note/{path}", f"/shift/{path}"):
        status = client.get(address).status_code
        if _is_for_forms(client, address):
            assert status == 405
        else:
            assert status in (200, 302, 308, 403, 404)  # some need somebody


def _is_for_forms(client: FlaskClient, address: str) -> bool:
    """Whether a form may be sent there, and nothing be looked at."""
    try:
        client.application.url_map.bind("localhost").match(urlsplit(address).path, method="GET")
    except MethodNotAllowed:
        return True
    except (NotFound, RequestRedirect):
        pass
    return False


@pytest.mark.parametrize("address", ["/note/20", "/note/99999999999999", "/shift/1-2", "/admin"])
def test_no_such_page(client: FlaskClient, address: str) -> None:
    assert "no such page" in page_words(client, address, 404)


def test_pages_can_only_be_looked_at(client: FlaskClient) -> None:
    for address in ("/", "/week.json", "/note/66", "/shift/59-67"):
        for send in (client.post, client.put, client.delete, client.patch):
            assert send(address).status_code == 405


@pytest.mark.parametrize(
    "address", ["/", "/week.json", "/note/66", "/?band=1", "/nowhere", "/static/page.css"]
)
def test_every_answer_carries_the_headers(client: FlaskClient, address: str) -> None:
    headers = client.get(address).headers
    policy = headers["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'; style-src 'self';")
    assert "unsafe" not in policy
    assert "http" not in policy
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"  # what a form over HTTPS is checked by


def test_the_host_header_is_not_reflected(client: FlaskClient) -> None:
    for address in ("/", "/note/66", "/week.json", "/?band=1", "/nowhere", "/static"):
        answer = client.get(address, headers={"Host": "evil.example"})
        assert "evil.example" not in answer.text + str(answer.headers)


def test_names_are_text_and_not_markup(log_path: Path) -> None:
    plain = Settings()
    room = replace(plain.room, name="<script>alert(1)</script>")
    page = (
        create_app(log_path, replace(plain, room=room), lambda: NOW.wall_s).test_client().get("/")
    )
    assert "<script" not in page.text
    assert "&lt;script&gt;" in page.text


def test_an_error_of_our_own_shows_no_traceback(log_path: Path) -> None:
    app = create_app(log_path, settings_of(), lambda: 1 / 0)
    answer = app.test_client().get("/")
    assert answer.status_code == 500
    assert "ZeroDivisionError" not in answer.text
    assert not app.debug


def test_an_unknown_time_zone_is_said_at_the_start(log_path: Path) -> None:
    bad = settings_of()
    with pytest.raises(SettingsError, match="time_zone"):
        create_app(log_path, replace(bad, room=replace(bad.room, time_zone="Moon/Base")))


def test_nothing_points_outside(client: FlaskClient) -> None:
    for address in ("/", "/note/66", "/nowhere", "/static/page.css"):
        text = client.get(address).text
        assert not re.search(r"https?:|src=|@import|url\(|<script|style=", text)
