"""Landed and rescued over weeks, as the geometry of a drawing: a river between its banks.

Weeks flow downwards, the latest at the bottom; across lies the share of notes, 0 to 100 %. From the
left bank as far as the notes that landed the ground is solid, then comes a narrower stream of those
that were rescued, and what is left was missed. The thin line across the bank is the 95 % interval
of the landed share (Wilson); a week without notes is a gap.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from appliance.log.term import WeekShare

WIDTH, LEFT, ROW = 340.0, 40.0, 20.0
ACROSS = WIDTH - LEFT - 6.0  # the last per cent never touches the border
STREAM = 4.0  # how much narrower than a row the rescued part is, on each side


@dataclass(frozen=True, slots=True)
class RiverRow:
    """One week: its name, and its parts as left edge and width; no parts without notes."""

    name: str
    top: float
    landed: tuple[float, float] | None
    rescued: tuple[float, float] | None
    interval: tuple[float, float] | None  # left and right end


@dataclass(frozen=True, slots=True)
class River:
    """A finished drawing; lengths in units of the drawing."""

    rows: tuple[RiverRow, ...]
    height: float
    quarters: tuple[float, ...]  # where 0, 25, 50, 75 and 100 % lie
    width: float = WIDTH
    row: float = ROW
    stream: float = STREAM


def draw_river(weeks: Sequence[WeekShare]) -> River:
    """Draw the weeks of a term, earliest first."""
    return River(
        rows=tuple(_row(one, place * ROW) for place, one in enumerate(weeks)),
        height=len(weeks) * ROW,
        quarters=tuple(_x(share) for share in (0.0, 0.25, 0.5, 0.75, 1.0)),
    )


def _row(one: WeekShare, top: float) -> RiverRow:
    name, tally = f"W{one.week.number}", one.tally
    if not tally.count:
        return RiverRow(name, top, None, None, None)
    landed, rescued = tally.landed / tally.count, (tally.landed + tally.rescued) / tally.count
    low, high = tally.interval
    return RiverRow(
        name,
        top,
        (_x(0.0), round(_x(landed) - _x(0.0), 1)),
        (_x(landed), round(_x(rescued) - _x(landed), 1)),
        (_x(low), _x(high)),
    )


def _x(share: float) -> float:
    return round(LEFT + ACROSS * share, 1)
