"""Bias told from spread, days, terms and suggestions: against scipy and numpy."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import count
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from appliance.log.calendar import CalendarWeek
from appliance.log.change import newcombe
from appliance.log.days import by_day
from appliance.log.judging import Landing, Reading
from appliance.log.patterns import Pattern, by_slide, lie_of_errors, reach, sign_test
from appliance.log.records import Marks, NoteRow
from appliance.log.suggestions import MOST, Kind, suggestions_of
from appliance.log.term import read_term
from appliance.log.weeks import landings_of, read_week
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import Arrival, HeardNote
from tests.log_rows import SITTING, heard, instant, row, shift

_sittings = count(900)
EQUAL = Reading("equal")


@given(st.integers(0, 40), st.integers(0, 40))
def test_the_sign_test_against_scipy(below: int, above: int) -> None:
    expected = stats.binomtest(below, below + above).pvalue if below + above else 1.0
    assert sign_test(below, above) == pytest.approx(expected, rel=1e-9)


@given(st.lists(st.floats(-200, 200), min_size=1, max_size=60))
def test_four_of_five_lie_within_reach(errors: list[float]) -> None:
    sizes = np.abs(errors)
    assert np.mean(sizes <= reach(errors)) >= 0.8
    assert np.mean(sizes < reach(errors)) < 0.8


@pytest.mark.parametrize(
    ("errors", "pattern"),
    [
        ([-12.0] * 7, Pattern.FEW),
        ([-12.0, -11.0, -13.0, -12.5] * 3, Pattern.HABIT),  # always 12 cents flat
        ([-15.0, 14.0, -13.0, 15.0, 3.5, -11.0] * 2, Pattern.SCATTERED),  # anywhere within 15
        ([4.0, -5.0, 2.0, 0.0, -8.0, 9.0] * 2, Pattern.HELD),
        ([-5.0, -40.0, -6.0, -35.0, -22.0, -9.0] * 2, Pattern.BOTH),
        ([-12.0] * 6 + [12.0] * 4, Pattern.SCATTERED),  # 6 to 4 is no side
    ],
)
def test_bias_and_spread_are_two_problems(errors: list[float], pattern: Pattern) -> None:
    assert lie_of_errors(errors, float(np.median(errors)), 10.0).pattern is pattern


def _sitting(notes: Sequence[HeardNote], day: int = 9, **marks: bool) -> list[NoteRow]:
    sitting = replace(SITTING, sitting_id=f"00000001-{next(_sittings)}")
    at = instant(2026, 2, day)
    return [
        replace(row(note, at.later(3.0 * place)), sitting=sitting, marks=Marks(**marks))
        for place, note in enumerate(notes)
    ]


def _notes(name: str, *errors: float, **changes: object) -> list[HeardNote]:
    return [heard(name, error, **changes) for error in errors]


def test_slides_stand_beside_other_arrivals() -> None:
    moved = {"shift": shift("B3", "G4")}
    slid = _notes("G4", 2.0, 30.0, 1.0, arrival=Arrival.SLIDE, slide_s=0.1, **moved)
    split = by_slide(landings_of(_sitting([*slid, *_notes("G4", 0.0, 4.0, **moved)]), EQUAL))
    assert (split.slid.landed, split.slid.count) == (2, 3)
    assert (split.not_slid.landed, split.not_slid.count) == (2, 2)


def test_days_are_counted_apart() -> None:
    rows = [note for day in (10, 9, 12) for note in _sitting(_notes("B3", 0.0, 0.0, 30.0), day)]
    found = by_day(landings_of(rows, EQUAL))
    assert [(one.day.day, one.tally.landed, one.tally.missed) for one in found] == [
        (day, 2, 1) for day in (9, 10, 12)
    ]


def _week(*sittings: list[NoteRow]) -> list[NoteRow]:
    return [note for sitting in sittings for note in sitting]


def _suggestions(rows: list[NoteRow]) -> list[tuple[Kind, str | None]]:
    found = suggestions_of(read_week(rows, (), EQUAL), 10.0)
    return [(one.kind, one.line.name if one.line else None) for one in found]


FLAT = (-14.0, -13.0, -16.0, -12.0, -15.0, 2.0)
ANYWHERE = (-24.0, 22.0, -18.0, 25.0, 20.0, -21.0)


def test_an_arrival_to_one_side_is_suggested_with_its_evidence() -> None:
    moved = {"shift": shift("D4", "F#4")}
    rows = _week(_sitting(_notes("F#4", *FLAT, **moved)), _sitting(_notes("F#4", *FLAT, **moved)))
    (found,) = suggestions_of(read_week(rows, (), EQUAL), 10.0)
    assert found.kind is Kind.ONE_SIDE
    assert found.line is not None and found.lie is not None
    assert found.line.name == "D4→F#4"  # and not the note F#4 a second time
    assert (found.lie.off, found.lie.count, found.not_landed) == (10, 12, 10)
    assert found.lie.chance == pytest.approx(stats.binomtest(10, 10).pvalue)
    assert found.clearest is None


@pytest.mark.parametrize(
    "sittings",
    [
        [_notes("B3", *FLAT, *FLAT)],  # one evening: the whole instrument may have been flat
        [_notes("B3", *FLAT[:4]), _notes("B3", *FLAT[:3])],  # seven notes
        [_notes("B3", *(4.0, 3.5, 6.0, 5.5) * 2)] * 2,  # to one side, but they land
        [_notes("B3", *(-14.0, 13.0, 1.0, 2.0) * 2)] * 2,  # half land, to both sides
    ],
)
def test_thin_evidence_suggests_nothing(sittings: list[list[HeardNote]]) -> None:
    assert _suggestions(_week(*(_sitting(notes) for notes in sittings))) == []


def test_chance_alone_seldom_suggests_anything() -> None:
    """Forty weeks of ten notes without a side, half of which land: one suggestion in a hundred."""
    chance, found = Random(77), 0
    names = ("E4", "F4", "F#4", "G4", "G#4", "B3", "C4", "C#4", "D#4", "F3")
    for _ in range(40):
        sittings = [
            [heard(chance.choice(names), chance.gauss(0.0, 14.0)) for _ in range(60)]
            for _ in range(3)
        ]
        found += len(_suggestions(_week(*(_sitting(notes) for notes in sittings))))
    assert stats.binomtest(found, 400, 0.02, alternative="greater").pvalue > 0.01, found


def test_at_most_three_and_the_greatest_trouble_first() -> None:
    notes = [
        note
        for name, times in (("E4", 1), ("G4", 3), ("C#4", 2), ("B3", 4))
        for note in _notes(name, *(ANYWHERE if name == "G4" else FLAT) * (times + 1))
    ]
    found = _suggestions(_week(_sitting(notes), _sitting(notes)))
    assert len(found) == MOST
    assert found == [(Kind.ONE_SIDE, "B3"), (Kind.ANYWHERE, "G4"), (Kind.ONE_SIDE, "C#4")]


def test_the_clearest_drone_is_named_where_it_can_be_told() -> None:
    d3 = note_hz(parse_note("D3"))
    over_a = _notes("F#4", *(2.0, 1.0, -5.0, 4.0, -14.0))
    over_d = _notes("F#4", *FLAT[:5], drone_hz=d3, reference_hz=d3)
    (found,) = suggestions_of(
        read_week(_week(*(_sitting([*over_a, *over_d]) for _ in range(2))), (), EQUAL), 10.0
    )
    assert newcombe(8, 10, 0, 10)[0] > 0
    assert found.clearest is not None
    assert (found.clearest.pitch_class, found.clearest.landed, found.clearest.count) == (9, 8, 10)


def test_what_falls_without_the_drone_is_suggested() -> None:
    held = _notes("B3", *(1.0, -2.0, 3.0, 1.0, 20.0) * 4)
    lost = _notes("B3", *(30.0, -28.0, 3.0, -31.0, 29.0) * 4, drone_hz=None)
    rows = _week(_sitting(held), _sitting(lost, without=True))
    found = [
        one for one in suggestions_of(read_week(rows, (), EQUAL), 10.0) if one.kind is Kind.WITHOUT
    ]
    assert len(found) == 1
    assert found[0].with_drone is not None
    assert (found[0].tally.landed, found[0].tally.count) == (4, 20)
    assert (found[0].with_drone.landed, found[0].with_drone.count) == (16, 20)


def _term_landings(*shares: int) -> list[Landing]:
    """Weeks of three sittings of ten notes, so many of which land; -1: nothing was played."""
    rows: list[NoteRow] = []
    for week, landed in enumerate(shares):
        if landed >= 0:
            errors = [1.0] * landed + [30.0] * (10 - landed)
            for day in (0, 2, 4):
                at = instant(2026, 1, 5 + day).later(7 * 86400.0 * week)
                sitting = replace(SITTING, sitting_id=f"00000001-{next(_sittings)}")
                rows += [
                    replace(row(note, at.later(3.0 * place)), sitting=sitting)
                    for place, note in enumerate(_notes("B3", *errors))
                ]
    return landings_of(rows, EQUAL)


def test_a_term_sets_its_last_weeks_beside_its_first() -> None:
    weeks = [CalendarWeek(2026, 2).later(place) for place in range(7)]
    term = read_term(_term_landings(4, 5, -1, 6, 8, -1, 9), weeks)
    assert [one.tally.landed for one in term.weeks] == [12, 15, 0, 18, 24, 0, 27]
    assert term.first is not None and term.last is not None and term.change is not None
    assert (term.first.first, term.first.last) == (weeks[0], weeks[1])
    assert (term.last.first, term.last.last) == (weeks[4], weeks[6])
    assert term.change.landed.before == pytest.approx((12 + 15) / 60)
    assert term.change.landed.after == pytest.approx((24 + 27) / 60)
    assert [moved.midi for moved in term.moved] == [parse_note("B3")]
    assert term.untold == 0
    assert term.weeks[2].change is None
    beside_first = term.weeks[3].change  # the last week with notes before it
    assert beside_first is not None
    assert beside_first.landed.before == pytest.approx(0.5)


def test_one_week_has_nothing_beside_it() -> None:
    term = read_term(_term_landings(5), [CalendarWeek(2026, 2)])
    assert (term.first, term.change, term.moved) == (None, None, ())
