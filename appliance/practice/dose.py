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
from datetime import date, timedelta

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
    """A day's dose of everybody who plays here, by who is checked in (``None``: nobody is).

    The day before is kept as well, for a clock that is set back over midnight.
    """

    limit_percent: float
    _day: date = date.min
    _used: dict[tuple[date, str | None], float] = field(default_factory=dict)
    _warned: set[tuple[date, str | None]] = field(default_factory=set)
    _news: set[tuple[date, str | None]] = field(default_factory=set)

    def add(self, player: str | None, level_dba: float, seconds: float, day: date) -> None:
        """Add a level that lasted so long; a new day begins at nothing."""
        if day != self._day:
            self._day = day
            for key in [key for key in self._used if key[0] < day - timedelta(days=1)]:
                del self._used[key]
                self._warned.discard(key)
                self._news.discard(key)
        key = day, player
        self._used[key] = self._used.get(key, 0.0) + dose_percent(level_dba, seconds)
        self._news.add(key)

    def go_on(self, player: str | None, day: date, used_percent: float) -> None:
        """Take what was used on a day before this start; that enough was used up is not news."""
        key = day, player
        self._used[key] = self._used.get(key, 0.0) + used_percent
        if used_percent >= self.limit_percent:
            self._warned.add(key)

    def used_percent(self, player: str | None, day: date) -> float:
        """The dose so far on a day, in percent of NIOSH's."""
        return self._used.get((day, player), 0.0)

    def newly_used_up(self, player: str | None) -> bool:
        """Tell once a day and player that the limit is reached."""
        key = self._day, player
        if key in self._warned or self._used.get(key, 0.0) < self.limit_percent:
            return False
        self._warned.add(key)
        return True

    def news(self) -> dict[tuple[date, str | None], float]:
        """Return the doses that have grown since this was last asked."""
        grown = {key: self._used[key] for key in self._news}
        self._news.clear()
        return grown
