"""Which note a call speaks of; the rules are the design's."""

import pytest

from appliance.practice.calls import Called, Calls, Due, Fate, Given, answer_to
from appliance.practice.cues import Cue
from appliance.vocabulary import Call, Instant


def at(seconds: float) -> Instant:
    return Instant(1e9 + seconds, seconds, "boot", True)


@pytest.fixture
def calls() -> Calls:
    """A note from 10 s to 12 s was heard and is logged under the key 7."""
    calls = Calls()
    calls.note_landed(10.0)
    assert calls.note_ended(7, 10.0, 12.0) is None
    return calls


def test_without_any_note_there_is_nothing_to_call() -> None:
    assert Calls().give(Call.FLAT, at(3.0)) == Given(Fate.NOTHING)


@pytest.mark.parametrize(
    ("called_s", "given"),
    [
        (12.0, Given(Fate.ATTACHED, 7)),
        (19.99, Given(Fate.ATTACHED, 7)),
        (20.0, Given(Fate.NOTHING)),
    ],
)
def test_the_last_note_can_be_called_for_eight_seconds(
    calls: Calls, called_s: float, given: Given
) -> None:
    assert calls.give(Call.SHARP, at(called_s)) == given


def test_a_note_that_has_just_begun_leaves_the_call_to_the_one_before(calls: Calls) -> None:
    calls.note_landed(13.0)
    assert calls.give(Call.FLAT, at(13.49)) == Given(Fate.ATTACHED, 7)


def test_a_call_on_the_sounding_note_comes_back_when_it_ends(calls: Calls) -> None:
    calls.note_landed(13.0)
    assert calls.give(Call.FLAT, at(13.5)) == Given(Fate.ATTACHED, None)
    assert calls.note_ended(8, 13.0, 15.0) == Called(Call.FLAT, at(13.5))


def test_a_note_too_short_to_have_landed_can_be_called(calls: Calls) -> None:
    assert calls.note_ended(8, 13.0, 13.2) is None
    assert calls.give(Call.IN_TUNE, at(13.6)) == Given(Fate.ATTACHED, 8)


def test_a_second_call_replaces_the_first_and_waits_its_own_two_seconds(calls: Calls) -> None:
    assert calls.give(Call.FLAT, at(13.0)).fate is Fate.ATTACHED
    assert calls.give(Call.SHARP, at(14.99)) == Given(Fate.ATTACHED, 7)
    assert calls.due(16.98) is None
    assert calls.give(Call.IN_TUNE, at(16.98)) == Given(Fate.ATTACHED, 7)
    assert calls.give(Call.FLAT, at(18.98)) == Given(Fate.FINAL)


def test_the_answer_comes_once_two_seconds_after_the_call_and_makes_it_final(calls: Calls) -> None:
    calls.give(Call.FLAT, at(13.0))
    assert calls.due(14.99) is None
    assert calls.due(15.0) == Due(Call.FLAT, 7, None)
    assert calls.due(15.0) is None
    assert calls.give(Call.SHARP, at(15.01)) == Given(Fate.FINAL)


def test_the_last_call_on_a_sounding_note_counts(calls: Calls) -> None:
    calls.note_landed(13.0)
    calls.give(Call.FLAT, at(14.0))
    calls.give(Call.SHARP, at(15.0))
    assert calls.give(Call.IN_TUNE, at(17.0)) == Given(Fate.FINAL)
    assert calls.note_ended(8, 13.0, 17.5) == Called(Call.SHARP, at(15.0))


def test_a_call_begun_while_the_note_sounded_is_replaced_after_its_end(calls: Calls) -> None:
    calls.note_landed(13.0)
    calls.give(Call.FLAT, at(14.0))
    calls.note_ended(8, 13.0, 14.5)
    assert calls.give(Call.SHARP, at(15.9)) == Given(Fate.ATTACHED, 8)
    assert calls.give(Call.SHARP, at(17.9)) == Given(Fate.FINAL)


def test_a_note_that_still_sounds_is_answered_by_its_landing(calls: Calls) -> None:
    calls.note_landed(13.0, 220.5)
    calls.give(Call.SHARP, at(14.0))
    assert calls.due(16.0) == Due(Call.SHARP, None, 220.5)


def test_a_note_whose_landing_is_not_known_yet_is_answered_at_its_end(calls: Calls) -> None:
    calls.note_landed(13.0)
    calls.give(Call.SHARP, at(14.0))
    assert calls.due(20.0) is None
    calls.note_ended(8, 13.0, 21.0)
    assert calls.due(21.0) == Due(Call.SHARP, 8, None)


def test_a_new_call_on_another_note_leaves_the_first_one_final(calls: Calls) -> None:
    calls.give(Call.FLAT, at(13.0))
    calls.note_landed(13.2)
    calls.note_ended(8, 13.2, 13.9)
    calls.give(Call.SHARP, at(14.0))
    assert calls.due(16.0) == Due(Call.SHARP, 8, None)


def test_a_note_that_is_struck_out_can_neither_be_called_nor_answered(calls: Calls) -> None:
    calls.give(Call.FLAT, at(13.0))
    calls.forget()
    assert calls.due(15.0) is None
    assert calls.give(Call.FLAT, at(14.0)) == Given(Fate.NOTHING)


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


def test_the_next_note_may_land_before_the_end_of_the_last_is_known(calls: Calls) -> None:
    calls.note_landed(13.0)
    calls.give(Call.FLAT, at(14.0))
    calls.note_landed(15.0)
    assert calls.note_ended(8, 13.0, 15.0) == Called(Call.FLAT, at(14.0))
    assert calls.sounding
    assert calls.give(Call.SHARP, at(15.6)) == Given(Fate.ATTACHED, None)
    assert calls.note_ended(9, 15.0, 16.0) == Called(Call.SHARP, at(15.6))
    assert not calls.sounding
