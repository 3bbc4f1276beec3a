"""Agreement of calls with landings, each count by a second route; corrected notes apart."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from numpy.random import default_rng

from appliance.log.agreement import CallTally, read_agreement, read_drones
from appliance.log.records import NoteRow
from appliance.log.tallies import wilson
from appliance.log.weeks import Landing, Reading, landings_of
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import Call
from tests.log_rows import PURE, heard, row
from tests.test_psychometric import CALLS

JUST = Reading("just", None, 10.0)
A3, E4, C_SHARP_4 = map(parse_note, ("A3", "E4", "C#4"))


def called(
    name: str, cents: float, call: Call | None, settled: float | None = None, **changes: object
) -> NoteRow:
    """A note so many cents off its just pitch over A3, and what was said of it."""
    pure = PURE.get(name, 0.0)
    note = heard(name, pure + cents, pure + (cents if settled is None else settled), **changes)
    return replace(row(note), call=call)


def landings(*rows: NoteRow) -> list[Landing]:
    return landings_of(rows, JUST)


@pytest.mark.parametrize(
    ("cents", "call", "expected"),
    [
        (-12.0, Call.FLAT, CallTally(1, 0, 0)),
        (-12.0, Call.IN_TUNE, CallTally(0, 0, 1)),
        (-12.0, Call.SHARP, CallTally(0, 0, 1)),
        (-7.0, Call.FLAT, CallTally(1, 0, 0)),
        (-7.0, Call.IN_TUNE, CallTally(1, 0, 0)),
        (-7.0, Call.SHARP, CallTally(0, 0, 1)),
        (2.0, Call.FLAT, CallTally(0, 1, 0)),
        (2.0, Call.SHARP, CallTally(0, 0, 1)),
        (12.0, Call.IN_TUNE, CallTally(0, 1, 0)),
        (12.0, Call.SHARP, CallTally(1, 0, 0)),
    ],
)
def test_a_call_agrees_or_leans_to_a_side(cents: float, call: Call, expected: CallTally) -> None:
    assert read_agreement(landings(called("A3", cents, call)), 10.0).total == expected


def test_corrected_notes_are_counted_apart() -> None:
    found = read_agreement(
        landings(
            called("A3", -12.0, Call.FLAT, settled=-7.1),
            called("A3", -12.0, Call.FLAT, settled=-6.9),
            called("A3", -12.0, Call.IN_TUNE, settled=0.0),
            called("E4", 12.0, Call.SHARP, settled=0.0),
        ),
        10.0,
    )
    assert found.total == CallTally(1, 0, 0)
    assert found.corrected == CallTally(2, 0, 1)
    assert [(line.key, line.tally.count) for line in found.by_note] == [(A3, 1)]
    assert sum(tally.count for tally in found.by_side.values()) == 1


def test_notes_without_a_call_or_struck_out_do_not_count() -> None:
    found = read_agreement(
        landings(
            called("A3", 0.0, None),
            replace(called("A3", 0.0, Call.FLAT), struck=True),
            called("A3", 0.0, Call.FLAT, repeat=True),
        ),
        10.0,
    )
    assert found.total.count == found.corrected.count == 0
    assert found.by_note == found.by_interval == ()
    assert found.threshold is None


def _evening(count: int = 240) -> list[NoteRow]:
    """Invented: hears thirds eight cents too low, other notes truly, within some noise."""
    chance = default_rng(21)
    rows = []
    for number in range(count):
        name = ("A3", "E4", "C#4", "C#4")[number % 4]
        cents = float(np.clip(chance.normal(0.0, 12.0), -20.0, 20.0))  # the note meant stays clear
        heard_cents = cents - (8.0 if name == "C#4" else 0.0) + chance.logistic(0.0, 2.0)
        call = CALLS[int(np.digitize(heard_cents, [-6.0, 6.0]))]
        rows.append(called(name, cents, call))
    return rows


def test_notes_and_intervals_by_a_second_route() -> None:
    rows = _evening()
    found = read_agreement(landings(*rows), 10.0)
    counts = Counter(line.key for line in found.by_note for _ in range(line.tally.count))
    assert counts == {A3: 60, E4: 60, C_SHARP_4: 120}
    assert [line.key for line in found.by_interval] == [4, 0, 7]
    assert found.total.count == 240
    for one in ("agreed", "too_flat", "too_sharp"):
        whole = getattr(found.total, one)
        for lines in (found.by_note, found.by_interval):
            assert sum(getattr(line.tally, one) for line in lines) == whole
        assert sum(getattr(tally, one) for tally in found.by_side.values()) == whole
    assert found.total.interval == wilson(found.total.agreed, 240)


def test_where_this_ear_errs() -> None:
    """The planted bias of eight cents on major thirds is found there, and not on the others."""
    found = read_agreement(landings(*_evening()), 10.0)
    third, unison, fifth = found.by_interval
    assert third.threshold is not None
    assert third.threshold.bias.low < 8.0 < third.threshold.bias.high
    assert third.threshold.bias.low > 4.0
    assert third.tally.too_flat > 5 * max(1, third.tally.too_sharp)
    for line in (unison, fifth):
        assert line.threshold is not None
        assert line.threshold.bias.low < 0.0 < line.threshold.bias.high
    sharp, flat = found.by_side[Call.SHARP], found.by_side[Call.FLAT]
    assert sharp.interval[1] < flat.interval[0]  # what is sharp by less than 14 sounds in tune


def test_a_span_has_no_threshold_and_spoils_no_other() -> None:
    """Over A3 a B is right from 10/9 to 9/8: inside nobody can hear that it is off."""
    seconds = [
        called("B3", 0.0, call) for call in (Call.SHARP, Call.FLAT, Call.IN_TUNE) for _ in range(40)
    ]
    plain, mixed = (
        read_agreement(landings(*rows), 10.0) for rows in (_evening(), [*_evening(), *seconds])
    )
    assert mixed.total.count == plain.total.count + 120
    assert mixed.threshold == plain.threshold
    spanned = {line.key: line.spanned for line in mixed.by_interval}
    assert spanned == {4: False, 2: True, 0: False, 7: False}
    assert next(line.threshold for line in mixed.by_interval if line.key == 2) is None


def test_few_calls_make_no_threshold() -> None:
    found = read_agreement(landings(*_evening(40)), 10.0)
    assert [line.tally.count for line in found.by_note] == [20, 10, 10]
    assert [line.threshold for line in found.by_note] == [None, None, None]
    assert found.threshold is not None
    assert not found.by_note[0].tally.few
    assert read_agreement(landings(*_evening(7)), 10.0).total.few


def test_the_band_decides_what_agrees() -> None:
    rows = landings(called("A3", 12.0, Call.IN_TUNE))
    assert read_agreement(rows, 10.0).total.agreed == 0
    assert read_agreement(rows, 15.0).total.agreed == 1


def test_drones_with_their_landings_and_calls() -> None:
    d3 = note_hz(parse_note("D3"))
    rows = [
        called("A3", 3.0, Call.IN_TUNE),
        called("A3", -20.0, Call.SHARP),
        called("A3", -20.0, Call.FLAT, settled=0.0),
        called("E4", 3.0, None, drone_hz=440.0, reference_hz=440.0),
        called("D5", 2.0, Call.IN_TUNE, drone_hz=d3, reference_hz=d3),
        called("A3", 3.0, Call.IN_TUNE, drone_hz=None),  # the drone faded out
        called("A3", 3.0, Call.IN_TUNE, drone_hz=None, reference_hz=None),
    ]
    on_a, on_d = read_drones(landings(*rows), 10.0)
    assert (on_a.pitch_class, on_d.pitch_class) == (9, 2)
    assert (on_a.landings.landed, on_a.landings.rescued, on_a.landings.missed) == (2, 1, 1)
    assert on_a.calls == CallTally(1, 0, 1)
    assert on_a.landings.few
    assert on_d.landings.count == on_d.calls.agreed == 1


def test_an_empty_log_has_no_lines() -> None:
    assert read_drones([], 10.0) == ()
    assert read_agreement([], 10.0).total == CallTally(0, 0, 0)
