"""How far from the truth a landing may lie: half of its 95 % interval, in cents.

Three things tell: how the pitch scatters or swings in the window, how far apart both estimators
read it, and what may be left of a drone. The factors are a quantile regression (Koenker & Bassett,
"Regression quantiles", Econometrica 46, 1978) of the errors on recorded tones (tests/bench, tuning
seeds), with no drone and with drones of -12 to +12 dB re the player. Of these, the disagreement of
the estimators tells most: through a drone of +12 dB the 95th percentile of the error is 0.4 cents
where they agree within 0.06, and 11 where they lie more than 2 apart. Three are no
longer the regression's: ``STILL_CENTS`` and ``STILL_LEFT_IN_OCTAVES`` were made smaller when less
came to be left of the drone, and ``STILL_ALONE`` was found beside them, on tuning seeds and on the
small run of the benchmark.
"""

import math

STILL_CENTS, STILL_SCATTER, STILL_APART = 0.08, 0.95, 0.95
SCATTER_CENTS, MOST_SCATTER = 4.0, 2.0  # a little scatter is the tone's own life, more is ours
STILL_LEFT, STILL_LEFT_IN_OCTAVES = 0.12, 1.0
STILL_ALONE = 1.08  # with no drone both estimators agree by so much more than they are right
SWING_CENTS, SWING_LEFT, SWING_SLOPE_S, SWING_APART = 0.24, 0.5, 0.13, 0.9
SWING_DRONE = 1.2
MOST_APART_CENTS = 15.0  # further apart, one of them has slipped: that says no more


def still(scatter: float, apart: float, left: float, *, in_octave: bool) -> float:
    """Of a pitch that stands still.

    Parameters
    ----------
    scatter : robust standard deviation within the window, cents
    apart : how far apart both estimators read it, cents
    left : what may be left of the drone, as a share of the player's amplitude: 0 (no drone) to 1
    in_octave : whether it is the drone's note in some octave, where what is left pulls at every
        partial
    """
    scattered = STILL_SCATTER * scatter * (1 + min(scatter, MOST_SCATTER) / SCATTER_CENTS)
    own = math.hypot(STILL_CENTS, STILL_APART * min(apart, MOST_APART_CENTS), scattered)
    if left == 0.0:
        return own * STILL_ALONE
    return own * (1 + left * (STILL_LEFT_IN_OCTAVES if in_octave else STILL_LEFT))


def swinging(unsteady: float, slope: float, apart: float, left: float) -> float:
    """Of the mean of a pitch that swings; through every octave the vibrato blurs what is left.

    Parameters
    ----------
    unsteady : what the sinusoid and the line leave over, RMS, cents
    slope : of the line, cents a second
    apart, left : as in :func:`still`
    """
    swung = SWING_APART * min(apart, MOST_APART_CENTS), SWING_LEFT * unsteady
    return math.hypot(SWING_CENTS, *swung, SWING_SLOPE_S * slope) * (1 + SWING_DRONE * left)
