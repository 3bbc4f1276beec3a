"""Studio cards, and what a teacher sets for a player's week."""

import re
import sqlite3
from html import unescape
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient

from appliance.log.people import Role
from appliance.log.studios import StudioReader, Studios
from tests.cast import Cast, signed_in, token

WEEK = {"week": "2026-W07"}


def post(client: FlaskClient, address: str, page: str, **form: str) -> Any:
    return client.post(address, data={"csrf_token": token(client, page), **form})


def card(client: FlaskClient) -> str:
    """Make a card and read its code off the page."""
    assert post(client, "/studio-card", "/studio-card").status_code == 302
    page = client.get("/studio-card").text
    return page.split('class="address">')[1].split("<")[0]


def status_of(client: FlaskClient, cast: Cast, player: str) -> int:
    asked = WEEK | {"player": cast.people[player].person_id}
    return client.get("/", query_string=asked).status_code


def test_a_teacher_reads_the_week_of_a_player_from_accepting_to_leaving(cast: Cast) -> None:
    app = cast.app()
    fred, tomas = signed_in(app, "Fred"), signed_in(app, "Tomas")
    assert "no studio card yet" in fred.get("/studio-card").text
    code = card(fred)
    assert len(code) == 14
    assert status_of(fred, cast, "Tomas") == 403
    page = tomas.get("/studio", query_string={"code": code}).text
    assert f'value="{code}"' in page  # what the square on the card leads to
    asked = post(tomas, "/studio", "/studio", code=code.lower().replace("-", " "))
    assert "Shall Fred read your log?" in asked.text
    assert status_of(fred, cast, "Tomas") == 403  # not before the yes
    assert post(tomas, "/studio", "/studio", code=code, sure="yes").status_code == 302
    assert "Fred" in tomas.get("/studio").text
    assert status_of(fred, cast, "Tomas") == 200
    assert status_of(fred, cast, "Mira") == 403
    left = post(tomas, f"/studio/{cast.people['Fred'].person_id}/leave", "/studio")
    assert left.status_code == 302
    assert status_of(fred, cast, "Tomas") == 403
    assert "Nobody reads your log but you." in tomas.get("/studio").text


def test_leaving_one_studio_leaves_no_other(cast: Cast) -> None:
    with Studios(cast.path, "north room") as log:
        log.accept(cast.people["Fred"].person_id, cast.people["Mira"].person_id, 1.0)
    app = cast.app()
    mira = signed_in(app, "Mira")
    post(mira, f"/studio/{cast.people['Fred'].person_id}/leave", "/studio")
    assert status_of(signed_in(app, "Tea"), cast, "Mira") == 200


def test_a_teacher_lets_a_player_go_and_no_other(cast: Cast) -> None:
    mira, tomas = (cast.people[name].person_id for name in ("Mira", "Tomas"))
    with Studios(cast.path, "north room") as log:
        log.accept(cast.people["Tea"].person_id, tomas, 1.0)
        log.accept(cast.people["Fred"].person_id, mira, 1.0)
    app = cast.app()
    tea, fred = signed_in(app, "Tea"), signed_in(app, "Fred")
    answer = post(tea, f"/studio/{mira}/let-go", "/people")
    assert answer.status_code == 302
    page = tea.get("/people").text
    assert "Mira is not in your studio any more" in page
    assert f"/studio/{tomas}/let-go" in page and f"/studio/{mira}/" not in page
    assert (status_of(tea, cast, "Mira"), status_of(tea, cast, "Tomas")) == (403, 200)
    assert status_of(fred, cast, "Mira") == 200  # another studio is no business of this one
    assert post(tea, f"/people/{mira}/pin", "/people").status_code == 403
    assert post(tea, f"/studio/{mira}/let-go", "/people").status_code == 403  # once is enough
    forged = fred.post(f"/studio/{mira}/let-go", data={"csrf_token": "forged"})
    assert forged.status_code == 400
    assert status_of(fred, cast, "Mira") == 200


