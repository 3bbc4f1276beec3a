"""Open strings read from the log: how they were tuned, and which notes may be one."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from appliance.log.kinds import Kind, kinds_of
from appliance.log.reader import LogReader
from appliance.log.records import Marks, NoteRow, SittingRow
from appliance.log.strings import OpenMark, StringLine, read_strings
from appliance.log.weeks import Reading, landings_of, read_week
from appliance.practice.pedalboard import Pedal
from appliance.settings import Settings
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import Arrival, Vibrato
from tests.lockstep import LockstepRoom
from tests.log_rows import SITTING, UNMEASURED, bent, heard, row
from tests.waves import bowed as bow
from tests.waves import steady, tone

# Pure fifths from A4 and, on the double bass, pure fourths: cents above equal temperament
# (3/2 is 701.955 cents, arithmetic).
RIGHT = {"C3": -5.865, "G3": -3.910, "D4": -1.955, "A4": 0.0}
BASS = {"E1": 1.955, "A1": 0.0, "D2": -1.955, "G2": -3.910}
TUNING, OPEN = OpenMark.TUNING, OpenMark.MAY_BE_OPEN
DRONE_DB, LISTEN_S = -12.0, 4.0  # the drone at the microphone; an ear learns how it gets there


def bowed(name: str, cents: float, **changes: Any) -> NoteRow:
    """A note so many cents off the viola's open string of that name, over a drone on A3."""
    return row(heard(name, RIGHT.get(name, 0.0) + cents, **changes))


def off_a(*notes: NoteRow) -> list[NoteRow]:
    """The same over a drone on D3."""
    d3_hz = note_hz(parse_note("D3"))
    return [
        replace(one, note=replace(one.note, drone_hz=d3_hz, reference_hz=d3_hz)) for one in notes
    ]


def marks(*rows: NoteRow) -> list[OpenMark | None]:
    return list(read_strings(rows).marks)


def line(*rows: NoteRow) -> StringLine:
    (found,) = read_strings(rows).lines
    return found


def test_tuning_to_the_drone_keeps_where_each_string_was_found_and_left() -> None:
    rows = [
        bowed("A4", 4.0, settled_hz=440.0),
        bowed("D4", -12.0),
        row(UNMEASURED),  # D and A together
        bowed("D4", -1.0),
        bowed("G3", -20.0),
        bowed("G3", -6.0),
        bowed("C3", 3.0),
        bowed("B3", 0.0),
    ]
    found = read_strings(rows)
    assert list(found.marks) == [TUNING, TUNING, None, TUNING, TUNING, TUNING, TUNING, None]
    told = {
        one.name: (round(one.found_cents or 0, 2), round(one.left_cents or 0, 2))
        for one in found.lines
    }
    assert told == {"C3": (3, 3), "G3": (-20, -6), "D4": (-12, -1), "A4": (0, 0)}
    assert all(one.notes == 0 and one.typical_cents is None for one in found.lines)


@pytest.mark.parametrize(
    ("instrument", "right"),
    [
        ("violin", {"G3": -3.910, "D4": -1.955, "A4": 0.0, "E5": 1.955}),
        ("viola", RIGHT),
        ("cello", {"C2": -5.865, "G2": -3.910, "D3": -1.955, "A3": 0.0}),
        ("double-bass", BASS),
        ("double-bass-in-fifths", {"C1": -5.865, "G1": -3.910, "D2": -1.955, "A2": 0.0}),
    ],
)
def test_targets_are_pure_fifths_and_on_the_bass_pure_fourths(
    instrument: str, right: dict[str, float]
) -> None:
    sitting = replace(SITTING, instrument=instrument)
    rows = [replace(row(heard(name, cents - 6)), sitting=sitting) for name, cents in right.items()]
    found = read_strings(rows).lines
    assert [one.name for one in found] == list(right)
    assert [one.left_cents for one in found] == pytest.approx([-6.0] * 4, abs=0.01)


def test_the_rooms_a4_moves_the_targets() -> None:
    rows = [bowed("A4", 0.0, drone_hz=221.0, settled_hz=440.0)]
    rows = [replace(one, sitting=replace(SITTING, a4_hz=442.0)) for one in rows]
    assert line(*rows).left_cents == pytest.approx(-7.851, abs=0.001)  # 1200 log2(440/442)


def test_over_another_drone_or_none_nobody_tunes() -> None:
    rows = [bowed("A4", 0.0), bowed("D4", -12.0), bowed("G3", 0.0), bowed("C3", 0.0)]
    silent = [replace(one, note=replace(one.note, drone_hz=None)) for one in rows]
    for played in (off_a(*rows), silent):
        assert TUNING not in marks(*played)


def test_later_two_strings_in_turn_may_be_music_and_three_are_tuning() -> None:
    before, after = bowed("B3", 0.0), bowed("E4", 2.0)
    fingered = [bowed("D4", -20.0, settled_hz=note_hz(62)), bowed("A4", 0.0)]
    assert marks(before, *fingered, after) == [None, None, OPEN, None]
    three = [*fingered, bowed("G3", -9.0)]
    assert marks(before, *three, after) == [None, TUNING, TUNING, TUNING, None]


def test_tuning_begins_again_with_the_drone() -> None:
    rows = [bowed("A4", 0.0), bowed("B3", 0.0), *off_a(bowed("E4", 0.0)), bowed("G3", -9.0)]
    assert marks(*rows) == [TUNING, None, None, TUNING]


