"""Choosing a drone on the page: rails and rungs, typed passages, reasons, the player's own log."""

import json
import math
import re
import sqlite3
from collections import Counter
from html import unescape
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from appliance.__main__ import main
from appliance.instruments import INSTRUMENTS, find_instrument
from appliance.log.logbook import Logbook
from appliance.log.reader import LogReader
from appliance.log.weeks import Reading, landings_of
from appliance.practice.passage import LONGEST, PassageError, PassageNote, read_passage
from appliance.tuning import parse_note
from appliance.vocabulary import GroundnoteError, NoteNameError
from tests.cast import app_for
from tests.log_rows import PURE, heard, instant
from tests.pages import words
from tests.sitting_rows import fill_sitting

CELLO = find_instrument("cello")
PASSAGE = "E3 F#3 G#3 A3 C#4"


@pytest.fixture(scope="module")
def log_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("log") / "room.db"


@pytest.fixture(scope="module")
def sitting_id(log_path: Path) -> str:
    return fill_sitting(log_path, minutes=6)


@pytest.fixture(scope="module")
def client(log_path: Path, sitting_id: str) -> FlaskClient:
    return app_for(log_path).test_client()


def _ask(client: FlaskClient, **query: str) -> str:
    answer = client.get("/choose", query_string=query)
    assert answer.status_code == 200
    return answer.text


def _passage(client: FlaskClient, **query: str) -> str:
    """The passage in the field after a button was pressed."""
    answer = client.get("/choose", query_string=query)
    assert answer.status_code == 302 and answer.location.endswith("#passage")
    text = client.get(answer.location).text
    found = re.search(r'name="notes" value="([^"]*)"', text)
    assert found
    return unescape(found[1])


# -- a passage as it is written ---------------------------------------------------------------


def test_notes_with_string_and_finger_are_read_and_written_again() -> None:
    passage = read_passage("E3, f#3/D G#3/d3  A3/A0 C♯4/A4", CELLO)
    assert str(passage) == "E3 F#3/D G#3/D3 A3/A0 C#4/A4"
    assert passage.notes[2] == PassageNote(56, 50, 3)
    assert read_passage(str(passage), CELLO) == passage


def test_open_strings_need_no_finger_and_are_left_out() -> None:
    passage = read_passage("D3/D0 E3 E3 D3/D0 A3", CELLO)
    assert passage.placed == Counter({52: 2, 57: 1})
    assert passage.left_out == (PassageNote(50, 50, 0),)
    only_open = read_passage("C2/C0 G2/G0", CELLO)
    assert only_open.placed == Counter({36: 1, 43: 1}) and only_open.left_out == ()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("H3", "no note name"),
        ("C#6", "C2 to C6"),
        ("E3/E", "a string of the cello (C, G, D, A)"),
        ("E3/D5", "a finger from 0 (open) to 4"),
        ("E3/D/2", "a string of the cello"),
        ("C3/D", "lies below the D3 string"),
        ("E3/D0", "finger 0 is the open string"),
        ("D3/D1", "finger 0 is the open string"),
        (" ".join(["E3"] * (LONGEST + 1)), "at most"),
    ],
)
def test_what_cannot_be_played_is_said(text: str, said: str) -> None:
    with pytest.raises((PassageError, NoteNameError), match=re.escape(said)):
        read_passage(text, CELLO)


@given(text=st.text(max_size=30), name=st.sampled_from(sorted(INSTRUMENTS)))
def test_any_text_is_read_or_refused(text: str, name: str) -> None:
    instrument = find_instrument(name)
    try:
        passage = read_passage(text, instrument)
    except GroundnoteError:
        return
    assert read_passage(str(passage), instrument) == passage


# -- the page ---------------------------------------------------------------------------------


def test_every_rung_is_a_semitone_above_its_string(client: FlaskClient) -> None:
    text = _ask(client, instrument="cello")
    rails = re.findall(r'<ol class="rail".*?</ol>', text, flags=re.S)
    strings = {"C": 36, "G": 43, "D": 50, "A": 57}  # C2 G2 D3 A3: from any orchestration table
    names = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
    assert len(rails) == 4
    for rail, (string, lowest) in zip(rails, strings.items(), strict=True):
        due = [f"{names[m % 12]}{m // 12 - 1}/{string}" for m in range(lowest, lowest + 13)]
        assert [unescape(v) for v in re.findall(r'value="([^"]+)"', rail)] == due


def test_rungs_end_where_the_instrument_does(client: FlaskClient) -> None:
    text = _ask(client, instrument="double-bass", **{"from": "12"})
    rungs = [unescape(v) for v in re.findall(r'name="add" value="([^"]+)"', text)]
    assert rungs[0] == "E2/E" and rungs[-1] == "G4/G"
    trombone = [
        unescape(v)
        for v in re.findall(r'name="add" value="([^"]+)"', _ask(client, instrument="trombone"))
    ]
    assert trombone[0] == "A#1" and trombone[-1] == "F5" and len(set(trombone)) == 77 - 34 + 1


def test_rungs_add_notes_and_are_taken_back(client: FlaskClient) -> None:
    said = _passage(client, instrument="cello", notes="E3", add="F#3/D", finger="2")
    assert said == "E3 F#3/D2"
    assert _passage(client, instrument="cello", notes=said, add="A3/A", finger="2") == (
        "E3 F#3/D2 A3/A0"
    )
    assert _passage(client, instrument="cello", notes=said, back="1") == "E3"
    assert _passage(client, instrument="cello", notes=said, clear="1") == ""
    answer = client.get("/choose?instrument=cello&notes=E3&add=E9/X")
    assert answer.status_code == 400


