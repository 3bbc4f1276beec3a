"""The form of the focus takes notes as the teacher's page writes them, and shows them back so."""

import re
import sqlite3
from dataclasses import dataclass
from html import unescape
from typing import Any

import pytest
from flask.testing import FlaskClient

from appliance.log.calendar import CalendarWeek
from appliance.log.logbook import Logbook
from appliance.log.studios import Focus, StudioReader
from appliance.tuning import note_hz, parse_note
from tests.cast import Cast, signed_in, token
from tests.log_rows import heard, instant
from tests.pages import page_words
from web.query import NAMING

WEEK = "2026-W07"
EMPTY = {"notes": "", "shifts": "", "drone": "", "band": ""}  # as a browser sends it


@dataclass
class Typed:
    """How a teacher's page is written, what is typed there, and what it shows."""

    query: str
    form: dict[str, str]
    sounds: tuple[tuple[str, ...], str, str]  # notes, shift, drone: scientific, as they sound
    shown: dict[str, str]


TYPED = {
    "german": Typed(
        "names=german",
        {"notes": "Fis4, b3 H4", "shifts": "H3-G4", "drone": "Es3"},
        (("F#4", "A#3", "B4"), "B3 G4", "D#3"),
        {"notes": "Fis4, B3, H4", "shifts": "H3-G4", "drone": "Dis3"},
    ),
    "solfege": Typed(
        "names=solfege&key=F",
        {"notes": "Fa#4 sib3", "shifts": "Si3→Sol4", "drone": "Re3"},
        (("F#4", "A#3"), "B3 G4", "D3"),
        {"notes": "Fa♯4, Si♭3", "shifts": "Si3-Sol4", "drone": "Ré3"},
    ),
    "in B flat": Typed(
        "pitch=in-Bb&key=Bb",
        {"notes": "C4, E5", "shifts": "D4-A4", "drone": "C3"},
        (("A#3", "D5"), "C4 G4", "A#2"),
        {"notes": "C4, E5", "shifts": "D4-A4", "drone": "C3"},
    ),
}


def _address(cast: Cast, query: str) -> str:
    return f"/focus/{cast.people['Mira'].person_id}/{WEEK}?{query}"


def _send(client: FlaskClient, address: str, **form: str) -> Any:
    return client.post(address, data=EMPTY | form | {"csrf_token": token(client, address)})


def _stored(cast: Cast) -> Focus:
    with StudioReader(cast.path) as log:
        found = log.focus(cast.people["Mira"].person_id, CalendarWeek.parse(WEEK))
    assert found is not None
    return found


@pytest.mark.parametrize("typed", TYPED.values(), ids=TYPED)
def test_notes_are_typed_as_the_page_writes_them(cast: Cast, typed: Typed) -> None:
    tea = signed_in(cast.app(), "Tea")
    address = _address(cast, typed.query)
    answer = _send(tea, address, **typed.form)
    assert answer.status_code == 302
    stored, (notes, move, drone) = _stored(cast), typed.sounds
    assert stored.notes == tuple(map(parse_note, notes))
    assert stored.shifts == (tuple(map(parse_note, move.split())),)
    assert stored.drone_midi == parse_note(drone)
    form = unescape(tea.get(address).text)
    for name, value in typed.shown.items():
        assert re.search(rf'name="{name}"[^>]*value="{value}"', form), name
    week = page_words(tea, answer.location)  # the week that the teacher is led back to
    assert f" {typed.shown['shifts'].replace('-', '→')}: not played yet" in week
    assert f" Drone on {typed.shown['drone']} " in week


def test_names_are_those_of_the_week_also_where_the_drone_spells_them(cast: Cast) -> None:
    """Over a drone on E♭ the week writes B♭, not A♯; the form shows it back in the same way."""
    drone_hz = note_hz(parse_note("Eb3"))
    at = instant(2026, 2, 11)
    with Logbook(cast.path, "north room") as log:
        player = cast.people["Mira"].person_id
        sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0, player=player)
        for number in range(20):
            note = heard("Bb3", 0.0, drone_hz=drone_hz, reference_hz=drone_hz)
            log.add_note(sitting, note, at.later(number * 3.0))
    tea = signed_in(cast.app(), "Tea")
    address = _address(cast, "")
    assert _send(tea, address, notes="A#3").status_code == 302
    assert 'value="Bb3"' in tea.get(address).text
    week = page_words(tea, f"/?week={WEEK}&player={cast.people['Mira'].person_id}")
    assert " Bb3 : 20 of 20 landed." in week


def test_what_cannot_be_read_is_told_with_names_of_the_page(cast: Cast) -> None:
    tea = signed_in(cast.app(), "Tea")
    address = _address(cast, "names=german")
    for form, says in (
        ({"notes": "Bb3"}, "'Bb3' is no note name here: write them such as A3, H3, Fis4."),
        ({"drone": "Si3"}, "'Si3' is no note name here: write them such as A3, H3, Fis4."),
        ({"shifts": "H3"}, "A shift is two notes with a line between, such as H3-G4."),
        ({"shifts": "H3-B"}, "A shift is two notes with a line between, such as H3-G4."),
    ):
        answer = _send(tea, address, **form)
        assert answer.status_code == 400
        assert says in unescape(answer.text)
        ((name, typed),) = form.items()
        assert re.search(rf'name="{name}"[^>]*value="{typed}"', answer.text)  # left as it was typed
    with sqlite3.connect(cast.path) as raw:
        assert raw.execute("SELECT count(*) FROM focus").fetchone() == (0,)


def test_the_page_has_the_switches_that_name_notes_and_keeps_the_others(cast: Cast) -> None:
    tea = signed_in(cast.app(), "Tea")
    query = "tuning=equal&names=german&key=E&pitch=octave&clef=tenor"
    week = tea.get(f"/?week={WEEK}&{query}&player={cast.people['Mira'].person_id}").text
    link = re.search(r'href="(/focus/[^"]+)"', week)
    assert link
    page = tea.get(unescape(link[1])).text
    switches = page.split('<details class="reading">')[1].split("</form>")[0]
    assert tuple(re.findall(r'<select name="(\w+)"', switches)) == NAMING
    assert '<input type="hidden" name="tuning" value="equal">' in switches
    for chosen in ("german", "E", "octave", "tenor"):
        assert f'<option value="{chosen}" selected>' in switches
    assert "Notes, such as Fis5, G5" in page
    action = re.search(r'<form method="post" action="(/focus/[^"]+)"', page)
    assert action
    for part in query.split("&"):
        assert part in unescape(action[1])
