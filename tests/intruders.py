"""What sounds in a practice room and is no note: a drone left alone, talk, knocks, a neighbour.

Everything comes from a seed. Levels are dB re full scale: RMS of what lasts, peak of what knocks.
Decays and pitches of doors, steps, wood and ticks are from memory.
"""

import io
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import soundfile

from appliance.practice.drone import Drone
from appliance.settings import DroneSettings
from tests.tones import plan_line, render
from tests.truths import Audio

RATE_HZ = 24000.0  # the ear's own: an hour is built and heard in half the time
BLOCK_S = 20.0
SPEECH_DB = -24.0  # as loud as a player's middle note

Sound = Callable[[np.random.Generator, float], Audio]  # (generator, seconds) -> (n,)


# -- a drone alone ------------------------------------------------------------------------------


@dataclass(frozen=True)
class LoneRoom:
    """A room in which a drone sounds; ``level_db`` is the drone's RMS at the microphone."""

    root_hz: float = 220.0
    level_db: float = -24.0
    drift_ppm: float = 30.0  # between the clocks of loudspeaker and microphone
    wander_db: float = -25.0  # of the way back, about once in a second: somebody breathes in there
    change_s: float = 600.0  # the way back turns into quite another in this time, and back again
    distortion: float = 0.01
    noise_db: float = -60.0
    timbre: str = "reed"


class LoneDrone:
    """A drone as it is sent and as a slowly changing room gives it back; streaming.

    What a linear room gives back of a steady tone is a complex gain for each partial. Here these
    gains follow two slow random walks and a turn from one room to another.
    """

    def __init__(self, room: LoneRoom, rng: np.random.Generator, rate_hz: float = RATE_HZ) -> None:
        self._room, self._rng, self._rate_hz, self._frames = room, rng, rate_hz, 0
        self._drone = Drone(replace(DroneSettings(), timbre=room.timbre), rate_hz)
        self._drone.set_root(room.root_hz)
        self._drone.start()
        played = _loudspeaker_partials(self._drone, room.distortion, rate_hz)
        self._ways = [played * _gains(rng, len(played)) for _ in range(4)]
        power = float(np.sum(np.abs(self._ways[0]) ** 2)) / 2
        self._scale = 10 ** (room.level_db / 20) / np.sqrt(power)
        self._knots = rng.standard_normal((2, 100000))

    def block(self, frames: int) -> tuple[Audio, Audio]:
        """The next frames at the microphone, with the room's noise, and as sent; each (frames,)."""
        room, rate_hz = self._room, self._rate_hz
        time_s = (self._frames + np.arange(frames)) / rate_hz
        self._frames += frames
        turn = np.exp(2j * np.pi * room.root_hz * (1 + room.drift_ppm * 1e-6) * time_s)
        here, there, left, right = (_sum(way, turn) for way in self._ways)
        share = 0.5 - 0.5 * np.cos(np.pi * time_s / room.change_s)
        walk = [np.interp(time_s / 0.7, np.arange(len(k)), k) for k in self._knots]
        moved = 10 ** (room.wander_db / 20)
        mic = (1 - share) * here + share * there + moved * (walk[0] * left + walk[1] * right)
        fade = np.minimum(time_s / 0.15, 1.0)
        noise = self._rng.standard_normal(frames) * 10 ** (room.noise_db / 20)
        sent = self._drone.sound(frames).astype(np.float64)
        return self._scale * mic * fade + noise, sent


def _loudspeaker_partials(drone: Drone, distortion: float, rate_hz: float) -> Audio:
    """Amplitudes of the harmonics of the root as a small loudspeaker plays them; from the first."""
    hz = drone.root_hz
    time = np.arange(8192) / 8192
    wave = sum(
        p.amplitude * np.sin(2 * np.pi * (p.hz / hz) * time + k * k)
        for k, p in enumerate(drone.partials)
    )
    unit = wave / np.std(wave)
    wave = unit + distortion * (0.5 * (unit**2 - 1) + 0.3 * unit * np.abs(unit))
    count = int(min(1.5 * len(drone.partials), 0.45 * rate_hz / hz))
    ratio = hz * np.arange(1, count + 1) / 150.0  # it falls by 12 dB an octave below 150 Hz
    heard = ratio**2 / np.sqrt((1 - ratio**2) ** 2 + 2 * ratio**2)
    return np.asarray(np.fft.rfft(wave)[1 : count + 1] / 4096 * heard)


