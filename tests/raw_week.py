"""A week of the log that ``fill`` writes, from its raw rows: targets and outcomes once more."""

import math
import sqlite3
from collections import defaultdict
from pathlib import Path

THIS, BEFORE = "2026-W07", "2026-W06"
NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
OVER_A = {  # cents above A, 5-limit; pairs where there is no beat-free pitch
    0: (0.0, 0.0),
    2: (182.404, 203.910),
    4: (386.314, 386.314),
    5: (498.045, 498.045),
    7: (701.955, 701.955),
    9: (884.359, 884.359),
    10: (996.090, 1017.596),
}


def error_over_a(hz: float, degree: int) -> float:
    low, high = OVER_A[degree]
    above = 1200 * math.log2(hz / 220.0)
    octave = 1200 * round((above - (low + high) / 2) / 1200)
    return min(0.0, above - octave - low) + max(0.0, above - octave - high)


def raw_week(path: Path, week: str, band: float = 10.0) -> dict[str, list[tuple[str, float]]]:
    """Note name -> (outcome, landing error) of a week in Lisbon's winter (UTC)."""
    monday = 1770595200 if week == THIS else 1770595200 - 7 * 86400  # 2026-02-09 00:00 UTC
    with sqlite3.connect(path) as raw:
        rows = raw.execute(
            "SELECT landing_hz, settled_hz FROM note WHERE ended_wall_s BETWEEN ? AND ? "
            "AND NOT struck AND NOT repeat AND measurable",
            [monday, monday + 7 * 86400 - 1],
        ).fetchall()
    found = defaultdict(list)
    for landing_hz, settled_hz in rows:
        semitones = 12 * math.log2(settled_hz / 440.0)
        if 0.35 <= semitones % 1 <= 0.65:
            continue
        midi = 69 + round(semitones)
        landing, settled = (error_over_a(hz, (midi - 57) % 12) for hz in (landing_hz, settled_hz))
        outcome = "missed"
        if abs(landing) <= band:
            outcome = "landed"
        elif abs(settled) <= band:
            outcome = "rescued"
        name = f"{NAMES[midi % 12]}{midi // 12 - 1}"
        found[name].append((outcome, landing))
    return found


def shares(notes: list[tuple[str, float]]) -> tuple[int, ...]:
    outcomes = [outcome for outcome, _ in notes]
    return tuple(
        round(100 * outcomes.count(name) / len(outcomes))
        for name in ("landed", "rescued", "missed")
    )


def all_of_week(path: Path, week: str, band: float = 10.0) -> list[tuple[str, float]]:
    return [note for notes in raw_week(path, week, band).values() for note in notes]
