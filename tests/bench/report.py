"""The benchmark's tables. What misses its limit is bold, with the limit beside it.

``loosened`` widens every limit for a small run: 1.5 allows half as much again of what should be
little, and half as much again of what may be lacking.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from tests.bench.limits import (
    ARRIVALS,
    COVERAGE,
    FALSE,
    FOUND,
    GLIDE_MS,
    SLOPE_SPREAD,
    SLOPE_UP_TO_DB,
    SPEED,
    WIDTH_OVER_ERROR,
    Level,
    limits_of,
)
from tests.scoring import CORRECTION_CENTS, Pair, Score, percentile, share


@dataclass
class Row:
    """All takes of one level, with or without vibrato; with a ``title`` all takes whatever."""

    level_db: Level
    vibrato: bool
    title: str = ""
    score: Score = field(default_factory=Score)
    sound_s: float = 0.0
    spent_s: float = 0.0

    @property
    def name(self) -> str:
        if self.title:
            return self.title
        drone = "none" if self.level_db is None else f"{self.level_db:+.0f} dB"
        return f"{drone}, vibrato" if self.vibrato else drone

    @property
    def speed(self) -> float:
        return self.sound_s / self.spent_s


@dataclass(frozen=True)
class Cell:
    """One figure as it is printed, and whether it keeps its limit (empty: it has none)."""

    text: str
    kept: bool = True
    limit: str = ""

    def __str__(self) -> str:
        return self.text if self.kept else f"**{self.text}** ({self.limit})"


Cells = dict[str, Cell]
_NONE = Cell("–")


def _at_most(value: float, limit: float, form: str, loosened: float) -> Cell:
    bound = limit * loosened
    return Cell(format(value, form), value <= bound, "≤ " + format(bound, form))


def _at_least(value: float, limit: float, loosened: float) -> Cell:
    bound = 1.0 - (1.0 - limit) * loosened
    return Cell(f"{value:.1%}", value >= bound, f"≥ {bound:.1%}")


def _errors(middle: float, far: float, limit: tuple[float, float], loosened: float) -> Cell:
    kept = middle <= limit[0] * loosened and far <= limit[1] * loosened
    bound = f"≤ {limit[0] * loosened:g} / {limit[1] * loosened:g}"
    return Cell(f"{middle:.2f} / {far:.2f}", kept, bound)


def notes_table(row: Row, loosened: float = 1.0) -> Cells:
    """What was found, and how near."""
    score, limits = row.score, limits_of(row.level_db, vibrato=row.vibrato)
    octaves = sum(p.octaves for p in score.measured)
    return {
        "notes": Cell(str(score.true)),
        "missed": _at_most(score.missed_share, limits.missed, ".1%", loosened),
        "invented": _at_most(score.invented_share, limits.invented, ".1%", loosened),
        "of them splits": _at_most(score.split_share, limits.split, ".1%", loosened),
        "wrong": _at_most(score.wrong_share, limits.wrong, ".2%", loosened),
        "landing": _errors(score.landing(), score.landing(95), limits.landing, loosened),
        "settled": _errors(score.settled(), score.settled(95), limits.settled, loosened),
        "in octaves": _NONE if row.level_db is None else Cell(str(octaves)),
        "slope there": _slope(row, loosened),
    }


def _slope(row: Row, loosened: float) -> Cell:
    value, spread = row.score.slope(octaves=True), SLOPE_SPREAD * loosened
    if row.level_db is None or math.isnan(value):  # too few notes to draw a line through
        return _NONE
    if row.level_db > SLOPE_UP_TO_DB:
        return Cell(f"{value:.3f}")
    return Cell(f"{value:.3f}", abs(value - 1.0) <= spread, f"1 ± {spread:g}")


def truth_table(row: Row, loosened: float = 1.0) -> Cells:
    """Whether the stated uncertainty is true: how many true landings lie inside."""
    pairs = sorted(row.score.measured, key=_stated)
    thirds = [pairs[len(pairs) * k // 3 : len(pairs) * (k + 1) // 3] for k in range(3)]
    octaves = [p for p in pairs if p.octaves]
    half_width = percentile([_stated(p) for p in pairs], 50)
    return {
        "inside": _coverage(pairs, loosened),
        "in octaves": _coverage(octaves, loosened) if octaves else _NONE,
        "of the narrow third": _coverage(thirds[0], loosened),
        "of the middle": _coverage(thirds[1], loosened),
        "of the wide": _coverage(thirds[2], loosened),
        "half-width": Cell(f"{half_width:.2f}"),
        "over the error": _at_most(
            half_width / row.score.landing(), WIDTH_OVER_ERROR, ".1f", loosened
        ),
    }


def _stated(pair: Pair) -> float:
    return pair.note.landing_uncertainty_cents or 0.0


def _coverage(pairs: Sequence[Pair], loosened: float) -> Cell:
    value = share([p.covered for p in pairs])
    low, high = 1.0 - (1.0 - COVERAGE[0]) * loosened, 1.0 - (1.0 - COVERAGE[1]) / loosened
    return Cell(f"{value:.1%}", low <= value <= high, f"{low:.1%} to {high:.1%}")


def kinds_table(row: Row, loosened: float = 1.0) -> Cells:
    """Arrivals, corrections, vibrato and speed."""
    score = row.score
    still = [p for p in score.measured if p.truth.plan.correct_at_s is None]
    corrected = [p for p in score.measured if p.truth.plan.correct_at_s is not None]
    corrected = [p for p in corrected if abs(p.true_correction) > CORRECTION_CENTS]
    steady = [p for p in score.measured if not p.truth.vibrato_cents]
    moving = [p for p in score.measured if p.truth.vibrato_cents]
    return {
        "arrivals right": _at_least(score.arrivals_right(), ARRIVALS, loosened),
        "glide p95, ms": _at_most(1e3 * score.glide_s(), GLIDE_MS, ".0f", loosened),
        "false corrections": _false(still, _seems_corrected, loosened),
        "corrections found": _found(corrected, _correction_found, loosened),
        "false vibrato": _false(steady, _vibrates, loosened),
        "vibrato found": _found(moving, _vibrates, loosened),
        "speed": Cell(
            f"{row.speed:.0f} ×", row.speed >= SPEED / loosened, f"≥ {SPEED / loosened:.0f} ×"
        ),
    }


def _false(pairs: Sequence[Pair], seems: Callable[[Pair], bool], loosened: float) -> Cell:
    return _at_most(share([seems(p) for p in pairs]), FALSE, ".1%", loosened) if pairs else _NONE


def _found(pairs: Sequence[Pair], seems: Callable[[Pair], bool], loosened: float) -> Cell:
    return _at_least(share([seems(p) for p in pairs]), FOUND, loosened) if pairs else _NONE


def _seems_corrected(pair: Pair) -> bool:
    return abs(pair.correction) > CORRECTION_CENTS


def _correction_found(pair: Pair) -> bool:
    """To the true side, and more than half of it."""
    return pair.correction / pair.true_correction > 0.5


def _vibrates(pair: Pair) -> bool:
    return pair.note.vibrato is not None


@dataclass(frozen=True)
class Table:
    """Some figures of each of its rows, and what its limits are multiplied by."""

    title: str
    cells: Callable[[Row, float], Cells]
    rows: Sequence[Row]
    loosened: float = 1.0

    def broken(self) -> list[str]:
        """A line for each figure that misses its limit."""
        return [
            f"{self.title.lower()}, {row.name}: {name} {cell.text}, should be {cell.limit}"
            for row in self.rows
            for name, cell in self.cells(row, self.loosened).items()
            if not cell.kept
        ]

    def __str__(self) -> str:
        lines = {
            row.name: {name: str(cell) for name, cell in self.cells(row, self.loosened).items()}
            for row in self.rows
        }
        return f"## {self.title}\n\n{markdown('drone', lines)}"


def tables_of(rows: Sequence[Row], loosened: float = 1.0) -> list[Table]:
    """All tables; a small run's uncertainty is judged in one, since its thirds are few notes."""
    judged = rows if loosened == 1.0 else [pooled(rows)]
    return [
        Table("Notes and cents", notes_table, rows, loosened),
        Table("The truth inside the stated interval", truth_table, judged, loosened),
        Table("Arrivals, corrections, vibrato, speed", kinds_table, rows, loosened),
    ]


def pooled(rows: Sequence[Row]) -> Row:
    """All rows in one."""
    pool = Row(None, vibrato=False, title="all")
    for row in rows:
        pool.score.add(row.score)
        pool.sound_s += row.sound_s
        pool.spent_s += row.spent_s
    return pool


def markdown(first: str, lines: dict[str, dict[str, str]]) -> str:
    """A table of named lines that all have the same columns."""
    head = [first, *next(iter(lines.values()))]
    body = [[name, *cells.values()] for name, cells in lines.items()]
    return "\n".join("| " + " | ".join(line) + " |" for line in [head, ["---"] * len(head), *body])
