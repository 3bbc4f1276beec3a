"""A practice room that exists only in numbers: loudspeaker, walls, a moving player, microphone.

``exchange`` stands where a sound card would: the block sent to the loudspeaker goes in, the block
the microphone heard comes out. Everything inside runs on its own fixed partition, so how the sound
is cut into blocks never changes the result.
"""

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

PLAYER_DBFS = -26.0  # the player's RMS at the microphone
_SENT_DBFS = -24.0  # the drone's usual RMS as sent, for which ``drone_db`` is meant
_NOISE_DBFS = -55.0 + PLAYER_DBFS  # microphone and room, 55 dB under the player
_HIGH_PASS_HZ = 80.0  # a small active loudspeaker
_SECOND_ORDER, _THIRD_ORDER = 0.01, 0.01  # distortion products at the usual level
_MOVEMENT_DB = -24.0  # what a body that sways changes, under the rest of the drone
_MOVEMENT_HZ = 0.5
_PARTITION_S = 0.04  # also the delay of an ordinary sound card, both ways


class SoundSource(Protocol):
    """Anybody who plays in the room."""

    def sound(self, frames: int) -> Floats:
        """Return the next ``frames`` samples, dry, RMS about 1 while playing; shape (frames,)."""
        ...


class SimulatedRoom:
    """The room with its player in it; one per sitting."""

    def __init__(
        self,
        player: SoundSource,
        sample_rate_hz: float,
        seed: int,
        *,
        drone_db: float = -3.0,
    ) -> None:
        """Furnish the room by ``seed``; ``drone_db`` is the drone over the player, at the mic."""
        rng = np.random.default_rng(seed)
        self._player = player
        self._frames = 1 << round(np.log2(_PARTITION_S * sample_rate_hz))
        self._loudspeaker = _Loudspeaker(rng, sample_rate_hz, self._frames, drone_db)
        self._walls = _Convolver(
            [_impulse_response(rng, sample_rate_hz, direct_db=5.0)], self._frames
        )
        self._noise = np.random.default_rng(rng.integers(1 << 32))
        self._sent = np.zeros(0, np.float32)
        self._heard = np.zeros(self._frames, np.float32)
        self.latency_s = self._frames / sample_rate_hz

    def exchange(self, sent: Floats) -> Floats:
        """Send a block to the loudspeaker, return what the microphone heard, as long.

        Shapes (n,), full scale ±1. The microphone runs ``latency_s`` behind, as a sound card does.
        """
        self._sent = np.concatenate([self._sent, sent.astype(np.float32)])
        blocks = [self._heard]
        while self._sent.size >= self._frames:
            blocks.append(self._partition(self._sent[: self._frames]))
            self._sent = self._sent[self._frames :]
        heard = np.concatenate(blocks)
        self._heard = heard[sent.size :]
        return heard[: sent.size]

    def _partition(self, sent: Floats) -> Floats:
        played = self._walls(self._player.sound(self._frames))[0]
        noise = self._noise.standard_normal(self._frames, dtype=np.float32)
        mic = _gain(PLAYER_DBFS) * played + self._loudspeaker(sent) + _gain(_NOISE_DBFS) * noise
        return np.asarray(np.clip(mic, -1.0, 1.0), np.float32)


class _Loudspeaker:
    """Mild distortion, a high-pass, and two ways through the room between which a body sways."""

    def __init__(
        self, rng: np.random.Generator, sample_rate_hz: float, frames: int, drone_db: float
    ) -> None:
        still = _impulse_response(rng, sample_rate_hz, direct_db=-3.0)
        sway = _impulse_response(rng, sample_rate_hz, direct_db=-10.0) * _gain(_MOVEMENT_DB)
        paths = [_high_pass(path, sample_rate_hz) for path in (still, sway)]
        self._convolve = _Convolver(paths, frames)
        self._level = _gain(PLAYER_DBFS + drone_db)
        self._movement = _SlowNoise(rng, _MOVEMENT_HZ, sample_rate_hz)

    def __call__(self, sent: Floats) -> Floats:
        x = sent / np.float32(_gain(_SENT_DBFS))
        driven = x + _SECOND_ORDER * x**2 + _THIRD_ORDER * x**3 / 3.0
        still, sway = self._convolve(driven.astype(np.float32))
        return np.asarray(self._level * (still + self._movement(sent.size) * sway), np.float32)


