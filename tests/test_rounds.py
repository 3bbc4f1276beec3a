"""Rounds: what is a try, and when enough have landed; the rules are the design's."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.practice.rounds import Goal, Part, Round, goal_of
from appliance.tuning import Target, note_hz, parse_note, target
from appliance.vocabulary import Arrival, HeardNote
from tests.log_rows import PLAIN, UNMEASURED, bent

B3, G4, A4, C4 = (note_hz(parse_note(name)) for name in ("B3", "G4", "A4", "C4"))
AIM = target(G4, a4_hz=440.0, tuning="equal")
GOAL = Goal(B3, AIM)


def note(  # noqa: PLR0917 - as in a score, one thing after the other
    hz: float,
    start_s: float,
    landing_cents: float = 0.0,
    settled_cents: float | None = None,
    seconds: float = 0.8,
    arrival: Arrival = Arrival.BOW,
    repeat: bool = False,
) -> HeardNote:
    settled = landing_cents if settled_cents is None else settled_cents
    return replace(
        PLAIN,
        start_s=start_s,
        end_s=start_s + seconds,
        landing_hz=bent(hz, landing_cents),
        settled_hz=bent(hz, settled),
        arrival=arrival,
        repeat=repeat,
    )


def parts(*notes: HeardNote, goal: Goal = GOAL) -> list[Part | None]:
    played = Round(goal, 5, 10.0)
    return [played.hear(one, key) for key, one in enumerate(notes)]


def shift(at_s: float, landing_cents: float, **more: float) -> list[HeardNote]:
    """B3, then G4 by a slide."""
    return [
        note(B3, at_s),
        note(G4, at_s + 0.9, landing_cents, arrival=Arrival.SLIDE, **more),  # type: ignore[arg-type]
    ]


def test_five_landed_in_a_row_win_and_one_that_fails_begins_the_count_again() -> None:
    played = Round(GOAL, 5, 10.0)
    counts = []
    errors = (4.0, -9.0, -31.0, 2.0, 9.99, -9.99, 0.0, 10.01, 0.0, 1.0, 2.0, 3.0, 4.0)
    for number, error in enumerate(errors):
        for one in shift(5.0 * number, error):
            played.hear(one, number)
        counts.append(played.in_a_row)
        assert played.won == (counts[-1] == 5)
    assert counts == [1, 2, 0, 1, 2, 3, 4, 0, 1, 2, 3, 4, 5]
    assert [one.landing_cents for one in played.tries] == pytest.approx(errors)


@pytest.mark.parametrize("needed", [1, 3, 20])
def test_how_many_must_land_is_a_setting(needed: int) -> None:
    played = Round(GOAL, needed, 10.0)
    for number in range(needed):
        assert not played.won
        played.hear(note(G4, 10.0 * number), number)
    assert played.won


@pytest.mark.parametrize(
    ("silent_s", "part"), [(0.5, None), (0.95, None), (1.0, Part.TRY), (1.05, Part.TRY)]
)
def test_after_a_second_nothing_is_left_of_another_note(silent_s: float, part: Part | None) -> None:
    """A wrong note, then the target: straight from it that is another arrival, and no try."""
    assert parts(note(C4, 0.0), note(G4, 0.8 + silent_s)) == [None, part]


@pytest.mark.parametrize("off_cents", [-71.0, -69.0, 0.0, 69.0, 71.0])
def test_the_note_to_come_from_may_be_off_but_not_be_another(off_cents: float) -> None:
    lead = Part.LEAD if abs(off_cents) <= 70.0 else None
    led = Part.TRY if lead else None
    assert parts(note(B3, 0.0, off_cents), note(G4, 0.9)) == [lead, led]


def test_a_try_starts_from_the_first_note_or_from_silence_on_the_target() -> None:
    assert parts(*shift(0.0, 5.0)) == [Part.LEAD, Part.TRY]
    assert parts(note(G4, 0.0), note(G4, 3.0)) == [Part.TRY, Part.TRY]
    # through another note the target is only passed: in a scale, say
    assert parts(note(B3, 0.0), note(A4, 0.9), note(G4, 1.8)) == [Part.LEAD, None, None]


def test_other_notes_and_stops_between_tries_change_nothing() -> None:
    between = [note(A4, 10.0), note(C4, 11.0), UNMEASURED]
    found = parts(*shift(0.0, 5.0), *between, *shift(60.0, 5.0))
    assert found == [Part.LEAD, Part.TRY, None, None, None, Part.LEAD, Part.TRY]


def test_a_finger_left_in_place_is_no_try_and_one_set_down_again_is() -> None:
    again = note(G4, 2.0, 1.0, repeat=True)
    assert parts(*shift(0.0, 0.0), again) == [Part.LEAD, Part.TRY, None]
    assert parts(*shift(0.0, 0.0), note(G4, 2.0, 20.0)) == [Part.LEAD, Part.TRY, Part.TRY]
    wobble = note(G4, 1.7, 20.0, arrival=Arrival.STEP)
    assert parts(*shift(0.0, 0.0), wobble) == [Part.LEAD, Part.TRY, None]


@pytest.mark.parametrize(
    ("landing", "settled", "part"),
    [
        (-99.9, -99.9, Part.TRY),
        (99.9, 99.9, Part.TRY),
        (-101.0, -101.0, None),
        (101.0, 101.0, None),
        (-149.0, 0.0, Part.TRY),  # a landing may lie 150 cents away from the note that was meant
        (-151.0, 0.0, None),
        (1200.0, 1200.0, None),
        (0.0, -1200.0, None),
    ],
)
def test_a_note_more_than_a_semitone_off_is_not_a_try(
    landing: float, settled: float, part: Part | None
) -> None:
    assert parts(note(B3, 0.0), note(G4, 0.9, landing, settled))[1] is part


def test_a_try_that_was_misheard_neither_counts_nor_breaks_the_row() -> None:
    played = Round(GOAL, 3, 10.0)
    for number in range(3):
        played.hear(note(G4, 10.0 * number), number)
        played.hear(note(G4, 10.0 * number + 5.0, 1200.0), 100 + number)
        played.hear(replace(UNMEASURED, start_s=10.0 * number + 7.0), 200 + number)
    assert played.won and len(played.tries) == 3


def test_a_round_on_a_semitone_tells_its_two_notes_apart() -> None:
    goal = Goal(B3, target(C4, a4_hz=440.0, tuning="equal"))
    found = parts(note(B3, 0.0), note(C4, 0.9), note(C4, 2.0, 20.0), note(B3, 3.0), goal=goal)
    assert found == [Part.LEAD, Part.TRY, Part.TRY, Part.LEAD]


def test_a_round_from_silence_has_no_note_to_come_from() -> None:
    goal = Goal(None, AIM)
    assert parts(note(B3, 0.0), note(G4, 0.9), note(G4, 5.0), goal=goal) == [None, None, Part.TRY]


def test_a_struck_try_was_none() -> None:
    played = Round(GOAL, 2, 10.0)
    for key, error in enumerate((0.0, -40.0, 0.0)):
        played.hear(note(G4, 10.0 * key, error), key)
    assert not played.won
    played.strike(1)
    assert played.won
    played.strike(99)
    assert len(played.tries) == 2


def test_the_arrival_just_played_is_the_goal() -> None:
    before, last = shift(0.0, 0.0)
    assert goal_of(last, before, AIM) == GOAL
    assert goal_of(replace(last, start_s=3.7), before, AIM) == GOAL
    assert goal_of(replace(last, start_s=3.9), before, AIM) == Goal(None, AIM)
    assert goal_of(last, None, AIM) == Goal(None, AIM)


def test_inside_a_span_every_landing_has_landed() -> None:
    span = Target(67, G4, bent(G4, 20.0))
    played = Round(Goal(None, span), 5, 5.0)
    for key, error in enumerate((0.0, 10.0, 20.0, 24.99, -4.99)):
        played.hear(note(G4, 10.0 * key, error), key)
    assert played.won


PLAYED = st.lists(
    st.tuples(
        st.sampled_from([B3, G4, A4, C4, 2 * G4]),
        st.floats(-49.0, 49.0),
        st.floats(0.1, 3.0),
        st.sampled_from(Arrival),
        st.booleans(),
    ),
    max_size=40,
)


@given(PLAYED)
def test_a_round_is_only_ever_won_by_tries_inside_the_band(
    line: list[tuple[float, float, float, Arrival, bool]],
) -> None:
    played, at_s = Round(GOAL, 3, 10.0), 0.0
    for key, (hz, off, gap_s, arrival, repeat) in enumerate(line):
        at_s += gap_s + 0.8
        one = note(hz, at_s, off, arrival=arrival, repeat=repeat)
        tries = len(played.tries)
        part = played.hear(one, key)
        assert (len(played.tries) > tries) == (part is Part.TRY)
        if part is Part.TRY:
            assert hz == G4 and not repeat
    tail = [abs(one.landing_cents) <= 10.0 for one in played.tries[-3:]]
    assert played.won == (len(tail) == 3 and all(tail))
