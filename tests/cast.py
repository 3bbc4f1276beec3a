"""Invented people of an invented room, with a log each; for tests of the pages."""

import re
import shutil
import sqlite3
from dataclasses import dataclass, replace
from pathlib import Path

from flask import Flask
from flask.testing import FlaskClient

from appliance.log.logbook import Logbook
from appliance.log.people import People, Person, Role
from appliance.log.records import parse_id
from appliance.settings import Settings
from tests.log_rows import heard, instant
from web import create_app

NOW = instant(2026, 2, 15, 20)
PIN = "402915"
ROLES = {
    "Olga": Role.OWNER,
    "Tea": Role.TEACHER,  # has accepted players: Mira
    "Fred": Role.TEACHER,
    "Mira": Role.PLAYER,
    "Tomas": Role.PLAYER,
}


@dataclass(frozen=True)
class Cast:
    """The log's path, the people in it, and the one sitting of Mira and of Tomas."""

    path: Path
    people: dict[str, Person]
    sittings: dict[str, str]

    def copied_to(self, folder: Path) -> "Cast":
        """The same in another folder, to be changed there."""
        for file in self.path.parent.iterdir():
            shutil.copy(file, folder / file.name)
        return replace(self, path=folder / self.path.name)

    def app(self, **web: object) -> Flask:
        return app_for(self.path, **web)


def settings_of(**web: object) -> Settings:
    """The settings of the invented room."""
    plain = Settings()
    room = replace(plain.room, name="north room", time_zone="Europe/Lisbon")
    return replace(plain, room=room, web=replace(plain.web, **web))  # type: ignore[arg-type]


def app_for(path: Path, **web: object) -> Flask:
    """An app in whose log's folder no room answers."""
    return create_app(path, settings_of(**web), lambda: NOW.wall_s, path.with_suffix(".sock"))


def gather(path: Path) -> Cast:
    """Write a log with everybody in it: Mira played F#4, Tomas E4."""
    with People(path, "north room") as people:
        found = {name: people.add(name, PIN, role, NOW.wall_s) for name, role in ROLES.items()}
    accept(path, found["Tea"], found["Mira"])
    with Logbook(path, "north room") as log:
        sittings = {
            name: _play(log, found[name], note) for name, note in (("Mira", "F#4"), ("Tomas", "E4"))
        }
    return Cast(path, found, sittings)


def accept(path: Path, teacher: Person, player: Person) -> None:
    with sqlite3.connect(path) as raw:
        raw.execute(
            "INSERT INTO studio VALUES (?, ?, ?)",
            [parse_id(teacher.person_id), parse_id(player.person_id), NOW.wall_s],
        )


def _play(log: Logbook, player: Person, name: str) -> str:
    at = instant(2026, 2, 10)
    sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0, player=player.person_id)
    for number in range(12):
        log.add_note(sitting, heard(name, -20.0 + number, -2.0), at := at.later(3.0))
    log.end_sitting(sitting, at)
    return sitting


def token(client: FlaskClient, page: str) -> str:
    """What a form of this page carries against forged requests."""
    found = re.search(r'name="csrf_token"[^>]*value="([^"]+)"', client.get(page).text)
    assert found, f"no form on {page}"
    return found[1]


def sign_in(client: FlaskClient, nickname: str, pin: str = PIN, **more: str) -> int:
    """Sign in as a browser does; return the status of the answer (302: let in)."""
    form = {"csrf_token": token(client, "/sign-in"), "nickname": nickname, "pin": pin}
    return client.post("/sign-in", data=form | ({"look": "Only look"} | more)).status_code


def signed_in(app: Flask, nickname: str) -> FlaskClient:
    client = app.test_client()
    assert sign_in(client, nickname) == 302
    return client