@pytest.mark.parametrize("who", ["Mira", "Tea"])
def test_parting_takes_the_focus_of_weeks_to_come_along(cast: Cast, who: str) -> None:
    mira, tea = (cast.people[name].person_id for name in ("Mira", "Tea"))
    app = cast.app()
    for week in ("2026-W06", "2026-W07", "2026-W09"):  # this week is the seventh
        address = f"/focus/{mira}/{week}"
        assert post(signed_in(app, "Tea"), address, address, notes="F#4").status_code == 302
    parts = {
        "Mira": (f"/studio/{tea}/leave", "/studio"),
        "Tea": (f"/studio/{mira}/let-go", "/people"),
    }
    assert post(signed_in(app, who), *parts[who]).status_code == 302
    shown = {
        week: "Focus of this week" in signed_in(app, "Mira").get("/", query_string=week).text
        for week in ("week=2026-W06", "week=2026-W07", "week=2026-W09")
    }
    assert list(shown.values()) == [True, False, False]


def test_a_new_card_makes_the_old_one_void(cast: Cast) -> None:
    app = cast.app()
    fred, tomas = signed_in(app, "Fred"), signed_in(app, "Tomas")
    old, new = card(fred), card(fred)
    assert old != new
    assert post(tomas, "/studio", "/studio", code=old, sure="yes").status_code == 403
    assert post(tomas, "/studio", "/studio", code=new, sure="yes").status_code == 302


def test_the_card_of_who_teaches_no_more_is_void(cast: Cast) -> None:
    app = cast.app()
    fred, tomas = signed_in(app, "Fred"), signed_in(app, "Tomas")
    code = card(fred)
    assert post(fred, "/studio", "/studio", code=code).status_code == 400  # their own
    with Studios(cast.path, "north room") as log:
        log._do("UPDATE person SET role = 'player' WHERE nickname = 'Fred'", {})
    assert post(tomas, "/studio", "/studio", code=code, sure="yes").status_code == 403
    with StudioReader(cast.path) as reader:
        assert all(person.role is not Role.PLAYER for person in reader.teachers_of("00000001-1"))


def test_codes_cannot_be_tried_out(cast: Cast) -> None:
    app = cast.app()
    tomas, mira = signed_in(app, "Tomas"), signed_in(app, "Mira")
    code = card(signed_in(app, "Fred"))
    for number in range(5):
        assert post(tomas, "/studio", "/studio", code=f"WRONG{number}").status_code == 403
    assert post(tomas, "/studio", "/studio", code=code, sure="yes").status_code == 429
    # Somebody else in the same classroom is not held up.
    assert post(mira, "/studio", "/studio", code=code, sure="yes").status_code == 302


def test_no_code_of_a_card_is_in_two_cards(cast: Cast) -> None:
    with Studios(cast.path, "north room") as log:
        codes = {log.make_card(cast.people["Tea"].person_id) for _ in range(20)}
        log.make_card(cast.people["Fred"].person_id)
    assert len(codes) == 20
    with sqlite3.connect(cast.path) as raw:
        assert raw.execute("SELECT count(*) FROM studio_card").fetchone() == (2,)


def set_focus(client: FlaskClient, cast: Cast, **form: str) -> Any:
    address = f"/focus/{cast.people['Mira'].person_id}/2026-W07"
    empty = {"notes": "", "shifts": "", "drone": "", "band": ""}  # as a browser sends it
    return post(client, address, address, **(empty | form))


def test_a_focus_stands_first_in_the_week_of_its_player(cast: Cast) -> None:
    app = cast.app()
    tea, mira, tomas = (signed_in(app, name) for name in ("Tea", "Mira", "Tomas"))
    answer = set_focus(tea, cast, notes="F#4, Eb5 F#4", shifts="B3→G4", drone="A3", band="7")
    assert answer.status_code == 302
    equal = WEEK | {"tuning": "equal"}
    page = mira.get("/", query_string=equal).text
    words = " ".join(page.split())
    assert page.index("Focus of this week") < page.index("<h1>")
    assert "set by Tea" in page
    # Mira's twelve: landed 20 to 9 cents flat, settled 2 flat. Within 7 cents none landed.
    assert ">F#4</a>: 0 of 12 landed" in words
    assert "in tune within 7 cents" in page
    assert "D#5: not played yet" in page and "B3→G4: not played yet" in page
    assert "Drone on A3" in page
    wide = mira.get("/", query_string=equal | {"band": "16.5"}).text
    assert ">F#4</a>: 8 of 12 landed" in " ".join(wide.split())  # 16 to 9 cents off
    assert "Focus of this week" not in tomas.get("/", query_string=WEEK).text
    assert "Focus of this week" not in mira.get("/", query_string={"week": "2026-W06"}).text
    shown = tea.get(f"/focus/{cast.people['Mira'].person_id}/2026-W07").text
    for value in ('value="F#4, D#5"', 'value="B3-G4"', 'value="A3"', 'value="7"'):
        assert value in shown
    assert set_focus(tea, cast).status_code == 302  # all empty: taken away
    assert "Focus of this week" not in mira.get("/", query_string=WEEK).text


