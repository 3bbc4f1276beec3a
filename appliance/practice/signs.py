"""What the status light says, by its rhythm alone: colour and pitch say nothing. Pure.

==========  =====================================  ==========================================
sign        rhythm                                 means
==========  =====================================  ==========================================
starting    a second on, a second off              the room is not open yet
ready       a short flash every four seconds       it listens; nobody plays, or it is paused
hearing     on                                     a sitting is on
noted       on, and out for a moment               a note has been logged
trouble     two flashes, then a second of dark     the page says what is the matter
==========  =====================================  ==========================================

No rhythm has more than three flashes in any second (WCAG 2.2, success criterion 2.3.1).
"""

import math
from dataclasses import dataclass
from enum import StrEnum
from itertools import accumulate

NOTED_S = 0.2  # dark, long enough to be seen
TRY_OUT_S = 8.5  # five times the rhythm
BETWEEN_NOTED_S = 0.8  # a fast scale must not make it flicker


class Sign(StrEnum):
    """What the light says."""

    STARTING = "starting"
    READY = "ready"
    HEARING = "hearing"
    TROUBLE = "trouble"


# Seconds on, off, on, off …, again and again.
RHYTHMS: dict[Sign, tuple[float, ...]] = {
    Sign.STARTING: (1.0, 1.0),
    Sign.READY: (0.1, 3.9),
    Sign.HEARING: (1.0,),
    Sign.TROUBLE: (0.2, 0.3, 0.2, 1.0),
}


def is_lit(sign: Sign, since_s: float) -> bool:
    """Whether the light is on, so many seconds after it began to show a sign."""
    rhythm = RHYTHMS[sign]
    at_s = since_s % sum(rhythm)
    return sum(end_s <= at_s for end_s in accumulate(rhythm)) % 2 == 0


def sign_of(*, trouble: bool, sitting: bool, paused: bool) -> Sign:
    """What to show of an open room."""
    if trouble:
        return Sign.TROUBLE
    return Sign.HEARING if sitting and not paused else Sign.READY


@dataclass(slots=True)
class SignBoard:
    """What the light shows over time; times are seconds of one monotonic clock."""

    sign: Sign = Sign.STARTING
    since_s: float = 0.0
    noted_s: float = -BETWEEN_NOTED_S - NOTED_S
    trying_until_s: float = -math.inf

    def show(self, sign: Sign, at_s: float) -> None:
        """Begin another sign; the one that is on goes on."""
        if sign is not self.sign:
            self.sign, self.since_s = sign, at_s

    def note(self, at_s: float) -> None:
        """A note has been logged."""
        if at_s - self.noted_s >= NOTED_S + BETWEEN_NOTED_S:
            self.noted_s = at_s

    def try_out(self, at_s: float) -> None:
        """Show *trouble* for a moment, so that somebody can see whether the light works."""
        self.trying_until_s = at_s + TRY_OUT_S

    def lit(self, at_s: float) -> bool:
        """Whether the light is on."""
        if at_s < self.trying_until_s:
            return is_lit(Sign.TROUBLE, self.trying_until_s - at_s)
        dark = self.sign is Sign.HEARING and 0.0 <= at_s - self.noted_s < NOTED_S
        return not dark and is_lit(self.sign, at_s - self.since_s)
