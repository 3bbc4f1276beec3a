"""The switches of the pages: key, one edge of a span, names, written pitch; from the logged Hz."""

import math
import re
import sqlite3
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from flask.testing import FlaskClient
from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.log.logbook import Logbook
from appliance.tuning import note_hz, parse_note
from tests.cast import app_for
from tests.log_rows import heard, instant
from tests.pages import page_words
from web.query import CLEF_CHOICES, KEYS, ORDERS, PITCHES, SWITCHES

PAGES = ("/", "/note/66", "/shift/59-67", "/ear", "/change", "/lesson", "/sittings", "/choose")


def _typical(client: FlaskClient, note: str, query: str) -> float:
    lines = client.get(f"/week.json?{query}").get_json()["notes"]
    return float(next(line["typical_cents"] for line in lines if line["note"] == note))


def _raw_typical(path: Path, midi: int, aim_over_a_cents: float) -> float:
    """Median error of a note against a pitch so far above A3 = 220 Hz, from the raw rows."""
    with sqlite3.connect(path) as raw:
        rows = raw.execute(
            "SELECT landing_hz, settled_hz FROM note WHERE ended_wall_s > 1770595200 "
            "AND NOT struck AND NOT repeat AND measurable"
        ).fetchall()
    off = [
        1200 * math.log2(landing / 220.0) - aim_over_a_cents
        for landing, settled in rows
        if abs(1200 * math.log2(settled / 440.0) - 100 * (midi - 69)) <= 35
    ]
    return float(np.median(off))


def test_the_key_moves_the_targets(client: FlaskClient, log_path: Path) -> None:
    """Over a drone on A a G may lie from 16/9 to 9/5; in G, A is 9/8 and G itself 16/9, no more."""
    in_g, over_a = _typical(client, "G4", "key=G"), _typical(client, "G4", "key=drone")
    aim = 1200 * math.log2(16 / 9)
    assert in_g == pytest.approx(_raw_typical(log_path, 67, aim), abs=1e-6)
    assert in_g - over_a > 15
    assert "Key of G." in page_words(client, "/?key=G")
    # in C, A is 5/3, so that C's tritone 45/32 is 27/32 of A, a span's lower edge
    found = _typical(client, "F#4", "key=C&edge=low")
    aim = 1200 * math.log2(27 / 16)
    assert found == pytest.approx(_raw_typical(log_path, 66, aim), abs=1e-6)


def test_one_edge_of_a_span(client: FlaskClient, log_path: Path) -> None:
    for edge, ratio in (("low", 16 / 9), ("high", 9 / 5)):
        aim = 1200 * math.log2(ratio)
        found = _typical(client, "G4", f"edge={edge}")
        assert found == pytest.approx(_raw_typical(log_path, 67, aim), abs=1e-6)
    assert "The lower one where two pitches are right." in page_words(client, "/?edge=low")


@pytest.mark.parametrize(
    ("query", "name", "drone"),
    [
        ("names=german", "Fis4", "A3"),
        ("names=solfege", "Fa♯4", "La3"),
        ("key=Gb", "Gb4", "A3"),
        ("pitch=in-Bb", "G#4", "B3"),
        ("pitch=octave&names=german", "Fis5", "A4"),
    ],
)
def test_names_on_the_page_and_never_in_the_json(
    client: FlaskClient, query: str, name: str, drone: str
) -> None:
    assert f" {name} " in page_words(client, f"/?{query}")
    own = page_words(client, f"/note/66?{query}")
    assert f" {name} " in own
    if "key" not in query:
        assert f" {drone} " in own
    notes = client.get(f"/week.json?{query}").get_json()["notes"]
    assert "F#4" in {line["note"] for line in notes}


