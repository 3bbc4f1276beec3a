"""Sittings and notes in a log."""

from dataclasses import replace
from pathlib import Path

import pytest

from appliance.log.logbook import Logbook
from appliance.log.records import RoundGoal
from appliance.vocabulary import (
    Arrival,
    HeardNote,
    Shift,
    Vibrato,
)
from tests.log_rows import PLAIN, instant

AT = instant(2026, 2, 9)
FULL = replace(
    PLAIN,
    start_s=10.0,
    end_s=11.25,
    landing_hz=391.2345678,
    landing_uncertainty_cents=1.234,
    drone_hz=219.98765,
    reference_hz=219.98765,
    level_db=-23.71,
    settled_hz=392.0001,
    arrival=Arrival.SLIDE,
    slide_s=0.12,
    vibrato=Vibrato(5.7, 14.2),
    shift=Shift(246.94, 392.0001, 0.83),
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "room.db"


def begun(log: Logbook) -> str:
    return log.begin_sitting(AT, instrument="viola", a4_hz=442.0, player="wren")


def logged(path: Path, *notes: HeardNote) -> list[str]:
    with Logbook(path, "north room") as log:
        sitting = begun(log)
        return [log.add_note(sitting, note, AT.later(n)) for n, note in enumerate(notes)]


GOAL = RoundGoal(246.94, 391.1, 396.0, 10.0)
