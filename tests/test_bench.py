"""The ear on recorded tones through a drone: the quick run of the benchmark, and its own parts.

Each of eight instruments plays one line at every level of the drone, and one with vibrato at two of
them: 200 notes a row, where the whole benchmark has 1,000. Its limits are those of
``tests/bench/limits.py`` times 1.5.
"""

import os
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from appliance.vocabulary import Arrival, HeardNote
from tests.bench.ear import (
    QUICK_LOOSENED,
    QUICK_SEED,
    QUICK_VIBRATO_LEVELS,
    Job,
    measure,
    quick_jobs,
    summed,
)
from tests.bench.limits import LEVELS, Level
from tests.bench.peers import follow
from tests.bench.report import Table
from tests.bench.summary import FIRST_REPORT_SEED, LAST_TUNING_SEED, Summary
from tests.bench.takes import INSTRUMENTS, build, practice
from tests.bench.transcription import transcribed
from tests.players import render
from tests.scoring import match
from tests.soundfont import MISSING, PLAYABLE
from tests.truths import PlannedNote, Truth, cents_between

pytestmark = pytest.mark.skipif(bool(MISSING), reason=f"soundfonts not installed: {MISSING}")

NOTES, TRUTH, KINDS = range(3)  # the tables
ROWS = [(level, False) for level in LEVELS] + [(level, True) for level in QUICK_VIBRATO_LEVELS]


def _name(row: tuple[Level, bool]) -> str:
    level, vibrato = row
    return f"{'none' if level is None else f'{level:+.0f}dB'}{'-vibrato' if vibrato else ''}"


@cache
def quick() -> Summary:
    return summed(measure(quick_jobs(), os.cpu_count() or 1))


def _row(row: tuple[Level, bool], table: int) -> Table:
    return replace(quick().tables(QUICK_LOOSENED)[table], rows=[quick().rows[row]])


@pytest.mark.parametrize("row", ROWS, ids=_name)
def test_the_notes_are_found_where_they_landed(row: tuple[Level, bool]) -> None:
    assert quick().rows[row].score.true == 200
    assert _row(row, NOTES).broken() == []


@pytest.mark.parametrize("row", ROWS, ids=_name)
def test_arrivals_corrections_and_vibrato_are_told_apart_in_time(row: tuple[Level, bool]) -> None:
    broken = _row(row, KINDS).broken()
    assert [limit for limit in broken if ": speed" not in limit] == []  # no test of the clock


def test_the_stated_uncertainty_is_true() -> None:
    assert quick().tables(QUICK_LOOSENED)[TRUTH].broken() == []


# --- The benchmark's own parts ----------------------------------------------------------------


@pytest.mark.parametrize("instrument", INSTRUMENTS)
def test_the_truth_is_where_the_plan_put_it(instrument: str) -> None:
    """Praat (Boersma 1993) on the dry tone of every font, with vibrato and without."""
    plan = [
        PlannedNote(midi, landing, 2.0, 1.2, correct_at_s=0.4, **moves)
        for midi, landing in ((57, -38.0), (55, 25.0), (52, -10.0), (50, 40.0))
        for moves in ({}, {"vibrato_hz": 6.0, "vibrato_cents": 30.0})
    ]
    if instrument in ("violin", "oboe"):
        plan = [replace(note, midi=note.midi + 12) for note in plan]
    for font in PLAYABLE[instrument]:
        truths = render(plan, instrument, 48000.0, font=font)[1]
        landing = [abs(cents_between(t.landing_hz, t.planned_landing_hz)) for t in truths]
        settled = [abs(cents_between(t.settled_hz, t.planned_settled_hz)) for t in truths]
        assert np.median(landing) < 1.0 and np.median(settled) < 0.5, font
        assert max(landing) < 4.0 and max(settled) < 4.0, font  # a real attack has its own way


def test_a_seed_is_one_take_and_a_level_changes_only_the_drone() -> None:
    first, again, softer = (build(QUICK_SEED, db, notes=4) for db in (0.0, 0.0, -12.0))
    assert np.array_equal(first.mic, again.mic)
    assert first.truths == softer.truths
    assert first.sent is not None and softer.sent is not None
    assert np.array_equal(first.sent, softer.sent)
    assert not np.array_equal(first.mic, softer.mic)


