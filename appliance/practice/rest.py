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
    _counts_from_s: float | None = None
    _last_end_s: float = 0.0

    def play(self, began_s: float, ended_s: float) -> None:
        """Take a note that was played."""
        if self._counts_from_s is None or began_s - self._last_end_s >= self.rest_s:
            self._counts_from_s = began_s
        self._last_end_s = max(self._last_end_s, ended_s)

    def is_due(self) -> bool:
        """Tell once that it is time to rest; again only after as long a time of playing."""
        if self._counts_from_s is None or self._last_end_s - self._counts_from_s < self.after_s:
            return False
        self._counts_from_s = self._last_end_s
        return True
