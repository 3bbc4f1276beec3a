"""Rooms for tests: drone, loudspeaker, walls, people who move, and a second clock."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.truths import Audio, half_cosine


@dataclass(frozen=True)
class Room:
    """What lies between loudspeaker, player and microphone."""

    level_db: float = 0.0  # drone over player at the microphone, both RMS while they sound
    rt60_s: float = 0.4
    drift_ppm: float = 0.0
    distortion: float = 0.01  # share of the loudspeaker's harmonic distortion at its RMS level
    movement_db: float = -25.0  # how much of the drone's path wanders as people move
    noise_db: float = -60.0  # re full scale
    latency_s: float = 0.015
    player_direct_db: float = 10.0  # direct sound over reverberation


@dataclass(frozen=True)
class DroneSpan:
    """A stretch of drone; ``ratios`` above the root sound with it (3/2 for an added fifth)."""

    hz: float
    start_s: float = 0.0
    end_s: float = float("inf")
    ratios: tuple[float, ...] = ()
    partials: tuple[int, ...] = tuple(range(1, 13))


def _smooth_length(n: int) -> int:
    """The next length that the FFT takes quickly: 2^a, 3 · 2^a or 5 · 2^a."""
    power = 1 << (n - 1).bit_length()
    return next(m for m in (power * 5 // 8, power * 3 // 4, power) if m >= n)


def _convolved(audio: Audio, response: Audio) -> Audio:
    n = _smooth_length(len(audio) + len(response))
    spectrum = np.fft.rfft(audio, n) * np.fft.rfft(response, n)
    return np.asarray(np.fft.irfft(spectrum, n)[: len(audio)])


def _response(
    rng: np.random.Generator, room: Room, rate: float, direct_db: float, delay_s: float
) -> Audio:
    """Direct sound and an exponentially decaying tail of noise."""
    n = int((room.rt60_s + delay_s) * rate) + 2
    time = np.arange(n) / rate
    tail = rng.standard_normal(n) * 10.0 ** (-3.0 * time / room.rt60_s)
    delay = int(delay_s * rate)
    tail = np.where(np.arange(n) > delay + int(0.002 * rate), tail, 0.0)
    tail *= 10.0 ** (-direct_db / 20.0) / np.sqrt(np.sum(tail**2))
    tail[delay] += 1.0
    return np.asarray(tail)


def drone_sound(
    spans: Sequence[DroneSpan], seconds: float, rate: float, *, drift_ppm: float = 0.0
) -> Audio:
    """The drone (n,) as sent, RMS −24 dBFS, or, with a drift, as another clock samples it."""
    out = np.zeros(int(seconds * rate))
    warp = 1.0 + drift_ppm * 1e-6
    for span in spans:
        end = min(span.end_s, seconds)
        first, last = int(span.start_s * rate), int(end * rate)
        time = np.arange(first, last) / rate * warp
        sound = sum(_partials(span, ratio, time, rate) for ratio in (1.0, *span.ratios))
        sound *= 10.0 ** (-24.0 / 20.0) / np.sqrt(np.mean(sound**2))
        sound *= half_cosine(time, span.start_s, 0.15) * (1.0 - half_cosine(time, end - 0.15, 0.15))
        out[first:last] += sound
    return out


def _partials(span: DroneSpan, ratio: float, time: Audio, rate: float) -> Audio:
    """Harmonics of one root with set phases, by Horner's rule on e^(iφ): one sine for all."""
    root = span.hz * ratio
    turn = np.exp(2j * np.pi * root * time)
    total = np.zeros(len(time), dtype=np.complex128)
    for k in range(max(span.partials), 0, -1):
        if k in span.partials and k * root < min(8000.0, 0.45 * rate):
            total += 0.85**k * np.exp(1.7j * k * k)
        total *= turn
    return np.asarray(total.imag)


def _loudspeaker(sent: Audio, rate: float, distortion: float) -> Audio:
    """A small loudspeaker: 12 dB an octave below 150 Hz, and second and third order distortion."""
    n = _smooth_length(len(sent) + int(rate))
    ratio = np.fft.rfftfreq(n, 1 / rate) / 150.0
    shape = -(ratio**2) / (1.0 - ratio**2 + 1j * 1.41 * ratio)
    clean = np.fft.irfft(np.fft.rfft(sent, n) * shape, n)[: len(sent)]
    unit = clean / (np.std(clean) + 1e-12)
    return np.asarray(
        clean + distortion * np.std(clean) * (0.5 * (unit**2 - 1.0) + 0.3 * unit * np.abs(unit))
    )


def _wander(rng: np.random.Generator, n: int, rate: float) -> Audio:
    """A slow random walk of about one radian in a second, unit variance."""
    knots = rng.standard_normal(int(n / rate * 2) + 4)
    knots = np.convolve(knots, np.hanning(5)[1:-1], "same")
    return np.interp(np.arange(n), np.arange(len(knots)) * rate / 2, knots / np.std(knots))


def in_room(
    dry: Audio,
    drone: Sequence[DroneSpan] | float,
    room: Room,
    rate: float,
    rng: np.random.Generator,
) -> tuple[Audio, Audio]:
    """Microphone and sent drone (n,) of ``dry`` played against ``drone`` (spans, or one Hz)."""
    spans = [DroneSpan(drone)] if isinstance(drone, float | int) else list(drone)
    seconds = len(dry) / rate
    sent = drone_sound(spans, seconds, rate)
    sent = np.pad(sent, (0, max(0, len(dry) - len(sent))))[: len(dry)]
    heard = drone_sound(spans, seconds, rate, drift_ppm=room.drift_ppm)
    heard = np.pad(heard, (0, max(0, len(dry) - len(heard))))[: len(dry)]
    heard = _loudspeaker(heard, rate, room.distortion)
    still = _convolved(heard, _response(rng, room, rate, 0.0, room.latency_s))
    wandering = _convolved(heard, _response(rng, room, rate, 0.0, room.latency_s))
    moved = 10.0 ** (room.movement_db / 20.0) * _wander(rng, len(dry), rate)
    at_mic = still + moved * wandering
    player = _convolved(dry, _response(rng, room, rate, room.player_direct_db, 0.0))
    at_mic *= _active_rms(player) / _active_rms(at_mic) * 10.0 ** (room.level_db / 20.0)
    noise = rng.standard_normal(len(dry)) * 10.0 ** (room.noise_db / 20.0)
    return player + at_mic + noise, sent


def _active_rms(audio: Audio) -> float:
    loud = audio[np.abs(audio) > 0.02 * np.abs(audio).max()]
    return float(np.sqrt(np.mean(loud**2)))
