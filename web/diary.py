"""A diary of landings, as the geometry of a drawing.

Every note is one short horizontal stroke: a foot where it landed, a tail to where it settled. Days
lie under each other like lines of a diary, earliest first; the band is a shaded column. Below,
a bar spans the half of the landings nearest the typical one, so that bias (where the bar lies) and
spread (how wide it is) are seen apart.

Where there are more notes than strokes, one stroke stands for several: the notes of a day with the
same outcome that landed side by side, as many in each. It lies at their median, so the strokes of
a day lie close where the landings do.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from statistics import median

from appliance.log.tallies import COUNTED, Tally
from appliance.log.weeks import Landing

WIDTH = 340.0
LEFT = 34.0  # room for the day's name
EDGE = 6.0  # a stroke never touches the border
SCALES_CENTS = (30.0, 60.0, 100.0, 160.0)
DAY_GAP = 5.0
BAR_HEIGHT = 15.0


@dataclass(frozen=True, slots=True)
class Ruler:
    """What all drawings of a page share.

    ``line_height`` is the distance between strokes, ``most`` how many a drawing may have; never
    fewer than the outcomes of a week's days.
    """

    band_cents: float
    scale_cents: float
    line_height: float
    most: int


@dataclass(frozen=True, slots=True)
class DayLine:
    """Where a day's name stands, and its rule above; ``new_week``: it is the first of its week."""

    name: str
    top: float
    middle: float
    new_week: bool


@dataclass(frozen=True, slots=True)
class Diary:
    """A finished drawing; lengths in units of the drawing, paths in SVG's own language."""

    height: float
    scale_cents: float
    band: tuple[float, float]  # left edge and width
    days: tuple[DayLine, ...]
    strokes: dict[str, str]  # outcome -> path
    bar: tuple[float, float, float] | None  # left, width, typical
    bar_top: float
    each: int  # a stroke stands for up to so many notes
    width: float = WIDTH
    left: float = LEFT


def scale_for(landings: Sequence[Landing]) -> float:
    """Return the smallest scale (cents to each side) that shows all but one landing in twenty."""
    sizes = sorted(abs(landing.landing_cents) for landing in landings)
    size = sizes[int(0.95 * (len(sizes) - 1))] if sizes else 0.0
    return next((scale for scale in SCALES_CENTS if size <= 0.9 * scale), SCALES_CENTS[-1])


def weekday(day: date) -> str:
    """Name a day of one week, such as ``Mon``."""
    return f"{day:%a}"


def day_of_month(day: date) -> str:
    """Name a day of several weeks, such as ``9 Feb``."""
    return f"{day.day} {day:%b}"


def draw(
    landings: Sequence[Landing],
    tally: Tally,
    ruler: Ruler,
    *,
    along: bool = False,
    name: Callable[[date], str] = weekday,
) -> Diary:
    """Draw some landings in their order; ``along`` counts cents along a shift, long to the right.

    What lies beyond the scale is drawn at its edge. ``name`` names the days.
    """
    x = _across(ruler.scale_cents)
    days: list[DayLine] = []
    strokes: dict[str, list[str]] = {outcome.value: [] for outcome in COUNTED}
    each = _each(landings, ruler.most)
    last_week: tuple[int, int] | None = None
    y = 0.0
    for day, of_day in groupby(landings, key=lambda landing: landing.day):
        top = y
        for stroke in _strokes(list(of_day), each, along):
            y += ruler.line_height
            path = f"M{x(stroke.landed):g} {y - 3:g}v3H{x(stroke.settled):g}"
            strokes[stroke.outcome].append(path)
        y = max(y, top + 11.0) + DAY_GAP
        week = day.isocalendar()[:2]
        days.append(DayLine(name(day), top, (top + y) / 2, bool(days) and week != last_week))
        last_week = week
    return Diary(
        height=y + BAR_HEIGHT,
        scale_cents=ruler.scale_cents,
        band=(x(-ruler.band_cents), round(x(ruler.band_cents) - x(-ruler.band_cents), 1)),
        days=tuple(days),
        strokes={outcome: "".join(paths) for outcome, paths in strokes.items() if paths},
        bar=_bar(tally, x),
        bar_top=y,
        each=each,
    )


@dataclass(frozen=True, slots=True)
class _Stroke:
    """One stroke: where it lands and settles, cents."""

    outcome: str
    landed: float
    settled: float


def _each(landings: Sequence[Landing], most: int) -> int:
    """For how many notes a stroke must stand, so that there are at most so many strokes."""
    groups = Counter((landing.day, landing.outcome) for landing in landings).values()
    each = 1
    while sum(-(-notes // each) for notes in groups) > max(most, len(groups)):
        each += 1
    return each


def _strokes(landings: Sequence[Landing], each: int, along: bool) -> list[_Stroke]:
    """Return the strokes of a day: note by note as played, or bundles, from flat to sharp."""
    if each == 1:
        return [_stroke([landing], along) for landing in landings]
    ordered = sorted(landings, key=lambda landing: landing.landing_cents)
    groups = [[one for one in ordered if one.outcome is outcome] for outcome in COUNTED]
    bundles = [group[at : at + each] for group in groups for at in range(0, len(group), each)]
    strokes = [_stroke(bundle, along) for bundle in bundles]
    return sorted(strokes, key=lambda stroke: stroke.landed)


def _stroke(bundle: Sequence[Landing], along: bool) -> _Stroke:
    side = bundle[0].direction if along else 1  # the same for all: they are of one shift
    return _Stroke(
        bundle[0].outcome.value,
        side * median(landing.landing_cents for landing in bundle),
        side * median(landing.settled_cents for landing in bundle),
    )


def _across(scale_cents: float) -> Callable[[float], float]:
    middle = (LEFT + WIDTH) / 2
    per_cent = (WIDTH - LEFT - 2 * EDGE) / (2 * scale_cents)

    def x(cents: float) -> float:
        return round(middle + per_cent * max(-scale_cents, min(scale_cents, cents)), 1)

    return x


def _bar(tally: Tally, x: Callable[[float], float]) -> tuple[float, float, float] | None:
    if tally.few or tally.typical_cents is None or tally.spread_cents is None:
        return None
    left = x(tally.typical_cents - tally.spread_cents)
    right = x(tally.typical_cents + tally.spread_cents)
    return left, max(2.0, round(right - left, 1)), x(tally.typical_cents)
