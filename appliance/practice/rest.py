"""When to rest: a word after long playing. Pure; times are seconds of one monotonic clock.

Five minutes' rest in twenty-five minutes of playing is advice commonly given to musicians (no
single source); how long either lasts is a setting.
"""

from dataclasses import dataclass


@dataclass(slots=True)
class Rest:
    """Counts from the first note after a rest; short pauses belong to the playing."""

    after_s: float
    rest_s: float
    _began_s: float | None = None  # of the first note since the last rest
    _reminded_s: float = 0.0  # when the count for the next reminder began
    _last_end_s: float = 0.0

    def play(self, began_s: float, ended_s: float) -> None:
        """Take a note that was played."""
        if self._rested(began_s):
            self._began_s = self._reminded_s = began_s
        self._last_end_s = max(self._last_end_s, ended_s)

    def newly_due(self) -> bool:
        """Tell once that it is time to rest, and again after as long a time without a rest."""
        if self._began_s is None or self._last_end_s - self._reminded_s < self.after_s:
            return False
        self._reminded_s = self._last_end_s
        return True

    def due(self, now_s: float) -> bool:
        """Whether it is time to rest, until a rest has been taken."""
        if self._began_s is None or self._rested(now_s):
            return False
        return self._last_end_s - self._began_s >= self.after_s

    def _rested(self, at_s: float) -> bool:
        return self._began_s is None or at_s - self._last_end_s >= self.rest_s
