"""Bias and spread told apart: does a note land off to one side, or anywhere? Pure.

Always 12 cents flat is one problem, a place for the finger that is learnt wrong; anywhere within 15
cents is another, a place that is not learnt yet. What is said rests on the landings under and over
the target, errors under three cents left out, by the exact two-sided sign test (Dixon & Mood, The
statistical sign test, J. Amer. Statist. Assoc. 41 (1946) 557-566; from memory), and on how far four
of five landings reach.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from appliance.log.judging import Landing
from appliance.log.tallies import FEW, Tally
from appliance.log.weeks import tally_along
from appliance.tuning import UNGRADED_CENTS

FOUR_OF_FIVE = 0.8
ONE_SIDED = 0.05  # the chance at which a side would be called one though there is none


class Pattern(StrEnum):
    """How the landings of a note or shift lie."""

    FEW = "few"  # fewer than eight
    HELD = "held"  # four of five inside the band
    HABIT = "habit"  # off to one side, and close together
    BOTH = "both"  # off to one side, and scattered
    SCATTERED = "scattered"  # to both sides


@dataclass(frozen=True, slots=True)
class Lie:
    """How some landings lie; cents are sharp, or long, positive.

    ``below`` and ``above`` count errors of three cents and more. Four of five landings lie within
    ``within_cents`` of the target, and within ``around_cents`` of the typical one. ``chance`` is
    the sign test's: how likely so uneven sides are where there is no side.
    """

    pattern: Pattern
    below: int
    above: int
    count: int
    typical_cents: float
    within_cents: float
    around_cents: float
    chance: float

    @property
    def off(self) -> int:
        """How many landed on the side of most."""
        return max(self.below, self.above)


@dataclass(frozen=True, slots=True)
class BySlide:
    """The landings of a shift that slid audibly, and those that did not."""

    slid: Tally
    not_slid: Tally


def lie_of(landings: Sequence[Landing], tally: Tally, band_cents: float, *, along: bool) -> Lie:
    """Say how landings lie, at least one; ``along`` counts along a shift, long positive."""
    errors = [(one.direction if along else 1) * one.landing_cents for one in landings]
    return lie_of_errors(errors, tally.typical_cents or 0.0, band_cents)


def lie_of_errors(errors: Sequence[float], typical_cents: float, band_cents: float) -> Lie:
    """Say how landing errors (cents) lie about their typical one."""
    below = sum(error <= -UNGRADED_CENTS for error in errors)
    above = sum(error >= UNGRADED_CENTS for error in errors)
    within = reach(errors)
    around = reach([error - typical_cents for error in errors])
    chance = sign_test(below, above)
    sided = chance <= ONE_SIDED and abs(typical_cents) >= UNGRADED_CENTS
    if len(errors) < FEW:
        pattern = Pattern.FEW
    elif within <= band_cents:
        pattern = Pattern.HELD
    elif sided:
        pattern = Pattern.HABIT if around <= band_cents else Pattern.BOTH
    else:
        pattern = Pattern.SCATTERED
    return Lie(pattern, below, above, len(errors), typical_cents, within, around, chance)


def reach(errors: Sequence[float]) -> float:
    """Return the smallest distance from zero that holds four of five errors, or more."""
    sizes = sorted(map(abs, errors))
    return sizes[math.ceil(FOUR_OF_FIVE * len(sizes)) - 1]


def sign_test(below: int, above: int) -> float:
    """Return the exact two-sided chance of sides at least so uneven, were both as likely."""
    total = below + above
    tail = sum(math.comb(total, k) for k in range(min(below, above) + 1))
    return min(1.0, 2.0 * tail / 2.0**total)


def by_slide(landings: Sequence[Landing]) -> BySlide:
    """Count the landings of a shift that slid audibly apart from the others."""
    slid = [one for one in landings if one.slid]
    others = [one for one in landings if not one.slid]
    return BySlide(*(tally_along(group) for group in (slid, others)))
