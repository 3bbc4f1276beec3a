"""From pianissimo to fortissimo, over ringing strings, and two strings at once."""

from functools import cache

import pytest

from tests.dynamics import STRINGS, Told, double_stops, ringing, swelling_line, told
from tests.soundfont import MISSING
from tests.tones import Scene, Score, match
from tests.waves import heard

NOTES = 20

pytestmark = pytest.mark.skipif(bool(MISSING), reason=f"soundfonts not installed: {MISSING}")


def score(take: Scene) -> Score:
    return match(heard(take.mic, take.sent, take.instrument), take.truths)


@pytest.mark.parametrize(
    ("instrument", "drone_db"),
    [("violin", None), ("violin", -44.0), ("cello", None), ("cello", -44.0)],
)
def test_pianissimo_and_fortissimo_are_heard(instrument: str, drone_db: float | None) -> None:
    """40 dB between the notes; the drone is 8 dB over the softest, 12 below the middle."""
    result = score(swelling_line(640, instrument, NOTES, drone_db))
    # the specification's limits without a drone, and under one of +12 dB
    missed, invented = (0.01, 0.01) if drone_db is None else (0.08, 0.03)
    assert result.missed_share <= missed, result.row()
    assert result.invented_share <= invented, result.row()
    assert result.wrong_share == 0.0, result.row()


@pytest.mark.parametrize("drone_db", [None, -24.0], ids=["alone", "with-drone"])
@pytest.mark.parametrize("instrument", ["viola", "cello"])
def test_a_string_that_rings_on_is_no_note_and_hides_none(
    instrument: str, drone_db: float | None
) -> None:
    result = score(ringing(650, instrument, NOTES, drone_db))
    # the specification's limits without a drone, and under one of 0 dB
    assert result.missed_share <= (0.01 if drone_db is None else 0.02), result.row()
    assert result.invented_share <= 0.01, result.row()
    assert result.wrong_share == 0.0, result.row()


@cache
def stops(instrument: str, drone_db: float | None) -> Told:
    take = double_stops(660, instrument, NOTES, drone_db)
    return told(take, heard(take.take.mic, take.take.sent, instrument))


@pytest.mark.parametrize("drone_db", [None, -30.0], ids=["alone", "with-drone"])
@pytest.mark.parametrize("instrument", STRINGS)
def test_most_double_stops_are_told(instrument: str, drone_db: float | None) -> None:
    result = stops(instrument, drone_db)
    assert result.one_unmeasured >= 0.9 * result.stops, result


@pytest.mark.parametrize("drone_db", [None, -30.0], ids=["alone", "with-drone"])
@pytest.mark.parametrize("instrument", STRINGS)
def test_a_double_stop_is_never_guessed(instrument: str, drone_db: float | None) -> None:
    result = stops(instrument, drone_db)
    assert result.guessed == 0, result
    assert result.several == 0, result


@pytest.mark.parametrize("instrument", ["violin", "viola", "cello"])
def test_a_fifth_is_not_the_note_below_it(instrument: str) -> None:
    """Both strings' partials are those of one pitch, an octave under the lower of them."""
    take = double_stops(664, instrument, NOTES, None, intervals=(7,))
    result = told(take, heard(take.take.mic, take.take.sent, instrument))
    assert result.guessed == 0, result


@pytest.mark.parametrize("drone_db", [None, -30.0], ids=["alone", "with-drone"])
@pytest.mark.parametrize("instrument", STRINGS)
def test_single_notes_between_double_stops_are_measured(
    instrument: str, drone_db: float | None
) -> None:
    result = stops(instrument, drone_db)
    assert result.singles_measured == result.singles, result


def test_a_wind_instrument_has_no_double_stops() -> None:
    take = double_stops(660, "cello", NOTES, None)
    assert stops("cello", None).guessed <= 1
    # the same sound, heard as one tone, is given the pitch of the louder one
    assert told(take, heard(take.take.mic, take.take.sent, "trombone")).guessed >= 5
