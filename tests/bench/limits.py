"""What must be reached, row by row. Shares as fractions; errors in cents, median and 95 %."""

from dataclasses import dataclass

Level = float | None  # drone over player at the microphone, dB; None: no drone


@dataclass(frozen=True)
class Limits:
    """The most that one row may show."""

    missed: float
    invented: float
    wrong: float
    landing: tuple[float, float]
    settled: tuple[float, float]
    split: float = 0.01


LIMITS: dict[Level, Limits] = {
    None: Limits(0.01, 0.01, 0.0, (0.6, 2.5), (0.8, 3.0)),
    -12.0: Limits(0.01, 0.01, 0.005, (0.8, 3.0), (1.0, 3.0)),
    -6.0: Limits(0.01, 0.01, 0.005, (0.8, 3.0), (1.0, 3.0)),
    0.0: Limits(0.02, 0.01, 0.01, (1.0, 4.0), (1.0, 3.0)),
    6.0: Limits(0.03, 0.02, 0.02, (1.0, 4.0), (1.0, 4.0)),
    12.0: Limits(0.08, 0.03, 0.04, (2.0, 8.0), (2.0, 6.0)),
}
LEVELS = tuple(LIMITS)
_VIBRATO_LANDING, _VIBRATO_SETTLED = (1.5, 8.0), (1.0, 3.0)

SLOPE_SPREAD, SLOPE_UP_TO_DB = 0.1, 6.0  # about 1, in unison and octaves
COVERAGE = (0.90, 0.98)  # of the stated 95 % interval
WIDTH_OVER_ERROR = 4.0  # median half-width over median error
ARRIVALS, GLIDE_MS = 0.95, 40.0
FALSE, FOUND = 0.03, 0.95  # corrections, vibrato
SPEED = 30.0  # times faster than real time


def limits_of(level_db: Level, *, vibrato: bool) -> Limits:
    """Those of a level; with vibrato the looser of the level's and of vibrato's own."""
    limits = LIMITS[level_db]
    if not vibrato:
        return limits
    landing, settled = (
        (max(a[0], b[0]), max(a[1], b[1]))
        for a, b in ((limits.landing, _VIBRATO_LANDING), (limits.settled, _VIBRATO_SETTLED))
    )
    return Limits(limits.missed, limits.invented, limits.wrong, landing, settled)
