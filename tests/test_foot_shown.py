"""What the foot has marked, on the pages: without, rounds, pauses; and how fast it was played."""

from pathlib import Path

from flask.testing import FlaskClient

from appliance.log.logbook import Logbook
from appliance.log.records import Marks, RoundGoal
from appliance.vocabulary import Call
from tests.cast import app_for
from tests.log_rows import (
    PLAIN,
    UNMEASURED,
    heard,
    instant,
)
from tests.pages import page_words


def test_with_and_without_rounds_pauses_and_pace_are_on_the_page(tmp_path: Path) -> None:
    at = instant(2026, 2, 11)
    marks = [Marks(), Marks(without=True), Marks(paused=True), Marks(in_round=True, try_number=1)]
    with Logbook(tmp_path / "room.db", "north room") as log:
        sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0)
        goal = RoundGoal(None, 220.0, 220.0, 10.0)
        one = log.begin_round(sitting, goal, at)
        for number, mark in enumerate(marks):
            log.add_note(sitting, PLAIN, at.later(2.0 * number), mark, one)
        log.add_note(sitting, UNMEASURED, at.later(9.0))
    client = app_for(tmp_path / "room.db").test_client()
    text = page_words(client, "/")
    assert "With 1, few 100 % 0 % 0 %" in text and "Without 1, few 100 % 0 % 0 %" in text
    assert "Played while the log was paused 1 Played in rounds 1" in text
    assert "1 of 4 notes were too short to hear a landing." in text
    week = client.get("/week.json").get_json()
    assert (week["paused"], week["in_rounds"], week["total"]["count"]) == (1, 1, 2)
    assert week["beside"]["same_notes_without"]["landed"] == 1
    (pace,) = week["sittings"]
    assert (pace["notes"], pace["too_short"]) == (4, 1)


def test_a_week_played_with_the_drone_alone_says_nothing_of_without(client: FlaskClient) -> None:
    assert "With the drone and without" not in page_words(client, "/")


def test_rounds_can_be_read_try_by_try(tmp_path: Path) -> None:
    at, path = instant(2026, 2, 11), tmp_path / "room.db"
    g4_hz, b3_hz = 391.995, 246.942  # equal temperament, A4 = 440 Hz
    with Logbook(path, "north room") as log:
        sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0)
        won = log.begin_round(sitting, RoundGoal(b3_hz, g4_hz, g4_hz, 10.0), at)
        for number, cents in enumerate((-31.0, -25.0, -12.0, 3.0, 24.0, -1.0), 1):
            note = heard("G4", cents)
            mark = Marks(in_round=True, try_number=number)
            note_id = log.add_note(sitting, note, at.later(2.0 * number), mark, won)
            if number == 2:
                log.add_call(note_id, Call.FLAT, at.later(4.5))
        log.end_round(won, won=True)
        log.begin_round(sitting, RoundGoal(None, 220.0, 220.0, 10.0), at.later(60.0))
    text = page_words(app_for(path).test_client(), "/")
    said = "short, short (called flat), nearly, in, long, in. Enough landed in a row."
    assert f"B3→G4 Wed 17:00 {said}" in text
    assert "A3 from silence Wed 17:01 No try." in text
