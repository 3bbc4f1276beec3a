"""A note, a shift, a term and the calls as they are served, from the raw rows with numpy.

The log is that of :mod:`tests.busy_weeks`. Where a page has an interval over whole sittings, they
are left out in turn here, too, and Student's t is SciPy's.
"""

import math
import re
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
import pytest
from flask.testing import FlaskClient
from scipy.optimize import minimize
from scipy.special import expit
from scipy.stats import t as student

from tests.from_rows import NAMES, OUTCOMES, Change, Log, Notes, change, name_of
from tests.pages import page_words
from tests.said import (
    ALONG,
    SIDES,
    agrees,
    landed,
    lies,
    percent,
    share,
    shares,
    signed,
    since,
    tally,
    verdict,
)

WEEK = "week=2026-W07"
ENDS = r"([+−][\d.]+) to ([+−][\d.]+)"
# The page's own t is an expansion that is within one per cent of Student's.
T_IS_WITHIN = 0.01


def _is_interval(found: Change, low: str, high: str) -> None:
    """Points of a hundred; rounded to one, near zero to a tenth."""
    for shown, due in ((low, 100 * found.low), (high, 100 * found.high)):
        rounded = 0.05 if "." in shown else 0.5
        value = float(shown.replace("−", "-"))
        assert abs(value - due) <= rounded + T_IS_WITHIN * 100 * found.half, (shown, due)


@pytest.mark.parametrize("address", ["/note/67", "/note/66", "/note/64", "/shift/59-67"])
def test_a_note_and_a_shift(busy: FlaskClient, busy_rows: Log, address: str) -> None:
    along = address.startswith("/shift")
    midi = int(address[-2:])
    every = busy_rows.counted.where(busy_rows.counted.midi == midi)
    now, before = every.week(7), every.week(6)
    sides = ALONG if along else SIDES
    text = page_words(busy, f"{address}?{WEEK}")
    errors = [notes.along() if along else notes.error for notes in (now, every)]
    likely = f"likely a shift ({round(100 * float(np.mean(now.likely)))} %) " if along else ""
    name = f"B3→{name_of(midi)}" if along else name_of(midi)
    assert f" {name} {likely}{tally(now, errors[0], sides)} {lies(errors[0], sides)} " in text
    assert since(now, before) in text
    assert (
        f" The last 12 weeks {landed(every)} landed, {every.of('rescued')} rescued, "
        f"{every.of('missed')} missed. {lies(errors[1], sides)} " in text
    )
    found = change(every.week(5), now, "landed")
    moved = re.search(
        r"From week 5 to week 7, over the same drone: (\d+) % → (\d+) %, "
        rf"change {ENDS} points\. (\w+)",
        text,
    )
    assert moved
    assert [int(moved[1]), int(moved[2])] == [round(100 * found.before), round(100 * found.after)]
    _is_interval(found, moved[3], moved[4])
    assert moved[5] == verdict(found).split()[0].capitalize()


@pytest.mark.parametrize("midi", [64, 66, 67])
def test_calls_beside_landings_and_every_landing(
    busy: FlaskClient, busy_rows: Log, midi: int
) -> None:
    every = busy_rows.counted.where(busy_rows.counted.midi == midi)
    text = page_words(busy, f"/note/{midi}?{WEEK}")
    called = every.where(every.verdict != "")
    wrong = agrees(called) != 0
    assert f" {len(called) - int(wrong.sum())} of {len(called)} calls agree with" in text
    rows = [
        f"{when.day} {when:%b %H:%M} {verdict_}{', not so' if off else ''} "
        f"{signed(error)} {signed(settled)}"
        for when, verdict_, off, error, settled in zip(
            (datetime.fromtimestamp(at_s, UTC) for at_s in called.at_s.tolist()),
            called.verdict,
            wrong,
            called.error,
            called.settled,
            strict=True,
        )
    ][-40:]
    assert f" you called landed settled {' '.join(rows)} Every landing" in text
    now = every.week(7)
    listed = [
        f"{datetime.fromtimestamp(at_s, UTC):%a %H:%M} {signed(error)} ±{unsure:.0f} "
        f"{signed(settled)} {outcome}{f' called {called_}' if called_ else ''} "
        f"{'–' if np.isnan(drone) else name_of(drone)}{' (without)' if without else ''}"
        for at_s, error, unsure, settled, outcome, called_, drone, without in zip(
            now.at_s.tolist(),
            now.error,
            now.unsure_by,
            now.settled,
            now.outcome,
            now.verdict,
            now.drone,
            now.without,
            strict=True,
        )
    ]
    assert f" Outcome Drone {' '.join(listed)} Cents from the target" in text


