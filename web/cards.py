"""Notes and shifts as cards: what stands on the week page, and how much of it is drawn."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

from flask import url_for

from appliance.log.patterns import BySlide, Lie, by_slide, lie_of
from appliance.log.records import movement_of
from appliance.log.weeks import NoteLine, ShiftLine, Week
from appliance.vocabulary import Movement
from web.diary import Diary, Ruler, draw, scale_for
from web.naming import instrument, move_name, note_name
from web.query import Asked
from web.words import SHIFT_SIDES, SIDES, way_of

# On the week page strokes stand close; a note's own page gives them air, and room for more.
WEEK_LINE_HEIGHT, OWN_LINE_HEIGHT, OWN_STROKES = 3.0, 8.0, 400
LISTED = 32  # notes or shifts that are not drawn stand in a list, at most so many

Line = NoteLine | ShiftLine


@dataclass(frozen=True, slots=True)
class Measure:
    """How much of a week is drawn, so that its page stays small: notes, shifts, strokes of each."""

    notes: int
    shifts: int
    strokes: int


# Up to so many landings each has its stroke, in a fuller week there are fewer drawings.
FULL_WEEK = 400
DRAWN, DRAWN_OF_A_FULL_WEEK = Measure(8, 6, FULL_WEEK), Measure(4, 3, 36)


@dataclass(frozen=True)
class Card:
    """One note or shift as a page shows it. In a full week most only stand in a list."""

    name: str
    line: Line
    band_cents: float
    diary: Diary | None  # None: not drawn
    sides: tuple[str, str]
    asked: Asked

    @cached_property
    def href(self) -> str:
        """Where its own page is, read the same way; for the cards that are shown."""
        return line_href(self.line, self.asked)

    @cached_property
    def lie(self) -> Lie:
        """How its landings lie."""
        return lie_of(self.line.landings, self.line.tally, self.band_cents, along=_along(self.line))

    @cached_property
    def slides(self) -> BySlide | None:
        """Its landings with an audible slide and without; of a shift only."""
        return by_slide(self.line.landings) if self.movement == Movement.SHIFT else None

    @property
    def movement(self) -> str | None:
        """What moved on the way to it, in a word; ``None`` for a note."""
        return self.line.movement.value if isinstance(self.line, ShiftLine) else None


def cards_of(week: Week, asked: Asked) -> tuple[list[Card], dict[Movement, list[Card]]]:
    """Make the cards of a week's notes, and of its shifts, slide moves and leaps.

    Of these there is the instrument's own kind, even if none was heard.
    """
    drawn = DRAWN if week.total.count <= FULL_WEEK else DRAWN_OF_A_FULL_WEEK
    ruler = Ruler(
        asked.reading.band_cents, scale_for(week.landings), WEEK_LINE_HEIGHT, drawn.strokes
    )
    own = movement_of(instrument())
    moves = {
        movement: _cards(
            [line for line in week.by_shift if line.movement is movement],
            asked,
            ruler,
            drawn.shifts,
        )
        for movement in Movement
    }
    return (
        _cards(week.by_note, asked, ruler, drawn.notes),
        {movement: cards for movement, cards in moves.items() if cards or movement is own},
    )


def _cards(lines: Sequence[Line], asked: Asked, ruler: Ruler, drawn: int) -> list[Card]:
    """Make some cards; those with enough notes to say something come first."""
    ordered = sorted(lines, key=_ORDERS[asked.manner.sort])
    ordered.sort(key=lambda line: line.tally.few)
    return [
        card_of(line, asked, diary_of(line, ruler) if place < drawn else None)
        for place, line in enumerate(ordered)
    ]


def diary_of(line: Line, ruler: Ruler) -> Diary:
    """Draw the landings of one week."""
    return draw(line.landings, line.tally, ruler, along=_along(line))


def card_of(line: Line, asked: Asked, diary: Diary | None) -> Card:
    """Make the card of a note or shift."""
    if isinstance(line, ShiftLine):
        name, sides = move_name(line.from_midi, line.to_midi), SHIFT_SIDES
    else:
        name, sides = note_name(line.midi), SIDES
    return Card(name, line, asked.reading.band_cents, diary, sides, asked)


def line_href(line: Line, asked: Asked) -> str:
    """Where the page of a note or shift is, read the same way."""
    if isinstance(line, ShiftLine):
        way = way_of(line.movement)
        return url_for("notes.show_shift", way=way, move=line.pair, **asked.link())
    return url_for("notes.show_note", midi=line.midi, **asked.link())


def _along(line: Line) -> bool:
    return isinstance(line, ShiftLine)


def _pitch(line: Line) -> tuple[int, int]:
    if isinstance(line, ShiftLine):
        return line.to_midi, line.from_midi
    return line.midi, 0


_ORDERS: dict[str, Callable[[Line], tuple[int, int]]] = {
    "trouble": lambda line: (0, 0),  # as the week has them
    "count": lambda line: (-line.tally.count, 0),
    "pitch": _pitch,
}