def test_what_is_chosen_can_be_seen_and_is_said_to_those_who_cannot(client: FlaskClient) -> None:
    text = _ask(client, instrument="cello", notes="E3/D E3/D F#3/G")
    chosen = re.findall(r'class="chosen">([^<]+)<span class="unseen"> chosen', text)
    assert [unescape(name) for name in chosen] == ["F#3", "E3 ×2"]


def test_the_ranking_is_that_of_the_command(
    client: FlaskClient, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["advise", "--instrument", "cello", "--notes", PASSAGE, "--json"]) == 0
    due = [
        (drone["drone"], f"{drone['hardness']:.2f}")
        for drone in json.loads(capsys.readouterr().out)["drones"]
    ]
    text = _ask(client, instrument="cello", notes=PASSAGE)
    found = re.findall(r"<strong>\d+\. ([^<]+)</strong>.*?hardness ([\d.]+)", text)
    assert [(unescape(name), hard) for name, hard in found] == due
    assert f"{due[0][0]} is the easiest drone to tune these notes to." in words(text)


def test_the_reasons_are_arithmetic(client: FlaskClient) -> None:
    """Over A2, partial 3 of the drone (330 Hz) is partial 2 of a pure E3: 10 cents off it beats
    at 330 · (2^(10/1200) - 1) = 1.9 Hz; E3 over a drone on D has no such pitch.
    """
    text = _ask(client, instrument="cello", notes="E3")
    drones = dict(
        re.findall(r"<strong>\d+\. ([A-G]#?)\d</strong>(.*?)</details>", text, flags=re.S)
    )
    assert "partial 2 of the note meets partial 3 of the drone" in drones["A"]
    assert f"10 cents off beat {330 * (2 ** (10 / 1200) - 1):.1f} times a second" in drones["A"]
    assert "its own octave sounds in the drone" in drones["A"]
    assert "no pitch of it is free of beats" in drones["D"] and "never still" in drones["D"]


def test_string_finger_and_open_strings_are_said(client: FlaskClient) -> None:
    text = words(_ask(client, instrument="cello", notes="E3 F#3/D2 A3/A0"))
    assert "For E3, F#3 (D string, finger 2), A3 (open)." in text
    assert "The open string is left out: no finger places it." in text


def test_a_passage_that_cannot_be_read_stays_in_the_field(client: FlaskClient) -> None:
    text = _ask(client, instrument="cello", notes='E3 "><b>')
    assert "is no note name" in words(text)
    assert "&#34;&gt;&lt;b&gt;" in text and "<b>" not in text


def test_the_notes_of_a_sitting(client: FlaskClient, log_path: Path, sitting_id: str) -> None:
    answer = client.get(f"/choose?sitting={sitting_id}")
    assert answer.status_code == 302
    text = client.get(answer.location).text
    found = re.search(r'name="notes" value="([^"]*)"', text)
    assert found and unescape(found[1]) == "A3 B3 C#4 D4 E4 F#4"
    assert client.get("/choose?sitting=1f3a9c02-999").status_code == 404
    assert client.get("/choose?sitting=odd").status_code == 404


def test_open_strings_of_a_sitting_belong_to_the_passage_as_in_the_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "room.db"
    with Logbook(path, "north room") as log:
        at = instant(2026, 2, 9)
        sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0)
        for number, name in enumerate(["G3", "A3", "G3", "B3", "G3", "A3"] * 3):
            log.add_note(sitting, heard(name, PURE.get(name, 0.0)), at.later(2.0 * number))
    with LogReader(path) as read:
        counted = landings_of(read.notes_of(sitting), Reading())
    assert parse_note("G3") not in {landing.midi for landing in counted}  # it may be open
    client = app_for(path).test_client()
    text = client.get(f"/choose?sitting={sitting}", follow_redirects=True).text
    assert 'name="notes" value="G3 A3 B3"' in text
    assert main(["advise", "--sitting", sitting, "--log", str(path), "--json"]) == 0
    assert list(json.loads(capsys.readouterr().out)["notes"]) == ["G3", "A3", "B3"]


def test_the_players_own_drones_with_their_counts(client: FlaskClient, log_path: Path) -> None:
    """Notes that count, over each drone that sounded; calls on notes that were not corrected."""
    text = words(_ask(client, instrument="viola", notes="A3"))
    with sqlite3.connect(log_path) as raw:
        raw.create_function("cents", 2, _cents)
        rows = raw.execute(
            "SELECT round(drone_hz), count(*), sum(call AND NOT corrected) FROM (SELECT drone_hz, "
            "EXISTS (SELECT 1 FROM call WHERE note_id = note.id) AS call, "
            "abs(cents(settled_hz, landing_hz)) >= 5 AS corrected FROM note WHERE drone_hz NOTNULL "
            "AND measurable AND NOT struck AND NOT paused AND round_id IS NULL) GROUP BY 1"
        ).fetchall()
    assert {hz for hz, _, _ in rows} == {220, 147}
    for hz, count, calls in rows:
        name = "A" if hz == 220 else "D"
        assert re.search(rf" {name} \S[^A-Z]*? \d+ of {count} \S[^A-Z]*?\d+ of {calls} ", text), (
            name,
            count,
            calls,
        )


def _cents(hz: float | None, reference_hz: float | None) -> float | None:
    return None if hz is None or reference_hz is None else 1200 * math.log2(hz / reference_hz)


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.dictionaries(
        st.sampled_from(
            ["notes", "typed", "add", "back", "clear", "from", "finger", "instrument", "sitting"]
        ),
        st.text(max_size=12) | st.sampled_from(["E3/D", "E3", "12", "cello", "voice"]),
        max_size=4,
    )
)
def test_no_query_breaks_the_page(client: FlaskClient, query: dict[str, str]) -> None:
    assert client.get("/choose", query_string=query).status_code in (200, 302, 400, 404)
