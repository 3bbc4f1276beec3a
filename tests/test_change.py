"""Whether two stretches differ: against Newcombe's paper, Welch's t and a bootstrap of sittings."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from itertools import count
from random import Random

import numpy as np
import pytest
from scipy import stats

from appliance.log.change import (
    Difference,
    Meaning,
    Verdict,
    change_between,
    newcombe,
)
from appliance.log.judging import Landing, Reading
from appliance.log.records import NoteRow
from appliance.log.weeks import landings_of
from tests.log_rows import SITTING, heard, instant, row

LANDED, RESCUED, MISSED = (2.0, None), (25.0, 2.0), (-25.0, None)
_sittings = count(100)


def _sitting(*notes: tuple[str, tuple[float, float | None]]) -> list[NoteRow]:
    """One sitting of notes, each a name with landing and settled cents off equal temperament."""
    number = next(_sittings)
    sitting = replace(SITTING, sitting_id=f"00000001-{number}")
    start = instant(2026, 2, 9).later(3600.0 * number)
    return [
        replace(row(heard(name, *off), start.later(3.0 * place)), sitting=sitting)
        for place, (name, off) in enumerate(notes)
    ]


def _plain(landed: int, rescued: int = 0, missed: int = 0, name: str = "A3") -> list[NoteRow]:
    kinds = ((LANDED, landed), (RESCUED, rescued), (MISSED, missed))
    return _sitting(*((name, kind) for kind, number in kinds for _ in range(number)))


def _landings(*sittings: Sequence[NoteRow]) -> list[Landing]:
    rows = [note for sitting in sittings for note in sitting]
    return landings_of(rows, Reading("equal", count_open=True))


@pytest.mark.parametrize(  # Newcombe 1998, table II, method 10; from memory
    ("counts", "interval"),
    [
        ((56, 70, 48, 80), (0.0524, 0.3339)),
        ((9, 10, 3, 10), (0.1705, 0.8090)),
        ((6, 7, 2, 7), (0.0582, 0.8062)),
        ((5, 56, 0, 29), (-0.0381, 0.1926)),
        ((0, 10, 0, 20), (-0.1611, 0.2775)),
        ((10, 10, 0, 20), (0.6791, 1.0)),
    ],
)
def test_newcombes_examples(
    counts: tuple[int, int, int, int], interval: tuple[float, float]
) -> None:
    assert newcombe(*counts) == pytest.approx(interval, abs=0.00006)


def test_sittings_of_one_size_give_welchs_interval() -> None:
    """Shares that wander from sitting to sitting more than independent notes would."""
    before, after = [2, 18, 7, 15, 4], [19, 8, 20, 13, 20, 11]
    found = change_between(
        _landings(*(_plain(landed, missed=20 - landed) for landed in before)),
        _landings(*(_plain(landed, missed=20 - landed) for landed in after)),
    )
    assert found is not None
    shares = np.array(after) / 20, np.array(before) / 20
    welch = stats.ttest_ind(*shares, equal_var=False).confidence_interval()
    assert found.landed.before == pytest.approx(shares[1].mean())
    assert found.landed.after == pytest.approx(shares[0].mean())
    assert found.landed.low == pytest.approx(welch.low, abs=0.01 * (welch.high - welch.low))
    assert found.landed.high == pytest.approx(welch.high, abs=0.01 * (welch.high - welch.low))
    assert found.landed.verdict is Verdict.UNTOLD
    assert found.sittings == (5, 6)
    assert found.notes == (100, 120)


def test_sittings_of_any_size_against_a_bootstrap_of_whole_sittings() -> None:
    chance = Random(19)
    sides = []
    for _ in range(2):
        sizes = [chance.randrange(15, 60) for _ in range(14)]
        sides.append([(round(size * chance.betavariate(4, 4)), size) for size in sizes])
    found = change_between(
        *(_landings(*(_plain(x, missed=n - x) for x, n in side)) for side in sides)
    )
    assert found is not None

    def change(places_before: list[int], places_after: list[int]) -> float:
        (x, n), (y, m) = (
            np.array([side[int(place)] for place in places]).sum(axis=0)
            for side, places in zip(sides, (places_before, places_after), strict=True)
        )
        return float(y / m - x / n)

    drawn = stats.bootstrap(
        (range(14), range(14)),
        change,
        vectorized=False,
        n_resamples=1500,
        method="percentile",
        random_state=np.random.default_rng(7),
    )
    assert found.landed.change == pytest.approx(change(list(range(14)), list(range(14))))
    # Student's t with about 26 degrees of freedom is 2.06
    half = (found.landed.high - found.landed.low) / 2
    assert half == pytest.approx(2.06 * float(drawn.standard_error), rel=0.12)
    percentile = drawn.confidence_interval
    assert half == pytest.approx((percentile.high - percentile.low) / 2, rel=0.2)


@cache
def _known(landed: int, place: int) -> list[Landing]:
    """A sitting of 24 notes, made once; ``place`` tells sittings of one side apart."""
    return _landings(_plain(landed, missed=24 - landed))


def _random_side(chance: Random, sittings: int, skill: float, wander: float) -> list[Landing]:
    side = []
    for place in range(sittings):
        tonight = min(0.98, max(0.02, chance.gauss(skill, wander)))
        side += _known(sum(chance.random() < tonight for _ in range(24)), place)
    return side


@pytest.mark.parametrize("sittings", [3, 6])
def test_no_change_is_seldom_called_one(sittings: int) -> None:
    """A player who changes from evening to evening, but not over the weeks: about one in twenty."""
    chance, alarms, tries = Random(20260216 + sittings), 0, 300
    for _ in range(tries):
        sides = [_random_side(chance, sittings, 0.6, 0.12) for _ in range(2)]
        found = change_between(*sides)
        alarms += found is not None and found.landed.verdict is not Verdict.UNTOLD
    assert stats.binomtest(alarms, tries, 0.05, alternative="greater").pvalue > 0.01, alarms


def test_a_real_change_is_found() -> None:
    chance = Random(5)
    before, after = (_random_side(chance, 8, skill, 0.06) for skill in (0.45, 0.7))
    found = change_between(before, after)
    assert found is not None
    assert found.landed.verdict is Verdict.MORE
    assert found.meaning is Meaning.LANDING_MORE
    back = change_between(after, before)
    assert back is not None
    assert back.meaning is Meaning.LANDING_LESS


def test_playing_easier_notes_more_often_is_no_change() -> None:
    """B3 always lands and E4 never; later B3 is played three times as often."""
    first = [[*_plain(10, name="B3"), *_plain(0, missed=30, name="E4")] for _ in range(4)]
    then = [[*_plain(30, name="B3"), *_plain(0, missed=10, name="E4")] for _ in range(4)]
    joined = [
        [replace(note, sitting=sitting[0].sitting) for note in sitting] for sitting in first + then
    ]
    found = change_between(_landings(*joined[:4]), _landings(*joined[4:]))
    assert found is not None
    assert found.landed.change == pytest.approx(0.0, abs=1e-12)
    assert found.landed.verdict is Verdict.UNTOLD
    # Cochran's weights, written out: 40 · 120 / 160 and 120 · 40 / 160 are equal
    assert found.landed.before == pytest.approx(0.5)


def test_weights_by_hand() -> None:
    before = [[*_plain(5, missed=5), *_plain(10, missed=20, name="E4")] for _ in range(3)]
    after = [[*_plain(8, missed=2), *_plain(6, missed=4, name="E4")] for _ in range(3)]
    found = change_between(_landings(*before), _landings(*after))
    weights = np.array([30 * 30 / 60, 90 * 30 / 120])
    assert found is not None
    assert found.landed.before == pytest.approx(np.average([5 / 10, 10 / 30], weights=weights))
    assert found.landed.after == pytest.approx(np.average([8 / 10, 6 / 10], weights=weights))


def test_sittings_that_agree_by_chance_are_not_believed() -> None:
    found = change_between(
        _landings(*(_plain(2, missed=1) for _ in range(3))),
        _landings(*(_plain(3, missed=0) for _ in range(3))),
    )
    assert found is not None
    assert (found.landed.low, found.landed.high) == pytest.approx(newcombe(9, 9, 6, 9))


def test_correcting_more_is_not_landing_more() -> None:
    before = [_plain(10, 2 + extra, 8 - extra) for extra in (0, 1, 0, 2)]
    after = [_plain(10, 8 - extra, 2 + extra) for extra in (0, 1, 0, 2)]
    found = change_between(_landings(*before), _landings(*after))
    assert found is not None
    assert found.landed.verdict is Verdict.UNTOLD
    assert found.rescued.verdict is Verdict.MORE
    assert found.meaning is Meaning.CORRECTING_MORE


def test_correcting_more_is_not_said_where_landing_may_have_grown_as_much() -> None:
    """Rescued grows by a little, and landed wanders widely from sitting to sitting."""
    before = [_plain(landed, 1, 29 - landed) for landed in (4, 20, 8, 16)]
    after = [_plain(landed, 5, 25 - landed) for landed in (6, 22, 9, 17)]
    found = change_between(_landings(*before), _landings(*after))
    assert found is not None
    assert found.rescued.verdict is Verdict.MORE
    assert found.meaning is Meaning.UNTOLD


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ([], [_plain(9), _plain(9), _plain(9)]),
        ([_plain(30), _plain(30)], [_plain(9), _plain(9), _plain(9)]),  # two sittings
        ([_plain(2), _plain(2), _plain(2)], [_plain(9), _plain(9), _plain(9)]),  # six notes
        ([_plain(9, name="E4")] * 3, [_plain(9), _plain(9), _plain(9)]),  # other notes
    ],
)
def test_too_little_to_tell(before: list[list[NoteRow]], after: list[list[NoteRow]]) -> None:
    assert change_between(_landings(*before), _landings(*after)) is None


def test_one_sitting_that_decides_tells_nothing() -> None:
    """The only sitting with the note that both have: without it nothing is left to compare."""
    before = [_plain(9), _plain(9), _plain(9)]
    after = [[*_plain(9)], *([note] for note in _plain(2, name="E4"))]
    assert change_between(_landings(*before), _landings(*after)) is None


def test_verdicts_hang_on_the_interval_alone() -> None:
    assert Difference(0.4, 0.5, 0.01, 0.2).verdict is Verdict.MORE
    assert Difference(0.5, 0.4, -0.2, -0.01).verdict is Verdict.FEWER
    assert Difference(0.4, 0.9, 0.0, 1.0).verdict is Verdict.UNTOLD
