"""Gaps in a sitting, from the events to the sentence on its page."""

from pathlib import Path

import pytest

from appliance.log.interruptions import Cause, Interruption, interruptions
from appliance.log.logbook import Logbook
from appliance.log.records import EventKind, EventRow
from appliance.settings import RoomSettings, Settings
from tests.log_rows import PLAIN, instant
from web import create_app

AT = instant(2026, 2, 10, 17, 3)


def _event(kind: EventKind, after_s: float, detail: str | None = None) -> EventRow:
    return EventRow(kind, detail, AT.later(after_s))


def test_a_device_that_went_and_came() -> None:
    events = [
        _event(EventKind.PAUSED, 0.0),
        _event(EventKind.SOUND_GONE, 1.0),
        _event(EventKind.SOUND_GONE, 2.0),
        _event(EventKind.SOUND_BACK, 9.0),
        _event(EventKind.SOUND_BACK, 9.5),
        _event(EventKind.WENT_ON, 60.0, "12.5"),
        _event(EventKind.SOUND_GONE, 70.0),
    ]
    assert interruptions(events) == [
        Interruption(Cause.SOUND, AT.wall_s + 2.0, 7.0),
        Interruption(Cause.ROOM, AT.wall_s + 47.5, 12.5),
        Interruption(Cause.SOUND, AT.wall_s + 70.0, None),
    ]
    assert interruptions([]) == []


@pytest.mark.parametrize(
    ("kinds", "said"),
    [
        (
            [(EventKind.SOUND_GONE, 5.0, "card"), (EventKind.SOUND_BACK, 12.0, "card")],
            "At 17:03 the sound device was away for 7 seconds",
        ),
        ([(EventKind.WENT_ON, 125.0, "120.0")], "At 17:03 the room stopped for 2 minutes"),
        (
            [(EventKind.SOUND_GONE, 60.0, "card")],
            "From 17:04 on the sound device was away until the end of the sitting",
        ),
    ],
)
def test_the_page_of_a_sitting_says_so(
    tmp_path: Path, kinds: list[tuple[EventKind, float, str]], said: str
) -> None:
    with Logbook(tmp_path / "room.db", "north room") as log:
        sitting = log.begin_sitting(AT, instrument="viola", a4_hz=440.0)
        log.add_note(sitting, PLAIN, AT.later(3.0))
        for kind, after_s, detail in kinds:
            log.add_event(kind, AT.later(after_s), sitting, detail)
        log.end_sitting(sitting, AT.later(200.0))
    settings = Settings(room=RoomSettings(time_zone="Europe/Lisbon"))
    client = create_app(tmp_path / "room.db", settings).test_client()
    page = " ".join(client.get(f"/sitting/{sitting}").get_data(as_text=True).split())
    assert said in page and "is not here" in page
