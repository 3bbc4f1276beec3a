"""Change over weeks: the shares of every week of a term, and what changed from first to last. Pure.

The last weeks with notes stand beside the first ones, at most four of each and never the same, like
for like as in :mod:`~.change`; and every week beside the one before it that has notes.
"""

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import TypeVar

from appliance.log.calendar import CalendarWeek
from appliance.log.change import Change, Verdict, change_between
from appliance.log.judging import Landing
from appliance.log.tallies import Tally
from appliance.log.weeks import grouped, tally_of
from appliance.vocabulary import Movement

STRETCH_WEEKS = 4

_Key = TypeVar("_Key", bound=Hashable)
Played = dict[CalendarWeek, list[Landing]]


@dataclass(frozen=True, slots=True)
class WeekShare:
    """One week of a term; ``change`` is that from the week before it with notes."""

    week: CalendarWeek
    tally: Tally
    change: Change | None


@dataclass(frozen=True, slots=True)
class Stretch:
    """Some weeks with notes, taken together."""

    first: CalendarWeek
    last: CalendarWeek
    weeks: int


@dataclass(frozen=True, slots=True)
class Moved:
    """A note, or the arrival at it by a movement from another, whose landed share has changed."""

    movement: Movement | None
    from_midi: int | None
    midi: int
    change: Change


@dataclass(frozen=True, slots=True)
class Term:
    """Some weeks in a row, the empty ones too, and the change from their first to their last.

    ``moved`` holds the notes and shifts that changed, the greatest change first; of ``compared``
    others nothing can be told. All but ``weeks`` is empty where fewer than two weeks have notes.
    """

    weeks: tuple[WeekShare, ...]
    first: Stretch | None
    last: Stretch | None
    change: Change | None
    moved: tuple[Moved, ...]
    untold: int


def read_term(landings: Sequence[Landing], weeks: Sequence[CalendarWeek]) -> Term:
    """Read the landings of some weeks in a row, earliest first."""
    week_of = {day: CalendarWeek(*day.isocalendar()[:2]) for day in {one.day for one in landings}}
    by_week = grouped(landings, lambda one: week_of[one.day])
    played = {week: by_week[week] for week in weeks if week in by_week}
    number = min(STRETCH_WEEKS, len(played) // 2)
    shares = _shares(played, weeks)
    if not number:
        return Term(shares, None, None, None, (), 0)
    names = list(played)
    first, last = names[:number], names[-number:]
    before, after = (
        list(chain.from_iterable(played[week] for week in some)) for some in (first, last)
    )
    moved, untold = _moved(before, after)
    return Term(
        shares, _stretch(first), _stretch(last), change_between(before, after), moved, untold
    )


def _stretch(weeks: Sequence[CalendarWeek]) -> Stretch:
    return Stretch(weeks[0], weeks[-1], len(weeks))


def _shares(played: Played, weeks: Sequence[CalendarWeek]) -> tuple[WeekShare, ...]:
    shares: list[WeekShare] = []
    before: list[Landing] = []
    for week in weeks:
        landings = played.get(week, [])
        change = change_between(before, landings) if before and landings else None
        shares.append(WeekShare(week, tally_of(landings), change))
        before = landings or before
    return tuple(shares)


def _moved(before: list[Landing], after: list[Landing]) -> tuple[tuple[Moved, ...], int]:
    """Return the notes and shifts that changed, and how many others both stretches have."""
    notes = _changes(before, after, lambda one: one.midi)
    shifts = _changes(before, after, _how)
    every = [
        *(Moved(None, None, midi, change) for midi, change in notes if change),
        *(Moved(*move, change) for move, change in shifts if change),
    ]
    found = [one for one in every if one.change.landed.verdict is not Verdict.UNTOLD]
    found.sort(key=lambda one: -abs(one.change.landed.change))
    return tuple(found), len(notes) + len(shifts) - len(found)


def _how(landing: Landing) -> tuple[Movement, int, int] | None:
    if landing.movement is None or landing.move is None:
        return None
    return landing.movement, *landing.move


def _changes(
    before: list[Landing], after: list[Landing], key: Callable[[Landing], _Key | None]
) -> list[tuple[_Key, Change | None]]:
    earlier, later = grouped(before, key), grouped(after, key)
    return [(name, change_between(earlier[name], later[name])) for name in earlier if name in later]
