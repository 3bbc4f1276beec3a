"""The benchmark's tables, with the limits that each row is held to."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from tests.scoring import CORRECTION_CENTS, Pair, Score, percentile, share

Level = float | None


@dataclass(frozen=True)
class Limits:
    """Of one row; shares as fractions, errors in cents as median and 95th percentile."""

    missed: float
    invented: float
    wrong: float
    landing: tuple[float, float]
    settled: tuple[float, float]
    split: float = 0.01


LIMITS: dict[Level, Limits] = {
    None: Limits(0.01, 0.01, 0.0, (0.6, 2.5), (0.8, 3.0)),
    -12.0: Limits(0.01, 0.01, 0.005, (0.8, 3.0), (1.0, 3.0)),
    -6.0: Limits(0.01, 0.01, 0.005, (0.8, 3.0), (1.0, 3.0)),
    0.0: Limits(0.02, 0.01, 0.01, (1.0, 4.0), (1.0, 3.0)),
    6.0: Limits(0.03, 0.02, 0.02, (1.0, 4.0), (1.0, 4.0)),
    12.0: Limits(0.08, 0.03, 0.04, (2.0, 8.0), (2.0, 6.0)),
}
_VIBRATO_LANDING, _VIBRATO_SETTLED = (1.5, 8.0), (1.0, 3.0)
SLOPE, SLOPE_UP_TO_DB = (0.9, 1.1), 6.0  # in unison and octaves
COVERAGE = (0.90, 0.98)
WIDTH_OVER_ERROR = 4.0
ARRIVALS, GLIDE_S = 0.95, 0.04
FALSE, FOUND = 0.03, 0.95
SPEED = 30.0  # times faster than real time
LEVELS = tuple(LIMITS)


@dataclass
class Row:
    """All takes of one level, with or without vibrato."""

    level_db: Level
    vibrato: bool
    score: Score = field(default_factory=Score)
    sound_s: float = 0.0
    spent_s: float = 0.0

    @property
    def name(self) -> str:
        drone = "none" if self.level_db is None else f"{self.level_db:+.0f} dB"
        return f"{drone} vibrato" if self.vibrato else drone

    @property
    def limits(self) -> Limits:
        """The level's; with vibrato the looser of the level's and vibrato's own."""
        limits = LIMITS[self.level_db]
        if not self.vibrato:
            return limits
        landing, settled = (
            (max(a[0], b[0]), max(a[1], b[1]))
            for a, b in ((limits.landing, _VIBRATO_LANDING), (limits.settled, _VIBRATO_SETTLED))
        )
        return Limits(limits.missed, limits.invented, limits.wrong, landing, settled)

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


def _at_most(value: float, limit: float, form: str, loosened: float) -> Cell:
    bound = limit * loosened
    return Cell(format(value, form), not value > bound, "≤ " + format(bound, form))


def _between(value: float, low: float, high: float, form: str) -> Cell:
    kept = not (value < low or value > high)
    return Cell(format(value, form), kept, f"{format(low, form)} to {format(high, form)}")


def _pair_of(middle: float, far: float, limit: tuple[float, float], loosened: float) -> Cell:
    kept = not (middle > limit[0] * loosened or far > limit[1] * loosened)
    bound = f"≤ {limit[0] * loosened:g} / {limit[1] * loosened:g}"
    return Cell(f"{middle:.2f} / {far:.2f}", kept, bound)


def notes_table(row: Row, loosened: float = 1.0) -> dict[str, Cell]:
    """What was found, and how near; ``loosened`` multiplies the limits of a small run."""
    score, limits = row.score, row.limits
    octaves = [p for p in score.measured if p.octaves]
    slope = Cell("–")
    if row.level_db is not None:
        value = score.slope(octaves=True)
        slope = Cell(f"{value:.3f}")
        if row.level_db <= SLOPE_UP_TO_DB:
            spread = loosened * (SLOPE[1] - 1.0)
            slope = _between(value, 1.0 - spread, 1.0 + spread, ".3f")
    return {
        "notes": Cell(str(score.true)),
        "missed": _at_most(score.missed_share, limits.missed, ".1%", loosened),
        "invented": _at_most(score.invented_share, limits.invented, ".1%", loosened),
        "of them splits": _at_most(score.split_share, limits.split, ".1%", loosened),
        "wrong": _at_most(score.wrong_share, limits.wrong, ".1%", loosened),
        "landing": _pair_of(score.landing(), score.landing(95), limits.landing, loosened),
        "settled": _pair_of(score.settled(), score.settled(95), limits.settled, loosened),
        "octaves": Cell(str(len(octaves)) if row.level_db is not None else "–"),
        "slope there": slope,
    }


