"""What happens to the drone, the room or the microphone costs the player two notes at most."""

import pytest
from _pytest.mark import ParameterSet

from tests.begins import BEGINS, cost
from tests.soundfont import MISSING
from tests.waves import heard

MOST_NOTES = 2
# Not reached yet: instrument, event, level of the drone re the player; notes it cost when measured
COSTLY = {("cello", "walk", -6.0): 6, ("cello", "walk", 0.0): 4}

pytestmark = pytest.mark.skipif(bool(MISSING), reason=f"soundfonts not installed: {MISSING}")


def _cases() -> list[ParameterSet]:
    cases = [
        (instrument, event, level_db)
        for instrument in ("viola", "cello")
        for event in BEGINS
        for level_db in (-6.0, 0.0)
    ]
    return [
        pytest.param(
            *case,
            marks=pytest.mark.xfail(
                case in COSTLY, reason=f"costs {COSTLY.get(case)} notes of 10", strict=True
            ),
        )
        for case in cases
    ]


@pytest.mark.parametrize(("instrument", "event", "level_db"), _cases())
def test_costs_two_notes_at_most(instrument: str, event: str, level_db: float) -> None:
    take = BEGINS[event](630, instrument, level_db)
    spent = cost(take, heard(take.mic, take.sent, instrument))
    assert spent.notes <= MOST_NOTES, spent
