"""Synthetic sound for tests of hearing: tones along a pitch path, bow strokes, a room, an ear.

All of it is arithmetic, so the truth is known exactly and nothing but numpy is needed.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.ear import Ear
from appliance.practice.drone import Drone
from appliance.settings import DroneSettings, Settings
from appliance.vocabulary import Event, HeardNote, NoteEnded

Audio = NDArray[np.float64]

RATE_HZ = 48000.0
PLAYED_DB = -24.0  # RMS of a tone, re full scale


def cents_between(hz: float, reference_hz: float) -> float:
    return float(1200 * np.log2(hz / reference_hz))


def sharp(hz: float, cents: float) -> float:
    return float(hz * 2 ** (cents / 1200))


def path(points: Sequence[tuple[float, float]], rate_hz: float = RATE_HZ) -> Audio:
    """Hz at every sample through points of (seconds, Hz), straight in cents; shape (n,)."""
    at_s, hz = np.array(points, dtype=float).T
    time_s = np.arange(round(at_s[-1] * rate_hz)) / rate_hz
    return np.asarray(2 ** np.interp(time_s, at_s, np.log2(hz)))


def steady(hz: float, seconds: float, rate_hz: float = RATE_HZ) -> Audio:
    return path([(0.0, hz), (seconds, hz)], rate_hz)


def vibrato(hz: float, seconds: float, rate: float, cents: float, after_s: float = 0.0) -> Audio:
    """A path that swings about ``hz`` by ±``cents``, from ``after_s`` on."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ - after_s
    swing = np.where(time_s > 0, np.sin(2 * np.pi * rate * time_s), 0.0)
    return np.asarray(hz * 2 ** (cents * swing / 1200))


def tone(hz: Audio, rate_hz: float = RATE_HZ, *, partials: int = 20) -> Audio:
    """A tone along ``hz`` whose partials fall by 1.4 dB each; RMS ``PLAYED_DB``; shape (n,)."""
    turn = 2 * np.pi * np.cumsum(hz) / rate_hz
    highest = min(8000.0, 0.45 * rate_hz) / hz.max()
    orders = [k for k in range(1, partials + 1) if k == 1 or k < highest]
    sound = sum(0.85**k * np.sin(k * turn + 1.7 * k * k) for k in orders)
    return np.asarray(sound / np.sqrt(np.mean(sound**2)) * 10 ** (PLAYED_DB / 20))


def bowed(sound: Audio, rate_hz: float = RATE_HZ) -> Audio:
    """The same under one bow stroke: 40 ms to speak, 80 ms to die away at its end."""
    time_s = np.arange(len(sound)) / rate_hz
    speak = np.clip(time_s / 0.04, 0, 1)
    die = np.clip((time_s[-1] - time_s) / 0.08, 0, 1)
    return np.asarray(sound * np.sin(np.pi / 2 * speak) ** 2 * np.sin(np.pi / 2 * die) ** 2)


def rest(seconds: float, rate_hz: float = RATE_HZ) -> Audio:
    return np.zeros(round(seconds * rate_hz))


def notes_of(pitches_hz: Iterable[float], seconds: float = 0.8, gap_s: float = 0.3) -> Audio:
    """Separate strokes, with a gap before each and a second of rest at the end."""
    strokes = [[rest(gap_s), bowed(tone(steady(hz, seconds)))] for hz in pitches_hz]
    return np.concatenate([part for pair in strokes for part in pair] + [rest(1.0)])


def with_noise(sound: Audio, level_db: float = -75.0, seed: int = 1) -> Audio:
    rng = np.random.default_rng(seed)
    return sound + rng.standard_normal(len(sound)) * 10 ** (level_db / 20)


def drone_sound(
    root_hz: float, seconds: float, rate_hz: float = RATE_HZ, added: str = "nothing"
) -> Audio:
    """What the real drone sends from its start on, at -24 dB re full scale."""
    drone = Drone(replace(DroneSettings(), add=added), rate_hz)
    drone.set_root(root_hz)
    drone.start()
    return drone.sound(round(seconds * rate_hz)).astype(np.float64)


class Walls:
    """A loudspeaker in a room with people: what comes back of a drone.

    Parameters
    ----------
    distortion : share of second and third order in what the loudspeaker plays
    movement_db : how much of the way back wanders as people move, re the whole
    """

    def __init__(
        self,
        rate_hz: float = RATE_HZ,
        *,
        distortion: float = 0.0,
        movement_db: float = -60.0,
        seed: int = 2,
    ) -> None:
        self._rate_hz, self._distortion, self._seed = rate_hz, distortion, seed
        self._moved = 10 ** (movement_db / 20)

    def back(self, sent: Audio) -> Audio:
        """At the microphone, as loud as ``PLAYED_DB`` for a drone of that level; shape (n,)."""
        rng = np.random.default_rng(self._seed)
        unit = sent / 10 ** (PLAYED_DB / 20)
        heard = sent + self._distortion * 10 ** (PLAYED_DB / 20) * (unit**2 / 2 + unit**3 / 6)
        still, moving = (self._convolved(heard, rng) for _ in range(2))
        return still + self._moved * self._wander(rng, len(sent)) * moving

    def _convolved(self, sound: Audio, rng: np.random.Generator) -> Audio:
        """Direct sound after 15 ms, and a tail of noise that dies away by 60 dB in 0.4 s."""
        count = int(0.4 * self._rate_hz)
        response = rng.standard_normal(count) * 10 ** (-3 * np.arange(count) / count)
        response *= 0.5 / np.sqrt(np.sum(response**2))
        response[: int(0.015 * self._rate_hz)] = 0.0
        response[int(0.015 * self._rate_hz)] = 0.85
        size = 1 << (len(sound) + count).bit_length()
        spectrum = np.fft.rfft(sound, size) * np.fft.rfft(response, size)
        return np.asarray(np.fft.irfft(spectrum, size)[: len(sound)])

    def _wander(self, rng: np.random.Generator, count: int) -> Audio:
        """Half a random step a second, of unit variance."""
        knots = rng.standard_normal(int(count / self._rate_hz / 2) + 3)
        return np.interp(np.arange(count) / self._rate_hz / 2, np.arange(len(knots)), knots)


def events_of(
    mic: Audio,
    sent: Audio | None = None,
    instrument: str = "viola",
    rate_hz: float = RATE_HZ,
    cuts: Sequence[int] = (),
) -> list[Event]:
    """What the ear says when the sound comes in blocks that end at ``cuts``."""
    ear = Ear(Settings(), instrument, rate_hz)
    events: list[Event] = []
    for begin, end in zip([0, *cuts], [*cuts, len(mic)], strict=True):
        events += ear.hear(mic[begin:end], None if sent is None else sent[begin:end])
    return events + ear.finish()


def heard(
    mic: Audio, sent: Audio | None = None, instrument: str = "viola", rate_hz: float = RATE_HZ
) -> list[HeardNote]:
    events = events_of(mic, sent, instrument, rate_hz)
    return [event.note for event in events if isinstance(event, NoteEnded)]
