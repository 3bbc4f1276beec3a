"""The log: what was written comes back as it was."""

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.log.logbook import Logbook
from appliance.log.reader import LogReader
from appliance.log.records import EventKind, EventRow, Marks, RoundRow
from appliance.vocabulary import (
    Arrival,
    Call,
    HeardNote,
    Instant,
    LogbookError,
    Movement,
    Shift,
)
from tests.log_rows import BOOT, PLAIN, UNMEASURED, fill, heard
from tests.logged import AT, FULL, GOAL, begun, logged


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "room.db"


def _on_boot_clock(note: HeardNote, ended_at: Instant) -> HeardNote:
    end_s = ended_at.monotonic_s
    return replace(note, start_s=end_s - (note.end_s - note.start_s), end_s=end_s)


@pytest.mark.parametrize("note", [FULL, PLAIN, UNMEASURED, replace(PLAIN, drone_hz=None)])
def test_a_note_comes_back_as_it_was_heard(path: Path, note: HeardNote) -> None:
    (note_id,) = logged(path, note)
    with LogReader(path) as log:
        (row,) = log.notes(AT.wall_s, AT.wall_s + 1)
    assert row.note_id == note_id
    assert row.note == _on_boot_clock(note, AT)
    assert (row.ended_at, row.struck, row.call) == (AT, False, None)
    assert (row.sitting.room, row.sitting.player) == ("north room", "wren")
    assert (row.sitting.instrument, row.sitting.a4_hz) == ("viola", 442.0)
    assert (row.sitting.started_at, row.sitting.ended_at) == (AT, None)


NOTES = st.builds(
    lambda hz, uncertainty, level_db, likely, arrival, repeat: replace(
        FULL,
        landing_hz=hz,
        landing_uncertainty_cents=uncertainty,
        level_db=level_db,
        shift=Shift(hz, hz, likely),
        arrival=arrival,
        repeat=repeat,
    ),
    st.floats(20.0, 5000.0),
    st.floats(0.0, 50.0),
    st.floats(-120.0, 0.0),
    st.floats(0.0, 1.0),
    st.sampled_from(Arrival),
    st.booleans(),
)


@settings(max_examples=15, deadline=None)
@given(notes=st.lists(NOTES, min_size=1, max_size=5))
def test_every_float_survives_bit_for_bit(
    tmp_path_factory: pytest.TempPathFactory, notes: list[HeardNote]
) -> None:
    path = tmp_path_factory.mktemp("log") / "room.db"
    logged(path, *notes)
    with LogReader(path) as log:
        rows = log.notes(0, 1e11)
    assert [row.note for row in rows] == [
        _on_boot_clock(note, AT.later(n)) for n, note in enumerate(notes)
    ]


def test_the_range_holds_its_start_and_not_its_end(path: Path) -> None:
    first, second, third = logged(path, PLAIN, PLAIN, PLAIN)
    with LogReader(path) as log:
        found = [row.note_id for row in log.notes(AT.wall_s, AT.wall_s + 2)]
        assert found == [first, second]
        assert [row.note_id for row in log.notes(AT.wall_s + 2, AT.wall_s + 9)] == [third]
        assert log.span() == (AT.wall_s, AT.wall_s + 2)


def test_only_one_players_notes_when_asked(path: Path) -> None:
    with Logbook(path, "north room") as log:
        for player in ("wren", "lark", None):
            sitting = log.begin_sitting(AT, instrument="cello", a4_hz=440.0, player=player)
            log.add_note(sitting, PLAIN, AT)
        (row,) = log.notes(0, 1e11, player="lark")
        assert row.sitting.player == "lark"
        assert len(log.notes(0, 1e11)) == 3
        assert log.notes(0, 1e11, player="lark' OR '1'='1") == []


@pytest.mark.parametrize(
    ("instrument", "movement"),
    [
        ("cello", Movement.SHIFT),
        ("trombone", Movement.SLIDE_MOVE),
        ("flute", Movement.LEAP),
        ("an instrument of the future", Movement.SHIFT),
    ],
)
def test_the_instrument_says_what_moved(path: Path, instrument: str, movement: Movement) -> None:
    with Logbook(path, "north room") as log:
        sitting = log.begin_sitting(AT, instrument=instrument, a4_hz=440.0)
        log.add_note(sitting, FULL, AT)
        (row,) = log.notes(0, 1e11)
    assert row.note.shift is not None and row.note.shift.movement is movement


def test_the_last_call_counts_and_earlier_ones_are_kept(path: Path) -> None:
    with Logbook(path, "north room") as log:
        note_id = log.add_note(begun(log), PLAIN, AT)
        log.add_call(note_id, Call.SHARP, AT.later(1))
        log.add_call(note_id, Call.IN_TUNE, AT.later(0.5))  # the wall clock jumped back
        (row,) = log.notes(0, 1e11)
    assert row.call is Call.IN_TUNE
    with sqlite3.connect(path) as raw:
        calls = raw.execute("SELECT verdict, wall_s, monotonic_s FROM call ORDER BY id").fetchall()
    assert calls == [
        ("sharp", AT.wall_s + 1, AT.monotonic_s + 1),
        ("in tune", AT.wall_s + 0.5, AT.monotonic_s + 0.5),
    ]


