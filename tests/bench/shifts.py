"""``python -m tests.bench.shifts``: how many shifts are reported in passages of known fingering.

A row for each case of :class:`tests.fingering.Case`, a column for each string instrument: of so
many arrivals this share was reported as a shift. Above the line the sound decides, and limits hold
(``tests/test_fingering.py``); below it the same notes can be played both ways, and the figures say
no more than what a listener can.
"""

import argparse
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from appliance.hearing.shifts import ShiftFinder
from appliance.instruments import INSTRUMENTS
from appliance.tuning import note_hz
from tests.fingering import HANDS, SHIFTS, Case, passages

PASSAGES, NOTES, SEED = 150, 60, 9000
A4_HZ = 440.0
# What the sound decides: a slide, or a note beyond the hand where it stood.
DECIDED_SHIFTS = (Case.SHIFT_SLID, Case.SHIFT_BEYOND)
DECIDED_STILL = (Case.STILL_ON_STRING,)
HARD = tuple(case for case in Case if case not in DECIDED_SHIFTS + DECIDED_STILL)


@dataclass
class Counts:
    """How many arrivals of each case there were, and how many were reported as shifts."""

    arrivals: Counter[Case] = field(default_factory=Counter)
    reported: Counter[Case] = field(default_factory=Counter)

    def share(self, cases: Sequence[Case]) -> float:
        """Return the reported share of some cases together."""
        arrivals = sum(self.arrivals[case] for case in cases)
        return sum(self.reported[case] for case in cases) / arrivals


def measure(name: str, seed: int = SEED, count: int = PASSAGES, notes: int = NOTES) -> Counts:
    """Let the ear's finder of shifts follow passages of one instrument."""
    counts = Counts()
    for passage in passages(name, seed, count, notes):
        finder = ShiftFinder(INSTRUMENTS[name], A4_HZ)
        for note in passage:
            shift = finder.arrive(note_hz(note.midi, A4_HZ), note.arrival)
            if note.case is not None:
                counts.arrivals[note.case] += 1
                counts.reported[note.case] += shift is not None
    return counts


def table(counts: dict[str, Counts]) -> list[str]:
    """Return the rows: reported share in per cent and, in brackets, of how many arrivals."""
    lines = ["".join([f"{'reported as a shift':<64}", *(f"{name:>22}" for name in counts)])]
    for cases in (DECIDED_SHIFTS, DECIDED_STILL, HARD):
        lines += [_row(case, [case], counts) for case in cases]
        lines.append("")
    lines.append(_row("shifts that the sound decides, together", DECIDED_SHIFTS, counts))
    lines.append(_row("all shifts", [case for case in Case if case in SHIFTS], counts))
    lines.append(_row("all with the hand still", [c for c in Case if c not in SHIFTS], counts))
    return lines


def _row(name: str, cases: Sequence[Case], counts: dict[str, Counts]) -> str:
    cells = []
    for one in counts.values():
        of = sum(one.arrivals[case] for case in cases)
        cells.append(f"{100 * one.share(cases):>14.1f} % ({of})".rjust(22) if of else f"{'-':>22}")
    return "".join([f"{name:<64}", *cells])


def main(words: Sequence[str] | None = None) -> None:
    """Print the rows."""
    parser = argparse.ArgumentParser(prog="tests.bench.shifts", description=__doc__)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--passages", type=int, default=PASSAGES)
    parser.add_argument("--instruments", nargs="+", choices=HANDS, default=list(HANDS))
    options = parser.parse_args(words)
    found = {name: measure(name, options.seed, options.passages) for name in options.instruments}
    print("\n".join(table(found)))


if __name__ == "__main__":
    main()
