"""Sittings: a list of them, and one of them as a time line."""

import re
from datetime import datetime
from zoneinfo import ZoneInfo

from flask import Blueprint, Flask, abort, render_template, request
from flask.typing import ResponseReturnValue
from werkzeug.exceptions import BadRequest

from appliance.log.calendar import CalendarWeek
from appliance.log.interruptions import Cause, Interruption, interruptions
from appliance.log.judging import sittings_of
from appliance.log.reader import LogReader
from appliance.log.records import SittingRow
from appliance.log.tallies import Tally
from appliance.log.timeline import (
    DroneSpan,
    PauseSpan,
    Sounding,
    Timeline,
    read_timeline,
)
from appliance.log.weeks import Landing, Reading, Week, landings_of, read_week, tally_of
from appliance.tuning import nearest_note
from appliance.vocabulary import LogbookError
from web import naming
from web.access import open_log
from web.minutes import APART, Line, Span, draw_part, outcome_of
from web.naming import note_name
from web.pages import frame, in_focus
from web.place import current_room
from web.query import Asked, read_query
from web.words import round_name, tries

blueprint = Blueprint("sittings", __name__)

A_PAGE = 20
# A clock that is set while a sitting goes on moves its notes by less than an hour, or else they are
# dated anew. A sitting that goes on has no end yet.
_CLOCK_SET_S, _NEVER_S = 3600.0, 1e12
_BEFORE = re.compile(r"\d{1,11}(\.\d{1,9})?", re.ASCII)
_INTERRUPTED = {Cause.SOUND: "the sound device was away", Cause.ROOM: "the room stopped"}
_NUMBER = re.compile(r"\d{1,4}", re.ASCII)


def register(app: Flask) -> None:
    """Give the templates of ``app`` the words of a sitting."""
    app.jinja_env.filters.update(
        sitting_day=sitting_day,
        sitting_hours=sitting_hours,
        minute=minute,
        begun=begun,
        line_words=line_words,
        what_became=what_became,
        pitch_name=pitch_name,
        gap_words=gap_words,
    )
    app.register_blueprint(blueprint)


@blueprint.get("/sittings")
def show_sittings() -> ResponseReturnValue:
    """The last sittings, or those begun before a moment."""
    before_s, asked = before(), _asked()
    with open_log() as log:
        found = log.sittings(before_s, A_PAGE + 1)
        earlier = found[A_PAGE - 1][0].started_at.wall_s if len(found) > A_PAGE else None
        read = _readings([sitting for sitting, _ in found[:A_PAGE]], asked)
        counted = _counted(log, [sitting for sitting, _ in found[:A_PAGE]], read)
    return render_template(
        "sittings.html",
        sittings=found[:A_PAGE],
        counted=counted,
        bands=sorted(
            {reading.band_cents for reading in read.values()} - {asked.reading.band_cents}
        ),
        kept=asked.switches(),
        held=asked.switches() | {key: request.args[key] for key in request.args if key == "before"},
        earlier=earlier,
        latest="before" not in request.args,
        silent_s=current_room().settings.sitting_ends_after_silent_s,
        **frame(asked),
    )


def _readings(sittings: list[SittingRow], asked: Asked) -> dict[str, Reading]:
    """How each sitting is read: as its own week is; by their ids."""
    zone = current_room().zone
    return {
        one.sitting_id: in_focus(asked, CalendarWeek.of(one.started_at.wall_s, zone)).reading
        for one in sittings
    }


def _counted(
    log: LogReader, sittings: list[SittingRow], read: dict[str, Reading]
) -> dict[str, Tally]:
    """What became of the notes of sittings, by their ids; there is none without a counted note."""
    if not sittings:
        return {}
    begins_s = min(one.started_at.wall_s for one in sittings) - _CLOCK_SET_S
    ends_s = max(one.ended_at.wall_s if one.ended_at else _NEVER_S for one in sittings)
    rows = log.notes(begins_s, ends_s + _CLOCK_SET_S)
    found: dict[str, list[Landing]] = {}
    for reading in set(read.values()):
        landings = landings_of(rows, reading, current_room().zone)
        for sitting_id, landing in zip(sittings_of(landings), landings, strict=True):
            if read.get(sitting_id) == reading:
                found.setdefault(sitting_id, []).append(landing)
    return {sitting_id: tally_of(landings) for sitting_id, landings in found.items()}


@blueprint.get("/sitting/<sitting_id>")
def show_sitting(sitting_id: str) -> ResponseReturnValue:
    """One sitting in time, then its notes one by one."""
    asked, timeline, week, gaps = _read(sitting_id, _asked())
    naming.follow(asked, week.landings, timeline.sitting.instrument)
    part = draw_part(timeline, _whole_number("part", 1))
    return render_template(
        "sitting.html",
        timeline=timeline,
        week=week,
        gaps=gaps,
        part=part,
        opened=_whole_number("minute", -1),
        **frame(asked),
    )


