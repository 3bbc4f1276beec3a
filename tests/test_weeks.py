"""A week from its rows: every number by a second route, time zones, Wilson's interval."""

import math
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from statistics import median
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.log.calendar import CalendarWeek, WeekNameError, room_zone
from appliance.log.records import Marks, NoteRow
from appliance.log.tallies import Tally, tally, wilson
from appliance.log.weeks import Landing, Reading, judge, landings_of, read_week
from appliance.vocabulary import Arrival, Movement, Outcome, SettingsError
from tests.log_rows import PLAIN, UNMEASURED, ZONE, heard, instant, row, shift

JUST = Reading("just", None, 10.0)
EQUAL = replace(JUST, tuning="equal")


def _rows(*landings: float, name: str = "A3") -> list[NoteRow]:
    return [row(heard(name, cents)) for cents in landings]


# --- Wilson's interval ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    # R. G. Newcombe, Two-sided confidence intervals for the single proportion, Statistics in
    # Medicine 17 (1998) 857-872, table I, method 3 (from memory; the next test needs no memory)
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_against_a_published_example(
    successes: int, trials: int, low: float, high: float
) -> None:
    assert wilson(successes, trials) == pytest.approx((low, high), abs=5e-5)


@given(st.integers(1, 3000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_wilson_ends_are_where_the_score_test_just_rejects(counts: tuple[int, int]) -> None:
    """Wilson's definition, solved by a polynomial: (p - rate)² = z² p (1 - p) / n."""
    successes, trials = counts
    rate = successes / trials
    factor = 1.959963984540054**2 / trials  # the normal's 97.5 % point, to 16 figures
    roots = np.sort(np.roots([1 + factor, -(2 * rate + factor), rate * rate]).real)
    assert wilson(successes, trials) == pytest.approx(roots, abs=1e-7)


def test_wilson_without_trials_knows_nothing() -> None:
    assert wilson(0, 0) == (0.0, 1.0)
    for impossible in ((1, 0), (3, 2), (-1, 5)):
        with pytest.raises(ValueError, match="no rate"):
            wilson(*impossible)


# --- Tallies ----------------------------------------------------------------------------------


@given(
    st.lists(
        st.tuples(
            st.sampled_from([Outcome.LANDED, Outcome.RESCUED, Outcome.MISSED]),
            st.floats(-100, 100),
        ),
        min_size=1,
        max_size=60,
    )
)
def test_a_tally_against_numpy(tries: list[tuple[Outcome, float]]) -> None:
    found = tally(tries)
    errors = np.array([error for _, error in tries])
    counts = Counter(outcome for outcome, _ in tries)
    assert (found.landed, found.rescued, found.missed) == tuple(
        counts[key] for key in (Outcome.LANDED, Outcome.RESCUED, Outcome.MISSED)
    )
    assert found.count == len(tries)
    assert found.typical_cents == pytest.approx(np.median(errors), abs=1e-9)
    spread = np.median(np.abs(errors - np.median(errors)))
    assert found.spread_cents == pytest.approx(spread, abs=1e-9)
    assert found.few == (len(tries) < 8)


def test_an_empty_tally_has_no_error() -> None:
    assert tally([]) == Tally(0, 0, 0, None, None)
    assert tally([]).side == 0
    assert tally([]).few


@pytest.mark.parametrize(
    ("typical", "side"), [(-3.0, -1), (-2.99, 0), (0.0, 0), (2.99, 0), (3.0, 1), (40.0, 1)]
)
def test_errors_under_three_cents_have_no_side(typical: float, side: int) -> None:
    assert tally([(Outcome.LANDED, typical)]).side == side


def test_bias_and_spread_are_told_apart() -> None:
    always_flat = tally([(Outcome.MISSED, cents) for cents in (-13, -12, -12, -11, -12)])
    anywhere = tally([(Outcome.MISSED, cents) for cents in (-15, 14, 0, -9, 10)])
    assert (always_flat.typical_cents, always_flat.spread_cents) == (-12, 0)
    assert (anywhere.typical_cents, anywhere.spread_cents) == (0, 10)


# --- What counts, and what becomes of it --------------------------------------------------------


def test_landed_rescued_missed() -> None:
    rows = [
        row(heard("A3", 4.0)),
        row(heard("A3", 9.0, 30.0)),  # drifted off after it had landed
        row(heard("A3", -24.0, -3.0)),
        row(heard("A3", -24.0, -11.0)),
    ]
    total = read_week(rows, [], JUST).total
    assert (total.landed, total.rescued, total.missed) == (2, 1, 1)


def test_what_is_no_try_is_counted_apart() -> None:
    rows = [
        *_rows(0.0, 1.0, 2.0),
        row(UNMEASURED),
        row(heard("A3", 50.0)),
        row(heard("A3", 40.0), struck=True),
        row(replace(PLAIN, repeat=True)),
        row(replace(UNMEASURED, repeat=True), struck=True),
    ]
    week = read_week(rows, [], JUST)
    assert week.total.count == 3
    assert sum(line.tally.count for line in week.by_note) == 3
    counted = (week.not_measurable, week.unsure, week.struck, week.repeats)
    assert counted == (1, 1, 2, 1)


def test_an_empty_week() -> None:
    week = read_week([], [], JUST)
    assert (week.total.count, week.compared, week.by_note, week.by_shift) == (0, None, (), ())


def test_the_same_week_in_another_tuning() -> None:
    """A pure third over A3 is 13.7 cents below the equal one, a Pythagorean one 7.8 above it."""
    rows = [row(heard("C#4", -13.686)) for _ in range(8)]
    assert read_week(rows, [], JUST).total.typical_cents == pytest.approx(0, abs=0.01)
    equal = read_week(rows, [], EQUAL).total
    assert (equal.missed, equal.side) == (8, -1)
    assert equal.typical_cents == pytest.approx(-13.69, abs=0.01)
    pythagorean = read_week(rows, [], replace(JUST, tuning="pythagorean")).total
    assert pythagorean.typical_cents == pytest.approx(-21.51, abs=0.01)  # a syntonic comma


def test_the_same_week_with_another_band_and_a4() -> None:
    rows = _rows(-12.0, 12.0, 4.0)
    assert read_week(rows, [], JUST).total.landed == 1
    assert read_week(rows, [], replace(JUST, band_cents=15.0)).total.landed == 3
    higher = read_week(rows, [], replace(EQUAL, a4_hz=442.0)).total
    shifted = median([-12.0, 12.0, 4.0]) - 1200 * math.log2(442 / 440)
    assert higher.typical_cents == pytest.approx(shifted, abs=1e-6)


def test_without_a_drone_the_target_is_equal_and_counted() -> None:
    rows = [row(replace(heard("C#4", 0.0), drone_hz=None, reference_hz=None))]
    week = read_week(rows, [], JUST)
    assert (week.total.landed, week.undroned) == (1, 1)
    assert read_week(_rows(0.0), [], JUST).undroned == 0


def test_notes_are_named_and_sorted_by_trouble() -> None:
    rows = [
        *_rows(0.0, 0.0, -20.0),
        *_rows(30.0, 30.0, 0.0, name="E4"),
        *_rows(0.0, 0.0, name="F#4"),  # 15.6 cents sharp of a pure sixth
        *_rows(2.0, 2.0, 2.0, name="E5"),
    ]
    week = read_week(rows, [], JUST)
    assert [(line.name, line.tally.count) for line in week.by_note] == [
        ("E4", 3),
        ("F#4", 2),
        ("A3", 3),
        ("E5", 3),
    ]


# --- Shifts -------------------------------------------------------------------------------------


def _shifted(source: str, name: str, cents: float, likely: float = 0.8) -> NoteRow:
    note = heard(name, cents, arrival=Arrival.SLIDE, slide_s=0.1)
    return row(replace(note, shift=shift(source, name, likely)))


@pytest.mark.parametrize(
    ("source", "target", "cents", "side"),
    [
        ("B3", "E4", -14.0, -1),
        ("B3", "E4", 14.0, 1),
        ("A4", "E4", 14.0, -1),
        ("A4", "E4", -14.0, 1),
    ],
)
def test_short_is_before_the_target_whichever_way_the_hand_moved(
    source: str, target: str, cents: float, side: int
) -> None:
    (line,) = read_week([_shifted(source, target, cents)], [], EQUAL).by_shift
    assert line.name == f"{source}→{target}"
    assert line.tally.side == side
    assert line.tally.typical_cents == pytest.approx(side * 14.0, abs=1e-6)


def test_shifts_are_counted_by_their_two_notes_with_their_likelihood() -> None:
    rows = [
        _shifted("B3", "G4", 20.0, 0.9),
        _shifted("B3", "G4", 24.0, 0.6),
        _shifted("D4", "G4", 0.0, 0.7),
        row(heard("G4", 0.0)),
    ]
    week = read_week(rows, [_shifted("B3", "G4", -20.0)], EQUAL)
    first, second = week.by_shift
    assert (first.name, first.pair, first.tally.count) == ("B3→G4", "59-67", 2)
    assert first.likely == pytest.approx(0.75)
    assert first.tally.typical_cents == pytest.approx(22.0)
    assert first.compared is not None
    assert first.compared.before.typical_cents == pytest.approx(-20.0)
    assert (second.name, second.tally.landed, second.compared) == ("D4→G4", 1, None)
    assert week.total.count == 4


def test_a_leap_and_a_shift_between_the_same_notes_are_two_lines() -> None:
    leap = row(replace(heard("G4", 20.0), shift=replace(shift("B3", "G4"), movement=Movement.LEAP)))
    week = read_week([leap, _shifted("B3", "G4", -20.0)], [leap], EQUAL)
    lines = {line.movement: line for line in week.by_shift}
    assert {how: line.name for how, line in lines.items()} == {
        Movement.LEAP: "B3→G4",
        Movement.SHIFT: "B3→G4",
    }
    assert lines[Movement.LEAP].tally.typical_cents == pytest.approx(20.0)
    assert lines[Movement.LEAP].compared and not lines[Movement.SHIFT].compared


# --- Against the week before ----------------------------------------------------------------------


def test_weeks_are_compared_on_the_notes_and_drones_of_both() -> None:
    on_d = replace(heard("A3", 0.0), drone_hz=146.83, reference_hz=146.83)
    faded = replace(heard("A3", 0.0), drone_hz=None)
    this = [*_rows(0.0, -20.0), *_rows(30.0, name="B4"), row(on_d), row(faded)]
    before = [*_rows(-20.0, -21.0, -22.0), *_rows(0.0, 0.0, name="G#4")]
    week = read_week(this, before, EQUAL)
    assert (week.total.count, week.before.count) == (5, 5)
    assert week.compared is not None
    compared = week.compared
    assert (compared.this.landed, compared.this.count) == (1, 2)
    assert (compared.before.landed, compared.before.count) == (0, 3)
    lines = {line.name: line.compared for line in week.by_note}
    assert lines["A3"] == compared
    assert lines["B4"] is None


def test_weeks_without_anything_in_common_are_not_compared() -> None:
    assert read_week(_rows(0.0), _rows(0.0, name="B3"), EQUAL).compared is None


# --- One landing --------------------------------------------------------------------------------


def test_a_landing_keeps_its_day_in_the_rooms_time_zone() -> None:
    late = instant(2026, 7, 12, 23, 30)  # Sunday night in Lisbon; in Tokyo it is Monday
    days = []
    for zone in (ZONE, ZoneInfo("Asia/Tokyo")):
        landing = judge(row(PLAIN, late), JUST, zone)
        assert isinstance(landing, Landing)
        days.append(landing.day.isoformat())
    assert days == ["2026-07-12", "2026-07-13"]


def test_landings_come_in_their_order_without_what_is_no_try() -> None:
    at = instant(2026, 2, 9)
    rows = [row(PLAIN, at.later(n), struck=n == 1) for n in range(4)]
    found = landings_of(rows, JUST, ZONE)
    assert [landing.row.ended_at.wall_s - at.wall_s for landing in found] == [0, 2, 3]


# --- Calendar -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "hours"),
    # The clocks of the European Union change on the last Sundays of March and October.
    [("2026-W12", 168), ("2026-W13", 167), ("2026-W43", 169), ("2026-W44", 168)],
)
def test_a_week_has_the_hours_the_clocks_give_it(name: str, hours: int) -> None:
    start, end = CalendarWeek.parse(name).bounds(ZoneInfo("Europe/Paris"))
    assert (end - start) / 3600 == hours


@pytest.mark.parametrize("zone", ["Europe/Lisbon", "America/New_York", "Asia/Kathmandu", "UTC"])
def test_every_moment_lies_in_exactly_its_week(zone: str) -> None:
    place = ZoneInfo(zone)
    for name in ("2025-W52", "2026-W01", "2026-W13", "2026-W44", "2026-W53"):
        week = CalendarWeek.parse(name)
        start, end = week.bounds(place)
        assert CalendarWeek.of(start, place) == CalendarWeek.of(end - 1, place) == week
        assert CalendarWeek.of(start - 1, place) == week.later(-1)
        assert CalendarWeek.of(end, place) == week.later(1)
        assert datetime.fromtimestamp(start, place).strftime("%a %H:%M") == "Mon 00:00"


def test_the_machines_own_zone_when_none_is_set(monkeypatch: pytest.MonkeyPatch) -> None:
    assert room_zone("") is None
    start, _ = CalendarWeek.parse("2026-W07").bounds(None)
    assert datetime.fromtimestamp(start).strftime("%a %H:%M") == "Mon 00:00"


def test_names_go_there_and_back() -> None:
    week = CalendarWeek.parse("2026-W53")
    assert str(week) == "2026-W53"
    assert str(week.later(1)) == "2027-W01"
    assert (week.monday.isoformat(), week.sunday.isoformat()) == ("2026-12-28", "2027-01-03")
    assert CalendarWeek.of(datetime(2027, 1, 1, tzinfo=UTC).timestamp(), None) == week


@pytest.mark.parametrize(
    "bad",
    ["", "2026", "2026-W00", "2026-W54", "2025-W53", "26-W07", "1969-W10", "2026-W7", "x" * 99],
)
def test_no_such_week(bad: str) -> None:
    with pytest.raises(WeekNameError, match=r"such as 2026-W07"):
        CalendarWeek.parse(bad)


@pytest.mark.parametrize("bad", ["Mars/Olympus", "../etc/passwd", "/etc/localtime", "x\0y"])
def test_no_such_time_zone(bad: str) -> None:
    with pytest.raises(SettingsError, match="time_zone"):
        room_zone(bad)


# --- What the foot has marked -------------------------------------------------------------------


def marked(cents: float, name: str = "A3", **marks: object) -> NoteRow:
    return replace(row(heard(name, cents)), marks=Marks(**marks))  # type: ignore[arg-type]


def test_paused_notes_and_rounds_are_kept_apart() -> None:
    rows = [
        *_rows(0.0, 0.0, 30.0),
        marked(0.0, paused=True),
        marked(0.0, in_round=True, try_number=1),
        marked(0.0, in_round=True),
        replace(marked(0.0, in_round=True), struck=True),
    ]
    week = read_week(rows, rows, JUST)
    assert (week.total.count, week.before.count) == (3, 3)
    assert (week.paused, week.in_rounds, week.struck) == (1, 2, 1)
    assert week.heard == len(rows)


def test_with_and_without_stand_side_by_side() -> None:
    silent = replace(heard("E4", 2.0), drone_hz=None)  # the drone had been stopped
    rows = [
        *_rows(0.0, 2.0, 30.0),
        *(marked(cents, without=True) for cents in (-30.0, 3.0)),
        marked(2.0, "E4", without=True),
        row(heard("C#4", -13.7)),
        row(silent),
    ]
    beside = read_week(rows, [], JUST).beside
    assert (beside.with_drone.count, beside.with_drone.landed) == (4, 3)
    assert (beside.without.count, beside.without.landed) == (3, 2)
    # only A3 was played both ways
    assert (beside.alike_with.count, beside.alike_with.landed) == (3, 2)
    assert (beside.alike_without.count, beside.alike_without.landed) == (2, 1)
