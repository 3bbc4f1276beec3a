"""The routes: the week, one note or shift of it, calls and landings, the week for programs."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from flask import Blueprint, abort, jsonify, render_template, request, url_for
from flask.typing import ResponseReturnValue

from appliance.log.agreement import read_agreement, read_drones
from appliance.log.calendar import CalendarWeek
from appliance.log.records import RoundRow, movement_of
from appliance.log.tries import TryLine, tries_of
from appliance.log.weeks import Landing, NoteLine, ShiftLine, Week, landings_of, read_week
from appliance.tuning import TUNINGS
from appliance.vocabulary import Movement
from web import ear, naming
from web.access import open_log
from web.diary import Diary, Ruler, draw, scale_for
from web.naming import move_name, note_name
from web.place import current_room
from web.query import A4_HZ, BAND_CENTS, OPEN_STRINGS, ORDERS, Asked, read_query
from web.week_json import week_json
from web.words import SHIFT_SIDES, SIDES, TUNING_NAMES, way_of

blueprint = Blueprint("pages", __name__)

# On the week page strokes stand close; a note's own page gives them air, and room for more.
WEEK_LINE_HEIGHT, OWN_LINE_HEIGHT, OWN_STROKES = 3.0, 8.0, 400
LISTED = 40  # notes or shifts that are not drawn stand in a list, at most so many


@dataclass(frozen=True, slots=True)
class Measure:
    """How much of a week is drawn, so that its page stays small: notes, shifts, strokes of each."""

    notes: int
    shifts: int
    strokes: int


# Up to so many landings each has its stroke, in a fuller week there are fewer drawings.
FULL_WEEK = 400
DRAWN, DRAWN_OF_A_FULL_WEEK = Measure(8, 6, FULL_WEEK), Measure(6, 4, 48)


@dataclass(frozen=True, slots=True)
class Card:
    """One note or shift as a page shows it."""

    name: str
    line: NoteLine | ShiftLine
    diary: Diary | None  # None: not drawn
    sides: tuple[str, str]
    href: str  # of its own page


@blueprint.get("/")
def show_week() -> ResponseReturnValue:
    """The week: one sentence, then by note, then by shift, slide move or leap."""
    asked, week, last_played = _asked_week()
    drawn = DRAWN if week.total.count <= FULL_WEEK else DRAWN_OF_A_FULL_WEEK
    ruler = _ruler(week, asked, WEEK_LINE_HEIGHT, drawn.strokes)
    rounds = _rounds(asked)
    notes = _cards(week.by_note, asked, ruler, drawn.notes)
    return render_template(
        "week.html",
        week=week,
        notes=notes,
        moves=_by_movement(week.by_shift, asked, ruler, drawn.shifts),
        rounds=rounds,
        last_played=last_played,
        listed=LISTED,
        **frame(asked),
    )


@blueprint.get("/note/<int:midi>")
def show_note(midi: int) -> ResponseReturnValue:
    """Every landing of one note in the week."""
    return _show_card(lambda line: isinstance(line, NoteLine) and line.midi == midi)


@blueprint.get("/<any(shift, 'slide-move', leap):way>/<move>")
def show_shift(way: str, move: str) -> ResponseReturnValue:
    """Every landing of one shift in the week; ``move`` is two MIDI numbers such as 59-67."""

    def wanted(line: NoteLine | ShiftLine) -> bool:
        return isinstance(line, ShiftLine) and (way_of(line.movement), line.pair) == (way, move)

    return _show_card(wanted)


@blueprint.get("/ear")
def show_ear() -> ResponseReturnValue:
    """Where calls and landings agree, over the weeks up to the one asked for."""
    asked, landings = _asked_landings()
    agreement = read_agreement(landings, asked.reading.band_cents)
    return render_template(
        "ear.html",
        agreement=agreement,
        intervals=[(ear.INTERVALS[line.key], line) for line in agreement.by_interval],
        notes=[(note_name(line.key), line) for line in agreement.by_note],
        drones=read_drones(landings, asked.reading.band_cents),
        weeks=ear.WEEKS,
        **frame(asked),
    )


@blueprint.get("/week.json")
def show_week_json() -> ResponseReturnValue:
    """The week for programs."""
    asked, week, _ = _asked_week()
    return jsonify(week_json(week, asked))


def _show_card(wanted: Callable[[NoteLine | ShiftLine], bool]) -> ResponseReturnValue:
    asked, week, _ = _asked_week()
    lines: tuple[NoteLine | ShiftLine, ...] = (*week.by_note, *week.by_shift)
    line = next((line for line in lines if wanted(line)), None)
    if line is None:
        abort(404)
    card = _card(line, asked, _ruler(week, asked, OWN_LINE_HEIGHT, OWN_STROKES))
    return render_template("card.html", card=card, **frame(asked))


def _asked_week() -> tuple[Asked, Week, CalendarWeek | None]:
    """Read the query, then the log: the week asked for, and the last week anybody played."""
    room = current_room()
    asked = read_query(request.args, room.settings, room.this_week)
    with open_log() as log:
        rows = log.notes(*asked.week.bounds(room.zone))
        rows_before = log.notes(*asked.week.later(-1).bounds(room.zone))
        span = log.span()
    last_played = CalendarWeek.of(span[1], room.zone) if span else None
    week = read_week(rows, rows_before, asked.reading, room.zone)
    naming.follow(asked, week.landings, room.settings.instrument)
    return asked, week, last_played


def _rounds(asked: Asked) -> list[tuple[RoundRow, list[TryLine]]]:
    """Read the rounds of the week, each with its tries."""
    room = current_room()
    begins, ends = asked.week.bounds(room.zone)
    with open_log() as log:
        rows, rounds = log.notes(begins, ends), log.rounds(begins, ends)
    return [(played, tries_of(played, rows)) for played in rounds]


def _asked_landings() -> tuple[Asked, list[Landing]]:
    """Read the query, then the landings of the week asked for and of those before it."""
    room = current_room()
    asked = read_query(request.args, room.settings, room.this_week)
    begins = asked.week.later(1 - ear.WEEKS).bounds(room.zone)[0]
    with open_log() as log:
        rows = log.notes(begins, asked.week.bounds(room.zone)[1])
    landings = landings_of(rows, asked.reading, room.zone)
    naming.follow(asked, landings, room.settings.instrument)
    return asked, landings


def _ruler(week: Week, asked: Asked, line_height: float, most: int) -> Ruler:
    """One scale for all the drawings of a week, so that they can be compared."""
    return Ruler(asked.reading.band_cents, scale_for(week.landings), line_height, most)


def _cards(
    lines: Sequence[NoteLine | ShiftLine], asked: Asked, ruler: Ruler, drawn: int
) -> list[Card]:
    """Make the cards of a page; those with enough notes to say something come first."""
    ordered = sorted(lines, key=lambda line: line.tally.few)
    return [_card(line, asked, ruler if n < drawn else None) for n, line in enumerate(ordered)]


def _by_movement(
    lines: Sequence[ShiftLine], asked: Asked, ruler: Ruler, drawn: int
) -> dict[Movement, list[Card]]:
    """Make the cards of shifts, slide moves and leaps; the instrument's own kind, even if none."""
    cards = {
        movement: _cards([line for line in lines if line.movement is movement], asked, ruler, drawn)
        for movement in Movement
    }
    own = movement_of(naming.instrument())
    return {movement: some for movement, some in cards.items() if some or movement is own}


