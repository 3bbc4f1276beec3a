"""What happens to the drone, the room or the microphone costs the player two notes at most."""

import pytest

from tests.begins import BEGINS, MOST_NOTES, cost
from tests.soundfont import MISSING
from tests.waves import heard

pytestmark = pytest.mark.skipif(bool(MISSING), reason=f"soundfonts not installed: {MISSING}")


@pytest.mark.parametrize("level_db", [-6.0, 0.0])
@pytest.mark.parametrize("event", BEGINS)
@pytest.mark.parametrize("instrument", ["viola", "cello"])
def test_costs_two_notes_at_most(instrument: str, event: str, level_db: float) -> None:
    take = BEGINS[event](630, instrument, level_db)
    spent = cost(event, take, heard(take.mic, take.sent, instrument))
    assert spent.notes <= MOST_NOTES, spent
