"""What the numbers mean, in words that a student knows: patterns, changes, a next step."""

import math

from flask import Flask

from appliance.log.change import Change, Difference, Meaning, Verdict
from appliance.log.patterns import ONE_SIDED, BySlide, Lie, Pattern
from appliance.log.suggestions import Kind, Suggestion
from appliance.log.tallies import Tally
from appliance.log.term import Moved, Stretch
from appliance.log.weeks import ShiftLine
from web.naming import move_name, note_name, pitch_class_name
from web.words import NO_BREAK, SHIFT_SIDES, SIDES, cents

SIGNS = {Verdict.MORE: "more", Verdict.FEWER: "fewer", Verdict.UNTOLD: "not enough to tell"}


def register(app: Flask) -> None:
    """Give the templates of ``app`` these words."""
    app.jinja_env.filters.update(
        lies=lies,
        sides_of=sides_of,
        slides=slides,
        meaning=meaning,
        verdict=verdict,
        points=points,
        ends=ends,
        moved_name=moved_name,
        stretch=stretch,
        suggested=suggested,
        could=could,
    )
    app.jinja_env.globals.update(suggestion_name=suggestion_name)


def lies(lie: Lie, sides: tuple[str, str] = SIDES) -> str:
    """Say whether landings lie off to one side, or anywhere; nothing where there are few."""
    within = cents(math.ceil(lie.within_cents))
    side = sides[lie.above > lie.below]
    match lie.pattern:
        case Pattern.HELD:
            return f"Four of five land within {within} of right."
        case Pattern.HABIT:
            return f"One habit: {lie.off} of {lie.count} were {side}, close together."
        case Pattern.BOTH:
            return (
                f"A habit and a scatter: {lie.off} of {lie.count} were {side}, and four of five "
                f"lie only within {cents(math.ceil(lie.around_cents))} of the typical one."
            )
        case Pattern.SCATTERED if lie.chance <= ONE_SIDED:  # the typical one is right all the same
            return (
                f"Where it is off it is mostly {side}: {sides_of(lie, sides)}, "
                f"four of five within {within} of right."
            )
        case Pattern.SCATTERED:
            return (
                f"No habit, a scatter: {sides_of(lie, sides)}, "
                f"four of five anywhere within {within}."
            )
    return ""


def sides_of(lie: Lie, sides: tuple[str, str] = SIDES) -> str:
    """Count both sides, errors under three cents left out: ``14 short, 6 long``."""
    return f"{lie.below} {sides[0]}, {lie.above} {sides[1]}"


def slides(split: BySlide | None) -> str:
    """Say what landed with a slide that could be heard, and without; nothing where all are one."""
    if split is None or not split.slid.count or not split.not_slid.count:
        return ""
    return (
        f"With a slide heard {_landed(split.slid)} landed, without one {_landed(split.not_slid)}."
    )


def _landed(tally: Tally) -> str:
    return f"{tally.landed} of {tally.count}"


def meaning(change: Change | None) -> str:
    """Say what the change from last week means, like for like."""
    if change is None:
        return "Whether that is a change: not enough to tell."
    landed = f"{_share(change.landed.before)} before, {_share(change.landed.after)} now"
    rescued = f"{_share(change.rescued.before)} before, {_share(change.rescued.after)} now"
    match change.meaning:
        case Meaning.LANDING_MORE:
            return f"You are landing more: of the same notes {landed}."
        case Meaning.LANDING_LESS:
            return f"You are landing less: of the same notes {landed}."
        case Meaning.CORRECTING_MORE:
            return (
                "You are correcting more, not landing more: of the same notes you rescued "
                f"{rescued}, and landed {landed}, which is too near to call."
            )
    return "Whether that is a change: not enough to tell."


def _share(share: float) -> str:
    return f"{100 * share:.0f}{NO_BREAK}%"


def verdict(difference: Difference | None) -> str:
    """Say whether a share has changed."""
    return SIGNS[Verdict.UNTOLD if difference is None else difference.verdict]


def points(difference: Difference) -> str:
    """Return a share before and after, with the interval of the change."""
    return f"{_share(difference.before)} → {_share(difference.after)}, change {ends(difference)}"


def ends(difference: Difference) -> str:
    """Return the change's 95 % interval in points of a hundred; near zero with a decimal place."""
    return " to ".join(_point(100 * end) for end in (difference.low, difference.high))


def _point(end: float) -> str:
    return (f"{end:+.1f}" if abs(end) < 1 else f"{end:+.0f}").replace("-", "−")


def moved_name(moved: Moved) -> str:
    """Name a note or an arrival."""
    if moved.from_midi is None:
        return note_name(moved.midi)
    return move_name(moved.from_midi, moved.midi)


def stretch(weeks: Stretch) -> str:
    """Name some weeks, such as ``weeks 3 to 6``."""
    if weeks.first == weeks.last:
        return f"week {weeks.first.number}"
    return f"weeks {weeks.first.number} to {weeks.last.number}"


def suggestion_name(found: Suggestion) -> str:
    """Name what a suggestion is about, such as ``F#4 from D4``."""
    if isinstance(found.line, ShiftLine):
        return f"{note_name(found.line.to_midi)} from {note_name(found.line.from_midi)}"
    return "" if found.line is None else note_name(found.line.midi)


def suggested(found: Suggestion) -> str:
    """Return the evidence of a suggestion."""
    tally, lie, line = found.tally, found.lie, found.line
    if lie is None or line is None:
        drone = found.with_drone or tally
        return (
            f"Without the drone {_landed(tally)} of the same notes land, with it {_landed(drone)}."
        )
    sides = SHIFT_SIDES if isinstance(line, ShiftLine) else SIDES
    if found.kind is Kind.ONE_SIDE:
        side = sides[lie.above > lie.below]
        said = f"lands {cents(lie.typical_cents)} {side}, {lie.off} of {lie.count} times"
    else:
        within = cents(math.ceil(lie.within_cents))
        said = f"lands anywhere within {within}, {sides_of(lie, sides)}; {_landed(tally)} landed"
    if found.clearest is None:
        return f"{said}."
    over = found.clearest
    return (
        f"{said}; the drone on {pitch_class_name(over.pitch_class)} was clearest for you, "
        f"{over.landed} of {over.count} landed over it."
    )


def could(found: Suggestion) -> str:
    """Return what a player could do about it."""
    if found.kind is Kind.WITHOUT:
        return "You could go on without the drone for a minute at a time."
    if found.kind is Kind.ANYWHERE:
        return "You could play a round on it, slowly, always from the same note."
    return "You could play a round on it, and call each try before the answer."