def test_the_term(busy: FlaskClient, busy_rows: Log) -> None:
    weeks = {number: busy_rows.counted.week(number) for number in (5, 6, 7)}
    text = page_words(busy, f"/change?{WEEK}")
    for outcome in ("landed", "rescued"):
        found = change(weeks[5], weeks[7], outcome)
        row = re.search(
            rf" {outcome.capitalize()} (\d+) % (\d+) % {ENDS} (more|fewer|not enough to tell) ",
            text,
        )
        assert row
        assert [int(row[1]), int(row[2])] == [round(100 * found.before), round(100 * found.after)]
        _is_interval(found, row[3], row[4])
        assert row[5] == verdict(found)
    assert (
        f" {found.notes[0]} notes of {found.sittings[0]} sittings beside {found.notes[1]} of "
        f"{found.sittings[1]}. " in text
    )
    told = {5: "–"} | {
        later: verdict(change(weeks[earlier], weeks[later], "landed"))
        for earlier, later in pairwise(weeks)
    }
    rows = [f"{n} {len(notes)} {shares(notes)} {told[n]}" for n, notes in weeks.items()]
    assert f" beside the week before {' '.join(rows)} Notes and shifts" in text


def test_notes_and_shifts_that_changed(busy: FlaskClient, busy_rows: Log) -> None:
    first, last = busy_rows.counted.week(5), busy_rows.counted.week(7)
    pairs = {
        name_of(midi): (notes, last.where(last.midi == midi)) for midi, notes in first.by("midi")
    }
    pairs["B3→G4"] = (first.where(first.source == 59), last.where(last.source == 59))
    found = {name: change(*pair, "landed") for name, pair in pairs.items()}
    moved = {name: one for name, one in found.items() if verdict(one) != "not enough to tell"}
    text = page_words(busy, f"/change?{WEEK}").split("Notes and shifts that changed")[1]
    rows = re.findall(rf" (\S+) (\d+) % (\d+) % {ENDS}(?= )", text)
    order = sorted(moved, key=lambda name: -abs(moved[name].after - moved[name].before))
    assert [name for name, *_ in rows] == order and len(order) >= 2
    for name, before, after, low, high in rows:
        one = moved[name]
        assert [int(before), int(after)] == [round(100 * one.before), round(100 * one.after)]
        _is_interval(one, low, high)
    assert f"For {len(found) - len(moved)} other notes and shifts that both have" in text


# -- the ear ------------------------------------------------------------------------------------


def _called(log: Log) -> Notes:
    return log.counted.where(log.counted.verdict != "")


def _straight(log: Log) -> Notes:
    called = _called(log)
    return called.where(np.abs(called.corrected) < 5)


def _cells(notes: Notes) -> str:
    found = agrees(notes)
    low, high = int(np.sum(found < 0)), int(np.sum(found > 0))
    said = f"{len(notes)} {share(int(np.sum(found == 0)), len(notes))}"
    return f"{said} {low} too low, {high} too high" if low or high else said


def test_calls_in_all_and_by_side(busy: FlaskClient, busy_rows: Log) -> None:
    text = page_words(busy, f"/ear?{WEEK}")
    straight, called = _straight(busy_rows), _called(busy_rows)
    corrected = called.where(np.abs(called.corrected) >= 5)
    found = agrees(straight)
    right = int(np.sum(found == 0))
    assert (
        f" {right} of {len(straight)} calls agree with what the room heard. "
        f"{share(right, len(straight))}. {int(np.sum(found < 0))} took a note for lower than it "
        f"was, {int(np.sum(found > 0))} for higher. Of {len(corrected)} calls on notes that were "
        f"corrected after they had landed, {int(np.sum(agrees(corrected) == 0))} agree;" in text
    )
    for said, holds in (
        ("flat", straight.error <= -5),
        ("in tune", np.abs(straight.error) < 5),
        ("sharp", straight.error >= 5),
    ):
        assert f" landed {said} {_cells(straight.where(holds))} " in text


INTERVALS = {
    **{2: "major second", 4: "major third", 5: "fourth", 7: "fifth"},
    **{9: "major sixth", 10: "minor seventh", 11: "major seventh"},
}


def test_calls_by_interval_note_and_drone(busy: FlaskClient, busy_rows: Log) -> None:
    text = page_words(busy, f"/ear?{WEEK}")
    straight = _straight(busy_rows)
    part = text.split(" By interval ")[1].split(" By note ")[0]
    droned = straight.where(~np.isnan(straight.drone))
    above = (droned.midi - droned.drone) % 12
    assert set(above.astype(int).tolist()) == INTERVALS.keys()
    for semitones, name in INTERVALS.items():
        assert f" {name} {_cells(droned.where(above == semitones))} " in part
    part = text.split(" By note ")[1].split(" Over which drone ")[0]
    for midi, notes in straight.by("midi"):
        assert f" {name_of(midi)} {_cells(notes)} " in part
    part = text.split(" Over which drone ")[1]
    counted = busy_rows.counted
    for drone, notes in counted.where(counted.sounding).by("drone"):
        own = notes.where((notes.verdict != "") & (np.abs(notes.corrected) < 5))
        right = int(np.sum(agrees(own) == 0))
        assert (
            f" {NAMES[int(drone) % 12]} {share(notes.of('landed'), len(notes))} {landed(notes)} "
            f"{share(right, len(own))} {right} of {len(own)} " in part
        )