def test_the_drone_is_as_loud_as_the_level_says() -> None:
    played = practice(QUICK_SEED, notes=8)
    silent = int(3.5 * 48000)  # the drone sounds alone
    drone_db, player_db = (
        20 * np.log10(np.std(sound))
        for sound in (played.heard.drone[24000:silent], played.heard.player[silent:])
    )
    assert drone_db == pytest.approx(player_db, abs=4.0)  # the player's pauses and levels
    louder = played.heard.mixed(12.0) - played.heard.player
    assert 20 * np.log10(np.std(louder) / np.std(played.heard.drone)) == pytest.approx(12.0)


def test_tuning_quick_and_reporting_seeds_never_meet() -> None:
    seeds = {job.seed for job in quick_jobs()}
    assert min(seeds) > LAST_TUNING_SEED and max(seeds) < FIRST_REPORT_SEED


def test_worker_processes_change_nothing() -> None:
    jobs = [Job(QUICK_SEED + n, (0.0,), notes=4) for n in range(2)]
    alone, together = (summed(measure(jobs, n)).rows[0.0, False].score for n in (1, 2))
    assert [p.note.landing_hz for p in alone.pairs] == [p.note.landing_hz for p in together.pairs]
    assert alone.true == together.true == 8


def test_trackers_read_what_they_can_and_lose_the_player_in_a_drone() -> None:
    """As measured for the design: in order without a drone, mostly wrong at +6 dB."""
    alone, drowned = (follow(build(QUICK_SEED, db, notes=8)) for db in (None, 6.0))
    for name in ("aubio yinfft", "aubio yinfast", "Praat"):
        assert alone[name].wrong == 0.0
        assert alone[name].landing(50) < 1.0
        assert drowned[name].wrong > 0.5


# --- How it counts ----------------------------------------------------------------------------


def heard(start_s: float, hz: float | None = 220.0, length_s: float = 1.0) -> HeardNote:
    return HeardNote(
        start_s=start_s,
        end_s=start_s + length_s,
        landing_hz=hz,
        landing_uncertainty_cents=None if hz is None else 2.0,
        settled_hz=hz,
        arrival=Arrival.BOW,
        slide_s=None,
        vibrato=None,
        shift=None,
        drone_hz=None,
        reference_hz=None,
        measurable=hz is not None,
        repeat=False,
        level_db=-20.0,
    )


def true(start_s: float, midi: int = 57) -> Truth:
    plan = PlannedNote(midi)
    hz = plan.landing_hz
    return Truth(start_s, start_s + 1.0, hz, hz, hz, hz, Arrival.BOW, None, 0.0, 0.0, True, plan)


def test_notes_are_paired_by_start_whatever_the_pitch() -> None:
    score = match([heard(1.09, 330.0), heard(3.11)], [true(1.0), true(3.0)])
    assert (score.wrong_share, score.missed_share, score.invented_share) == (1.0, 0.5, 0.5)
    assert score.splits == 0  # it lies inside a note that was not found


def test_a_split_note_is_one_invented() -> None:
    score = match([heard(1.0, length_s=0.5), heard(1.5, length_s=0.5)], [true(1.0)])
    assert (score.missed_share, score.invented_share, score.split_share) == (0.0, 1.0, 1.0)


def test_not_measurable_counts_as_missed() -> None:
    score = match([heard(1.0, None)], [true(1.0)])
    assert (score.missed_share, score.invented_share) == (1.0, 0.0)


def test_octaves_are_those_at_or_above_the_drone() -> None:
    truths = [true(1.0, 57), true(3.0, 69), true(5.0, 45), true(7.0, 64)]
    score = match([heard(t.start_s, t.landing_hz) for t in truths], truths, drone_midi=57)
    assert [p.octaves for p in score.pairs] == [True, True, False, False]


def test_always_in_tune_has_no_slope() -> None:
    truths = [
        replace(true(float(n)), landing_hz=220.0 * 2 ** (cents / 1200))
        for n, cents in enumerate((-30.0, -10.0, 20.0, 40.0))
    ]
    honest = match([heard(t.start_s, t.landing_hz) for t in truths], truths)
    flattering = match([heard(t.start_s, 220.0) for t in truths], truths)
    assert honest.slope() == pytest.approx(1.0)
    assert flattering.slope() == pytest.approx(0.0, abs=1e-9)


def test_transcription_needs_the_pitch() -> None:
    found = [heard(1.0, 220.0 * 2 ** (10 / 1200)), heard(3.0)]
    counted = transcribed(found, [true(1.0), true(3.0)])
    assert counted.f_measure(50.0) == 1.0
    assert counted.f_measure(5.0) == 0.5
