"""Landings day by day: pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from appliance.log.judging import Landing
from appliance.log.tallies import Tally
from appliance.log.weeks import grouped, tally_of


@dataclass(frozen=True, slots=True)
class DayTally:
    """What became of the notes of one day."""

    day: date
    tally: Tally


def by_day(landings: Iterable[Landing]) -> tuple[DayTally, ...]:
    """Count landings for every day that has any, earliest first."""
    days = grouped(landings, lambda one: one.day)
    return tuple(DayTally(day, tally_of(days[day])) for day in sorted(days))
