"""Every route for everybody: what nobody, players, teachers and the owner get.

A route that is missing from the table fails the test. Each cell is the status of the answer: 302 to
the door or onward, 401 and 403 refused, 400 let in and the empty form refused.
"""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient

from tests.cast import Cast, app_for, gather, signed_in

# Who asks. Mira is a player whom "teacher" may read; nobody else may, not even the owner.
ASK = {
    "nobody": None,
    "player": "Mira",
    "other player": "Tomas",
    "teacher": "Tea",
    "foreign teacher": "Fred",
    "owner": "Olga",
}
Row = tuple[int, int, int, int, int, int]

ANYBODY: Row = (200, 200, 200, 200, 200, 200)
OWN_LOG: Row = (302, 200, 200, 200, 200, 200)  # a page of one's own log, which may be empty
IN_MIRAS: Row = (302, 200, 404, 404, 404, 404)  # a page that only Mira's log has
TEACHERS: Row = (302, 403, 403, 200, 200, 200)
OF_THEIRS: Row = (302, 403, 403, 200, 403, 403)  # for the teachers of Mira alone
OWNERS: Row = (302, 403, 403, 403, 403, 200)
DO_ANYBODY: Row = (400, 400, 400, 400, 400, 400)
DO_PLAYERS: Row = (401, 400, 400, 400, 400, 400)
DONE_PLAYERS: Row = (401, 302, 302, 302, 302, 302)
DO_OWNERS: Row = (401, 403, 403, 403, 403, 400)
DONE_OWNERS: Row = (401, 403, 403, 403, 403, 302)

ROUTES: dict[tuple[str, str], Row] = {
    ("GET", "/static/<path:filename>"): ANYBODY,
    # the door
    ("GET", "/sign-in"): ANYBODY,
    ("POST", "/sign-in"): DO_ANYBODY,
    ("GET", "/owner"): ANYBODY,
    ("POST", "/owner"): DO_ANYBODY,
    ("GET", "/register"): (403,) * 6,  # until the owner allows it
    ("POST", "/register"): (403,) * 6,
    ("POST", "/sign-out"): DONE_PLAYERS,
    ("GET", "/check-in"): OWN_LOG,
    ("POST", "/check-in"): DONE_PLAYERS,
    ("POST", "/check-out"): DONE_PLAYERS,
    ("GET", "/pin"): OWN_LOG,
    ("POST", "/pin"): DO_PLAYERS,
    # people
    ("GET", "/people"): TEACHERS,
    ("POST", "/people"): (401, 403, 403, 400, 400, 400),
    ("GET", "/people/<person_id>"): OWNERS,
    ("POST", "/people/<person_id>/pin"): (401, 403, 403, 200, 403, 200),
    ("POST", "/people/<person_id>/role"): DO_OWNERS,
    ("POST", "/people/<person_id>/consent"): DONE_OWNERS,
    ("POST", "/people/<person_id>/sessions"): DONE_OWNERS,
    ("POST", "/people/<person_id>/remove"): DO_OWNERS,
    ("POST", "/people/registration"): DONE_OWNERS,
    # the log
    ("GET", "/"): OWN_LOG,
    ("GET", "/week.json"): (401, 200, 200, 200, 200, 200),
    ("GET", "/note/<int:midi>"): IN_MIRAS,
    ("GET", "/<any(shift, 'slide-move', leap):way>/<move>"): (302, 404, 404, 404, 404, 404),
    ("GET", "/change"): OWN_LOG,
    ("GET", "/ear"): OWN_LOG,
    ("GET", "/sittings"): OWN_LOG,
    ("GET", "/sitting/<sitting_id>"): IN_MIRAS,
    ("GET", "/exports"): OWN_LOG,
    ("GET", "/exports/<table>.<kind>"): (401, 200, 200, 200, 200, 200),
    ("GET", "/choose"): OWN_LOG,
    # whose was it
    ("GET", "/whose"): OWN_LOG,
    ("POST", "/whose/not-me"): DO_PLAYERS,
    ("POST", "/whose/claim/<sitting_id>"): (401, 409, 409, 409, 409, 409),  # it is Mira's already
    # studios
    ("GET", "/studio-card"): TEACHERS,
    ("POST", "/studio-card"): (401, 403, 403, 302, 302, 302),
    ("GET", "/studio"): OWN_LOG,
    ("POST", "/studio"): DO_PLAYERS,
    ("POST", "/studio/<teacher_id>/leave"): DONE_PLAYERS,
    ("GET", "/lesson"): OWN_LOG,
    ("GET", "/focus/<person_id>/<week>"): OF_THEIRS,
    ("POST", "/focus/<person_id>/<week>"): (401, 403, 403, 302, 403, 403),
    ("POST", "/studio/<person_id>/let-go"): (401, 403, 403, 302, 403, 403),  # last: it parts them
    # privacy
    ("GET", "/privacy"): ANYBODY,
    ("GET", "/privacy/all-of-mine.zip"): OWN_LOG,
    ("POST", "/privacy/delete"): DO_PLAYERS,
    ("GET", "/privacy/deleted"): ANYBODY,
    # the room
    ("GET", "/room"): OWN_LOG,
    ("POST", "/room/drone"): DONE_PLAYERS,
    ("POST", "/room/loudness"): DONE_PLAYERS,
    ("POST", "/room/tuning"): DO_PLAYERS,
    ("POST", "/room/rules"): DONE_OWNERS,
    ("GET", "/door-card"): OWN_LOG,
    ("GET", "/check"): OWNERS,
    ("POST", "/check"): DONE_OWNERS,
    ("POST", "/check/light"): DONE_OWNERS,
}
# Pages of a log, asked for with ?player=Mira.
MIRAS_LOG: Row = (302, 200, 403, 200, 403, 403)
# there is nobody where nobody owns the room
NEEDS_SOMEBODY = {"/check-in", "/pin", "/whose", "/studio", "/privacy/all-of-mine.zip"}
NOT_A_LOG = {
    *("/sign-in", "/owner", "/register", "/studio", "/static/<path:filename>"),
    *("/privacy", "/privacy/deleted"),
}


