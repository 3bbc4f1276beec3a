"""Owner, teacher and players: codes, given PINs, roles, registration."""

import re
import stat
from pathlib import Path

from flask import Flask

from appliance.log import owner_code
from appliance.log.people import People, PeopleReader, Role
from appliance.log.room_settings import RoomSettingsEditor
from tests.cast import NOW, PIN, Cast, app_for, sign_in, signed_in, token
from tests.doors import become, let_in


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
