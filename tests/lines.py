"""Lines for players of tests: what is meant to be played, drawn from a seed."""

from dataclasses import replace

import numpy as np

from appliance.vocabulary import Arrival
from tests.truths import PlannedNote

RANGES = {  # MIDI, where the recordings sound like the instrument (common practice, no source)
    "violin": (55, 88),
    "viola": (48, 79),
    "cello": (36, 69),
    "double-bass": (28, 57),
    "trombone": (40, 68),
    "voice": (50, 76),
    "flute": (60, 88),
    "oboe": (59, 84),
    "clarinet": (50, 76),
    "bassoon": (36, 65),
    "horn": (42, 72),
}
STYLES = ("slow", "detached", "legato", "slides", "corrected", "vibrato", "rearticulated", "mixed")


def plan_line(
    rng: np.random.Generator, instrument: str, count: int, style: str = "mixed"
) -> list[PlannedNote]:
    """A line of ``count`` notes in one of ``STYLES``; "slow" is detached and legato, no frills."""
    low, high = RANGES[instrument]
    midi = int(rng.integers(low + 3, high - 2))
    plan: list[PlannedNote] = []
    for index in range(count):
        kind = style if style != "mixed" else str(rng.choice(STYLES[1:-1]))
        plan.append(_note(rng, midi, kind, first=index == 0))
        step = int(rng.choice([-7, -5, -4, -3, -2, -2, -1, 1, 2, 2, 3, 4, 5, 7]))
        if not low <= midi + step <= high:
            step = -step
        midi += step
    return plan


def _note(rng: np.random.Generator, midi: int, kind: str, *, first: bool) -> PlannedNote:
    landing = float(rng.uniform(-40.0, 40.0))
    note = PlannedNote(
        midi=midi,
        landing_cents=landing,
        settled_cents=landing,
        duration_s=float(rng.uniform(0.5, 1.2)),
        gap_s=float(rng.uniform(0.15, 0.5)),
        level_db=float(rng.uniform(-4.0, 4.0)),
        release_s=float(rng.uniform(0.06, 0.15)),
    )
    if kind == "slow":
        note = replace(note, duration_s=float(rng.uniform(0.8, 1.5)))
        kind = "legato" if rng.random() < 0.4 else "detached"
    if kind == "corrected":
        note = _corrected(rng, note)
    if kind == "vibrato":
        note = replace(
            note,
            duration_s=float(rng.uniform(0.8, 1.6)),
            vibrato_hz=float(rng.uniform(5.5, 7.0)),
            vibrato_cents=float(rng.uniform(8.0, 25.0)),
            vibrato_after_s=float(rng.choice([0.0, 0.25, 0.35])),
        )
    return note if first else _joined(rng, note, kind)


def _corrected(rng: np.random.Generator, note: PlannedNote) -> PlannedNote:
    return replace(
        note,
        duration_s=float(rng.uniform(0.9, 1.5)),
        settled_cents=float(rng.uniform(-5.0, 5.0)),
        correct_at_s=float(rng.uniform(0.25, 0.5)),
        correct_s=float(rng.uniform(0.1, 0.3)),
    )


def _joined(rng: np.random.Generator, note: PlannedNote, kind: str) -> PlannedNote:
    if kind == "legato" or (kind in ("corrected", "vibrato") and rng.random() < 0.4):
        join, dip = float(rng.uniform(0.03, 0.08)), float(rng.uniform(2.0, 8.0))
        return replace(note, arrival=Arrival.STEP, join_s=join, dip_db=dip)
    if kind == "slides":
        join = float(rng.uniform(0.06, 0.15))
        return replace(note, arrival=Arrival.SLIDE, join_s=join, dip_db=2.0)
    if kind == "rearticulated":
        join, dip = float(rng.uniform(0.04, 0.08)), float(rng.uniform(6.0, 20.0))
        return replace(note, gap_s=0.0, join_s=join, dip_db=dip)
    return note