def _gains(rng: np.random.Generator, count: int) -> Audio:
    """One way through a room at some partials: direct sound and as much reverberation."""
    walls = rng.standard_normal((2, count)) / np.sqrt(2)
    return np.asarray(np.exp(2j * np.pi * rng.random(count)) + walls[0] + 1j * walls[1])


def _sum(gains: Audio, turn: Audio) -> Audio:
    """Real part of the sum of gain k times turn to the power of k, by Horner's rule."""
    total = np.zeros(len(turn), np.complex128)
    for gain in gains[::-1]:
        total = (total + gain) * turn
    return np.asarray(total.real)


# -- what intrudes ------------------------------------------------------------------------------

SENTENCES = {
    "en-gb": (
        "Could you open the window a little, it is warm in here.",
        "Once more from the second line, and not too fast this time.",
        "I will call you back in half an hour, we are in the middle of a lesson.",
        "Oh no, where did I leave my pencil?",
    ),
    "de": (
        "Noch einmal von vorn, und bitte etwas langsamer.",
        "Hast du morgen Nachmittag Zeit, so gegen vier?",
    ),
    "fr": ("Attends, je cherche mes lunettes.", "On recommence, mais doucement."),
    "it": ("Ancora una volta, piano piano.",),
}
VOICES = ("", "+m3", "+m7", "+f2", "+f4")


def speech(rng: np.random.Generator, seconds: float) -> Audio:
    """Talk by several voices, with pauses."""
    return _strewn(rng, seconds, _sentence, (0.4, 1.5))


def _sentence(rng: np.random.Generator) -> Audio:
    language = str(rng.choice(list(SENTENCES)))
    text = str(rng.choice(SENTENCES[language]))
    voice = language + str(rng.choice(VOICES))
    pitch, speed = int(rng.choice([30, 50, 70])), int(rng.choice([130, 160, 190]))
    said = _said(text, voice, pitch, speed)
    loud = np.sqrt(np.mean(said[np.abs(said) > 0.05 * np.abs(said).max()] ** 2))
    return np.asarray(said / loud * 10 ** ((SPEECH_DB + rng.uniform(-6, 6)) / 20))


@cache
def _said(text: str, voice: str, pitch: int, speed: int) -> Audio:
    command = ["espeak-ng", "-v", voice, "-p", str(pitch), "-s", str(speed), "--stdout", text]
    wav = subprocess.run(command, check=True, capture_output=True).stdout
    sound, rate_hz = soundfile.read(io.BytesIO(wav))
    return _resampled(sound, rate_hz)


def _resampled(sound: Audio, rate_hz: float) -> Audio:
    """The same at RATE_HZ, through its spectrum."""
    size = round(len(sound) * RATE_HZ / rate_hz)
    return np.asarray(np.fft.irfft(np.fft.rfft(sound), size) * (size / len(sound)))


def door(rng: np.random.Generator, seconds: float) -> Audio:
    """A door that slams every few seconds."""
    return _strewn(rng, seconds, _slam, (3.0, 8.0))


def _slam(rng: np.random.Generator) -> Audio:
    """The panel's low modes, and a burst of everything."""
    body = _modes(rng, hz=(45.0, 260.0), count=8, decay_s=(0.03, 0.12), seconds=0.8)
    return _knock(rng, body, burst=0.5, burst_s=0.02, peak_db=rng.uniform(-14, -4))


def footsteps(rng: np.random.Generator, seconds: float) -> Audio:
    """A foot on the pedals: heel, switch down, switch up."""
    return _strewn(rng, seconds, _step, (0.5, 2.5))


def _step(rng: np.random.Generator) -> Audio:
    heel = _modes(rng, hz=(50.0, 180.0), count=4, decay_s=(0.02, 0.08), seconds=0.7)
    step = _knock(rng, heel, burst=0.2, burst_s=0.004, peak_db=rng.uniform(-30, -14))
    for at_s in (0.1, 0.1 + rng.uniform(0.1, 0.4)):
        switch = _modes(rng, hz=(1500.0, 5000.0), count=4, decay_s=(0.002, 0.008), seconds=0.1)
        click = _knock(rng, switch, burst=0.5, burst_s=0.001, peak_db=rng.uniform(-34, -20))
        begin = int(at_s * RATE_HZ)
        step[begin : begin + len(click)] += click
    return step