def _fit(
    notes: Notes, lapses: tuple[float, ...] = (0.0, 0.03, 0.08)
) -> tuple[dict[str, float], float]:
    """Bias, smallest error, and both sides from the target, in cents; and the likeliest lapse."""
    reliably = math.log(3.0)
    said = np.array([("flat", "in tune", "sharp").index(one) for one in notes.verdict])

    def loss(at: np.ndarray, lapse: float) -> float:  # type: ignore[type-arg]
        bias, smallest, spread = at[0], at[1], math.exp(at[2])
        half = smallest - reliably * spread
        flat = expit((bias - half - notes.error) / spread)
        sharp = expit((notes.error - bias - half) / spread)
        chances = (1 - lapse) * np.stack([flat, 1 - flat - sharp, sharp]) + lapse / 3
        return -float(np.sum(np.log(np.maximum(chances[said, np.arange(len(said))], 1e-300))))

    best = min(
        (
            (minimize(loss, [0.0, 8.0, 1.0], (lapse,), "Nelder-Mead", tol=1e-8), lapse)
            for lapse in lapses
        ),
        key=lambda one: one[0].fun,
    )
    bias, smallest, _ = best[0].x.tolist()
    return (
        {"bias": bias, "smallest": smallest, "flat": bias - smallest, "sharp": bias + smallest},
        best[1],
    )


def test_the_smallest_error_heard_and_what_sounds_in_tune(
    busy: FlaskClient, busy_rows: Log
) -> None:
    """The fit written another way and searched by SciPy; every sitting left out in turn.

    The page's interval is that one or wider, by how far a likelihood of independent calls reaches,
    which :mod:`tests.test_psychometric` holds against SciPy.
    """
    straight = _straight(busy_rows)
    calls = straight.where(straight.spanned == 0)
    found, lapse = _fit(calls)
    sittings = np.unique(calls.sitting)
    rest = [_fit(calls.where(calls.sitting != one), (lapse,))[0] for one in sittings]
    text = page_words(busy, f"/ear?{WEEK}")
    reach = r"\((\d+) to (\d+)\)"
    size = rf"(\d+) cents? {reach}"
    patterns = {
        "smallest": rf" {size} off are called on their side three times of four",
        "bias": rf"What sounds in tune is (\d+) cents? sharp {reach}\.",
        "flat": rf" Flat from {size} on",
        "sharp": rf" sharp from {size} on",
    }
    assert found["bias"] > 0
    for name, pattern in patterns.items():
        shown = re.search(pattern, text)
        assert shown, pattern
        assert int(shown[1]) == round(abs(found[name])), name
        values = np.array([one[name] for one in rest])
        square = (len(values) - 1) / len(values) * float(np.sum((values - values.mean()) ** 2))
        half = float(student.ppf(0.975, len(values) - 1)) * math.sqrt(square)
        low, high = sorted((abs(found[name] - half), abs(found[name] + half)))
        near = T_IS_WITHIN * half + 0.55  # what is shown is rounded
        assert int(shown[2]) <= low + near and int(shown[3]) >= high - near, name
    assert f"each of {len(sittings)} was left out in turn" in text


# -- one sitting --------------------------------------------------------------------------------


@pytest.mark.parametrize("place", [0, 2])
def test_a_sitting(busy: FlaskClient, busy_rows: Log, place: int) -> None:
    """The last one, and the one at A4 = 442 Hz."""
    links = re.findall(r'href="(/sitting/[^"?]+)', busy.get("/sittings").text)
    sitting = int(busy_rows.counted.sitting.max()) - place
    notes = busy_rows.counted.where(busy_rows.counted.sitting == sitting)
    text = page_words(busy, links[place])
    assert f" A4 = {442 if place else 440} Hz. " in text
    parts = ", ".join(f"{notes.of(outcome)} {outcome}" for outcome in OUTCOMES)
    assert f"; of {len(notes)} that count, {parts}. " in text
    table = text.split(" By note ")[1]
    for midi, group in notes.by("midi"):
        counts = " ".join(str(group.of(outcome)) for outcome in OUTCOMES)
        few = " few" if len(group) < 8 else ""
        typical = signed(float(np.median(group.error)))
        assert f" {name_of(midi)}{few} {counts} {typical} " in table
    assert percent(notes.of("landed"), len(notes)) > 80
