"""The week for programs: the same numbers as on the page, unrounded."""

from typing import Any

from appliance.log.agreement import DroneLine, read_drones
from appliance.log.change import Change, Difference, change_between
from appliance.log.days import by_day
from appliance.log.pace import Pace
from appliance.log.strings import StringLine
from appliance.log.suggestions import Suggestion, suggestions_of
from appliance.log.tallies import Tally
from appliance.log.weeks import Beside, Comparison, NoteLine, ShiftLine, Week
from appliance.tuning import pitch_class_name
from appliance.vocabulary import Movement
from web.query import Asked
from web.words import SHIFT_SIDES, SIDES


def week_json(week: Week, asked: Asked) -> dict[str, Any]:
    """Return a week as plain data; note names are scientific pitch, cents sharp (long) positive.

    What each field means: :mod:`web.week_fields`.
    """
    band_cents = asked.reading.band_cents
    return {
        "week": str(asked.week),
        "first_day": asked.week.monday.isoformat(),
        "tuning": asked.reading.tuning,
        "band_cents": band_cents,
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
        "days": [
            {"day": one.day.isoformat(), **_tally(one.tally)} for one in by_day(week.landings)
        ],
        "drones": [_drone(line) for line in read_drones(week.landings, band_cents)],
        "change": _change(change_between(week.landings_before, week.landings)),
        "suggestions": [_suggestion(found) for found in suggestions_of(week, band_cents)],
    }


def _drone(line: DroneLine) -> dict[str, Any]:
    return {
        "drone": pitch_class_name(line.pitch_class),
        **_tally(line.landings),
        "calls": line.calls.count,
        "calls_that_agree": line.calls.agreed,
    }


def _change(change: Change | None) -> dict[str, Any] | None:
    if change is None:
        return None
    return {
        "meaning": change.meaning,
        "landed": _difference(change.landed),
        "rescued": _difference(change.rescued),
        "notes": list(change.notes),
        "sittings": list(change.sittings),
    }


def _difference(one: Difference) -> dict[str, Any]:
    return {
        "before": one.before,
        "after": one.after,
        "difference_interval_95": [one.low, one.high],
        "verdict": one.verdict,
    }


def _suggestion(found: Suggestion) -> dict[str, Any]:
    """Return one suggestion; what does not apply to its kind is null."""
    line, lie, over = found.line, found.lie, found.clearest
    sides = SHIFT_SIDES if isinstance(line, ShiftLine) else SIDES
    return {
        "kind": found.kind,
        "about": None if line is None else line.name,
        **_tally(found.tally, sides),
        "on_one_side": None if lie is None else lie.off,
        "sign_test": None if lie is None else lie.chance,
        "with_drone": None if found.with_drone is None else _tally(found.with_drone),
        "clearest_drone": None if over is None else pitch_class_name(over.pitch_class),
        "landed_over_it": None if over is None else over.landed,
        "count_over_it": None if over is None else over.count,
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