@pytest.fixture(scope="module")
def cast(tmp_path_factory: pytest.TempPathFactory) -> Cast:
    return gather(tmp_path_factory.mktemp("cast") / "room.db")


@pytest.fixture(scope="module")
def cookies(cast: Cast) -> dict[str, str]:
    """The session of each person, from having signed in once."""
    app = cast.app()
    found = {}
    for name in ASK.values():
        if name is not None:
            cookie = signed_in(app, name).get_cookie("groundnote")
            assert cookie is not None
            found[name] = cookie.value
    return found


@pytest.fixture
def app(cast: Cast, tmp_path: Path) -> Iterator[Flask]:
    """The same room over a copy of its log, so that nothing done here is seen elsewhere."""
    for file in cast.path.parent.iterdir():
        shutil.copy(file, tmp_path / file.name)
    app = app_for(tmp_path / cast.path.name)
    app.config["WTF_CSRF_ENABLED"] = False  # it has a test of its own
    yield app


def client_of(app: Flask, cookies: dict[str, str], asks: str) -> FlaskClient:
    client = app.test_client()
    name = ASK[asks]
    if name is not None:
        client.set_cookie("groundnote", cookies[name])
    return client


def address(rule: str, cast: Cast) -> str:
    """A real address for a rule."""
    values = {
        "<path:filename>": "page.css",
        "<person_id>": cast.people["Mira"].person_id,
        "<teacher_id>": cast.people["Tea"].person_id,
        "<week>": "2026-W07",
        "<int:midi>": "66",
        "<any(shift, 'slide-move', leap):way>": "shift",
        "<move>": "59-67",
        "<sitting_id>": cast.sittings["Mira"],
        "<table>.<kind>": "note.csv",
    }
    for part, value in values.items():
        rule = rule.replace(part, value)
    assert "<" not in rule, f"give {rule} a value"
    return rule


