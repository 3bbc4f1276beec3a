"""The numbers of the pages once more: from the rows of the SQLite file, with numpy alone.

Nothing of Groundnote is used here. Targets are 5-limit just intonation over the drone, as the
design gives them, with a span where no pitch is free of beats; before any drone equal temperament.
"""

import math
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
# Frequency ratios above the drone's pitch class, semitone by semitone: low edge and high edge.
JUST = np.array(
    [
        *((1, 1), (256 / 243, 16 / 15), (10 / 9, 9 / 8), (6 / 5, 6 / 5), (5 / 4, 5 / 4)),
        *((4 / 3, 4 / 3), (45 / 32, 729 / 512), (3 / 2, 3 / 2), (8 / 5, 8 / 5), (5 / 3, 5 / 3)),
        *((16 / 9, 9 / 5), (15 / 8, 243 / 128)),
    ]
)
STRINGS = {48: -3 * 701.955, 55: -2 * 701.955, 62: -701.955, 69: 0.0}  # a viola: fifths below A4
OUTCOMES = ("landed", "rescued", "missed")
FEW = 8
WEEK_S = 7 * 86400.0
MONDAY_S = 1770595200.0  # 2026-02-09 00:00 in Lisbon's winter, which is UTC: week 7
Z = 1.959963984540054  # 97.5 % point of the normal distribution

_SQL = """
SELECT note.sitting_id AS sitting, note.ended_wall_s AS at_s, a4_hz, landing_hz, settled_hz,
  drone_hz, reference_hz, without, struck, paused, repeat, measurable,
  round_id IS NOT NULL AS in_round, arrival = 'slide' AS slid,
  vibrato_rate_hz IS NOT NULL AS shaken,
  shift_from_hz, shift_likely AS likely, landing_uncertainty_cents AS unsure_by,
  (SELECT verdict FROM call WHERE note_id = note.id ORDER BY call.id DESC LIMIT 1) AS verdict
FROM note JOIN sitting ON sitting.id = note.sitting_id ORDER BY note.ended_wall_s, note.id
"""

Array, Flags, Places = NDArray[np.float64], NDArray[np.bool_], NDArray[np.int64]


def cents(hz: Array, reference_hz: Array) -> Array:
    return np.asarray(1200.0 * np.log2(hz / reference_hz), np.float64)


@dataclass(frozen=True)
class Notes:
    """Some notes; every field is an array with a place for each. Cents are sharp positive."""

    sitting: Places
    at_s: Array
    midi: Array
    drone: Array  # the note that the target refers to, not a number before any drone
    source: Array  # where the hand shifted from, not a number without a shift
    likely: Array
    error: Array
    settled: Array
    corrected: Array  # from landing to settled
    spanned: Array
    outcome: NDArray[np.str_]
    sounding: Flags
    without: Flags
    slid: Flags
    verdict: NDArray[np.str_]
    unsure_by: Array

    def __len__(self) -> int:
        return len(self.midi)

    def where(self, mask: Flags) -> "Notes":
        return Notes(**{field.name: getattr(self, field.name)[mask] for field in fields(self)})

    def week(self, number: int) -> "Notes":
        first_s = MONDAY_S + (number - 7) * WEEK_S
        return self.where((self.at_s >= first_s) & (self.at_s < first_s + WEEK_S))

    def of(self, outcome: str) -> int:
        return int(np.sum(self.outcome == outcome))

    @property
    def conditions(self) -> list[tuple[float, float, bool]]:
        """What two weeks must share: note, drone (-1: none), whether it sounded."""
        drones = np.nan_to_num(self.drone, nan=-1.0)
        return list(zip(self.midi.tolist(), drones.tolist(), self.sounding.tolist(), strict=True))

    def sharing(self, other: "Notes") -> "Notes":
        """Those with conditions that the others have, too."""
        theirs = set(other.conditions)
        return self.where(np.array([one in theirs for one in self.conditions], bool))

    def along(self) -> Array:
        """Errors along the shift, long positive."""
        return np.where(self.source > self.midi, -self.error, self.error)

    def by(self, name: str) -> Iterator[tuple[float, "Notes"]]:
        """Groups by a field, lowest first; notes without it are left out."""
        values = getattr(self, name)
        for value in np.unique(values[~np.isnan(values)]):
            yield float(value), self.where(values == value)


