"""Which note a call speaks of, and when it is answered; the rules are the design's."""

from collections import defaultdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.practice.calls import Called, Calls, Due, Fate, answer_to
from appliance.practice.cues import Cue
from appliance.vocabulary import Call, Instant


def at(seconds: float) -> Instant:
    return Instant(1e9 + seconds, seconds, "boot", True)


def due(call: Call, seconds: float, key: int | None, landing_hz: float | None = None) -> Due:
    return Due(Called(call, at(seconds)), key, landing_hz)


@pytest.fixture
def calls() -> Calls:
    """A note from 10 s to 12 s was heard and is logged under the key 7."""
    calls = Calls()
    calls.note_landed(10.0)
    calls.note_ended(7, 10.0, 12.0)
    return calls


def test_without_any_note_there_is_nothing_to_call() -> None:
    calls = Calls()
    assert calls.give(Call.FLAT, at(3.0)) is Fate.NOTHING
    assert calls.due(99.0) is None


def test_a_call_that_the_foot_heard_refused_stays_refused_whatever_is_told_later() -> None:
    """A note had ended just before it, the first of the evening, and the ear was still to tell."""
    calls = Calls()
    assert calls.give(Call.FLAT, at(10.0)) is Fate.NOTHING
    calls.note_ended(7, 9.5, 9.9)
    assert calls.to_log() == [] and calls.due(99.0) is None


@pytest.mark.parametrize(
    ("called_s", "fate"),
    [(12.0, Fate.ATTACHED), (19.99, Fate.ATTACHED), (20.0, Fate.NOTHING)],
)
def test_the_last_note_can_be_called_for_eight_seconds(
    calls: Calls, called_s: float, fate: Fate
) -> None:
    assert calls.give(Call.SHARP, at(called_s)) is fate
    found = calls.due(called_s + 2.0)
    assert found == (due(Call.SHARP, called_s, 7) if fate is Fate.ATTACHED else None)


@pytest.mark.parametrize(("called_s", "key"), [(13.49, 7), (13.5, 8)])
def test_the_sounding_note_is_called_once_it_has_lasted_half_a_second(
    calls: Calls, called_s: float, key: int
) -> None:
    calls.note_landed(13.0)
    calls.give(Call.FLAT, at(called_s))
    calls.note_ended(8, 13.0, 15.0)
    assert calls.due(called_s + 2.0) == due(Call.FLAT, called_s, key)


@pytest.mark.parametrize("told", ["landed", "ended"])
def test_a_note_the_ear_tells_of_only_after_the_call_is_the_one_that_was_called(
    calls: Calls, told: str
) -> None:
    assert calls.give(Call.FLAT, at(13.6)) is Fate.ATTACHED  # by then it had sounded for 0.6 s
    if told == "landed":
        calls.note_landed(13.0, 220.0)
        assert calls.due(15.6) == due(Call.FLAT, 13.6, None, 220.0)
        calls.note_ended(8, 13.0, 16.0)
        assert calls.to_log() == [(8, Called(Call.FLAT, at(13.6)))]
    else:
        calls.note_ended(8, 13.0, 13.4)  # shorter than it takes to land
        assert calls.due(15.6) == due(Call.FLAT, 13.6, 8)


def test_a_second_call_replaces_the_first_and_waits_its_own_two_seconds(calls: Calls) -> None:
    assert calls.give(Call.FLAT, at(13.0)) is Fate.ATTACHED
    assert calls.give(Call.SHARP, at(14.99)) is Fate.ATTACHED
    assert calls.due(16.98) is None
    assert calls.give(Call.IN_TUNE, at(16.98)) is Fate.ATTACHED
    assert calls.due(18.98) == due(Call.IN_TUNE, 16.98, 7)
    assert calls.due(99.0) is None


def test_the_answer_comes_once_and_makes_the_call_final(calls: Calls) -> None:
    calls.give(Call.FLAT, at(13.0))
    assert calls.due(14.99) is None
    assert calls.due(15.0) == due(Call.FLAT, 13.0, 7)
    assert calls.due(15.0) is None
    assert calls.give(Call.SHARP, at(15.01)) is Fate.FINAL
    assert calls.due(99.0) is None