def _card(line: NoteLine | ShiftLine, asked: Asked, ruler: Ruler | None) -> Card:
    is_shift = isinstance(line, ShiftLine)
    diary = None if ruler is None else draw(line.landings, line.tally, ruler, along=is_shift)
    if isinstance(line, ShiftLine):
        name = move_name(line.from_midi, line.to_midi)
        way = way_of(line.movement)
        href = url_for("pages.show_shift", way=way, move=line.pair, **asked.link())
    else:
        name = note_name(line.midi)
        href = url_for("pages.show_note", midi=line.midi, **asked.link())
    return Card(name, line, diary, SHIFT_SIDES if is_shift else SIDES, href)


def frame(asked: Asked) -> dict[str, object]:
    """What every page of a week shows around its own matter."""
    room = current_room()
    if not naming.followed():
        naming.follow(asked, (), room.settings.instrument)
    return {
        "asked": asked,
        "room": room.settings.name,
        "this_week": room.this_week,
        "tunings": {name: TUNING_NAMES[name] for name in TUNINGS},
        "band_range": BAND_CENTS,
        "a4_range": A4_HZ,
        "open_strings": {name: name for name in OPEN_STRINGS},
        "key_names": naming.KEY_NAMES,
        "edge_names": naming.EDGE_NAMES,
        "language_names": naming.LANGUAGE_NAMES,
        "pitch_names": naming.PITCH_NAMES,
        "clef_names": naming.CLEF_NAMES,
        "orders": ORDERS,
        "a4_hz": room.settings.a4_hz,
        "zone": room.zone,
    }
