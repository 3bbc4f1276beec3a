"""Rooms for tests: drone, loudspeaker, walls, people who move, and a second clock."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from appliance.practice.drone import Drone
from appliance.settings import DroneSettings
from tests.truths import Audio, half_cosine


@dataclass(frozen=True)
class Room:
    """What lies between loudspeaker, player and microphone."""

    level_db: float = 0.0  # drone over player at the microphone, both RMS while they sound
    rt60_s: float = 0.4
    drift_ppm: float = 0.0
    distortion: float = 0.01  # share of the loudspeaker's harmonic distortion at its RMS level
    high_pass_hz: float = 150.0  # below this the loudspeaker falls by 12 dB an octave
    movement_db: float = -25.0  # how much of the drone's path wanders as people move
    noise_db: float = -60.0  # re full scale
    latency_s: float = 0.015
    player_direct_db: float = 10.0  # direct sound over reverberation


@dataclass(frozen=True)
class DroneSpan:
    """A stretch of the appliance's own drone."""

    hz: float
    start_s: float = 0.0
    end_s: float = float("inf")


@dataclass(frozen=True)
class OtherDrone:
    """A drone not our own; ``ratios`` above the root sound with it (3/2 for an added fifth)."""

    hz: float
    ratios: tuple[float, ...] = ()
    partials: tuple[int, ...] = tuple(range(1, 13))


@dataclass(frozen=True)
class Heard:
    """What reaches the microphone, source by source, each shape (n,)."""

    player: Audio
    drone: Audio  # as loud as the player, both RMS while they sound

    def mixed(self, level_db: float) -> Audio:
        """Player and drone, the drone ``level_db`` over the player."""
        return np.asarray(self.player + 10.0 ** (level_db / 20.0) * self.drone)


_BLOCK = 4096


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
    """The appliance's drone (n,) as sent, or, with a drift, as another clock samples it."""
    drone = Drone(DroneSettings(), rate / (1.0 + drift_ppm * 1e-6))
    total = int(seconds * rate)
    turns = [(min(int(s.start_s * rate), total), 0, s.hz) for s in spans if s.start_s < seconds]
    turns += [(int(s.end_s * rate), -1, 0.0) for s in spans if s.end_s < seconds]
    parts, at = [], 0
    for frame, _, hz in [*sorted(turns), (total, 0, 0.0)]:
        parts += _blocks(drone, frame - at)
        at = frame
        if hz:
            drone.set_root(hz)
            drone.start()
        else:
            drone.stop()
    return np.concatenate(parts)


def _blocks(drone: Drone, frames: int) -> list[Audio]:
    sizes = [_BLOCK] * (frames // _BLOCK) + [frames % _BLOCK]
    return [drone.sound(size).astype(np.float64) for size in sizes]


def other_drone(drone: OtherDrone, seconds: float, rate: float) -> Audio:
    """Another maker's drone (n,), RMS −24 dBFS, with fades of 0.15 s."""
    time = np.arange(int(seconds * rate)) / rate
    sound = np.sum([_partials(drone, ratio, time, rate) for ratio in (1.0, *drone.ratios)], axis=0)
    sound *= 10.0 ** (-24.0 / 20.0) / np.sqrt(np.mean(sound**2))
    fades = half_cosine(time, 0.0, 0.15) * (1.0 - half_cosine(time, seconds - 0.15, 0.15))
    return np.asarray(sound * fades)


def _partials(span: OtherDrone, ratio: float, time: Audio, rate: float) -> Audio:
    """Harmonics of one root with set phases, by Horner's rule on e^(iφ): one sine for all."""
    root = span.hz * ratio
    turn = np.exp(2j * np.pi * root * time)
    total = np.zeros(len(time), dtype=np.complex128)
    for k in range(max(span.partials), 0, -1):
        if k in span.partials and k * root < min(8000.0, 0.45 * rate):
            total += 0.85**k * np.exp(1.7j * k * k)
        total *= turn
    return np.asarray(total.imag)


def _loudspeaker(sent: Audio, rate: float, room: Room) -> Audio:
    """A small loudspeaker: a high-pass, and second and third order distortion."""
    n = _smooth_length(len(sent) + int(rate))
    ratio = np.fft.rfftfreq(n, 1 / rate) / room.high_pass_hz
    shape = -(ratio**2) / (1.0 - ratio**2 + 1j * 1.41 * ratio)
    clean = np.fft.irfft(np.fft.rfft(sent, n) * shape, n)[: len(sent)]
    unit = clean / (np.std(clean) + 1e-12)
    return np.asarray(
        clean
        + room.distortion * np.std(clean) * (0.5 * (unit**2 - 1.0) + 0.3 * unit * np.abs(unit))
    )


def _wander(rng: np.random.Generator, n: int, rate: float) -> Audio:
    """A slow random walk of about one radian in a second, unit variance."""
    knots = rng.standard_normal(int(n / rate * 2) + 4)
    knots = np.convolve(knots, np.hanning(5)[1:-1], "same")
    return np.interp(np.arange(n), np.arange(len(knots)) * rate / 2, knots / np.std(knots))


def in_room(
    dry: Audio, spans: Sequence[DroneSpan], room: Room, rate: float, rng: np.random.Generator
) -> tuple[Audio, Audio]:
    """Microphone and sent drone (n,) of ``dry`` played against the drone."""
    heard, sent = heard_in_room(dry, spans, room, rate, rng)
    return heard.mixed(room.level_db) + noise(len(dry), room.noise_db, rng), sent


def heard_in_room(
    dry: Audio, spans: Sequence[DroneSpan], room: Room, rate: float, rng: np.random.Generator
) -> tuple[Heard, Audio]:
    """What reaches the microphone of ``dry`` played against the drone, and the drone as sent.

    The loudspeaker runs on a clock of its own; without spans nothing comes from it.
    """
    seconds = (len(dry) + 0.5) / rate
    sent = drone_sound(spans, seconds, rate)
    heard = _loudspeaker(drone_sound(spans, seconds, rate, drift_ppm=room.drift_ppm), rate, room)
    drone = _convolved(heard, _response(rng, room, rate, 0.0, room.latency_s))
    wandering = _convolved(heard, _response(rng, room, rate, 0.0, room.latency_s))
    drone += 10.0 ** (room.movement_db / 20.0) * _wander(rng, len(dry), rate) * wandering
    player = _convolved(dry, _response(rng, room, rate, room.player_direct_db, 0.0))
    if spans:
        drone *= _active_rms(player) / _active_rms(drone)
    return Heard(player, drone), sent


def noise(frames: int, level_db: float, rng: np.random.Generator) -> Audio:
    """White noise (n,), ``level_db`` re full scale."""
    return np.asarray(rng.standard_normal(frames) * 10.0 ** (level_db / 20.0))


def _active_rms(audio: Audio) -> float:
    loud = audio[np.abs(audio) > 0.02 * np.abs(audio).max()]
    return float(np.sqrt(np.mean(loud**2)))