def test_every_route_is_in_the_table(app: Flask) -> None:
    routes = {
        (method, rule.rule)
        for rule in app.url_map.iter_rules()
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }
    assert routes == set(ROUTES)


@pytest.mark.parametrize("asks", ASK)
def test_every_route_for_everybody(
    app: Flask, cast: Cast, cookies: dict[str, str], asks: str
) -> None:
    wrong = {}
    for (method, rule), row in ROUTES.items():
        client = client_of(app, cookies, asks)
        shutil.copy(cast.path, app.extensions["groundnote"].log_path)
        answer = client.open(address(rule, cast), method=method, query_string={"week": "2026-W07"})
        expected = row[list(ASK).index(asks)]
        if answer.status_code != expected:
            wrong[method, rule] = (answer.status_code, expected)
        if asks == "nobody" and expected == 302:
            assert answer.headers["Location"].startswith("/sign-in?next=")
    assert wrong == {}


@pytest.mark.parametrize("asks", ASK)
def test_the_log_of_a_player_is_for_them_and_their_teacher(
    app: Flask, cast: Cast, cookies: dict[str, str], asks: str
) -> None:
    wrong = {}
    for (method, rule), row in ROUTES.items():
        if method != "GET" or rule in NOT_A_LOG or row in (TEACHERS, OWNERS, OF_THEIRS):
            continue
        asked = {"week": "2026-W07", "player": cast.people["Mira"].person_id}
        answer = client_of(app, cookies, asks).get(address(rule, cast), query_string=asked)
        expected = MIRAS_LOG[list(ASK).index(asks)]
        if expected == 302 and rule.endswith((".json", ".<kind>")):
            expected = 401
        if expected == 200 and row[1] == 404:  # not even Mira has such a page
            expected = 404
        if answer.status_code != expected:
            wrong[rule] = (answer.status_code, expected)
    assert wrong == {}


def test_what_a_page_shows_is_the_log_of_who_is_signed_in(
    app: Flask, cast: Cast, cookies: dict[str, str]
) -> None:
    week = {"week": "2026-W07"}
    for asks, names in (
        ("player", ["F#4"]),
        ("other player", ["E4"]),
        ("teacher", []),
        ("owner", []),
    ):
        found = client_of(app, cookies, asks).get("/week.json", query_string=week).get_json()
        assert [note["note"] for note in found["notes"]] == names
    asked = week | {"player": cast.people["Mira"].person_id}
    teacher = client_of(app, cookies, "teacher")
    found = teacher.get("/week.json", query_string=asked).get_json()
    assert [note["note"] for note in found["notes"]] == ["F#4"]
    page = teacher.get("/", query_string=asked).text
    assert "You read the log of <strong>Mira</strong>" in page
    assert f"player={asked['player']}" in page  # links keep the player, and so does the form
    assert f'name="player" value="{asked["player"]}"' in page


@pytest.mark.parametrize("asked", ["Mira", "", "00000001-1", "x" * 3000, "1f3a9c02-17'--"])
def test_whoever_may_not_read_a_log_does_not_learn_whether_there_is_one(
    app: Flask, cast: Cast, cookies: dict[str, str], asked: str
) -> None:
    foreign = client_of(app, cookies, "foreign teacher")
    real = foreign.get("/", query_string={"player": cast.people["Mira"].person_id})
    made_up = foreign.get("/", query_string={"player": asked})
    assert (made_up.status_code, made_up.text) == (real.status_code, real.text) == (403, real.text)


def test_a_room_nobody_owns_is_open_to_all_and_says_so(tmp_path: Path) -> None:
    client = app_for(tmp_path / "room.db").test_client()
    for (method, rule), row in ROUTES.items():
        if method == "GET" and row in (OWN_LOG, TEACHERS, OWNERS) and "<" not in rule:
            answer = client.get(rule)
            if row is OWN_LOG and rule not in NEEDS_SOMEBODY:
                assert answer.status_code == 200, rule
                assert "Nobody owns this room yet" in answer.text
            elif row is not OWN_LOG:
                assert (answer.status_code, answer.headers["Location"]) == (302, "/owner")
            else:
                assert answer.status_code == 403
