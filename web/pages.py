"""The routes: the week, calls and landings, the week for programs."""

from dataclasses import replace

from flask import Blueprint, jsonify, render_template, request
from flask.typing import ResponseReturnValue

from appliance.log.agreement import read_agreement, read_drones
from appliance.log.calendar import CalendarWeek
from appliance.log.change import change_between
from appliance.log.days import by_day
from appliance.log.records import RoundRow
from appliance.log.suggestions import suggestions_of
from appliance.log.tries import TryLine, tries_of
from appliance.log.weeks import Landing, Week, landings_of, read_week
from appliance.tuning import TUNINGS
from web import ear, naming
from web.access import open_log, read_person, whose
from web.cards import FULL_WEEK, LISTED, cards_of, line_href
from web.focus import read_focus, show_focus
from web.naming import note_name
from web.place import current_room
from web.query import A4_HZ, BAND_CENTS, OPEN_STRINGS, ORDERS, Asked, read_query
from web.week_json import week_json
from web.words import TUNING_NAMES

blueprint = Blueprint("pages", __name__)


@blueprint.get("/")
def show_week() -> ResponseReturnValue:
    """The week: one sentence, then by note, then by shift, slide move or leap."""
    asked, week, last_played = asked_week()
    read = read_person()
    question = ("page", id(week), asked, read and read.person_id, naming.instrument())
    matter, _ = week.notes.once(question, lambda: (_matter_of(week, asked), week))  # keeps its id
    return render_template(
        "week.html",
        week=week,
        rounds=_rounds(asked, week),
        last_played=last_played,
        listed=LISTED,
        full=week.total.count > FULL_WEEK,
        line_href=line_href,
        focus=show_focus(read_focus(asked.week), week, asked),
        **matter,
        **frame(asked),
    )


def _matter_of(week: Week, asked: Asked) -> dict[str, object]:
    """What the page tells of a week; it takes longer than to write it down."""
    notes, moves = cards_of(week, asked)
    return {
        "notes": notes,
        "moves": moves,
        "change": change_between(week.landings_before, week.landings),
        "suggestions": suggestions_of(week, asked.reading.band_cents),
        "days": by_day(week.landings),
        "drones": read_drones(week.landings, asked.reading.band_cents),
    }


@blueprint.get("/ear")
def show_ear() -> ResponseReturnValue:
    """Where calls and landings agree, over the weeks up to the one asked for."""
    asked, landings = asked_landings(ear.WEEKS)
    agreement = read_agreement(landings, asked.reading.band_cents)
    return render_template(
        "ear.html",
        agreement=agreement,
        intervals=[(ear.INTERVALS[line.key], line) for line in agreement.by_interval],
        notes=[(note_name(line.key), line) for line in agreement.by_note],
        drones=read_drones(landings, asked.reading.band_cents),
        weeks=ear.WEEKS,
        everybody=whose() is None,
        **frame(asked),
    )


@blueprint.get("/week.json")
def show_week_json() -> ResponseReturnValue:
    """The week for programs."""
    asked, week, _ = asked_week()
    return jsonify(week_json(week, asked))


def asked_week(of: CalendarWeek | None = None) -> tuple[Asked, Week, CalendarWeek | None]:
    """Read the query, then the log: the week asked for, and the last week anybody played.

    ``of``: the week, where the query does not say it.
    """
    room = current_room()
    query = read_query(request.args, room.settings, room.this_week)
    asked = in_focus(query if of is None else replace(query, week=of))
    with open_log() as log:
        rows = log.notes(*asked.week.bounds(room.zone))
        rows_before = log.notes(*asked.week.later(-1).bounds(room.zone))
        span = log.span()
    last_played = CalendarWeek.of(span[1], room.zone) if span else None
    week = read_week(rows, rows_before, asked.reading, room.zone)
    naming.follow(asked, week.landings, room.settings.instrument)
    return asked, week, last_played


def in_focus(asked: Asked, week: CalendarWeek | None = None) -> Asked:
    """Read with the band that a teacher set for the week, unless the link asks for one.

    ``week``: where it is not the one that was asked for.
    """
    focus = None if asked.band_asked else read_focus(week or asked.week)
    if focus is None or focus.band_cents is None:
        return asked
    return replace(asked, reading=replace(asked.reading, band_cents=focus.band_cents))


def _rounds(asked: Asked, week: Week) -> list[tuple[RoundRow, list[TryLine]]]:
    """Read the rounds of the week, each with its tries."""
    with open_log() as log:
        rounds = log.rounds(*asked.week.bounds(current_room().zone))
    return [(played, tries_of(played, week.notes)) for played in rounds]


def asked_landings(weeks: int) -> tuple[Asked, list[Landing]]:
    """Read the query, then the landings of so many weeks, the one asked for and those before."""
    room = current_room()
    asked = in_focus(read_query(request.args, room.settings, room.this_week))
    begins = asked.week.later(1 - weeks).bounds(room.zone)[0]
    with open_log() as log:
        rows = log.notes(begins, asked.week.bounds(room.zone)[1])
    landings = landings_of(rows, asked.reading, room.zone)
    naming.follow(asked, landings, room.settings.instrument)
    return asked, landings


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
