"""``python -m tests.bench.advice``: how long it takes to rank twelve drones for a passage.

Wall time of one call, passages of 5 to 40 different notes, best and median of 50. Exit status 1
where a median is over the limit.
"""

import statistics
import sys
import time
from collections import Counter

from appliance.practice.advice import advise

_LOWEST, _CALLS = 45, 50
_LIMIT_MS = 50.0


def measure(notes: int) -> list[float]:
    """Return the milliseconds of each call for a passage of so many different notes."""
    passage = Counter(range(_LOWEST, _LOWEST + notes))
    spent = []
    for _ in range(_CALLS):
        began = time.perf_counter()
        advise(passage, a4_hz=440.0)
        spent.append(1000.0 * (time.perf_counter() - began))
    return spent


if __name__ == "__main__":
    medians = []
    for notes in (5, 12, 24, 40):
        spent = measure(notes)
        medians.append(statistics.median(spent))
        print(f"{notes:>3} notes  best {min(spent):5.1f} ms  median {medians[-1]:5.1f} ms")
    sys.exit(max(medians) > _LIMIT_MS)
