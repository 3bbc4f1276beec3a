"""Not me, while the room runs: a sitting that goes on, one just ended, a note that still sounds."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from appliance.control import ask
from appliance.log.people import People, Role
from appliance.settings import Settings
from appliance.vocabulary import ControlError, NoteLanded
from tests.by_foot import A3, E4, opened, play, played
from tests.cast import PIN, sign_in, token
from tests.soundcard import wait_for
from tests.stage import START_S, Stage
from web import create_app


@dataclass
class Place:
    """A running room, its people, and their phones."""

    stage: Stage
    people: dict[str, str]
    phones: dict[str, FlaskClient]

    def owners(self) -> list[str | None]:
        """Whose each note is, in the order in which they were played."""
        names = {person_id: name for name, person_id in self.people.items()}
        players = [row.sitting.player for row in self.stage.rows()]
        return [None if player is None else names[player] for player in players]

    def heard(self, notes: int) -> None:
        wait_for(lambda: len(self.stage.rows()) == notes)

    def inside(self) -> str | None:
        player = ask(self.stage.socket, {"do": "status"})["player"]
        return next((name for name, one in self.people.items() if one == player), None)

    def check_in(self, name: str, **sure: str) -> None:
        form = {"csrf_token": token(self.phones[name], "/check-in")} | sure
        self.phones[name].post("/check-in", data=form)
        assert self.inside() == name

    def hand_back(self, name: str, minutes: list[int]) -> Any:
        """Hand back from the last of those minutes on that can be chosen."""
        phone = self.phones[name]
        page = phone.get("/whose").text
        for minute in minutes:
            assert f'value="{minute}"' in page
        form = {"csrf_token": token(phone, "/whose"), "since": str(minutes[-1])}
        return phone.post("/whose/not-me", data=form)

    def claim(self, name: str) -> None:
        phone = self.phones[name]
        page = phone.get("/whose").text
        sitting = page.split('action="/whose/claim/')[1].split('"')[0]
        form = {"csrf_token": token(phone, "/whose")}
        assert phone.post(f"/whose/claim/{sitting}", data=form).status_code == 302

    def mira_leaves(self, *played_hz: float) -> tuple[int, int]:
        """Mira plays and does not check out: a minute that is hers, and one of who comes next."""
        self.check_in("Mira")
        self.stage.wait(3.0)
        for hz in played_hz:
            play(self.stage, hz)
        hers = self.minute()
        self.stage.wait(120.0)
        return hers, self.minute()

    def minute(self) -> int:
        """The minute it is in the room, as the page has it."""
        return int(self.stage.clock.now().wall_s // 60) * 60


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    path = tmp_path / "room.db"
    with People(path, "north room") as people:
        roles = {"Mira": Role.PLAYER, "Tomas": Role.PLAYER, "Olga": Role.OWNER}
        found = {name: people.add(name, PIN, role, START_S) for name, role in roles.items()}
    with opened(tmp_path) as stage:
        plain = Settings()
        room = replace(plain.room, name="north room", time_zone="Europe/Lisbon")
        app = create_app(
            path, replace(plain, room=room), lambda: stage.clock.now().wall_s, stage.socket
        )
        phones = {name: app.test_client() for name in ("Mira", "Tomas")}
        for name, phone in phones.items():
            assert sign_in(phone, name) == 302
        yield Place(stage, {name: one.person_id for name, one in found.items()}, phones)


def facts(path: Path) -> list[tuple[Any, ...]]:
    """All that was heard, and when, whoever it belongs to."""
    with closing(sqlite3.connect(path)) as raw:
        return raw.execute(
            "SELECT id, ended_wall_s, landing_hz, settled_hz, level_db FROM note ORDER BY id"
        ).fetchall()


def check_lengths(stage: Stage) -> None:
    """Every sitting reaches from before its first note to after its last, and no further."""
    with closing(sqlite3.connect(stage.log_path)) as raw:
        rows = raw.execute(
            """SELECT started_wall_s, sitting.ended_wall_s,
                 min(note.ended_wall_s - duration_ms / 1000.0), max(note.ended_wall_s)
               FROM sitting JOIN note ON sitting_id = sitting.id GROUP BY sitting.id
               ORDER BY started_wall_s"""
        ).fetchall()
    for started, ended, first, last in rows:
        assert started <= first + 0.01
        assert ended is None or ended >= last - 0.01
    for (_, ended, *_), (started, *_) in pairwise(rows):
        assert ended is not None and ended <= started + 0.01


def test_a_sitting_that_goes_on_is_handed_back_from_a_minute_on(place: Place) -> None:
    stage = place.stage
    mine, theirs = place.mira_leaves(A3, E4)
    play(stage, A3)
    play(stage, E4)
    place.heard(4)
    before = facts(stage.log_path)
    assert place.owners() == ["Mira"] * 4
    assert place.hand_back("Mira", [mine, theirs]).status_code == 302
    assert place.inside() is None  # what is played from now on is not Mira's either
    assert place.owners() == ["Mira", "Mira", None, None]
    stage.wait(1.0)
    play(stage, A3)
    place.heard(5)
    assert place.owners() == ["Mira", "Mira", None, None, None]
    assert facts(stage.log_path)[:4] == before
    check_lengths(stage)
    place.check_in("Tomas")
    place.claim("Tomas")
    assert place.owners()[:4] == ["Mira", "Mira", "Tomas", "Tomas"]
    stage.wait(3.0)
    play(stage, E4)
    place.heard(6)
    assert place.owners()[5] == "Tomas"
    check_lengths(stage)


def test_a_note_that_sounds_while_it_is_handed_back_goes_with_the_others(place: Place) -> None:
    stage = place.stage
    mine, theirs = place.mira_leaves(A3)
    play(stage, A3)
    sounding = played(stage, E4, gap_s=0.2)
    stage.hear(0.6, NoteLanded(sounding.note.start_s, E4))
    place.heard(2)
    assert place.hand_back("Mira", [mine, theirs]).status_code == 302
    stage.hear(0.6, sounding)
    place.heard(3)
    assert place.owners() == ["Mira", None, None]
    check_lengths(stage)


def test_a_sitting_just_ended_by_the_next_check_in_is_handed_back(place: Place) -> None:
    stage = place.stage
    mine, theirs = place.mira_leaves(A3)
    play(stage, E4)
    play(stage, E4)
    place.heard(3)
    place.check_in("Tomas", sure="yes")  # at last
    stage.wait(3.0)
    play(stage, A3)
    place.heard(4)
    assert place.owners() == ["Mira", "Mira", "Mira", "Tomas"]
    before = facts(stage.log_path)
    assert place.hand_back("Mira", [mine, theirs]).status_code == 302
    assert place.inside() == "Tomas"  # who plays on is not checked out
    assert place.owners() == ["Mira", None, None, "Tomas"]
    place.claim("Tomas")
    play(stage, E4)
    place.heard(5)
    assert place.owners() == ["Mira", "Tomas", "Tomas", "Tomas", "Tomas"]
    assert facts(stage.log_path)[:4] == before
    check_lengths(stage)
    assert len(stage.sittings()) == 3


def test_who_deletes_all_while_a_note_sounds_leaves_no_note_behind(place: Place) -> None:
    stage, mira = place.stage, place.people["Mira"]
    place.check_in("Mira")
    stage.wait(3.0)
    play(stage, A3)
    sounding = played(stage, E4, gap_s=0.2)
    stage.hear(0.6, NoteLanded(sounding.note.start_s, E4))
    place.heard(1)
    form = {"csrf_token": token(place.phones["Mira"], "/privacy"), "pin": PIN, "sure": "y"}
    assert place.phones["Mira"].post("/privacy/delete", data=form).status_code == 302
    stage.hear(0.6, sounding)
    place.heard(1)
    assert [row.sitting.player for row in stage.rows()] == [None]
    assert mira not in {sitting["player"] for sitting in stage.sittings()}
    play(stage, A3)
    place.heard(2)


@pytest.mark.parametrize("since", ["now", True, [], float("nan"), float("inf")])
def test_what_is_no_moment_is_refused(place: Place, since: object) -> None:
    place.check_in("Mira")
    asked = {"do": "check_out", "player": place.people["Mira"], "since_s": since}
    with pytest.raises(ControlError, match="a moment that has passed"):
        ask(place.stage.socket, asked)
    assert place.inside() == "Mira"
