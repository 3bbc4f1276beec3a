"""Calendar weeks in the room's time zone, daylight saving included."""

import re
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from appliance.vocabulary import GroundnoteError, SettingsError

_WEEK_NAME = re.compile(r"(\d{4})-W(\d{2})", re.ASCII)


class WeekNameError(GroundnoteError):
    """No such calendar week."""


@dataclass(frozen=True, slots=True, order=True)
class CalendarWeek:
    """A week from Monday to Sunday, numbered as in ISO 8601."""

    year: int
    number: int

    @classmethod
    def parse(cls, name: str) -> "CalendarWeek":
        """Read ``2026-W07``; raises :class:`WeekNameError` for anything else."""
        match = _WEEK_NAME.fullmatch(name)
        if match and 1970 <= int(match[1]) < 3000:
            with suppress(ValueError):
                date.fromisocalendar(int(match[1]), int(match[2]), 1)
                return cls(int(match[1]), int(match[2]))
        raise WeekNameError(
            "There is no such week: write a year from 1970 on and a week, such as 2026-W07."
        )

    @classmethod
    def of(cls, wall_s: float, zone: ZoneInfo | None) -> "CalendarWeek":
        """Return the week of a moment (Unix time) in a time zone; ``None``: the machine's own."""
        year, number, _ = datetime.fromtimestamp(wall_s, zone).isocalendar()
        return cls(year, number)

    @property
    def monday(self) -> date:
        """Its first day."""
        return date.fromisocalendar(self.year, self.number, 1)

    @property
    def sunday(self) -> date:
        """Its last day."""
        return date.fromisocalendar(self.year, self.number, 7)

    def later(self, weeks: int) -> "CalendarWeek":
        """Return the week so many weeks later (or earlier)."""
        year, number, _ = (self.monday + timedelta(weeks=weeks)).isocalendar()
        return CalendarWeek(year, number)

    def bounds(self, zone: ZoneInfo | None) -> tuple[float, float]:
        """Return Unix times of its first midnight and of the next week's, daylight saving and all.

        The week in which the clocks change is an hour shorter or longer than 168 hours.
        """
        return self._midnight(zone), self.later(1)._midnight(zone)

    def _midnight(self, zone: ZoneInfo | None) -> float:
        return datetime.combine(self.monday, time.min, zone).timestamp()

    def __str__(self) -> str:
        """Write it as ``2026-W07``."""
        return f"{self.year:04d}-W{self.number:02d}"


def room_zone(name: str) -> ZoneInfo | None:
    """Return the time zone of an IANA name; an empty one is the machine's own (``None``)."""
    try:
        return ZoneInfo(name) if name else None
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise SettingsError(
            f"time_zone {name!r} is unknown here: write an IANA name such as Europe/Lisbon, "
            "or leave it empty for the machine's own."
        ) from None
