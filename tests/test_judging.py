"""Notes judged in arrays against the same notes judged one by one, on a log of 10,000."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from itertools import groupby

import pytest

from appliance.log.columns import JoinedColumns, columns_of
from appliance.log.judging import Landing, Reading, judge, judge_all
from appliance.log.kinds import kinds_of
from appliance.log.pace import paces
from appliance.log.reader import LogReader
from appliance.log.records import NoteRow
from appliance.log.strings import read_strings
from appliance.log.weeks import read_week
from appliance.tuning import error_cents, narrowed, nearest_note, outcome, target
from appliance.vocabulary import Outcome
from tests import million

READINGS = (
    Reading(),
    Reading("equal", a4_hz=442.0, band_cents=7.0),
    Reading("pythagorean", tonic_pc=2),
    Reading("just", tonic_pc=0, span_edge="low", band_cents=15.0),
    Reading("just", span_edge="high", count_open=True),
)


@pytest.fixture(scope="module")
def weeks(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[list[NoteRow]]]:
    """The last week of everybody in the room, and the one before, as plain rows."""
    path = tmp_path_factory.mktemp("million") / "short.db"
    million.fill(path, million.SHORT_LOG)
    with LogReader(path) as log:
        spans = [million.LAST_WEEK.later(-k).bounds(million.ZONE) for k in (0, 1)]
        yield [list(log.notes(*span)) for span in spans]


def _one_by_one(row: NoteRow, reading: Reading) -> Landing | Outcome | tuple[object, ...]:
    note = row.note
    if not note.measurable or note.landing_hz is None or note.settled_hz is None:
        return Outcome.NOT_MEASURABLE
    a4_hz = reading.a4_hz or row.sitting.a4_hz
    aim = target(
        note.settled_hz,
        a4_hz=a4_hz,
        reference_hz=note.reference_hz,
        tuning=reading.tuning,
        tonic_pc=reading.tonic_pc,
    )
    aim = narrowed(aim, reading.span_edge)
    became = outcome(note, aim, reading.band_cents)
    if became is Outcome.UNSURE:
        return became
    shift, drone_hz = note.shift, note.reference_hz
    return (
        became,
        datetime.fromtimestamp(row.ended_at.wall_s, million.ZONE).date(),
        aim.midi,
        None if drone_hz is None else nearest_note(drone_hz, a4_hz),
        None if shift is None else (nearest_note(shift.from_hz, a4_hz), aim.midi),
        aim.low_hz < aim.high_hz,
        note.drone_hz is not None,
        row.marks.without,
        row.call,
        row.sitting,
        pytest.approx(error_cents(note.landing_hz, aim), abs=1e-9),
        pytest.approx(error_cents(note.settled_hz, aim), abs=1e-9),
    )


def _facts(found: Landing | Outcome) -> Outcome | tuple[object, ...]:
    if not isinstance(found, Landing):
        return found
    return (
        *(found.outcome, found.day, found.midi, found.drone_midi, found.move, found.spanned),
        *(found.sounding, found.without, found.call, found.sitting),
        *(found.landing_cents, found.settled_cents),
    )


@pytest.mark.parametrize("reading", READINGS)
def test_arrays_judge_as_one_by_one(weeks: list[list[NoteRow]], reading: Reading) -> None:
    rows = weeks[1]
    found = judge_all(rows, reading, million.ZONE)
    assert len(found) == len(rows)
    for row, one in zip(rows, found, strict=True):
        assert _facts(one) == _one_by_one(row, reading)
        assert not isinstance(one, Landing) or one.row == row
    assert _facts(judge(rows[40], reading, million.ZONE)) == _facts(found[40])


def test_rows_laid_out_anew_read_the_same(weeks: list[list[NoteRow]]) -> None:
    """From the log the columns come as records, from elsewhere as rows."""
    rows, before = weeks
    again = [replace(row) for row in rows]
    assert list(columns_of(again)) == rows
    assert kinds_of(rows, read_strings(rows).marks) == kinds_of(again, read_strings(again).marks)
    assert paces(rows) == paces(again)
    first = read_week(rows, before, Reading(), million.ZONE)
    second = read_week(again, before, Reading(), million.ZONE)
    assert first.total == second.total
    assert [line.tally for line in first.by_note] == [line.tally for line in second.by_note]
    assert first.strings == second.strings
    assert first.heard == len(rows)


@pytest.mark.parametrize("reading", READINGS)
def test_sittings_joined_read_as_one_list_of_rows(
    weeks: list[list[NoteRow]], reading: Reading
) -> None:
    rows, before = weeks
    sittings = [list(group) for _, group in groupby(rows, key=lambda row: row.sitting)]
    assert len(sittings) > 10
    joined = JoinedColumns([columns_of(sitting) for sitting in sittings])
    assert joined == rows
    assert [joined[place] for place in (-1, 0, 600)] == [rows[place] for place in (-1, 0, 600)]
    found, plain = (read_week(these, before, reading, million.ZONE) for these in (joined, rows))
    for name in ("total", "before", "compared", "beside", "paces", "strings", "heard"):
        assert getattr(found, name) == getattr(plain, name), name
    for name in ("by_note", "by_shift"):
        lines, others = getattr(found, name), getattr(plain, name)
        assert [(one.name, one.tally, one.compared) for one in lines] == [
            (one.name, one.tally, one.compared) for one in others
        ]
    assert [_facts(one) for one in found.landings] == [_facts(one) for one in plain.landings]
    assert [one.row for one in found.landings[::50]] == [one.row for one in plain.landings[::50]]
    flat = columns_of(rows)
    for name in ("sitting", "round_key", "ended_wall_s"):
        assert (getattr(joined, name) == getattr(flat, name)).all()
    assert (joined.sittings, joined.calls) == (list(flat.sittings), flat.calls)
