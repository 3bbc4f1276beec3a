"""``python -m tests.bench.shifts``: how many shifts are reported in passages of known fingering.

A row for each case of :class:`tests.fingering.Case`, a column for each string instrument: of so
many arrivals this share was reported as a shift. In the first block the sound decides, and limits
hold (``tests/test_fingering.py``): a slide is heard, or no hand could hold both notes, or a
listener who knows how the passages were drawn (``tests/informed.py``) is 95 % sure. In the second
block the same notes can be played both ways. The third says what that listener would report there:
nobody can tell more from pitches and slides.
"""

import argparse
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from appliance.hearing.shifts import REPORT, ShiftFinder
from appliance.instruments import INSTRUMENTS
from appliance.tuning import note_hz
from tests.fingering import HANDS, SHIFTS, Case, Fingered, passages
from tests.informed import InformedListener

PASSAGES, NOTES, SEED = 150, 60, 9000
A4_HZ = 440.0
SURE = 0.95
SURE_OF_SHIFT = "the informed listener is sure of a shift"
SURE_OF_STILL = "the informed listener is sure that the hand stands"
DECIDED_SHIFTS = (Case.SHIFT_SLID, Case.SHIFT_BEYOND)
DECIDED_STILL = (Case.STILL_ON_STRING,)
HARD = tuple(case for case in Case if case not in DECIDED_SHIFTS + DECIDED_STILL)


@dataclass
class Counts:
    """How many arrivals of each case there were, and how many were reported as shifts."""

    arrivals: Counter[str] = field(default_factory=Counter)
    reported: Counter[str] = field(default_factory=Counter)
    informed: Counter[str] = field(default_factory=Counter)  # what that listener would report

    def share(self, cases: Sequence[str]) -> float:
        """Return the reported share of some cases together."""
        arrivals = sum(self.arrivals[case] for case in cases)
        return sum(self.reported[case] for case in cases) / arrivals

    def add(self, case: Case, *, reported: bool, likely: float) -> None:
        """Count one arrival; ``likely`` a shift to the informed listener."""
        rows: list[str] = [case]
        if likely >= SURE or likely <= 1 - SURE:
            rows.append(SURE_OF_SHIFT if likely >= SURE else SURE_OF_STILL)
        for row in rows:
            self.arrivals[row] += 1
            self.reported[row] += reported
            self.informed[row] += likely >= REPORT


def measure(name: str, seed: int = SEED, count: int = PASSAGES, notes: int = NOTES) -> Counts:
    """Let the ear's finder of shifts follow passages of one instrument."""
    counts = Counts()
    for passage in passages(name, seed, count, notes):
        _follow(passage, name, counts)
    return counts


def _follow(passage: list[Fingered], name: str, counts: Counts) -> None:
    finder, listener = ShiftFinder(INSTRUMENTS[name], A4_HZ), InformedListener(name)
    for note in passage:
        shift = finder.arrive(note_hz(note.midi, A4_HZ), note.arrival)
        likely = listener.hear(note)
        if note.case is not None:
            counts.add(note.case, reported=shift is not None, likely=likely)


def table(counts: dict[str, Counts]) -> list[str]:
    """Return the rows: reported share in per cent and, in brackets, of how many arrivals."""
    lines = ["".join([f"{'reported as a shift':<64}", *(f"{name:>22}" for name in counts)])]
    for cases in ((*DECIDED_SHIFTS, SURE_OF_SHIFT), (*DECIDED_STILL, SURE_OF_STILL), HARD):
        lines += [_row(case, [case], counts) for case in cases]
        lines.append("")
    lines.append(_row("all shifts", [case for case in Case if case in SHIFTS], counts))
    lines.append(_row("all with the hand still", [c for c in Case if c not in SHIFTS], counts))
    lines += ["", "the informed listener would report"]
    informed = {name: Counts(one.arrivals, one.informed) for name, one in counts.items()}
    return lines + [_row(f"- {case}", [case], informed) for case in HARD]


def _row(name: str, cases: Sequence[str], counts: dict[str, Counts]) -> str:
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
