"""Notes found, by the convention of music transcription: onset 50 ms, offset 20 %, pitch in cents.

``mir_eval`` pairs and counts. A note's pitch is its settled pitch; what is not measurable is left
out of what was found.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import mir_eval.transcription
import numpy as np

from appliance.vocabulary import HeardNote
from tests.truths import Truth

PITCH_CENTS = (50.0, 5.0)  # the convention's, and what this job needs


@dataclass
class Transcribed:
    """Counts of true notes, of found notes, and of pairs at each tolerance of pitch."""

    true: int = 0
    found: int = 0
    paired: dict[float, int] = field(default_factory=lambda: dict.fromkeys(PITCH_CENTS, 0))

    def add(self, other: "Transcribed") -> None:
        self.true += other.true
        self.found += other.found
        self.paired = {cents: n + other.paired[cents] for cents, n in self.paired.items()}

    def precision(self, cents: float) -> float:
        return self.paired[cents] / max(self.found, 1)

    def recall(self, cents: float) -> float:
        return self.paired[cents] / max(self.true, 1)

    def f_measure(self, cents: float) -> float:
        """Harmonic mean of the two."""
        return 2.0 * self.paired[cents] / max(self.true + self.found, 1)


def transcribed(notes: Sequence[HeardNote], truths: Sequence[Truth]) -> Transcribed:
    """Pair one take's notes."""
    heard = [(n.start_s, n.end_s, n.settled_hz) for n in notes if n.settled_hz is not None]
    true = [(t.start_s, t.end_s, t.settled_hz) for t in truths]
    return Transcribed(len(true), len(heard), {c: _paired(heard, true, c) for c in PITCH_CENTS})


def _paired(
    heard: Sequence[tuple[float, float, float]],
    true: Sequence[tuple[float, float, float]],
    cents: float,
) -> int:
    if not heard:
        return 0
    found, real = np.array(heard), np.array(true)
    pairs = mir_eval.transcription.match_notes(
        real[:, :2], real[:, 2], found[:, :2], found[:, 2], pitch_tolerance=cents
    )
    return len(pairs)