@pytest.mark.parametrize(
    "changes",
    [
        {"vibrato": Vibrato(5.5, 12.0)},
        {"arrival": Arrival.SLIDE, "slide_s": 0.1},
        {"settled_hz": bent(note_hz(62), RIGHT["D4"] + 6.0)},  # corrected by six cents
    ],
)
def test_vibrato_a_slide_or_a_correction_shows_a_finger(changes: dict[str, object]) -> None:
    assert marks(*off_a(bowed("D4", 0.0), bowed("D4", 0.0, **changes))) == [OPEN, None]


def test_a_string_has_one_pitch_for_an_evening() -> None:
    flat = [bowed("G3", -6.0 + wander) for wander in (-1.0, 0.0, 0.5, 1.0, 0.0, -0.5, 0.2, 0.0)]
    fingers = [bowed("G3", cents) for cents in (-25.0, 12.0, 20.0)]
    rows = off_a(*flat, *fingers)
    assert marks(*rows) == [OPEN] * 8 + [None] * 3
    found = line(*rows)
    assert found.notes == 8
    assert found.off_cents == pytest.approx(-6.0, abs=0.01)


def test_where_tuning_left_a_string_counts_too() -> None:
    tuned = [bowed("G3", -20.0), bowed("G3", 0.0), bowed("B3", 0.0)]
    later = off_a(*[bowed("G3", cents) for cents in (-9.0, -9.5, -8.5, 1.0)])
    assert marks(*tuned, *later) == [TUNING, TUNING, None, OPEN, OPEN, OPEN, OPEN]


@pytest.mark.parametrize(("cents", "count"), [(-2.0, 8), (-6.0, 7)])
def test_a_string_that_is_right_or_seldom_heard_is_not_said(cents: float, count: int) -> None:
    assert line(*off_a(*[bowed("G3", cents)] * count)).off_cents is None


def test_every_sitting_has_strings_of_its_own() -> None:
    other = replace(SITTING, sitting_id="00000001-9")
    rows = [*off_a(*[bowed("G3", -6.0)] * 8)]
    rows += [replace(one, sitting=other) for one in off_a(*[bowed("G3", 10.0)] * 9)]
    first, second = read_strings(rows).lines
    assert (first.notes, second.notes) == (8, 9)
    assert first.typical_cents == pytest.approx(-6.0, abs=0.01)
    assert second.typical_cents == pytest.approx(10.0, abs=0.01)


def test_struck_paused_and_rounds_say_nothing_of_a_string() -> None:
    plain = bowed("G3", 0.0)
    rows = [
        replace(plain, struck=True),
        replace(plain, marks=Marks(paused=True)),
        replace(plain, marks=Marks(in_round=True, try_number=1)),
    ]
    assert read_strings(rows).lines == ()
    assert kinds_of(rows, marks(*rows)) == [Kind.STRUCK, Kind.PAUSED, Kind.IN_ROUND]


@pytest.mark.parametrize("instrument", ["trombone", "voice", "horn", "an instrument of tomorrow"])
def test_without_strings_there_is_nothing_to_read(instrument: str) -> None:
    sitting: SittingRow = replace(SITTING, instrument=instrument)
    rows = [replace(bowed("G3", 0.0), sitting=sitting)]
    assert (marks(*rows), read_strings(rows).lines) == ([None], ())


def test_a_week_keeps_open_strings_apart_unless_asked() -> None:
    tuned = [bowed("A4", 0.0), bowed("D4", -12.0), bowed("G3", -6.0)]
    played = [bowed("B3", 0.0), *off_a(*[bowed("G3", -6.0)] * 3), bowed("E4", 2.0)]
    rows = [*tuned, *played]
    apart = read_week(rows, [], Reading())
    assert (apart.total.count, apart.tuning_strings, apart.may_be_open) == (2, 3, 3)
    assert apart.heard == len(rows)
    counted = read_week(rows, [], Reading(count_open=True))
    assert (counted.total.count, counted.tuning_strings, counted.may_be_open) == (5, 3, 0)
    assert counted.heard == len(rows)
    assert counted.strings == apart.strings
    landings = landings_of(rows, Reading(count_open=True))
    assert [landing.may_be_open for landing in landings] == [False, True, True, True, False]


def test_tuning_by_foot_in_the_room(tmp_path: Path) -> None:
    """Middle hold sounds the drone; the open strings are bowed through it, by the real ear."""
    room = LockstepRoom(Settings(), tmp_path / "room.db", DRONE_DB)  # a viola, the drone on A3
    room.foot(Pedal.MIDDLE, down=True)
    room.wait(0.75)
    room.foot(Pedal.MIDDLE, down=False)
    room.wait(LISTEN_S)
    for name, cents in (("A4", 3.0), ("D4", -12.0), ("D4", 0.0), ("G3", -6.0), ("C3", 4.0)):
        hz = bent(note_hz(parse_note(name)), RIGHT[name] + cents)
        room.play(bow(tone(steady(hz, 1.2))))
        room.wait(2.6)  # so long that a bow on the same string is no repeat
    room.close()
    with LogReader(room.log_path) as log:
        rows = log.notes(0.0, 1e12)
    assert marks(*rows) == [TUNING] * 5
    told = {one.name: (one.found_cents, one.left_cents) for one in read_strings(rows).lines}
    expected = {"C3": (4.0, 4.0), "G3": (-6.0, -6.0), "D4": (-12.0, 0.0), "A4": (3.0, 3.0)}
    assert told.keys() == expected.keys()
    for name, cents in expected.items():
        assert told[name] == pytest.approx(cents, abs=2.0), name
    week = read_week(rows, [], Reading())
    assert (week.total.count, week.tuning_strings) == (0, 5)