def test_a_call_that_spoke_of_another_note_is_taken_back_and_kept(path: Path) -> None:
    with Logbook(path, "north room") as log:
        note_id = log.add_note(begun(log), PLAIN, AT)
        log.add_call(note_id, Call.SHARP, AT.later(1))
        log.take_back_call(note_id, AT.later(2))
        assert [row.call for row in log.notes(0, 1e11)] == [None]
        log.add_call(note_id, Call.FLAT, AT.later(3))
        assert [row.call for row in log.notes(0, 1e11)] == [Call.FLAT]
    with sqlite3.connect(path) as raw:
        assert raw.execute("SELECT count(*) FROM call").fetchone() == (3,)


def test_a_struck_note_is_kept_and_marked(path: Path) -> None:
    with Logbook(path, "north room") as log:
        sitting = begun(log)
        struck, other = (log.add_note(sitting, PLAIN, AT) for _ in range(2))
        log.strike(struck)
        assert {row.note_id: row.struck for row in log.notes(0, 1e11)} == {
            struck: True,
            other: False,
        }


def test_a_sitting_ends_even_in_another_boot(path: Path) -> None:
    end = replace(AT.later(600), boot_id="another boot", synchronised=False)
    with Logbook(path, "north room") as log:
        sitting = begun(log)
        log.add_note(sitting, PLAIN, AT)
        log.add_note(sitting, PLAIN, replace(end, wall_s=AT.wall_s + 599))
        log.end_sitting(sitting, end)
        first, second = log.notes(0, 1e11)
    assert first.sitting.ended_at == end
    assert (first.ended_at.boot_id, first.ended_at.synchronised) == (BOOT, True)
    assert (second.ended_at.boot_id, second.ended_at.synchronised) == ("another boot", False)


def test_ids_are_unique_across_rooms_and_go_on_after_reopening(tmp_path: Path) -> None:
    ids = [
        note_id
        for name in ("one.db", "two.db")
        for _ in range(2)
        for note_id in logged(tmp_path / name, PLAIN, PLAIN)
    ]
    assert len(set(ids)) == 8
    assert len({note_id.split("-")[0] for note_id in ids}) == 2


@pytest.mark.parametrize("bad", ["", "1", "x-1", "00000001-", "00000001-2; DROP TABLE note", "é-1"])
def test_what_is_no_id_is_refused(path: Path, bad: str) -> None:
    with Logbook(path, "north room") as log:
        with pytest.raises(LogbookError, match="no id of the log"):
            log.strike(bad)
        with pytest.raises(LogbookError, match="no id of the log"):
            log.add_note(bad, PLAIN, AT)


def test_rows_that_are_not_there_are_named(path: Path) -> None:
    missing = "00000001-99"
    with Logbook(path, "north room") as log:
        for attempt in (
            lambda: log.strike(missing),
            lambda: log.end_sitting(missing, AT),
            lambda: log.add_note(missing, PLAIN, AT),
            lambda: log.add_call(missing, Call.FLAT, AT),
        ):
            with pytest.raises(LogbookError, match=missing):
                attempt()
        assert log.notes(0, 1e11) == []


def test_rounds_and_events_come_back_as_they_were(path: Path) -> None:
    with Logbook(path, "north room") as log:
        log.add_event(EventKind.PEDAL_STUCK, AT, detail="left")
        sitting = begun(log)
        first = log.begin_round(sitting, GOAL, AT.later(1))
        second = log.begin_round(sitting, replace(GOAL, from_hz=None), AT.later(5))
        log.add_event(EventKind.PAUSED, AT.later(2), sitting)
        log.end_round(first, won=True)
        log.add_note(sitting, PLAIN, AT.later(3), Marks(in_round=True, try_number=1), first)
        log.add_note(sitting, PLAIN, AT.later(4), Marks(in_round=True), first)
        log.add_note(sitting, PLAIN, AT.later(4.5), Marks(), first)
        assert log.rounds(0, 1e11) == [
            RoundRow(first, GOAL, AT.later(1), True),
            RoundRow(second, replace(GOAL, from_hz=None), AT.later(5), None),
        ]
        assert log.rounds(0, AT.wall_s + 5)[-1].round_id == first
        assert log.events(0, 1e11) == [
            EventRow(EventKind.PEDAL_STUCK, "left", AT),
            EventRow(EventKind.PAUSED, None, AT.later(2)),
        ]
        assert [row.round_id for row in log.notes(0, 1e11)] == [first, first, None]
        with pytest.raises(LogbookError, match="00000001-99"):
            log.end_round("00000001-99", won=False)


def test_a_note_takes_under_200_bytes_with_its_index(path: Path) -> None:
    with Logbook(path, "north room") as log:
        sitting = begun(log)
        with log._db.atomic():  # one commit: the size does not depend on it
            for n in range(3000):
                note = FULL if n % 3 == 0 else replace(FULL, shift=None, slide_s=None)
                note_id = log.add_note(sitting, note, AT.later(2 * n))
                if n % 5 == 0:
                    log.add_call(note_id, Call.FLAT, AT.later(2 * n + 1))
    assert path.stat().st_size / 3000 < 200


def test_a_filled_log_holds_what_was_put_in(path: Path) -> None:
    fill(path, notes_a_day=29)
    with LogReader(path) as log:
        rows = log.notes(0, 1e11)
    assert len(rows) == 290
    assert sum(row.struck for row in rows) == 10
    assert [row.ended_at.wall_s for row in rows] == sorted(row.ended_at.wall_s for row in rows)
    assert heard("A3", 0.0).landing_hz == 220.0