@dataclass(frozen=True)
class Log:
    """What counts, and how many notes of each week were set apart, and why."""

    counted: Notes
    apart: dict[str, Array]  # reason -> when each was played
    heard_s: Array  # when each note was played that is neither struck out nor paused
    strings: dict[int, dict[int, dict[str, Array]]]  # sitting -> string -> tuned, later: cents


def read_rows(path: Path, band: float = 10.0) -> Log:
    with sqlite3.connect(path) as raw:
        raw.row_factory = sqlite3.Row
        rows = [dict(row) for row in raw.execute(_SQL)]
    column = {
        name: np.array([np.nan if row[name] is None else row[name] for row in rows], float)
        for name in rows[0]
        if name not in ("verdict", "sitting")
    }
    _, sitting = np.unique([row["sitting"] for row in rows], return_inverse=True)  # 0, 1, 2 …
    verdict = np.array([row["verdict"] or "" for row in rows])
    flag = {name: column[name] == 1.0 for name in ("struck", "paused", "repeat", "measurable")}
    flag |= {name: column[name] == 1.0 for name in ("in_round", "slid", "shaken", "without")}
    a4, landing, settled = column["a4_hz"], column["landing_hz"], column["settled_hz"]
    above = cents(settled, a4)
    string, off = _strings(above)
    # an open string: its pitch, without vibrato, slide or correction
    bare = ~(flag["shaken"] | flag["slid"] | flag["in_round"] | flag["struck"] | flag["paused"])
    open_string = bare & (np.abs(off) <= 30) & (np.abs(cents(settled, landing)) < 5)
    tuning = open_string & _before_all_else(sitting, open_string)
    reasons = {
        "struck": flag["struck"],
        "paused": flag["paused"],
        "tuning": tuning,
        "repeat": flag["repeat"],
        "round": flag["in_round"],
        "open": open_string,
        "short": ~flag["measurable"],
        "between": (above % 100 >= 35) & (above % 100 <= 65),
    }
    left, apart = np.ones(len(rows), bool), {}
    for reason, holds in reasons.items():  # the first reason that holds
        apart[reason] = column["at_s"][left & holds]
        left &= ~holds
    error, after, spanned = _errors(column, above)
    outcome = np.where(np.abs(after) <= band, "rescued", "missed")
    outcome = np.where(np.abs(error) <= band, "landed", outcome)
    every = Notes(
        sitting=sitting,
        at_s=column["at_s"],
        midi=np.round(69 + above / 100),
        drone=np.round(69 + cents(column["reference_hz"], a4) / 100),
        source=np.round(69 + cents(column["shift_from_hz"], a4) / 100),
        likely=column["likely"],
        error=error,
        settled=after,
        corrected=cents(settled, landing),
        spanned=spanned,
        outcome=outcome,
        sounding=~np.isnan(column["drone_hz"]),
        without=flag["without"],
        slid=flag["slid"],
        verdict=verdict,
        unsure_by=column["unsure_by"],
    )
    strings: dict[int, dict[int, dict[str, Array]]] = {}
    for one_sitting in np.unique(sitting).tolist():
        here = sitting == one_sitting
        strings[one_sitting] = {
            one: {
                "tuned": off[here & tuning & (string == one)],
                "later": off[here & open_string & ~tuning & (string == one)],
            }
            for one in np.unique(string[here & open_string]).astype(int).tolist()
        }
    heard = column["at_s"][~flag["struck"] & ~flag["paused"]]
    return Log(every.where(left), apart, heard, strings)


def _strings(above: Array) -> tuple[Array, Array]:
    """The nearest open string of every pitch, and the cents from where it is right."""
    pitches, aims = np.array(list(STRINGS)), np.array(list(STRINGS.values()))
    off = above[:, None] - aims
    nearest = np.argmin(np.abs(np.nan_to_num(off, nan=1e6)), axis=1)
    return pitches[nearest], off[np.arange(len(above)), nearest]


def _before_all_else(sitting: Places, open_string: Flags) -> Flags:
    """Whether nothing but open strings was played before in the sitting."""
    found = np.zeros(len(sitting), bool)
    for one in np.unique(sitting):
        here = np.flatnonzero(sitting == one)
        found[here] = np.cumsum(~open_string[here]) == 0
    return found