def _asked() -> Asked:
    return read_query(request.args, current_room().settings, current_room().this_week)


def _read(sitting_id: str, asked: Asked) -> tuple[Asked, Timeline, Week, list[Interruption]]:
    """Read a sitting the way its own week is read."""
    zone = current_room().zone
    with open_log() as log:
        try:
            sitting = log.sitting(sitting_id)
        except LogbookError:  # no id at all
            sitting = None
        if sitting is None:
            abort(404)
        rows = log.notes_of(sitting_id)
        rounds, events = log.rounds_of(sitting_id), log.events_of(sitting_id)
    asked = in_focus(asked, CalendarWeek.of(sitting.started_at.wall_s, zone))
    timeline = read_timeline(sitting, rows, rounds, events, asked.reading)
    week = read_week(rows, (), asked.reading, zone)
    return asked, timeline, week, interruptions(events)


def before() -> float:
    """Return the moment (Unix time) before which a link asks for sittings."""
    text = request.args.get("before")
    if text is None:
        return float("inf")
    if not _BEFORE.fullmatch(text):
        raise BadRequest("Earlier sittings are asked for by a time in seconds: use the links.")
    return float(text)


def _whole_number(key: str, otherwise: int) -> int:
    text = request.args.get(key, "")
    return int(text) if _NUMBER.fullmatch(text) else otherwise


# -- words ------------------------------------------------------------------------------------


def gap_words(gap: Interruption, zone: ZoneInfo | None) -> str:
    """Say of what stretch nothing is known, and why."""
    at, what = minute(gap.began_wall_s, zone), _INTERRUPTED[gap.cause]
    if gap.lasted_s is None:
        return (
            f"From {at} on {what} until the end of the sitting; what was played then is not here."
        )
    number, unit = gap.lasted_s, "second"
    if number >= 90.0:
        number, unit = number / 60.0, "minute"
    counted = max(1, round(number))
    lasted = f"{counted} {unit}{'' if counted == 1 else 's'}"
    return f"At {at} {what} for {lasted}; what was played then is not here."


def sitting_day(sitting: SittingRow, zone: ZoneInfo | None) -> str:
    """Return the day of a sitting, such as ``Monday 9 February 2026``."""
    at = datetime.fromtimestamp(sitting.started_at.wall_s, zone)
    return f"{at:%A} {at.day} {at:%B} {at.year}"


def sitting_hours(sitting: SittingRow, zone: ZoneInfo | None) -> str:
    """Return from when to when it lasted, such as ``17:00 to 17:45``."""
    started = minute(sitting.started_at.wall_s, zone)
    if sitting.ended_at is None:
        return f"from {started} on"
    return f"{started} to {minute(sitting.ended_at.wall_s, zone)}"


def minute(wall_s: float, zone: ZoneInfo | None) -> str:
    """Return a moment's hour and minute, such as ``17:05``."""
    return f"{datetime.fromtimestamp(wall_s, zone):%H:%M}"


def begun(span: Span, a4_hz: float) -> str:
    """Return what began, in a sentence."""
    if isinstance(span, PauseSpan):
        return f"The log was paused for {_lasting(span.ends_s - span.begins_s)}."
    if isinstance(span, DroneSpan):
        return _drone(span)
    said = tries(span.tries) or "no try"
    won = " Enough landed in a row." if span.played.won else ""
    return f"A round on {round_name(span.played, a4_hz)}: {said}.{won}"


def _drone(span: DroneSpan) -> str:
    if span.sounding is Sounding.SILENT:
        return "Drone silent."
    name = "" if span.midi is None else f" {note_name(span.midi)}"
    return f"Drone{name}." if span.sounding is Sounding.ON else f"Without the drone{name}."


def _lasting(seconds: float) -> str:
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} minutes"


def line_words(line: Line) -> str:
    """Return what a drawn minute shows, for those who cannot see it."""
    found = [outcome_of(note) for note in line.notes]
    parts = [
        f"{count} {name if name != APART else 'not counted'}"
        for name in ("landed", "rescued", "missed", APART)
        if (count := found.count(name))
    ]
    return ", ".join(parts) or "no note ended"


def what_became(found: object, kind: str) -> str:
    """Return what became of a note, or why it does not count."""
    if isinstance(found, Landing):
        return found.outcome.value if kind in ("ordinary", "in a round") else kind
    return str(found)


def pitch_name(hz: float | None, a4_hz: float) -> str:
    """Return the name of the note nearest a pitch; nothing without a pitch."""
    return "–" if hz is None else note_name(nearest_note(hz, a4_hz))