def rosin(rng: np.random.Generator, seconds: float) -> Audio:
    """A cake of rosin that knocks on a case."""
    return _strewn(rng, seconds, _tap, (0.15, 1.5))


def _tap(rng: np.random.Generator) -> Audio:
    """The case is hollow: one mode lasts, the others are wood."""
    hollow = _modes(rng, hz=(150.0, 450.0), count=2, decay_s=(0.03, 0.09), seconds=0.5)
    wood = _modes(rng, hz=(500.0, 3000.0), count=6, decay_s=(0.006, 0.03), seconds=0.5)
    return _knock(rng, hollow + wood, burst=0.3, burst_s=0.002, peak_db=rng.uniform(-26, -10))


def ticks(rng: np.random.Generator, seconds: float) -> Audio:
    """A clockwork metronome: one escapement, two slightly different strokes."""
    strokes = [
        _modes(rng, hz=(900.0, 4500.0), count=7, decay_s=(0.003, 0.02), seconds=0.2)
        for _ in range(2)
    ]
    return _beating(rng, seconds, [_knock(rng, s, 0.4, 0.001, -18.0) for s in strokes])


def beeps(rng: np.random.Generator, seconds: float) -> Audio:
    """An electronic metronome: a short tone, higher on the first of four."""
    hz = float(rng.choice([880.0, 1000.0, 1046.5]))
    length = int(rng.uniform(0.03, 0.08) * RATE_HZ)
    time_s = np.arange(length) / RATE_HZ
    edge = np.minimum(1.0, np.minimum(time_s, time_s[::-1]) / 0.003)
    tones = [
        10 ** (-24 / 20) * edge * sum(np.sin(2 * np.pi * k * f * time_s) / k for k in (1, 3))
        for f in (hz * 1.5, hz, hz, hz)
    ]
    return _beating(rng, seconds, tones)


def neighbour(rng: np.random.Generator, seconds: float) -> Audio:
    """Recorded tones through a wall, the loudest 30 dB below a note of -28 dBFS."""
    return _through_the_wall(rng, seconds, -58.0)


def faint_neighbour(rng: np.random.Generator, seconds: float) -> Audio:
    """The same, 30 dB below the softest of a pianissimo."""
    return _through_the_wall(rng, seconds, -82.0)


def _through_the_wall(rng: np.random.Generator, seconds: float, level_db: float) -> Audio:
    out = np.zeros(0)
    while len(out) < seconds * RATE_HZ:
        instrument = str(rng.choice(["violin", "viola", "cello", "trombone", "oboe"]))
        dry, _ = render(plan_line(rng, instrument, 12, "mixed"), instrument, RATE_HZ)
        out = np.concatenate([out, _walled(dry)])
    out = out[: int(seconds * RATE_HZ)]
    return out / _loudest(out) * 10 ** (level_db / 20)


def _walled(sound: Audio) -> Audio:
    """What a wall lets through: 6 dB an octave less from 125 Hz on, 12 dB from 500 Hz on."""
    hz = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)
    wall = 1 / (np.hypot(1, hz / 125.0) * np.hypot(1, hz / 500.0))
    return np.asarray(np.fft.irfft(np.fft.rfft(sound) * wall, len(sound)))


def nothing(rng: np.random.Generator, seconds: float) -> Audio:
    """A room left alone."""
    return np.zeros(int(seconds * RATE_HZ))


INTRUDERS: dict[str, Sound] = {
    "nothing": nothing,
    "speech": speech,
    "door": door,
    "footsteps": footsteps,
    "rosin": rosin,
    "ticks": ticks,
    "beeps": beeps,
    "neighbour": neighbour,
    "faint neighbour": faint_neighbour,
}
QUIET_ROOM_DB = {"faint neighbour": -85.0}  # else nobody could hear it at all


