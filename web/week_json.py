"""The week for programs: the same numbers as on the page, unrounded."""

from typing import Any

from appliance.log.pace import Pace
from appliance.log.strings import StringLine
from appliance.log.tallies import Tally
from appliance.log.weeks import Beside, Comparison, NoteLine, ShiftLine, Week
from appliance.vocabulary import Movement
from web.query import Asked
from web.words import SHIFT_SIDES, SIDES


def week_json(week: Week, asked: Asked) -> dict[str, Any]:
    """Return a week as plain data; note names are scientific pitch, cents sharp (long) positive."""
    return {
        "week": str(asked.week),
        "first_day": asked.week.monday.isoformat(),
        "tuning": asked.reading.tuning,
        "band_cents": asked.reading.band_cents,
        "a4_hz": asked.reading.a4_hz,
        "open_strings_counted": asked.reading.count_open,
        "total": _tally(week.total),
        "week_before": _tally(week.before),
        "like_for_like": _comparison(week.compared),
        "notes": [_note(line) for line in week.by_note],
        **{
            f"{movement.replace(' ', '_')}s": [
                _shift(line) for line in week.by_shift if line.movement is movement
            ]
            for movement in Movement
        },
        "unsure": week.unsure,
        "not_measurable": week.not_measurable,
        "repeats": week.repeats,
        "struck_out": week.struck,
        "paused": week.paused,
        "in_rounds": week.in_rounds,
        "tuning_strings": week.tuning_strings,
        "may_be_open": week.may_be_open,
        "without_any_drone": week.undroned,
        "beside": _beside(week.beside),
        "sittings": [_pace(pace) for pace in week.paces],
        "strings": [_string(line) for line in week.strings],
    }


def _beside(beside: Beside) -> dict[str, Any]:
    return {
        "with_drone": _tally(beside.with_drone),
        "without": _tally(beside.without),
        "same_notes_with_drone": _tally(beside.alike_with),
        "same_notes_without": _tally(beside.alike_without),
    }


def _pace(pace: Pace) -> dict[str, Any]:
    return {
        "sitting": pace.sitting.sitting_id,
        "notes": pace.notes,
        "too_short": pace.too_short,
        "notes_a_minute": pace.notes_a_minute,
    }


def _string(line: StringLine) -> dict[str, Any]:
    return {
        "sitting": line.sitting.sitting_id,
        "string": line.name,
        "found_cents": line.found_cents,
        "left_cents": line.left_cents,
        "notes": line.notes,
        "typical_cents": line.typical_cents,
        "spread_cents": line.spread_cents,
        "few": line.few,
    }


def _note(line: NoteLine) -> dict[str, Any]:
    return {
        "note": line.name,
        **_tally(line.tally),
        "like_for_like": _comparison(line.compared),
    }


def _shift(line: ShiftLine) -> dict[str, Any]:
    return {
        line.movement.replace(" ", "_"): line.name,
        "likely": line.likely,
        **_tally(line.tally, SHIFT_SIDES),
        "like_for_like": _comparison(line.compared, SHIFT_SIDES),
    }


def _comparison(
    compared: Comparison | None, sides: tuple[str, str] = SIDES
) -> dict[str, Any] | None:
    if compared is None:
        return None
    return {"this": _tally(compared.this, sides), "before": _tally(compared.before, sides)}


def _tally(tally: Tally, sides: tuple[str, str] = SIDES) -> dict[str, Any]:
    return {
        "count": tally.count,
        "landed": tally.landed,
        "rescued": tally.rescued,
        "missed": tally.missed,
        "landed_interval_95": list(tally.interval),
        "few": tally.few,
        "typical_cents": tally.typical_cents,
        "spread_cents": tally.spread_cents,
        "side": sides[tally.side > 0] if tally.side else None,
    }