def _errors(column: dict[str, Array], above: Array) -> tuple[Array, Array, Array]:
    """Cents from the nearer edge of the target: landed, settled; and whether it is a span."""
    a4, reference = column["a4_hz"], column["reference_hz"]
    midi, drone = np.round(69 + above / 100), np.round(69 + cents(reference, a4) / 100)
    droned = ~np.isnan(drone) & ~np.isnan(midi)
    up = np.where(droned, midi - drone, 0).astype(int)
    edges = 1200 * np.log2(JUST[up % 12]) + 1200.0 * (up // 12)[:, None]
    edges[~droned] = (100 * (midi[~droned] - 69))[:, None]
    base = np.where(droned, reference, a4)
    found = []
    for hz in (column["landing_hz"], column["settled_hz"]):
        above_base = cents(hz, base)
        found.append(above_base - np.clip(above_base, edges[:, 0], edges[:, 1]))
    return found[0], found[1], (edges[:, 1] - edges[:, 0] > 1e-9).astype(float)


# -- intervals --------------------------------------------------------------------------------


def wilson(part: int, whole: int) -> tuple[float, float]:
    """The two rates at which the score test just rejects: the roots of its equation."""
    share = part / whole
    low, high = np.sort(
        np.roots([1 + Z**2 / whole, -(2 * share + Z**2 / whole), share**2]).real
    ).tolist()
    return max(0.0, low), min(1.0, high)


def newcombe(part: int, whole: int, other: int, of: int) -> tuple[float, float]:
    """Newcombe's tenth method for the first rate less the other."""
    (low, high), (other_low, other_high) = wilson(part, whole), wilson(other, of)
    first, second = part / whole, other / of
    return (
        first - second - math.hypot(first - low, other_high - second),
        first - second + math.hypot(high - first, second - other_low),
    )


@dataclass(frozen=True)
class Change:
    """A share before and after, like for like, and the 95 % interval of after less before."""

    before: float
    after: float
    low: float
    high: float
    half: float
    notes: tuple[int, int]
    sittings: tuple[int, int]


def change(before: Notes, after: Notes, outcome: str) -> Change:
    """Cochran's weights, whole sittings left out in turn, Welch's degrees of freedom."""
    from scipy.stats import t as student  # noqa: PLC0415  (slow to load)

    before, after = before.sharing(after), after.sharing(before)

    def shares(one: Notes, two: Notes) -> tuple[float, float]:
        weights, found = [], []
        for condition in set(one.conditions) & set(two.conditions):
            groups = [
                side.where(np.array([c == condition for c in side.conditions]))
                for side in (one, two)
            ]
            sizes = [len(group) for group in groups]
            weights.append(sizes[0] * sizes[1] / sum(sizes))
            found.append([group.of(outcome) / len(group) for group in groups])
        return tuple(np.average(found, axis=0, weights=weights).tolist())

    first, last = shares(before, after)
    squares, parts = [], []
    for side, other, is_before in ((before, after, True), (after, before, False)):
        values = []
        for sitting in np.unique(side.sitting):
            rest = side.where(side.sitting != sitting)
            one, two = shares(rest, other) if is_before else shares(other, rest)
            values.append(two - one)
        spread = np.array(values)
        square = (len(spread) - 1) / len(spread) * float(np.sum((spread - spread.mean()) ** 2))
        squares.append(square)
        parts.append(square**2 / (len(spread) - 1))
    freedom = sum(squares) ** 2 / sum(parts)
    half = float(student.ppf(0.975, freedom)) * math.sqrt(sum(squares))
    moved = last - first
    numbers = after.of(outcome), len(after), before.of(outcome), len(before)
    low, high = newcombe(*numbers)
    plain = numbers[0] / numbers[1] - numbers[2] / numbers[3]
    return Change(
        first,
        last,
        min(moved - half, moved + low - plain),
        max(moved + half, moved + high - plain),
        half,
        (len(before), len(after)),
        (len(np.unique(before.sitting)), len(np.unique(after.sitting))),
    )


def name_of(midi: float) -> str:
    return f"{NAMES[int(midi) % 12]}{int(midi) // 12 - 1}"
