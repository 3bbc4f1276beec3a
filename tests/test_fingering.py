"""Shifts in passages of known fingering: where the sound decides, two limits hold."""

from itertools import pairwise

import numpy as np
import pytest

from appliance.instruments import INSTRUMENTS
from tests.bench.shifts import (
    DECIDED_SHIFTS,
    DECIDED_STILL,
    HARD,
    SURE_OF_SHIFT,
    SURE_OF_STILL,
    Counts,
    measure,
    table,
)
from tests.fingering import HANDS, SHIFTS, Case, Fingered, Passages, passages
from tests.informed import InformedListener

SEED = 9100  # seeds from 9000 on are for reports, not for tuning
ENOUGH = 20  # fewer arrivals make no share


@pytest.fixture(scope="module", params=HANDS)
def counts(request: pytest.FixtureRequest) -> Counts:
    return measure(request.param, SEED, count=75)


def test_nine_of_ten_shifts_that_the_sound_decides_are_reported(counts: Counts) -> None:
    assert counts.share(DECIDED_SHIFTS) >= 0.9
    for case in (*DECIDED_SHIFTS, SURE_OF_SHIFT):
        assert counts.arrivals[case] < ENOUGH or counts.share([case]) >= 0.9, case


def test_one_in_twenty_at_most_is_reported_with_the_hand_still(counts: Counts) -> None:
    assert counts.share(DECIDED_STILL) <= 0.05
    assert counts.share([SURE_OF_STILL]) <= 0.05
    assert counts.share([Case.STILL_OPEN]) <= 0.05
    assert counts.share([Case.STILL_ACROSS]) <= 0.05  # the hard case keeps to it, too


def test_every_case_has_its_row_and_is_played(counts: Counts) -> None:
    rows = table({"an instrument": counts})
    assert all(sum(row.startswith(f"{case} ") for row in rows) == 1 for case in Case)
    assert set(DECIDED_SHIFTS + DECIDED_STILL + HARD) == set(Case)
    assert all(counts.arrivals[case] for case in Case if case is not Case.SHIFT_BEYOND)


@pytest.mark.parametrize("name", HANDS)
def test_the_informed_listener_is_right_as_often_as_it_says(name: str) -> None:
    """The check of every probability: of the arrivals it calls 70 % likely, 70 % are shifts."""
    said: list[float] = []
    moved: list[bool] = []
    for passage in passages(name, 5, 30, 60):
        listener = InformedListener(name)
        for note in passage:
            likely = listener.hear(note)
            if note.case is not None:
                said.append(likely)
                moved.append(note.case in SHIFTS)
    likely, truly = np.array(said), np.array(moved, dtype=float)
    for low, high in pairwise((0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.001)):
        inside = (likely >= low) & (likely < high)
        spread = np.sqrt(np.sum(likely[inside] * (1.0 - likely[inside])))
        off = abs(float(truly[inside].sum() - likely[inside].sum()))
        assert off <= 4.0 * spread + 1.0, (low, high)


def test_every_instrument_with_a_hand_has_passages() -> None:
    assert list(HANDS) == [each.name for each in INSTRUMENTS.values() if each.frame_semitones]


@pytest.mark.parametrize("name", HANDS)
def test_the_same_seed_plays_the_same_in_range(name: str) -> None:
    first, again = (list(passages(name, 3, 4, 40)) for _ in range(2))
    assert first == again
    instrument = INSTRUMENTS[name]
    for note in (note for passage in first for note in passage):
        assert instrument.lowest - 0.5 < note.midi < instrument.highest + 0.5


def _cases(name: str, seed: int = 5) -> list[tuple[Fingered, Fingered]]:
    played = Passages(name, seed).passage(4000)
    return list(pairwise(played))


@pytest.mark.parametrize("name", HANDS)
def test_what_no_hand_can_hold_is_farther_than_its_strings_and_frame(name: str) -> None:
    """By another route: all pairs a standing hand can hold, over the whole neck."""
    strings, reach = INSTRUMENTS[name].strings, HANDS[name][1]
    held = set()
    for place in range(1, 13):
        under = {
            string + finger for string in strings for finger in range(place, place + reach + 1)
        }
        under |= set(strings)
        held |= {(one, other) for one in under for other in under}
    for before, after in _cases(name):
        if after.case in SHIFTS - {Case.SHIFT_SLID, Case.SHIFT_OPEN}:
            is_held = (round(before.midi), round(after.midi)) in held
            assert is_held is (after.case is not Case.SHIFT_BEYOND)
        elif after.case in {Case.STILL_ON_STRING, Case.STILL_ACROSS, Case.STILL_OPEN}:
            assert (round(before.midi), round(after.midi)) in held
