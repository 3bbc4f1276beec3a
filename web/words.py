"""Numbers in plain words."""

import math
from collections.abc import Iterable
from datetime import datetime
from zoneinfo import ZoneInfo

from flask import Flask

from appliance.log.calendar import CalendarWeek
from appliance.log.pace import slow_enough
from appliance.log.records import RoundRow
from appliance.log.strings import StringLine
from appliance.log.tallies import FEW, Tally
from appliance.log.tries import TryLine
from appliance.log.weeks import Comparison, Reading
from appliance.tuning import UNGRADED_CENTS, nearest_note
from appliance.vocabulary import Instant, Movement
from web.naming import move_name, note_name, written_as
from web.query import Asked

TUNING_NAMES = {
    "just": "just intonation over the drone",
    "pythagorean": "Pythagorean tuning over the drone",
    "equal": "equal temperament",
}
SIDES = ("flat", "sharp")
NO_BREAK = "\N{NO-BREAK SPACE}"
SHIFT_SIDES = ("short", "long")
MOVEMENTS = {
    Movement.SHIFT: "Likely shifts: a slide was heard, or the hand could not have reached. "
    "The same pitches on other strings cannot be told apart by sound.",
    Movement.SLIDE_MOVE: "Likely moves of the slide: it was heard to glide, or the two notes lie "
    "in different positions.",
    Movement.LEAP: "Leaps: a fourth or more from the note before.",
}


def register(app: Flask) -> None:
    """Give the templates of ``app`` these words."""
    app.jinja_env.filters.update(
        percent=percent,
        shares=shares,
        bias=bias,
        chance=chance,
        days=days,
        read_as=read_as,
        clock=clock,
        day_and_clock=day_and_clock,
        signed=signed,
        slow_enough=slow_enough,
        off_all_evening=off_all_evening,
        way_of=way_of,
        round_name=round_name,
        tries=tries,
    )
    app.jinja_env.globals.update(
        headline=headline, like_for_like=like_for_like, FEW=FEW, MOVEMENTS=MOVEMENTS
    )


def way_of(movement: Movement) -> str:
    """Return a movement as it stands in an address: ``slide-move``."""
    return movement.replace(" ", "-")


def percent(part: int, whole: int) -> int:
    """Return a share in whole per cent, each rounded by itself."""
    return round(100 * part / whole) if whole else 0


def headline(total: Tally, before: Tally) -> tuple[str, ...]:
    """Return the one sentence of the week, in the parts that a line should not break."""
    landed, rescued, missed = (
        percent(part, total.count) for part in (total.landed, total.rescued, total.missed)
    )
    then = ("last week", f"{shares(before)}.") if before.count else ("no landings", "last week.")
    return f"{landed} % landed,", f"{rescued} % rescued,", f"{missed} % missed;", *then


def shares(tally: Tally) -> str:
    """Return the three shares as ``55 / 31 / 14``."""
    parts = (tally.landed, tally.rescued, tally.missed)
    return " / ".join(str(percent(part, tally.count)) for part in parts)


def like_for_like(compared: Comparison | None) -> str:
    """Return how the two weeks compare where they can be compared."""
    if compared is None:
        return "Last week has no note over the same drone to set beside them."
    this, before = (
        f"{shares(tally)} %".replace(" ", NO_BREAK) + f" of{NO_BREAK}{tally.count}"
        for tally in (compared.this, compared.before)
    )
    return f"Like for like, the same notes over the same drone: {this}, last week {before}."


def bias(tally: Tally, sides: tuple[str, str] = SIDES) -> str:
    """Return the typical error and, where there is one to speak of, the spread around it."""
    if tally.typical_cents is None or tally.spread_cents is None:
        return ""
    if tally.side:
        where = f"{cents(tally.typical_cents)} {sides[tally.side > 0]}"
    else:
        where = f"right, under {UNGRADED_CENTS:.0f} cents off"
    if tally.few:
        return f"{'Typically' if tally.count > 1 else 'It landed'} {where}."
    near = cents(max(1, math.ceil(tally.spread_cents)))  # up: half of them are to lie within it
    return f"Typically {where}; half of them lie within {near} of that."


def cents(size: float) -> str:
    """Return the size of an interval in whole cents."""
    whole = round(abs(size))
    return f"{whole} cent" if whole == 1 else f"{whole} cents"


def chance(tally: Tally) -> str:
    """Return the landed share with its 95 % interval, or ``few``."""
    if tally.few:
        return "few, too early for a share"
    low, high = tally.interval
    share = percent(tally.landed, tally.count)
    return f"{share} % ({100 * low:.0f} to {100 * high:.0f} %)"


def days(week: CalendarWeek) -> str:
    """Return a week's days, such as ``9 to 15 February 2026``."""
    first, last = week.monday, week.sunday
    start = f"{first.day}"
    if first.month != last.month:
        start += f" {first:%B}"
    if first.year != last.year:
        start += f" {first.year}"
    return f"{start} to {last.day} {last:%B} {last.year}"


def read_as(asked: Asked) -> str:
    """Return how the page reads the log, and how it writes notes where that is not as usual."""
    return " ".join(filter(None, (reading(asked.reading), written_as(asked))))


def reading(read: Reading) -> str:
    """Return how the log is read."""
    a4 = "A4 as it was played" if read.a4_hz is None else f"A4 = {read.a4_hz:g} Hz"
    shown = f"Shown in {TUNING_NAMES[read.tuning]}, in tune within {read.band_cents:g} cents, {a4}"
    return f"{shown}; open strings counted." if read.count_open else f"{shown}."


def off_all_evening(lines: Iterable[StringLine], zone: ZoneInfo | None) -> list[str]:
    """Return one sentence for every string that was off for a whole sitting."""
    return [
        f"{clock(line.sitting.started_at, zone)}: the {note_name(line.midi)} string was "
        f"{cents(off)} {SIDES[off > 0]} all evening ({line.notes} notes)."
        for line in lines
        if (off := line.off_cents) is not None
    ]


def round_name(played: RoundRow, a4_hz: float) -> str:
    """Return what a round was about, such as ``D4→A4``."""
    goal = played.goal
    target = nearest_note(goal.target_low_hz, a4_hz)
    if goal.from_hz is None:
        return f"{note_name(target)} from silence"
    return move_name(nearest_note(goal.from_hz, a4_hz), target)


def tries(lines: Iterable[TryLine]) -> str:
    """Return the tries of a round in their order, such as ``short (called flat), nearly, in``."""
    return ", ".join(
        line.word.value + (f" (called {line.call.value})" if line.call else "") for line in lines
    )


def clock(at: Instant, zone: ZoneInfo | None) -> str:
    """Return when something was, such as ``Mon 17:05``."""
    return f"{datetime.fromtimestamp(at.wall_s, zone):%a %H:%M}"


def day_and_clock(at: Instant, zone: ZoneInfo | None) -> str:
    """Return when something was in one of several weeks, such as ``9 Feb 17:05``."""
    moment = datetime.fromtimestamp(at.wall_s, zone)
    return f"{moment.day} {moment:%b %H:%M}"


def signed(cents: float) -> str:
    """Return whole cents with a sign, minus as a minus."""
    return f"{cents:+.0f}".replace("-", "−").replace("+0", "0").replace("−0", "0")