def truth_table(row: Row, loosened: float = 1.0) -> dict[str, Cell]:
    """Whether the stated uncertainty is true."""
    pairs = sorted(row.score.measured, key=lambda p: p.note.landing_uncertainty_cents or 0.0)
    thirds = [pairs[len(pairs) * k // 3 : len(pairs) * (k + 1) // 3] for k in range(3)]
    widths = [p.note.landing_uncertainty_cents or 0.0 for p in pairs]
    wide = percentile(widths, 50) / max(row.score.landing(), 1e-9)
    octaves = [p for p in pairs if p.octaves]
    return {
        "inside": _coverage(pairs, loosened),
        "in octaves": _coverage(octaves, loosened) if row.level_db is not None else Cell("–"),
        "narrow third": _coverage(thirds[0], loosened),
        "middle": _coverage(thirds[1], loosened),
        "wide": _coverage(thirds[2], loosened),
        "half-width": Cell(f"{percentile(widths, 50):.2f}"),
        "over median error": _at_most(wide, WIDTH_OVER_ERROR, ".1f", loosened),
    }


def _coverage(pairs: Sequence[Pair], loosened: float) -> Cell:
    low, high = (
        1.0 - (1.0 - bound) * (loosened if bound < 0.95 else 1 / loosened) for bound in COVERAGE
    )
    return _between(share([p.covered for p in pairs]), low, high, ".1%")


def kinds_table(row: Row, loosened: float = 1.0) -> dict[str, Cell]:
    """Arrivals, corrections, vibrato and speed."""
    score = row.score
    still = [p for p in score.measured if p.truth.plan.correct_at_s is None]
    corrected = [p for p in score.measured if abs(p.true_correction) > CORRECTION_CENTS]
    corrected = [p for p in corrected if p.truth.plan.correct_at_s is not None]
    steady, waving = (
        [p for p in score.measured if bool(p.truth.vibrato_cents) is moves]
        for moves in (False, True)
    )
    return {
        "arrivals": _at_least(score.arrivals_right(), ARRIVALS, loosened),
        "glide time p95": _at_most(1e3 * score.glide_s(), 1e3 * GLIDE_S, ".0f", loosened),
        "false corrections": _flagged(still, _false_correction, loosened, low=False),
        "corrections found": _flagged(corrected, _found_correction, loosened, low=True),
        "false vibrato": _flagged(steady, _vibrates, loosened, low=False),
        "vibrato found": _flagged(waving, _vibrates, loosened, low=True),
        "speed": _speed(row, loosened),
    }


def _flagged(
    pairs: Sequence[Pair], judge: Callable[[Pair], bool], loosened: float, *, low: bool
) -> Cell:
    if not pairs:
        return Cell("–")
    value = share([judge(p) for p in pairs])
    return _at_least(value, FOUND, loosened) if low else _at_most(value, FALSE, ".1%", loosened)


def _at_least(value: float, limit: float, loosened: float) -> Cell:
    bound = 1.0 - (1.0 - limit) * loosened
    return Cell(f"{value:.1%}", not value < bound, f"≥ {bound:.1%}")


def _speed(row: Row, loosened: float) -> Cell:
    bound = SPEED / loosened
    return Cell(f"{row.speed:.0f} ×", row.speed >= bound, f"≥ {bound:.0f} ×")


def _false_correction(pair: Pair) -> bool:
    """Not corrected, and heard as if."""
    return abs(pair.correction) > CORRECTION_CENTS


def _found_correction(pair: Pair) -> bool:
    """Heard to the same side, at more than half its size."""
    return pair.correction / pair.true_correction > 0.5


def _vibrates(pair: Pair) -> bool:
    return pair.note.vibrato is not None


TABLES: dict[str, Callable[[Row, float], dict[str, Cell]]] = {
    "Notes and cents": notes_table,
    "Is the stated uncertainty true?": truth_table,
    "Arrivals, corrections, vibrato, speed": kinds_table,
}


def cells(row: Row, loosened: float = 1.0) -> dict[str, Cell]:
    """Every figure of a row by its heading."""
    return {name: cell for table in TABLES.values() for name, cell in table(row, loosened).items()}


def broken(rows: Sequence[Row], loosened: float = 1.0) -> list[str]:
    """A line for each figure that misses its limit."""
    return [
        f"{row.name}: {name} {cell.text}, should be {cell.limit}"
        for row in rows
        for name, cell in cells(row, loosened).items()
        if not cell.kept
    ]


def markdown(rows: Sequence[Row], loosened: float = 1.0) -> str:
    """The tables; what misses its limit is bold, with the limit beside it."""
    parts = []
    for title, table in TABLES.items():
        columns = [table(row, loosened) for row in rows]
        parts += [f"### {title}", "", _table("drone", [r.name for r in rows], columns), ""]
    return "\n".join(parts)


def _table(first: str, names: Sequence[str], rows: Sequence[dict[str, Cell]]) -> str:
    head = [first, *rows[0]]
    lines = [head, ["---"] * len(head)]
    lines += [[name, *map(str, row.values())] for name, row in zip(names, rows, strict=True)]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)
