"""The drone as a stream of blocks: exact in frequency for ever, and never a click.

The phase is a 64-bit integer that counts fractions of a period and wraps around without rounding,
so the pitch is as right after a year as after a second and nothing depends on how the sound is
cut into blocks. Every change goes through silence: the old tone fades out, the new one fades in.
"""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from appliance.practice.tone import HIGHEST_MIDI, LOWEST_MIDI, TABLE_BITS, Partial, Tone
from appliance.settings import DroneSettings
from appliance.tuning import nearest_note, note_hz, parse_note

_FRACTION_BITS = 64 - TABLE_BITS


class Drone:
    """One drone; pure and streaming, to be used from one thread at a time."""

    def __init__(
        self, settings: DroneSettings, sample_rate_hz: float, *, a4_hz: float = 440.0
    ) -> None:
        """Stand silent on the note of ``settings``; raises ``SettingsError``, ``NoteNameError``."""
        root_hz = note_hz(parse_note(settings.note), a4_hz)
        self._tone = Tone(
            root_hz, settings.timbre, settings.add, settings.level_dbfs, sample_rate_hz
        )
        self._voice = _Voice(self._tone)
        self._fade_frames = math.ceil(settings.fade_s * sample_rate_hz)
        self._preview_frames = round(settings.preview_s * sample_rate_hz)
        self._faded_in = 0  # frames of the way from silence (0) to full level (_fade_frames)
        self._preview_left = 0
        self._sounding = False

    @property
    def sounding(self) -> bool:
        """Whether the drone is on; a preview does not count, a fade-out is already off."""
        return self._sounding

    @property
    def root_hz(self) -> float:
        """The root it sounds, or would sound when started."""
        return self._tone.root_hz

    @property
    def partials(self) -> tuple[Partial, ...]:
        """Every sine it sounds, or would sound when started, rising from the root."""
        return self._tone.partials

    def start(self) -> None:
        """Fade in, from wherever a fade or preview stands."""
        self._sounding = True
        self._preview_left = 0

    def stop(self) -> None:
        """Fade out; ends a preview, too."""
        self._sounding = False
        self._preview_left = 0

    def set_root(self, hz: float) -> None:
        """Change the root (Hz, C1 to C7, else ``SettingsError``), through silence if audible."""
        self._tone = replace(self._tone, root_hz=hz)

    def set_level(self, level_dbfs: float) -> None:
        """Change the level (RMS, dB re full scale), through silence if audible."""
        self._tone = replace(self._tone, level_dbfs=level_dbfs)

    def set_timbre(self, name: str) -> None:
        """Change the timbre (one of ``settings.TIMBRES``, else ``SettingsError``)."""
        self._tone = replace(self._tone, timbre=name)

    def set_added(self, name: str) -> None:
        """Add ``nothing``, a pure ``fifth`` or an ``octave`` (else ``SettingsError``)."""
        self._tone = replace(self._tone, added=name)

    def preview(self, hz: float) -> None:
        """Change the root and, unless sounding, let it be heard for ``preview_s`` and a fade."""
        self.set_root(hz)
        if not self._sounding:
            self._preview_left = self._preview_frames

    @property
    def steady(self) -> bool:
        """Whether it goes on just as it is, sounding or silent, until it is told something."""
        if self._sounding:
            settled = self._faded_in == self._fade_frames
        else:
            settled = self._faded_in == 0 and self._preview_left == 0
        return settled and self._voice.tone == self._tone

    def take_back(self, frames: int) -> None:
        """Have the last ``frames`` not sounded; it must have been steady while they were."""
        if self._sounding:
            self._voice.take_back(frames)

    def sound(self, frames: int) -> NDArray[np.float32]:
        """Return the next ``frames`` samples, shape (frames,), full scale ±1, peak below it."""
        block = np.zeros(frames, np.float32)
        done = 0
        while done < frames:
            done += self._stretch(block[done:])
        return block

    def _stretch(self, out: NDArray[np.float32]) -> int:
        """Fill the start of ``out`` up to the next turn of events; return how many frames."""
        if self._faded_in == 0 and self._voice.tone != self._tone:
            self._voice = _Voice(self._tone)
        changing = self._voice.tone != self._tone
        rising = not changing and (self._sounding or self._preview_left > 0)
        to_go = self._fade_frames - self._faded_in if rising else self._faded_in
        frames = min(len(out), to_go or len(out))
        if rising and self._preview_left:
            frames = min(frames, self._preview_left)
            self._preview_left -= frames
        if rising or self._faded_in:
            out[:frames] = self._voice.read(frames) * self._gain(frames, rising)
        return frames

    def _gain(self, frames: int, rising: bool) -> float | NDArray[np.float64]:
        """The next ``frames`` gains of a raised cosine, 1 when fully faded in; moves the fade."""
        if rising and self._faded_in == self._fade_frames:
            return 1.0
        step = 1 if rising else -1
        way = self._faded_in + step * np.arange(1, frames + 1)
        self._faded_in += step * frames
        return np.asarray(np.sin(0.5 * np.pi / self._fade_frames * way) ** 2, np.float64)


class _Voice:
    """A tone being sounded: its period, and how far it has come."""

    def __init__(self, tone: Tone) -> None:
        self.tone = tone
        self._period = tone.period
        self._phase = 0  # in 2**-64 periods
        # Rounded to 2**-65 of a period a sample: 1e-13 cents at C1, 192 kHz.
        self._step = round(tone.period_hz / tone.sample_rate_hz * 2**64)

    def read(self, frames: int) -> NDArray[np.float64]:
        """The next ``frames`` samples, by straight lines between the entries of the period."""
        phases = np.arange(frames, dtype=np.uint64) * np.uint64(self._step)
        phases += np.uint64(self._phase)
        self._phase = (self._phase + frames * self._step) % 2**64
        index = (phases >> np.uint64(_FRACTION_BITS)).astype(np.intp)
        fraction = (phases & np.uint64(2**_FRACTION_BITS - 1)) * 2.0**-_FRACTION_BITS
        left = self._period[index]
        return left + fraction * (self._period[index + 1] - left)

    def take_back(self, frames: int) -> None:
        self._phase = (self._phase - frames * self._step) % 2**64


def neighbour_hz(root_hz: float, semitones: int, a4_hz: float) -> float:
    """The note ``semitones`` away from the one nearest ``root_hz``, snapped to ``a4_hz``.

    Stays on the note where the way would lead outside C1 to C7.
    """
    midi = nearest_note(root_hz, a4_hz)
    there = midi + semitones
    return note_hz(there if LOWEST_MIDI <= there <= HIGHEST_MIDI else midi, a4_hz)
