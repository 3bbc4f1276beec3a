"""What interrupted a sitting: stretches of which nothing can be known. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from appliance.log.records import EventKind, EventRow


class Cause(StrEnum):
    """Why nothing was heard."""

    SOUND = "sound"  # the device was away
    ROOM = "room"  # the room itself was killed or lost its power, and went on


@dataclass(frozen=True, slots=True)
class Interruption:
    """A stretch from ``began_wall_s`` on; ``lasted_s`` is ``None`` past the sitting's end."""

    cause: Cause
    began_wall_s: float
    lasted_s: float | None


def interruptions(events: Iterable[EventRow]) -> list[Interruption]:
    """Return what interrupted a sitting, by its events in their order."""
    found: list[Interruption] = []
    gone: EventRow | None = None
    for event in events:
        if event.kind is EventKind.SOUND_GONE:
            gone = event
        elif event.kind is EventKind.SOUND_BACK and gone is not None:
            lasted_s = event.at.wall_s - gone.at.wall_s
            if event.at.boot_id == gone.at.boot_id:  # whatever became of the wall clock
                lasted_s = event.at.monotonic_s - gone.at.monotonic_s
            found.append(Interruption(Cause.SOUND, gone.at.wall_s, lasted_s))
            gone = None
        elif event.kind is EventKind.WENT_ON:
            lasted_s = float(event.detail or 0.0)
            found.append(Interruption(Cause.ROOM, event.at.wall_s - lasted_s, lasted_s))
    if gone is not None:
        found.append(Interruption(Cause.SOUND, gone.at.wall_s, None))
    return found