def intrusion(
    kind: str, seed: int, seconds: float, room: LoneRoom | None
) -> Iterator[tuple[Audio, Audio | None]]:
    """Blocks of microphone and sent drone (``None`` without a room that has one)."""
    rng = np.random.default_rng(seed)
    noise_db = QUIET_ROOM_DB.get(kind, -60.0)
    drone = None if room is None else LoneDrone(replace(room, noise_db=noise_db), rng)
    walls = _walls(rng)
    tail = np.zeros(len(walls) - 1)
    for at_s in np.arange(0.0, seconds, BLOCK_S):
        length = min(BLOCK_S, seconds - float(at_s))
        sound = INTRUDERS[kind](rng, length)
        wet = _convolved(sound, walls)
        wet[: len(tail)] += tail
        sound, tail = wet[: len(sound)], wet[len(sound) :]
        if drone is None:
            yield sound + rng.standard_normal(len(sound)) * 10 ** (noise_db / 20), None
        else:
            mic, sent = drone.block(len(sound))
            yield mic + sound, sent


def _strewn(
    rng: np.random.Generator,
    seconds: float,
    event: Callable[[np.random.Generator], Audio],
    gap_s: tuple[float, float],
) -> Audio:
    """Events one after the other with random gaps, cut off at the end."""
    out = np.zeros(int(seconds * RATE_HZ))
    at = int(rng.uniform(*gap_s) * RATE_HZ)
    while at < len(out):
        sound = event(rng)[: len(out) - at]
        out[at : at + len(sound)] += sound
        at += len(sound) + int(rng.uniform(*gap_s) * RATE_HZ)
    return out


def _beating(rng: np.random.Generator, seconds: float, strokes: list[Audio]) -> Audio:
    out = np.zeros(int(seconds * RATE_HZ))
    beat = 60.0 / rng.uniform(56, 126)
    for index, at_s in enumerate(np.arange(0.2, seconds - 0.5, beat)):
        stroke, begin = strokes[index % len(strokes)], int(at_s * RATE_HZ)
        out[begin : begin + len(stroke)] += stroke
    return out


def _modes(
    rng: np.random.Generator,
    *,
    hz: tuple[float, float],
    count: int,
    decay_s: tuple[float, float],
    seconds: float,
) -> Audio:
    """Damped sines at random pitches: how a struck body sounds; ``decay_s`` to 1/e."""
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    out = np.zeros(len(time_s))
    for _ in range(count):
        pitch = np.exp(rng.uniform(*np.log(hz)))
        out += (
            rng.uniform(0.3, 1.0)
            * np.exp(-time_s / rng.uniform(*decay_s))
            * np.sin(2 * np.pi * (pitch * time_s + rng.random()))
        )
    return out


def _knock(
    rng: np.random.Generator, body: Audio, burst: float, burst_s: float, peak_db: float
) -> Audio:
    """A struck body and the noise of the blow, at a peak level."""
    time_s = np.arange(len(body)) / RATE_HZ
    noise = rng.standard_normal(len(body)) * np.exp(-time_s / burst_s)
    out = body / np.abs(body).max() + burst * noise / np.abs(noise).max()
    return np.asarray(out / np.abs(out).max() * 10 ** (peak_db / 20))


def _walls(rng: np.random.Generator) -> Audio:
    """A room's response: direct sound, reverberation of 0.4 s 10 dB below it."""
    time_s = np.arange(int(0.4 * RATE_HZ)) / RATE_HZ
    response = rng.standard_normal(len(time_s)) * 10 ** (-3 * time_s / 0.4)
    response *= np.sqrt(0.1 / np.sum(response**2))
    response[0] = 1.0
    return response


def _convolved(sound: Audio, response: Audio) -> Audio:
    size = len(sound) + len(response) - 1
    fast = 1 << (size - 1).bit_length()
    spectrum = np.fft.rfft(sound, fast) * np.fft.rfft(response, fast)
    return np.asarray(np.fft.irfft(spectrum, fast)[:size])


def _loudest(sound: Audio) -> float:
    """RMS of the loudest 0.2 s."""
    size = int(0.2 * RATE_HZ)
    pieces = sound[: len(sound) // size * size].reshape(-1, size)
    return float(np.sqrt(np.mean(pieces**2, axis=1).max()))
