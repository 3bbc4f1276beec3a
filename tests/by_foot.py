"""Playing in a running room by foot: mock pins, a clock set by hand, a real log."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from appliance.log.records import EventKind
from appliance.settings import Settings
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import NoteEnded
from tests.log_rows import bent
from tests.stage import SETTINGS, Stage, build, note

FOURTH = 23
A3, E4, A4 = (note_hz(parse_note(name)) for name in ("A3", "E4", "A4"))
PURE_E4 = 330.0  # 3/2 over A3


@contextmanager
def opened(tmp_path: Path, settings: Settings = SETTINGS) -> Iterator[Stage]:
    stage = build(tmp_path, settings)
    stage.room.start()
    yield stage
    stage.room.stop()
    stage.pins.reset()


def now_s(stage: Stage) -> float:
    """The ear's own time: it has listened since the first block, at 1000 s of this boot."""
    return stage.clock.now().monotonic_s - 1000.0


def played(
    stage: Stage, hz: float, landing_cents: float = 0.0, gap_s: float = 1.5, **changes: object
) -> NoteEnded:
    """A note of 0.9 s that begins ``gap_s`` from now."""
    begins_s = now_s(stage) + gap_s
    heard = replace(note(begins_s, begins_s + 0.9, hz), landing_hz=bent(hz, landing_cents))
    return NoteEnded(replace(heard, **changes))  # type: ignore[arg-type]


def play(
    stage: Stage, hz: float, landing_cents: float = 0.0, gap_s: float = 1.5, **changes: object
) -> None:
    """Play it, and let the ear tell of it 0.1 s after its end."""
    event = played(stage, hz, landing_cents, gap_s, **changes)
    stage.hear(gap_s + 1.0, event)
    stage.sound.settle()


def kinds(stage: Stage) -> list[EventKind]:
    return [event.kind for event in stage.events()]