class _Convolver:
    """Uniformly partitioned overlap-save convolution with several responses at once.

    Gardner 1995, "Efficient convolution without input-output delay", the uniform case (from
    memory). Called with exactly ``frames`` samples; returns shape (responses, frames).
    """

    def __init__(self, responses: list[Floats], frames: int) -> None:
        longest = max(response.size for response in responses)
        partitions = -(-longest // frames)
        padded = np.zeros((len(responses), partitions, frames), np.float32)
        for row, response in zip(padded, responses, strict=True):
            row.reshape(-1)[: response.size] = response
        self._spectra = np.fft.rfft(padded, 2 * frames).astype(np.complex64)
        # Newest first from ``_newest`` on, kept twice so that it is always one stretch of memory.
        self._past = np.zeros((2 * partitions, frames + 1), np.complex64)
        self._newest = 0
        self._block = np.zeros(2 * frames, np.float32)
        self._frames = frames

    def __call__(self, block: Floats) -> Floats:
        self._block = np.concatenate([self._block[self._frames :], block])
        partitions = self._past.shape[0] // 2
        self._newest = (self._newest - 1) % partitions
        self._past[self._newest :: partitions] = np.fft.rfft(self._block)
        past = self._past[self._newest : self._newest + partitions]
        spectra = (self._spectra * past).sum(axis=1)
        return np.fft.irfft(spectra)[:, self._frames :].astype(np.float32)


class _SlowNoise:
    """Smooth random movement of variance about 1: straight lines between random points."""

    def __init__(self, rng: np.random.Generator, bandwidth_hz: float, sample_rate_hz: float):
        self._rng = np.random.default_rng(rng.integers(1 << 32))
        self._spacing = round(sample_rate_hz / (2.0 * bandwidth_hz))
        self._points = self._rng.standard_normal(2)
        self._at = 0

    def __call__(self, frames: int) -> Floats:
        at = np.arange(self._at, self._at + frames) / self._spacing
        while self._points.size < at[-1] + 2:
            self._points = np.append(self._points, self._rng.standard_normal())
        line = np.interp(at, np.arange(self._points.size), self._points)
        passed, self._at = divmod(self._at + frames, self._spacing)
        self._points = self._points[passed:]
        # Lines between unit-variance points have variance 2/3 on average.
        return np.asarray(line * np.sqrt(1.5), np.float32)


def _impulse_response(
    rng: np.random.Generator, sample_rate_hz: float, *, direct_db: float
) -> Floats:
    """Return direct sound, a few early reflections and a decaying tail; unit energy.

    The tail is noise falling 60 dB in the reverberation time, 0.3 to 0.5 s as in a small
    furnished room (common practice, no source). ``direct_db`` is direct over reverberant energy.
    """
    rt60_s = rng.uniform(0.3, 0.5)
    t = np.arange(round(1.1 * rt60_s * sample_rate_hz)) / sample_rate_hz
    direct_at = round(rng.uniform(0.002, 0.005) * sample_rate_hz)
    tail = rng.standard_normal(t.size) * 10.0 ** (-3.0 * t / rt60_s)
    tail[: direct_at + round(0.008 * sample_rate_hz)] = 0.0
    reverberant = tail / np.linalg.norm(tail)
    for arrival_s in rng.uniform(0.002, 0.025, 6):
        echo = rng.choice((-1.0, 1.0)) * rng.uniform(0.15, 0.35)
        reverberant[direct_at + round(arrival_s * sample_rate_hz)] += echo
    response = reverberant / np.linalg.norm(reverberant)
    response[direct_at] += _gain(direct_db)
    return np.asarray(response / np.linalg.norm(response), np.float32)


def _high_pass(response: Floats, sample_rate_hz: float) -> Floats:
    """Return the response behind a second-order Butterworth high-pass (analogue prototype).

    H(s) = s² / (s² + √2 s + 1), s = i f / f_c; the wrap-around of its ringing, below -80 dB after
    20 ms, falls into zero padding.
    """
    size = 2 * response.size
    s = 1j * np.fft.rfftfreq(size, 1.0 / sample_rate_hz) / _HIGH_PASS_HZ
    shape = s**2 / (s**2 + np.sqrt(2.0) * s + 1.0)
    return np.fft.irfft(np.fft.rfft(response, size) * shape)[: response.size].astype(np.float32)


def _gain(db: float) -> float:
    return float(10.0 ** (db / 20.0))
