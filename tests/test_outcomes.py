"""Landed, rescued, missed, unsure; and which calls are right."""

from dataclasses import replace

import pytest

from appliance.tuning import (
    Target,
    accepted_calls,
    outcome,
    target,
    unsure,
)
from appliance.vocabulary import Arrival, Call, HeardNote, Outcome

A3_HZ = 220.0


@pytest.mark.parametrize(
    ("off_cents", "expected"),
    [(0, False), (34.9, False), (35.1, True), (50, True), (64.9, True), (65.1, False)],
)
def test_between_two_semitones_nobody_is_sure(off_cents: float, expected: bool) -> None:
    settled_hz = 442.0 * 2 ** (off_cents / 1200)
    assert unsure(settled_hz, 442.0) is expected
    assert target(settled_hz, a4_hz=442.0).unsure is expected


def _heard(landing_cents: float, settled_cents: float) -> HeardNote:
    return HeardNote(
        start_s=0.0,
        end_s=1.0,
        landing_hz=A3_HZ * 2 ** (landing_cents / 1200),
        landing_uncertainty_cents=0.5,
        settled_hz=A3_HZ * 2 ** (settled_cents / 1200),
        arrival=Arrival.BOW,
        slide_s=None,
        vibrato=None,
        shift=None,
        drone_hz=A3_HZ,
        reference_hz=A3_HZ,
        measurable=True,
        repeat=False,
        level_db=-20.0,
    )


@pytest.mark.parametrize(
    ("landing_cents", "settled_cents", "expected"),
    [
        (0, 0, Outcome.LANDED),
        (-9.9, 0, Outcome.LANDED),
        (9.9, -20, Outcome.LANDED),  # landed, then drifted off: the landing decides
        (-10.1, 9.9, Outcome.RESCUED),
        (150, 3, Outcome.RESCUED),  # a landing 150 cents away still belongs to the note
        (-10.1, -10.1, Outcome.MISSED),
        (30, 20, Outcome.MISSED),
        (0, 45, Outcome.UNSURE),
    ],
)
def test_outcomes(landing_cents: float, settled_cents: float, expected: Outcome) -> None:
    note = _heard(landing_cents, settled_cents)
    assert note.settled_hz is not None
    meant = target(note.settled_hz, a4_hz=440.0, reference_hz=A3_HZ)
    assert outcome(note, meant, 10.0) is expected


def test_a_wider_band_forgives_more() -> None:
    meant = Target(57, A3_HZ, A3_HZ)
    assert outcome(_heard(-25, 20), meant, 30.0) is Outcome.LANDED
    assert outcome(_heard(-25, 4), meant, 5.0) is Outcome.RESCUED


def test_what_cannot_be_measured_is_not_judged() -> None:
    meant = Target(57, A3_HZ, A3_HZ)
    note = replace(_heard(0, 0), measurable=False, landing_hz=None, settled_hz=None)
    assert outcome(note, meant, 10.0) is Outcome.NOT_MEASURABLE


@pytest.mark.parametrize(
    ("landing_cents", "right"),
    [
        (-10.1, {Call.FLAT}),
        (-10.0, {Call.FLAT, Call.IN_TUNE}),
        (-5.0, {Call.FLAT, Call.IN_TUNE}),
        (-4.9, {Call.IN_TUNE}),
        (0.0, {Call.IN_TUNE}),
        (4.9, {Call.IN_TUNE}),
        (5.0, {Call.SHARP, Call.IN_TUNE}),
        (10.0, {Call.SHARP, Call.IN_TUNE}),
        (10.1, {Call.SHARP}),
    ],
)
def test_which_calls_are_right(landing_cents: float, right: set[Call]) -> None:
    """Our own rule: two of the calls are right between 5 cents and the band's edge."""
    assert accepted_calls(landing_cents, 10.0) == right