def links_of(page: str) -> list[str]:
    found = re.findall(r'href="(/(?:note|shift|ear|change|lesson|week|[?]week)[^"#]*)"', page)
    return [unescape(link) for link in found]


def test_the_band_of_a_focus_holds_wherever_a_link_leads(cast: Cast) -> None:
    app = cast.app()
    set_focus(signed_in(app, "Tea"), cast, notes="F#4", band="7")
    mira = signed_in(app, "Mira")
    week = mira.get("/", query_string=WEEK | {"tuning": "equal"}).text
    links = links_of(week)
    assert {link.split("?")[0] for link in links} >= {"/", "/note/66", "/ear", "/change"}
    sitting = f"/sitting/{cast.sittings['Mira']}?tuning=equal"
    for link in [*links, sitting]:
        answer = mira.get(link)
        if "band_cents" in answer.text:
            assert answer.get_json()["band_cents"] == 7.0
            continue
        assert not any("band=" in further for further in links_of(answer.text)), link
        within = "7" if "week=2026-W07" in link or link == sitting else "10"
        assert f"in tune within {within} cents" in answer.text, link
    note = " ".join(mira.get("/note/66", query_string=WEEK | {"tuning": "equal"}).text.split())
    assert "0 of 12 landed" in note
    # Another way to write the notes leaves the band as it is set; another band is kept.
    form = WEEK | {"tuning": "equal", "names": "german", "band": "", "a4": ""}
    assert "in tune within 7 cents" in mira.get("/", query_string=form).text
    wide = mira.get("/", query_string=form | {"band": "16.5"}).text
    assert "in tune within 16.5 cents" in wide
    assert all("band=16.5" in link for link in links_of(wide))


@pytest.mark.parametrize(
    "form",
    [
        {"notes": "H9"},
        {"notes": "A3 " * 30 + "x" * 99},
        {"notes": "A1 A2 A3 A4 A5 A6 A7"},
        {"shifts": "A3"},
        {"shifts": "A3-H4"},
        {"drone": "A3 E4"},
        {"band": "4.9"},
        {"band": "nan"},
        {"band": "wide"},
    ],
)
def test_what_is_no_focus_is_refused(cast: Cast, form: dict[str, str]) -> None:
    answer = set_focus(signed_in(cast.app(), "Tea"), cast, **form)
    assert answer.status_code == 400
    assert 'class="wrong"' in answer.text
    with sqlite3.connect(cast.path) as raw:
        assert raw.execute("SELECT count(*) FROM focus").fetchone() == (0,)


def test_the_lesson_sheet_says_what_the_log_says(cast: Cast) -> None:
    """Counted here from the raw pitches: equal temperament, in tune within 16.5 cents."""
    with sqlite3.connect(cast.path) as raw:
        rows = raw.execute(
            "SELECT landing_hz FROM note JOIN sitting ON sitting.id = sitting_id WHERE player = ?",
            [cast.people["Mira"].person_id],
        ).fetchall()
    errors = 1200.0 * np.log2(np.array(rows).ravel() / (440.0 * 2.0 ** (-3 / 12)))  # F#4
    landed = int(np.sum(np.abs(errors) <= 16.5))
    typical = round(abs(float(np.median(errors))))
    app = cast.app()
    asked = WEEK | {"tuning": "equal", "band": "16.5"}
    set_focus(signed_in(app, "Tea"), cast, notes="F#4")
    for name, more in (("Mira", {}), ("Tea", {"player": cast.people["Mira"].person_id})):
        page = signed_in(app, name).get("/lesson", query_string=asked | more).text
        words = " ".join(page.split())
        assert "Mira, week 7" in page and "Focus of this week" in page
        assert f"{landed} of {len(errors)} landed. Typically {typical} cents flat" in words
        assert "Nothing like it last week." in page
        assert page.count("<article") == 1
    assert "Tomas" not in page
    empty = signed_in(app, "Tomas").get("/lesson", query_string={"week": "2026-W06"})
    assert "No landing was heard" in empty.text