def test_a_call_begun_while_the_note_sounded_is_replaced_after_its_end(calls: Calls) -> None:
    calls.note_landed(13.0)
    calls.give(Call.FLAT, at(14.0))
    calls.note_ended(8, 13.0, 14.5)
    assert calls.give(Call.SHARP, at(15.9)) is Fate.ATTACHED
    assert calls.due(17.9) == due(Call.SHARP, 15.9, 8)
    assert calls.due(99.0) is None


def test_a_note_that_still_sounds_is_answered_by_its_landing(calls: Calls) -> None:
    calls.note_landed(13.0, 220.5)
    calls.give(Call.SHARP, at(14.0))
    assert calls.due(16.0) == due(Call.SHARP, 14.0, None, 220.5)
    assert calls.give(Call.FLAT, at(16.5)) is Fate.FINAL
    assert calls.to_log() == []  # it has no place in the log yet
    calls.note_ended(8, 13.0, 17.0)
    assert calls.to_log() == [(8, Called(Call.SHARP, at(14.0)))]


def test_a_note_whose_landing_is_not_known_yet_is_answered_at_its_end(calls: Calls) -> None:
    calls.note_landed(13.0)
    calls.give(Call.SHARP, at(14.0))
    assert calls.due(20.0) is None
    calls.note_ended(8, 13.0, 21.0)
    assert calls.due(21.0) == due(Call.SHARP, 14.0, 8)


def test_calls_on_two_notes_are_both_answered(calls: Calls) -> None:
    calls.give(Call.FLAT, at(13.0))
    calls.note_ended(8, 13.2, 13.9)
    calls.give(Call.SHARP, at(14.0))
    assert calls.due(15.0) == due(Call.FLAT, 13.0, 7)
    assert calls.due(15.0) is None
    assert calls.due(16.0) == due(Call.SHARP, 14.0, 8)


def test_a_note_that_is_struck_out_can_neither_be_called_nor_answered(calls: Calls) -> None:
    calls.note_ended(8, 12.5, 12.9)
    calls.give(Call.FLAT, at(13.0))
    calls.forget()
    assert calls.due(15.0) is None
    assert calls.give(Call.FLAT, at(14.0)) is Fate.NOTHING


def test_the_next_note_may_land_before_the_end_of_the_last_is_known(calls: Calls) -> None:
    calls.note_landed(13.0)
    calls.give(Call.FLAT, at(14.0))
    calls.note_landed(15.0)
    calls.note_ended(8, 13.0, 15.0)
    assert calls.sounding
    assert calls.give(Call.SHARP, at(15.6)) is Fate.ATTACHED
    assert calls.due(16.0) == due(Call.FLAT, 14.0, 8)
    calls.note_ended(9, 15.0, 16.0)
    assert calls.due(17.6) == due(Call.SHARP, 15.6, 9)
    assert not calls.sounding


def test_a_beginning_that_never_ended_was_no_note(calls: Calls) -> None:
    calls.note_landed(13.0)  # the ear took it back
    calls.note_landed(14.0)
    calls.note_ended(8, 14.0, 15.0)
    assert not calls.sounding


def test_a_call_on_a_beginning_that_was_none_is_not_given_to_the_next_note(calls: Calls) -> None:
    calls.note_landed(30.0, 220.0)
    calls.give(Call.FLAT, at(31.0))
    assert calls.due(33.0) == due(Call.FLAT, 31.0, None, 220.0)
    calls.note_ended(8, 40.0, 40.3)
    assert not calls.sounding
    assert calls.to_log() == []


def test_a_call_is_for_the_log_at_once_and_the_one_that_replaces_it_too(calls: Calls) -> None:
    calls.give(Call.FLAT, at(13.0))
    assert calls.to_log() == [(7, Called(Call.FLAT, at(13.0)))]
    assert calls.to_log() == []
    calls.give(Call.SHARP, at(14.0))
    assert calls.to_log() == [(7, Called(Call.SHARP, at(14.0)))]
    assert calls.due(16.0) == due(Call.SHARP, 14.0, 7)
    assert calls.to_log() == []  # what has become final was there already


