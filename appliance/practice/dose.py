"""How much of a day's safe listening has been used, after NIOSH. Pure.

NIOSH, *Criteria for a Recommended Standard: Occupational Noise Exposure*, publication 98-126
(1998), chapter 1: a level of L dBA may last T = 480 / 2^((L - 85) / 3) minutes a day, and parts of
a day add up to the dose D = 100 · Σ C / T percent. It is a limit for adults at work; a child's ears
deserve less (``daily_dose_percent``).

NIOSH leaves out levels under 80 dBA. Here they count: the drone and the player are counted apart,
and the two together may pass 80 where neither does.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date

from appliance.practice.tone import Partial

CRITERION_DBA = 85.0
EXCHANGE_DB = 3.0
CRITERION_S = 480.0 * 60.0


def allowed_s(level_dba: float) -> float:
    """How long a level may last in a day, seconds."""
    return float(CRITERION_S / 2.0 ** ((level_dba - CRITERION_DBA) / EXCHANGE_DB))


def dose_percent(level_dba: float, seconds: float) -> float:
    """The share of a day's dose that a level takes in so many seconds."""
    return 100.0 * seconds / allowed_s(level_dba)


def a_weighting_db(hz: float) -> float:
    """The A-weighting of a frequency (IEC 61672-1:2013, annex E), 0 dB at 1 kHz."""
    f2 = hz * hz
    weight = (12194.0**2 * f2 * f2) / (
        (f2 + 20.6**2) * math.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194.0**2)
    )
    return 20.0 * math.log10(weight) + 2.0


def weighted_dbfs(partials: Iterable[Partial]) -> float:
    """The A-weighted RMS of a drone's partials, dB re full scale."""
    powers = [0.5 * one.amplitude**2 * 10.0 ** (a_weighting_db(one.hz) / 10.0) for one in partials]
    return 10.0 * math.log10(sum(powers))


@dataclass(slots=True)
class Budget:
    """The day's dose of everybody who plays here, by who is checked in (``None``: nobody is)."""

    limit_percent: float
    _day: date | None = None
    _used: dict[str | None, float] = field(default_factory=dict)
    _warned: set[str | None] = field(default_factory=set)

    def add(self, player: str | None, level_dba: float, seconds: float, day: date) -> None:
        """Add a level that lasted so long; a new day begins at nothing."""
        if day != self._day:
            self._day = day
            self._used.clear()
            self._warned.clear()
        self._used[player] = self._used.get(player, 0.0) + dose_percent(level_dba, seconds)

    def used_percent(self, player: str | None, day: date) -> float:
        """The dose so far on a day, in percent of NIOSH's."""
        return self._used.get(player, 0.0) if day == self._day else 0.0

    def newly_used_up(self, player: str | None) -> bool:
        """Tell once a day and player that the limit is reached."""
        if player in self._warned or self._used.get(player, 0.0) < self.limit_percent:
            return False
        self._warned.add(player)
        return True
