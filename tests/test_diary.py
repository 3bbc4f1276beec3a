"""The drawing of a full day: a stroke for several notes, and none of them forgotten."""

from collections import Counter
from datetime import date
from itertools import pairwise
from random import Random

import numpy as np
import pytest

from appliance.log.records import NoteRow
from appliance.log.weeks import Landing, Reading, landings_of, read_week
from tests.log_rows import PURE, ZONE, heard, instant, row
from web.diary import Ruler, draw, scale_for

OUTCOMES = ("landed", "rescued", "missed")


def _rows(notes: int, seed: int = 1) -> list[NoteRow]:
    """One note, played on three days."""
    chance = Random(seed)
    rows = []
    for number in range(notes):
        at = instant(2026, 2, 9 + 3 * number // notes).later(2.0 * number)
        off = chance.gauss(4.0, 14.0)
        rows.append(row(heard("E4", PURE["E4"] + off, PURE["E4"] + 0.4 * off), at))
    return rows


def _landings(notes: int) -> list[Landing]:
    return landings_of(_rows(notes), Reading(), ZONE)


def _strokes(notes: int, most: int) -> tuple[int, dict[str, list[tuple[float, float, float]]]]:
    """For how many notes a stroke stands; per outcome: landing and settled x, and y."""
    week = read_week(_rows(notes), [], Reading(), ZONE)
    (line,) = week.by_note
    diary = draw(line.landings, line.tally, Ruler(10.0, 60.0, 3.0, most))
    found = {}
    for outcome, path in diary.strokes.items():
        parts = [part.replace("v3H", " ").split() for part in path.split("M")[1:]]
        found[outcome] = [(float(x), float(end), float(y)) for x, y, end in parts]
    return diary.each, found


@pytest.mark.parametrize(("notes", "most"), [(30, 40), (40, 40), (41, 40), (400, 40), (3000, 48)])
def test_there_are_never_more_strokes_than_there_may_be(notes: int, most: int) -> None:
    each, strokes = _strokes(notes, most)
    drawn = sum(map(len, strokes.values()))
    assert drawn <= most
    assert (each == 1) is (notes <= most)
    groups = Counter((one.day, one.outcome.value) for one in _landings(notes))
    assert drawn == sum(-(-count // each) for count in groups.values())  # rounded up: none is lost
    for outcome in OUTCOMES:
        count = sum(found for (_, name), found in groups.items() if name == outcome)
        assert count <= each * len(strokes.get(outcome, []))


def test_a_stroke_lies_at_the_median_of_its_notes() -> None:
    """By numpy: notes of a day and outcome in the order of their landing, cut into parts."""
    each, strokes = _strokes(400, 40)
    expected: dict[str, list[tuple[float, float]]] = {outcome: [] for outcome in OUTCOMES}
    landings = _landings(400)
    for day in sorted({one.day for one in landings}):
        for outcome in OUTCOMES:
            errors = np.array(
                [
                    (one.landing_cents, one.settled_cents)
                    for one in landings
                    if (one.day, one.outcome) == (day, outcome)
                ]
            ).reshape(-1, 2)
            errors = errors[np.argsort(errors[:, 0], kind="stable")]
            parts = [errors[at : at + each] for at in range(0, len(errors), each)]
            expected[outcome] += [tuple(np.median(part, axis=0)) for part in parts]
    for outcome in OUTCOMES:
        shown = [
            ((x - 187.0) * 60 / 147, (end - 187.0) * 60 / 147) for x, end, _ in strokes[outcome]
        ]
        clipped = np.clip(expected[outcome], -60.0, 60.0)
        assert np.array(shown) == pytest.approx(clipped, abs=0.05)


def test_a_days_strokes_go_from_flat_to_sharp() -> None:
    _, strokes = _strokes(400, 40)
    places = sorted((y, x) for found in strokes.values() for x, _, y in found)
    turns = sum(second[1] < first[1] for first, second in pairwise(places))
    assert turns == 2  # once for each day but the first


def test_the_scale_shows_all_but_one_in_twenty() -> None:
    landings = _landings(400)
    sizes = np.abs([one.landing_cents for one in landings])
    assert np.mean(sizes <= scale_for(landings)) >= 0.95
    assert {one.day for one in landings} == {date(2026, 2, day) for day in (9, 10, 11)}
