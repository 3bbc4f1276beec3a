"""One note or shift over the weeks: its landings, its rounds, and calls beside landings."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from flask import Blueprint, abort, render_template
from flask.typing import ResponseReturnValue

from appliance.log.calendar import CalendarWeek
from appliance.log.patterns import Lie, lie_of
from appliance.log.records import RoundRow
from appliance.log.tallies import Tally
from appliance.log.term import Term, read_term
from appliance.log.tries import TryLine, tries_of
from appliance.log.weeks import Landing, NoteLine, ShiftLine, tally_along, tally_of
from appliance.tuning import accepted_calls, nearest_note
from appliance.vocabulary import Movement
from web.access import open_log
from web.cards import OWN_LINE_HEIGHT, OWN_STROKES, Card, Line, card_of
from web.diary import Diary, Ruler, day_of_month, draw, scale_for
from web.naming import move_name, note_name
from web.pages import asked_landings, asked_week, frame
from web.place import current_room
from web.query import Asked
from web.words import SHIFT_SIDES, SIDES, way_of

blueprint = Blueprint("notes", __name__)

_MOVE = re.compile(r"(\d{1,3})-(\d{1,3})", re.ASCII)
WEEKS = 12  # so many weeks stand together, the one asked for the last
CALLS, TRIES = 40, 12  # the latest calls and rounds that are shown


@dataclass(frozen=True, slots=True)
class Subject:
    """What a page is about: a note, or the arrival at it by a movement from another one."""

    midi: int
    movement: Movement | None = None
    from_midi: int | None = None

    @property
    def name(self) -> str:
        """Its name as the page writes notes."""
        if self.from_midi is None:
            return note_name(self.midi)
        return move_name(self.from_midi, self.midi)

    @property
    def sides(self) -> tuple[str, str]:
        """The words for its two sides."""
        return SIDES if self.movement is None else SHIFT_SIDES

    def has(self, landing: Landing) -> bool:
        """Tell whether a landing is one of it."""
        if self.movement is None:
            return landing.midi == self.midi
        move = (landing.movement, landing.move)
        return move == (self.movement, (self.from_midi, self.midi))

    def is_line(self, line: Line) -> bool:
        """Tell whether a line of a week is about it."""
        if isinstance(line, ShiftLine):
            move = (line.movement, line.from_midi, line.to_midi)
            return move == (self.movement, self.from_midi, self.midi)
        return self.movement is None and line.midi == self.midi

    def is_round(self, played: RoundRow, a4_hz: float) -> bool:
        """Tell whether a round was about it; for a note, wherever it came from."""
        goal = played.goal
        if nearest_note(goal.target_low_hz, a4_hz) != self.midi:
            return False
        source = None if goal.from_hz is None else nearest_note(goal.from_hz, a4_hz)
        return self.from_midi is None or source == self.from_midi


@dataclass(frozen=True, slots=True)
class Weeks:
    """All landings of a subject in the weeks; cents of an arrival are long positive."""

    landings: tuple[Landing, ...]
    tally: Tally
    lie: Lie
    diary: Diary
    term: Term
    called: tuple[
        tuple[Landing, bool], ...
    ]  # the latest last, each with whether the call was right


@blueprint.get("/note/<int:midi>")
def show_note(midi: int) -> ResponseReturnValue:
    """Every landing of one note."""
    return _show(Subject(midi))


@blueprint.get("/<any(shift, 'slide-move', leap):way>/<move>")
def show_shift(way: str, move: str) -> ResponseReturnValue:
    """Every landing of one shift; ``move`` is two MIDI numbers such as 59-67."""
    ends = _MOVE.fullmatch(move)
    if ends is None:
        abort(404)
    movement = next(one for one in Movement if way_of(one) == way)
    return _show(Subject(int(ends[2]), movement, int(ends[1])))


def _show(subject: Subject) -> ResponseReturnValue:
    asked, every = asked_landings(WEEKS)
    landings = [one for one in every if subject.has(one)]
    rounds = _rounds(subject, asked)
    if not landings and not rounds:
        abort(404)
    return render_template(
        "note.html",
        subject=subject,
        card=_card(subject),
        weeks=_weeks(subject, landings, asked) if landings else None,
        rounds=rounds[-TRIES:],
        earlier_rounds=max(0, len(rounds) - TRIES),
        calls=CALLS,
        number=WEEKS,
        **frame(asked),
    )


def _card(subject: Subject) -> Card | None:
    """The subject in the week asked for; ``None`` where it was not played."""
    asked, week, _ = asked_week()
    lines: tuple[NoteLine | ShiftLine, ...] = (*week.by_note, *week.by_shift)
    line = next((line for line in lines if subject.is_line(line)), None)
    return None if line is None else card_of(line, asked, None)


def _weeks(subject: Subject, landings: Sequence[Landing], asked: Asked) -> Weeks:
    along = subject.movement is not None
    tally = tally_along(landings) if along else tally_of(landings)
    band_cents = asked.reading.band_cents
    ruler = Ruler(band_cents, scale_for(landings), OWN_LINE_HEIGHT, OWN_STROKES)
    return Weeks(
        landings=tuple(landings),
        tally=tally,
        lie=lie_of(landings, tally, band_cents, along=along),
        diary=draw(landings, tally, ruler, along=along, name=day_of_month),
        term=read_term(landings, weeks_to(asked.week, WEEKS)),
        called=tuple(
            (one, one.call in accepted_calls(one.landing_cents, band_cents))
            for one in landings
            if one.call is not None
        ),
    )


def weeks_to(last: CalendarWeek, number: int) -> list[CalendarWeek]:
    """Return so many weeks in a row, ``last`` the last."""
    return [last.later(1 + place - number) for place in range(number)]


def _rounds(subject: Subject, asked: Asked) -> list[tuple[RoundRow, list[TryLine]]]:
    """Read the rounds about the subject in the weeks, each with its tries."""
    room = current_room()
    begins = asked.week.later(1 - WEEKS).bounds(room.zone)[0]
    ends = asked.week.bounds(room.zone)[1]
    a4_hz = asked.reading.a4_hz or room.settings.a4_hz
    with open_log() as log:
        rounds = [one for one in log.rounds(begins, ends) if subject.is_round(one, a4_hz)]
        if not rounds:
            return []
        rows = log.notes(begins, ends)
    return [(played, tries_of(played, rows)) for played in rounds]
