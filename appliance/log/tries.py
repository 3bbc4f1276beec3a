"""A round read from the log: its tries in order, with landing, side and call. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from appliance.log.columns import columns_of
from appliance.log.records import NoteRow, RoundRow, parse_id
from appliance.tuning import Target, error_cents, nearest_note
from appliance.vocabulary import Call

NEARLY_BANDS = 2.0  # so many times the band off a try was nearly in


class Word(StrEnum):
    """What became of a try, in a word; short stopped before the target, long went past it."""

    IN = "in"
    NEARLY = "nearly"
    SHORT = "short"
    LONG = "long"
    FLAT = "flat"  # from silence no hand has gone too far or not far enough
    SHARP = "sharp"


@dataclass(frozen=True, slots=True)
class TryLine:
    """One try: its landing, sharp positive, what became of it, and what the player called it."""

    number: int
    landing_cents: float
    word: Word
    call: Call | None


def tries_of(played: RoundRow, rows: Sequence[NoteRow]) -> list[TryLine]:
    """Return the tries of one round among some rows, in the order they were played.

    A struck-out try was none. The round's own target and band count, whatever the page's tuning.
    """
    key, lines = parse_id(played.round_id), []
    for part in columns_of(rows).parts:
        tries = (part.round_key == key) & ~np.isnan(part.try_number) & ~part.struck
        for place in np.flatnonzero(tries & ~np.isnan(part.landing_hz)).tolist():
            aim = _target(played, float(part.a4_hz[place]))
            cents = error_cents(float(part.landing_hz[place]), aim)
            number, call = int(part.try_number[place]), part.calls[place]
            lines.append(TryLine(number, cents, _word(played, cents), call))
    return sorted(lines, key=lambda line: line.number)


def _target(played: RoundRow, a4_hz: float) -> Target:
    low_hz, high_hz = played.goal.target_low_hz, played.goal.target_high_hz
    return Target(nearest_note(low_hz, a4_hz), low_hz, high_hz)


def _word(played: RoundRow, cents: float) -> Word:
    goal = played.goal
    if abs(cents) <= goal.band_cents:
        return Word.IN
    if abs(cents) <= NEARLY_BANDS * goal.band_cents:
        return Word.NEARLY
    if goal.from_hz is None:
        return Word.SHARP if cents > 0.0 else Word.FLAT
    went_up = goal.target_low_hz > goal.from_hz
    return Word.LONG if (cents > 0.0) is went_up else Word.SHORT