def test_a_call_that_spoke_of_a_note_not_told_yet_is_moved_in_the_log(calls: Calls) -> None:
    calls.give(Call.FLAT, at(13.0))
    calls.give(Call.SHARP, at(13.6))
    assert calls.to_log() == [(7, Called(Call.SHARP, at(13.6)))]
    calls.note_ended(8, 13.1, 13.5)  # told late: the second call was on this one
    assert calls.to_log() == [
        (7, Called(Call.FLAT, at(13.0))),
        (8, Called(Call.SHARP, at(13.6))),
    ]


def test_a_call_that_leaves_no_other_behind_is_taken_back(calls: Calls) -> None:
    calls.give(Call.FLAT, at(13.6))
    assert calls.to_log() == [(7, Called(Call.FLAT, at(13.6)))]
    calls.note_landed(13.0)
    assert calls.to_log() == [(7, None)]
    calls.note_ended(8, 13.0, 15.0)
    assert calls.to_log() == [(8, Called(Call.FLAT, at(13.6)))]


def test_a_struck_note_keeps_the_call_that_the_log_has(calls: Calls) -> None:
    calls.give(Call.FLAT, at(13.0))
    calls.to_log()
    calls.forget()
    assert calls.to_log() == []


@given(
    st.lists(st.tuples(st.floats(0.05, 3.0), st.floats(0.05, 3.0)), min_size=1, max_size=20),
    st.lists(st.floats(0.0, 90.0), max_size=10),
    st.floats(0.0, 0.9),
)
def test_however_late_the_ear_tells_a_call_reaches_the_same_note(
    line: list[tuple[float, float]], presses: list[float], late_s: float
) -> None:
    """Against the rule written out over the whole evening, which knows all notes at once."""
    calls, notes, at_s = Calls(), [], 0.0
    for gap_s, seconds in line:
        notes.append((at_s + gap_s, at_s + gap_s + seconds))
        at_s = notes[-1][1]
    ended = [(end + late_s, "end", key) for key, (_, end) in enumerate(notes)]
    landed = [
        (begin + 0.45 + late_s, "land", key)
        for key, (begin, end) in enumerate(notes)
        if end - begin > 0.45
    ]
    moments = sorted([*landed, *ended, *((press, "press", 0) for press in presses)])
    taken: dict[int, list[float]] = defaultdict(list)
    log: dict[int, Called | None] = {}
    for now_s, what, key in [*moments, (1e9, "night", 0)]:
        while calls.due(now_s) is not None:
            pass
        if what == "land":
            calls.note_landed(notes[key][0], 220.0)
        elif what == "end":
            calls.note_ended(key, *notes[key])
        elif what == "press" and calls.give(Call.FLAT, at(now_s)) is Fate.ATTACHED:
            spans = [k for k, (b, e) in enumerate(notes) if b + 0.5 <= now_s < e]
            before = [k for k, (_, e) in enumerate(notes) if e <= now_s < e + 8.0]
            taken[spans[-1] if spans else before[-1]].append(now_s)
        log.update(calls.to_log())
    found = {key: called.at.monotonic_s for key, called in log.items() if called}
    assert set(found) == set(taken)  # no call is lost
    assert all(press in taken[key] for key, press in found.items())


@pytest.mark.parametrize(
    ("call", "landing_cents", "answer"),
    [
        # the design's rule: a side from 5 cents on, in tune inside the band, both in between
        (Call.FLAT, -5.0, Cue.AGREES),
        (Call.FLAT, -4.9, Cue.WAS_IN_TUNE),
        (Call.FLAT, 4.9, Cue.WAS_IN_TUNE),
        (Call.FLAT, 5.0, Cue.WAS_SHARP),
        (Call.SHARP, 5.0, Cue.AGREES),
        (Call.SHARP, 4.9, Cue.WAS_IN_TUNE),
        (Call.SHARP, -30.0, Cue.WAS_FLAT),
        (Call.IN_TUNE, 10.0, Cue.AGREES),
        (Call.IN_TUNE, -10.0, Cue.AGREES),
        (Call.IN_TUNE, 10.1, Cue.WAS_SHARP),
        (Call.IN_TUNE, -10.1, Cue.WAS_FLAT),
    ],
)
def test_the_answer_agrees_or_says_what_it_was(
    call: Call, landing_cents: float, answer: Cue
) -> None:
    assert answer_to(call, landing_cents, 10.0) is answer
