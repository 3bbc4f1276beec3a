"""What happens to the drone, the room or the microphone costs the player two notes at most."""

import pytest
from _pytest.mark import ParameterSet

from tests.begins import BEGINS, cost
from tests.soundfont import MISSING
from tests.waves import heard

MOST_NOTES = 2
# Not reached yet, with the drone as loud as the player; notes it cost when measured
COSTLY = {"knob up": 10, "walk": 7, "gain down": 3}

pytestmark = pytest.mark.skipif(bool(MISSING), reason=f"soundfonts not installed: {MISSING}")


def _cases() -> list[ParameterSet]:
    return [
        pytest.param(
            event,
            level_db,
            marks=pytest.mark.xfail(
                level_db == 0.0 and event in COSTLY,
                reason=f"costs {COSTLY.get(event)} notes of 10",
                strict=True,
            ),
        )
        for event in BEGINS
        for level_db in (-6.0, 0.0)
    ]


@pytest.mark.parametrize(("event", "level_db"), _cases())
def test_costs_two_notes_at_most(event: str, level_db: float) -> None:
    take = BEGINS[event](630, "viola", level_db)
    spent = cost(take, heard(take.mic, take.sent, "viola"))
    assert spent.notes <= MOST_NOTES, spent
