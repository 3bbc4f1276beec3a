"""What a page has to say of some notes, word by word, from what :mod:`tests.from_rows` reads."""

import math

import numpy as np

from tests.from_rows import FEW, OUTCOMES, Array, Change, Notes, wilson

SIDES, ALONG = ("flat", "sharp"), ("short", "long")


def percent(part: int, whole: int) -> int:
    return round(100 * part / whole)


def shares(notes: Notes) -> str:
    return " / ".join(str(percent(notes.of(outcome), len(notes))) for outcome in OUTCOMES)


def signed(cents: float) -> str:
    whole = round(cents)
    return "0" if whole == 0 else f"{whole:+d}".replace("-", "−")


def cents(size: float) -> str:
    whole = round(abs(size))
    return f"{whole} cent" if whole == 1 else f"{whole} cents"


def landed(notes: Notes) -> str:
    return f"{notes.of('landed')} of {len(notes)}"


def chance(part: int, whole: int) -> str:
    if whole < FEW:
        return "few, too early for a share"
    low, high = (100 * end for end in wilson(part, whole))
    return f"{percent(part, whole)} % ({low:.0f} to {high:.0f} %)"


def share(part: int, whole: int) -> str:
    """As in the tables of the ear's page."""
    if whole < FEW:
        return "few"
    low, high = (100 * end for end in wilson(part, whole))
    return f"{percent(part, whole)} % ({low:.0f} to {high:.0f})"


def tally(notes: Notes, errors: Array, sides: tuple[str, str]) -> str:
    """A card's figures, from its share to where half of the landings lie."""
    said = (
        f"{landed(notes)} landed {chance(notes.of('landed'), len(notes))} "
        f"{notes.of('rescued')} rescued, {notes.of('missed')} missed."
    )
    return f"{said} {bias(errors, sides)}"


def bias(errors: Array, sides: tuple[str, str]) -> str:
    typical = float(np.median(errors))
    where = (
        f"{cents(typical)} {sides[typical > 0]}"
        if abs(typical) >= 3
        else "right, under 3 cents off"
    )
    if len(errors) < FEW:
        return f"Typically {where}." if len(errors) > 1 else f"It landed {where}."
    spread = float(np.median(np.abs(errors - typical)))
    near = cents(max(1, math.ceil(spread)))
    return f"Typically {where}; half of them lie within {near} of that."


def lies(errors: Array, sides: tuple[str, str], band: float = 10.0) -> str:
    """Whether there is a habit or a scatter, with its counts."""
    count, typical = len(errors), float(np.median(errors))
    below, above = int(np.sum(errors <= -3)), int(np.sum(errors >= 3))
    within = float(np.quantile(np.abs(errors), 0.8, method="inverted_cdf"))
    around = float(np.quantile(np.abs(errors - typical), 0.8, method="inverted_cdf"))
    off, side = max(below, above), sides[above > below]
    if count < FEW:
        return ""
    if within <= band:
        return f"Four of five land within {cents(math.ceil(within))} of right."
    if sign_test(below, above) <= 0.05 and abs(typical) >= 3:
        if around <= band:
            return f"One habit: {off} of {count} were {side}, close together."
        return (
            f"A habit and a scatter: {off} of {count} were {side}, and four of five lie only "
            f"within {cents(math.ceil(around))} of the typical one."
        )
    if sign_test(below, above) <= 0.05:
        return (
            f"Where it is off it is mostly {side}: {below} {sides[0]}, {above} {sides[1]}, "
            f"four of five within {cents(math.ceil(within))} of right."
        )
    both = f"{below} {sides[0]}, {above} {sides[1]}"
    return f"No habit, a scatter: {both}, four of five anywhere within {cents(math.ceil(within))}."


def sign_test(below: int, above: int) -> float:
    """Exact and two-sided: rows of Pascal's triangle as powers of a polynomial."""
    total = below + above
    triangle = np.ones(1)
    for _ in range(total):
        triangle = np.convolve(triangle, [0.5, 0.5])
    return min(1.0, 2 * float(triangle[: min(below, above) + 1].sum()))


def since(now: Notes, before: Notes) -> str:
    if not len(now.sharing(before)):
        return "Not played over the same drone last week."
    this, then = now.sharing(before), before.sharing(now)
    return f"Landed over the same drone: this week {landed(this)}, last week {landed(then)}."


def verdict(change: Change) -> str:
    if change.low > 0:
        return "more"
    return "fewer" if change.high < 0 else "not enough to tell"


def agrees(notes: Notes, band: float = 10.0) -> Array:
    """-1 where a call put the note too low, 1 too high, 0 where it agrees."""
    flat = (notes.error <= -5) & (notes.verdict == "flat")
    sharp = (notes.error >= 5) & (notes.verdict == "sharp")
    right = flat | sharp | ((np.abs(notes.error) <= band) & (notes.verdict == "in tune"))
    order = {"flat": -1, "in tune": 0, "sharp": 1}
    said = np.array([order.get(verdict, 0) for verdict in notes.verdict])
    truth = np.where(np.abs(notes.error) < 5, 0, np.sign(notes.error))
    return np.where(right, 0, np.where(said < truth, -1, 1)).astype(float)