def test_written_pitch_is_the_instruments(tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    at = instant(2026, 2, 10)
    with Logbook(path, "north room") as log:
        sitting = log.begin_sitting(at, instrument="clarinet", a4_hz=440.0)
        for number in range(3):
            drone_hz = note_hz(parse_note("Bb3"))
            note = heard("D4", 0.0, drone_hz=drone_hz, reference_hz=drone_hz)
            log.add_note(sitting, note, at.later(number * 3.0))
    client = app_for(path).test_client()
    assert " D4 " in page_words(client, "/")
    written = page_words(client, "/?pitch=written")
    assert " E4 " in written
    assert "Written for clarinet." in written


@pytest.mark.parametrize("page", PAGES)
def test_every_page_takes_every_switch_and_hands_it_on(client: FlaskClient, page: str) -> None:
    query = "tuning=pythagorean&band=15&key=E&pitch=octave&names=german&clef=tenor&edge=high"
    answer = client.get(f"{page}?{query}")
    assert answer.status_code == 200
    links = re.findall(
        r'href="(/(?:\?|(?:note|shift|ear|change|choose|room|sittings|sitting/[^"?]*)\b)[^"]*)"',
        answer.text,
    )
    assert len(links) >= 6  # the menu
    for link in links:
        for part in query.split("&"):
            assert part in unescape(link), link


SHOWN = {  # page -> its switches; the room's own form has the other three, for the whole room
    **dict.fromkeys((*PAGES, "/sitting/{sitting}"), SWITCHES),
    "/room": tuple(name for name in SWITCHES if name not in ("tuning", "band", "a4", "open")),
}


@pytest.mark.parametrize(("page", "switches"), SHOWN.items())
def test_every_page_shows_its_switches_and_keeps_the_others(
    client: FlaskClient, page: str, switches: tuple[str, ...]
) -> None:
    if "{" in page:
        found = re.search(r'href="/sitting/([^"?]+)', client.get("/sittings").text)
        assert found
        page = page.format(sitting=found[1])
    query = "tuning=pythagorean&band=15&a4=442&open=counted&key=E&pitch=octave&names=german"
    text = client.get(f"{page}?{query}&clef=tenor&edge=high").text
    form = text.split('<details class="reading">')[1].split("</form>")[0]
    shown = re.findall(r'<(?:select|input type="number") name="([a-z0-9]+)"', form)
    assert shown == list(switches)
    held = re.findall(r'<input type="hidden" name="([a-z0-9]+)"', form)
    assert set(SWITCHES) <= {*shown, *held}
    assert not set(shown) & set(held)
    for name, value in re.findall(r"(\w+)=([\w-]+)", query):
        kept = re.search(rf'name="{name}"[^>]*value="{value}"', form)
        chosen = re.search(rf'<option value="{value}" selected', form)
        assert kept or chosen, name


def test_what_the_switches_of_the_room_page_leave_out_its_form_sets(client: FlaskClient) -> None:
    """Of all that can be switched only the open strings are missing: nothing is judged there."""
    text = client.get("/room").text
    form = text.split('<h2 id="tuning">')[1].split("</form>")[0]
    fields = set(re.findall(r'name="(\w+)"', form)) - {"csrf_token", "instrument"}
    assert fields == {"tuning", "band_cents", "a4_hz"}
    assert len(SHOWN["/room"]) + len(fields) + len({"open"}) == len(SWITCHES)


def test_a_drone_is_chosen_in_the_names_that_were_asked_for(client: FlaskClient) -> None:
    asked = "/choose?instrument=cello&notes=B3+F%233&names=german&pitch=octave"
    text = page_words(client, asked)
    assert "For H4, Fis4." in text  # in the address B3 F#3, as they sound
    field = r'name="typed" value="([^"]*)"'
    assert re.findall(field, client.get(asked).text) == ["H4 Fis4"]
    typed = asked.replace("notes=B3+F%233", "typed=h4,+Fis4/D+B4/A1")
    answer = client.get(typed)
    assert answer.status_code == 302
    assert "notes=B3+F%233/D+A%233/A1" in answer.location
    assert re.findall(field, client.get(answer.location).text) == ["H4 Fis4/D Ais4/A1"]
    wrong = client.get(asked.replace("notes=B3+F%233", "typed=H4+Bb4"))
    assert "is no note name here: write them such as A4, H4, Fis5" in unescape(wrong.text)
    assert re.findall(field, wrong.text) == ["H4 Bb4"]  # left as it was typed
    below = page_words(client, asked.replace("notes=B3+F%233", "typed=H2"))
    assert "H2 is not on the cello, which has C3 to C7" in below
    answer = client.get(f"{asked}&add=A3/A")
    assert answer.status_code == 302
    assert "names=german" in answer.location and "pitch=octave" in answer.location
    form = client.get(answer.location).text.split('id="passage"')[1].split("</form>")[0]
    assert '<input type="hidden" name="names" value="german">' in form


def test_what_the_log_says_of_drones_follows_the_band(client: FlaskClient) -> None:
    asked = "/choose?instrument=viola&notes=F%234&week=2026-W07"
    narrow, wide = (
        int(re.findall(r" A \S[^A-Z]*? (\d+) of \d+ ", page_words(client, f"{asked}&band={b}"))[0])
        for b in (5, 30)
    )
    assert narrow < wide


def test_the_ranking_takes_the_a4_that_was_asked_for(client: FlaskClient) -> None:
    text = page_words(client, "/choose?instrument=cello&notes=E3&a4=415")
    assert "at A4 = 415 Hz" in text
    beats = 330 * 415 / 440 * (2 ** (10 / 1200) - 1)  # as at 440, and so much slower
    assert f"beat {beats:.1f} times a second" in text
    assert f"beat {330 * (2 ** (10 / 1200) - 1):.1f} times a second" not in text


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("key=H", "The key is drone, C, G"),
        ("edge=middle", "nearer, low or high"),
        ("names=french", "english, german or solfege"),
        ("pitch=loud", "concert, written"),
        ("clef=soprano", "treble, alto, tenor or bass"),
        ("sort=luck", "trouble, count or pitch"),
        ("sort=", "trouble, count or pitch"),
    ],
)
@pytest.mark.parametrize("page", PAGES[:5])
def test_what_is_no_choice_gets_one_sentence(
    client: FlaskClient, page: str, query: str, says: str
) -> None:
    answer = client.get(f"{page}?{query}")
    assert answer.status_code == 400
    assert says in answer.text


CHOICES = {
    "key": KEYS,
    "pitch": PITCHES,
    "names": ("english", "german", "solfege"),
    "clef": CLEF_CHOICES,
    "sort": ORDERS,
    "edge": ("nearer", "low", "high"),
    "tuning": ("just", "pythagorean", "equal"),
}


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(PAGES),
    st.fixed_dictionaries({}, optional={key: st.sampled_from(c) for key, c in CHOICES.items()}),
)
def test_every_choice_gets_an_answer(client: FlaskClient, page: str, query: dict[str, str]) -> None:
    assert client.get(page, query_string=query).status_code == 200
