"""The room check itself: borrows the sound interface, plays, records, measures, looks around.

``groundnote check`` and the page ask the running room for it; where none runs, the command does it
with devices of its own (:mod:`appliance.inspecting`).
"""

from collections.abc import Callable
from pathlib import Path
from typing import Protocol, TypeVar

import numpy as np

from appliance.checking.loudness import calibration_noise, steady_part, weighted_db
from appliance.checking.machine import clock_line, storage_lines
from appliance.checking.measuring import Measured, measure
from appliance.checking.program import Program
from appliance.checking.quiet import rms_db
from appliance.checking.verdicts import Line, Verdict, sound_lines
from appliance.devices.blocks import Opened, Samples
from appliance.devices.clock import kernel_clock_synchronised
from appliance.devices.recording import record
from appliance.devices.storage import look_at
from appliance.settings import Settings
from appliance.vocabulary import DeviceError

TRIES = 3  # a recording with lost samples says nothing of drift or removal
SILENCE_DBFS = -300.0
SPOILT = ("delay", "clocks", "reverberation", "removal of the drone")  # by lost samples

Lent = TypeVar("Lent")


class Lend(Protocol):
    """Frees the sound interface while some work is done with it."""

    def __call__(self, work: Callable[[], Lent]) -> Lent:
        """Do the work and return what it returns."""


class Checkup:
    """Checks one room, whose sound interface ``lend`` frees."""

    def __init__(self, settings: Settings, lend: Lend, log_path: Path) -> None:
        """Stand ready; nothing is played yet."""
        self._settings, self._lend, self._log_path = settings, lend, log_path

    def lines(self, progress: Callable[[], None] = lambda: None) -> list[Line]:
        """Check sound, clock and storage; takes a quarter of a minute, longer if sound is lost.

        ``progress`` is called about twice a second.
        """
        return [
            *self._sound(progress),
            clock_line(synchronised=kernel_clock_synchronised()),
            *self._storage(),
        ]

    def _storage(self) -> list[Line]:
        folder = self._log_path.absolute().parent
        try:
            return storage_lines(look_at(folder))
        except OSError as error:
            found = f"{folder} cannot be looked at ({error.strerror})"
            advice = "look at log_path in [room], and at who owns its folder"
            return [Line("space", Verdict.WRONG, found, advice)]

    def level_db(self, playing: bool, progress: Callable[[], None]) -> float:
        """The level by which to calibrate, dB re full scale: of a noise, or of who plays.

        ``playing``: a noise is sent, and its A-weighted level as sent returned. Otherwise nothing
        is sent, and the level of what the microphone hears returned. Raises :class:`DeviceError`.
        """

        def samples(rate_hz: float) -> Samples:
            level_dbfs = self._settings.drone.level_dbfs if playing else SILENCE_DBFS
            noise = calibration_noise(level_dbfs, rate_hz).astype(np.float32)
            return np.stack([noise, noise], axis=1)

        opened, recording = self._lend(lambda: record(self._settings.sound, samples, progress))
        rate_hz = opened.sample_rate_hz
        if playing:
            sent = samples(rate_hz)[:, 0].astype(np.float64)
            return weighted_db(steady_part(sent, rate_hz), rate_hz)
        heard = recording.mic[:, self._settings.sound.microphone_channel - 1]
        return rms_db(steady_part(heard.astype(np.float64), rate_hz))

    def _sound(self, progress: Callable[[], None]) -> list[Line]:
        try:
            opened, measured, lost = self._lend(lambda: self._measured(progress))
        except DeviceError as error:
            return [Line("sound", Verdict.WRONG, str(error))]
        lines = sound_lines(opened.device, measured, self._settings.sound.microphone_channel)
        return [*(_doubted(line) if lost else line for line in lines), _lost(lost)]

    def _measured(self, progress: Callable[[], None]) -> tuple[Opened, Measured, int]:
        """Record until nothing is lost, a few times; measure the last recording."""
        channel = self._settings.sound.microphone_channel - 1
        for _ in range(TRIES):
            opened, recording = record(self._settings.sound, self._samples, progress)
            if not recording.lost:
                break
        program = Program(self._settings, opened.sample_rate_hz)
        return opened, measure(program, recording.mic, channel), recording.lost

    def _samples(self, rate_hz: float) -> Samples:
        return Program(self._settings, rate_hz).samples


def _doubted(line: Line) -> Line:
    """Take back what a hole in the recording spoils."""
    if line.what in SPOILT and line.verdict is not Verdict.NOT_MEASURED:
        return Line(line.what, Verdict.NOT_MEASURED, "sound was lost while it was measured")
    return line


def _lost(lost: int) -> Line:
    what = "blocks of sound"
    if not lost:
        return Line(what, Verdict.FINE, "none lost")
    found = f"{lost} lost, after {TRIES} tries"
    advice = "close other programs, use another USB port, or raise block_frames in [sound]"
    return Line(what, Verdict.DOUBTFUL, found, advice)
