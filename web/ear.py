"""The ear's page in words: where calls and landings agree, and the smallest error that is heard."""

from flask import Flask

from appliance.log.agreement import CallLine, CallTally
from appliance.log.psychometric import ENOUGH, Estimate, Threshold
from appliance.log.tallies import Tally
from appliance.vocabulary import Call
from web.words import NO_BREAK, SIDES, cents, percent

WEEKS = 12  # an ear changes slowly, and calls are few: so many weeks are read together
INTERVALS = (
    *("unison, octave", "minor second", "major second", "minor third", "major third", "fourth"),
    *("tritone", "fifth", "minor sixth", "major sixth", "minor seventh", "major seventh"),
)
LANDED = {Call.FLAT: "landed flat", Call.IN_TUNE: "landed in tune", Call.SHARP: "landed sharp"}


def register(app: Flask) -> None:
    """Give the templates of ``app`` these words."""
    app.jinja_env.filters.update(
        share=share,
        smallest=smallest,
        smallest_of=smallest_of,
        leaning=leaning,
        sounds_in_tune=sounds_in_tune,
        on_a_side=on_a_side,
    )
    app.jinja_env.globals.update(INTERVALS=INTERVALS, LANDED=LANDED, ENOUGH=ENOUGH)


def share(of: Tally | CallTally, part: int) -> str:
    """Return a share with its 95 % interval, or ``few``."""
    if of.few:
        return "few"
    low, high = of.interval
    return f"{percent(part, of.count)}{NO_BREAK}% {_range(100 * low, 100 * high)}"


def smallest(found: Threshold | None) -> str:
    """Return the smallest error that is reliably heard, with its 95 % interval."""
    return "not enough calls yet" if found is None else _within(found.smallest)


def smallest_of(line: CallLine[int]) -> str:
    """Return the same of a note or interval; some have no one pitch to be off from."""
    return "no one right pitch" if line.spanned else smallest(line.threshold)


def leaning(line: CallLine[int]) -> str:
    """Return which error sounds in tune here, where it can be told from none; else nothing."""
    if line.spanned or line.threshold is None or _may_be_none(line.threshold.bias):
        return ""
    bias = line.threshold.bias
    return f"{cents(bias.cents)} {SIDES[bias.cents > 0]} {_sizes(bias)} sounds in tune"


def _may_be_none(bias: Estimate) -> bool:
    return bias.low <= 0.0 <= bias.high


def on_a_side(estimate: Estimate | None) -> str:
    """Return from where on a side is reliably heard, counted from the target."""
    return "not known within a semitone" if estimate is None else f"from {_within(estimate)} on"


def sounds_in_tune(found: Threshold) -> str:
    """Return which error sounds in tune, where it can be told from none."""
    bias = found.bias
    if _may_be_none(bias):
        return (
            f"What sounds in tune is right, within {cents(max(-bias.low, bias.high))} to one side "
            "or the other."
        )
    return f"What sounds in tune is {cents(bias.cents)} {SIDES[bias.cents > 0]} {_sizes(bias)}."


def _within(estimate: Estimate) -> str:
    return f"{cents(estimate.cents).replace(' ', NO_BREAK)} {_sizes(estimate)}"


def _sizes(estimate: Estimate) -> str:
    """Return the interval's two sizes; its side stands beside it."""
    return _range(*sorted((abs(estimate.low), abs(estimate.high))))


def _range(low: float, high: float) -> str:
    return f"({low:.0f} to {high:.0f})".replace(" ", NO_BREAK)
