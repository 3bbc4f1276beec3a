"""Shifts, slide moves and leaps on the pages: each instrument's own, under its name."""

from dataclasses import replace
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from appliance.log.logbook import Logbook
from appliance.settings import Settings
from tests.log_rows import heard, instant, shift
from web import create_app

NOW = instant(2026, 2, 15, 20)
KEYS = {"shift": "shifts", "slide move": "slide_moves", "leap": "leaps"}


def log_of(path: Path, *instruments: str) -> Path:
    """Nine times B3 to G4 on each instrument, landing long."""
    note = replace(heard("G4", 24.0), shift=shift("B3", "G4", 0.9))
    with Logbook(path, "north room") as log:
        for hours, instrument in enumerate(instruments):
            at = instant(2026, 2, 10, 12).later(3600.0 * hours)
            sitting = log.begin_sitting(at, instrument=instrument, a4_hz=440.0)
            for number in range(9):
                log.add_note(sitting, note, at.later(2.0 * number))
    return path


def client_of(path: Path, instrument: str = "viola") -> FlaskClient:
    plain = Settings()
    room = replace(plain.room, instrument=instrument)
    return create_app(path, replace(plain, room=room), lambda: NOW.wall_s).test_client()


@pytest.mark.parametrize(
    ("instrument", "name"),
    [("cello", "shift"), ("trombone", "slide move"), ("flute", "leap")],
)
def test_a_week_has_the_instruments_own(tmp_path: Path, instrument: str, name: str) -> None:
    client = client_of(log_of(tmp_path / "room.db", instrument), instrument)
    page, way = client.get("/").text, name.replace(" ", "-")
    assert f'<h2 id="by-{way}">By {name}</h2>' in page
    assert f'<a href="#by-{way}">By {name}</a>' in page
    assert page.count('<h2 id="by-') == 3  # the others are by note and by drone
    assert ("likely (90 %)" in page) is (name != "leap")
    own = client.get(f"/{way}/59-67").text
    assert "B3→G4" in own and "short is minus, long is plus" in " ".join(own.split())
    assert (f"likely a {name} (90" in own) is (name != "leap")
    assert ("a leap" in own) is (name == "leap")
    week = client.get("/week.json").get_json()
    found = {
        key: [line[other.replace(" ", "_")] for line in week[key]] for other, key in KEYS.items()
    }
    assert found == {key: ["B3→G4"] if key == KEYS[name] else [] for key in KEYS.values()}


def test_two_players_of_a_week_are_not_mixed(tmp_path: Path) -> None:
    client = client_of(log_of(tmp_path / "room.db", "cello", "voice"))
    page = client.get("/").text
    assert "By shift</h2>" in page and "By leap</h2>" in page
    for way in ("shift", "leap"):
        assert "of 9 landed" in client.get(f"/{way}/59-67").text
    assert client.get("/slide-move/59-67").status_code == 404


@pytest.mark.parametrize(
    ("instrument", "said"),
    [("viola", "No likely shift"), ("trombone", "No likely slide move"), ("oboe", "No leap")],
)
def test_where_there_was_none_the_room_says_what_it_listens_for(
    tmp_path: Path, instrument: str, said: str
) -> None:
    with Logbook(tmp_path / "room.db", "north room") as log:
        at = instant(2026, 2, 10, 12)
        sitting = log.begin_sitting(at, instrument=instrument, a4_hz=440.0)
        log.add_note(sitting, heard("G4", 0.0), at)
    assert f"{said} was heard" in client_of(tmp_path / "room.db", instrument).get("/").text
