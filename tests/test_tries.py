"""A round read back from the log, and how fast a sitting was played."""

from dataclasses import replace

import pytest

from appliance.log.pace import paces, slow_enough
from appliance.log.records import Marks, NoteRow, RoundGoal, RoundRow
from appliance.log.tries import TryLine, Word, tries_of
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import Call
from tests.log_rows import PLAIN, SITTING, UNMEASURED, bent, row

B3, G4 = (note_hz(parse_note(name)) for name in ("B3", "G4"))
ROUND = RoundRow("00000001-9", RoundGoal(B3, G4, G4, 10.0), SITTING.started_at, True)


def tried(
    number: int | None, cents: float, round_id: str = "00000001-9", call: Call | None = None
) -> NoteRow:
    note = replace(PLAIN, landing_hz=bent(G4, cents), settled_hz=G4)
    marks = Marks(in_round=True, try_number=number)
    return replace(row(note), marks=marks, round_id=round_id, call=call)


def words(errors: list[float], played: RoundRow = ROUND) -> list[str]:
    rows = [tried(number, error) for number, error in enumerate(errors, 1)]
    return [line.word.value for line in tries_of(played, rows)]


def test_a_round_can_be_read_later() -> None:
    errors = [-31.0, -25.0, -12.0, 3.0, 24.0, -1.0]
    assert words(errors) == ["short", "short", "nearly", "in", "long", "in"]


def test_long_is_long_on_the_way_down_and_from_silence_there_is_only_sharp_and_flat() -> None:
    down = replace(ROUND, goal=replace(ROUND.goal, from_hz=2 * G4))
    assert words([-31.0, 24.0], down) == ["long", "short"]
    silence = replace(ROUND, goal=replace(ROUND.goal, from_hz=None))
    assert words([-31.0, 24.0], silence) == ["flat", "sharp"]


def test_tries_come_in_order_with_landing_and_call_and_without_what_is_no_try() -> None:
    rows = [
        tried(2, 4.0, call=Call.IN_TUNE),
        tried(1, -30.0),
        tried(None, 0.0),  # the note to come from
        replace(tried(3, 0.0), struck=True),
        tried(4, 0.0, round_id="00000001-8"),
        replace(row(UNMEASURED), round_id="00000001-9"),
    ]
    found = tries_of(ROUND, rows)
    assert [replace(line, landing_cents=round(line.landing_cents, 6)) for line in found] == [
        TryLine(1, -30.0, Word.SHORT, None),
        TryLine(2, 4.0, Word.IN, Call.IN_TUNE),
    ]


def test_inside_the_targets_span_a_try_is_in() -> None:
    span = replace(ROUND, goal=replace(ROUND.goal, target_high_hz=bent(G4, 20.0)))
    assert words([-9.0, 10.0, 29.0, 31.0], span) == ["in", "in", "in", "nearly"]


# --- slow enough --------------------------------------------------------------------------------


def played(start_s: float, seconds: float = 0.5, short: bool = False) -> NoteRow:
    plain = UNMEASURED if short else PLAIN
    return row(replace(plain, start_s=start_s, end_s=start_s + seconds))


def test_notes_a_minute_leave_long_rests_out() -> None:
    notes = [played(float(at)) for at in range(30)] + [played(1000.0 + at) for at in range(30)]
    (pace,) = paces(notes)
    assert pace.notes == 60 and pace.too_short == 0
    assert pace.playing_s == pytest.approx(2 * 29.5)
    assert pace.notes_a_minute == pytest.approx(60 * 60 / 59.0)


def test_what_was_too_short_is_said_plainly_and_only_then() -> None:
    notes = [played(2.0 * at, 0.1, short=at % 120 < 38) for at in range(120)]
    assert slow_enough(paces(notes)) == "38 of 120 notes were too short to hear a landing"
    assert slow_enough(paces([played(1.0)])) is None
    assert slow_enough([]) is None


def test_every_sitting_has_its_own_pace_and_a_pause_has_none() -> None:
    other = replace(SITTING, sitting_id="00000001-5")
    notes = [
        played(0.0),
        replace(played(0.6), sitting=other),
        replace(played(1.2), marks=Marks(paused=True)),
        replace(played(1.8), struck=True),
        played(2.4),
    ]
    first, second = paces(notes)
    assert (first.sitting, first.notes, second.sitting, second.notes) == (SITTING, 2, other, 1)
    assert first.playing_s == pytest.approx(2.9)
    assert second.notes_a_minute == pytest.approx(120.0)
