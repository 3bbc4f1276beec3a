"""What one recording of the room check says, in numbers. Pure."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from appliance.checking.program import Program
from appliance.checking.quiet import Hum, hum_and_noise, is_cut, power_db, rms_db
from appliance.checking.response import Response, moved_frames, response, reverberation_s
from appliance.hearing.cleaning import Cleaner
from appliance.hearing.resampling import to_ear_rate

Floats = NDArray[np.float64]

DEAD_DB = -95.0  # the noise of a plain 16-bit converter lies just below (theory: -98 dB)
TELLS_APART = 0.26  # of the noise's power: 1 dB more than the noise alone is no chance
HOP_S, CHUNK_HOPS = 0.01, 16  # how the ear feeds its cleaner


@dataclass(frozen=True, slots=True)
class Path:
    """The way from loudspeaker to microphone.

    ``drift_ppm`` is positive where the microphone's clock is the faster one. ``reverberation_s``
    (60 dB) is ``None`` where it cannot be told.
    """

    delay_s: float
    drift_ppm: float
    reverberation_s: float | None


@dataclass(frozen=True, slots=True)
class Through:
    """The drone at the microphone, and how much softer the removal makes it.

    Noise and hum, measured in the quiet, are taken off both by their power; ``under_noise``: what
    is left of the drone is too soft to be told from them, and the removal is better than it says.
    """

    drone_db: float
    removed_db: float
    under_noise: bool


@dataclass(frozen=True, slots=True)
class Measured:
    """The numbers of one recording; ``None``: not to be measured, something else is wrong first.

    Levels are RMS, dB re full scale. ``outputs`` says of the left and the right output whether the
    microphone hears it; ``other_input`` is an input (from 1) that hears the loudspeaker where the
    chosen one does not. ``cut``: the sound is clipped.
    """

    level_db: float
    outputs: tuple[bool, ...]
    other_input: int | None
    cut: bool
    hum: Hum | None = None
    noise_db: float | None = None
    path: Path | None = None
    through: Through | None = None

    @property
    def silent(self) -> bool:
        """Whether the chosen input gives nothing at all."""
        return self.level_db < DEAD_DB

    @property
    def heard(self) -> bool:
        """Whether the chosen input hears the loudspeaker."""
        return any(self.outputs)


def measure(program: Program, recorded: NDArray[np.float32], channel: int) -> Measured:
    """Measure a recording of ``program``, shape (n, inputs); ``channel`` counts from 0."""
    sound = np.asarray(recorded[:, channel], dtype=np.float64)
    level_db = rms_db(sound)
    answers = _answers(program, sound)
    outputs = tuple(answer.heard for answer in answers[:2])
    other = None if any(outputs) else _other_input(program, recorded, channel)
    if level_db < DEAD_DB:
        return Measured(level_db, outputs, other, cut=False)
    hum, noise_db = hum_and_noise(sound[program.quiet], program.rate_hz)
    cut = is_cut(sound)
    if cut or not any(outputs):  # what is cut off, or not there, cannot be measured
        return Measured(level_db, outputs, other, cut, hum, noise_db)
    path, through = _path(program, sound, answers), _through(program, sound)
    return Measured(level_db, outputs, other, cut, hum, noise_db, path, through)


def _answers(program: Program, sound: Floats) -> list[Response]:
    """How the room answers each of the sweeps."""
    length = program.sweep_frames
    return [response(sound[at : at + length], program.sweep) for at, _ in program.sweeps]


def _other_input(program: Program, recorded: NDArray[np.float32], channel: int) -> int | None:
    """The input, counted from 1, that hears the loudspeaker in place of the chosen one."""
    for other in range(recorded.shape[1]):
        if other == channel:
            continue
        sound = np.asarray(recorded[:, other], dtype=np.float64)
        if any(answer.heard for answer in _answers(program, sound)):
            return other + 1
    return None


def _path(program: Program, sound: Floats, answers: list[Response]) -> Path:
    """Measure along the louder of the two outputs."""
    side = int(np.argmax([np.abs(answer.samples).max() for answer in answers[:2]]))
    first, later = answers[side], answers[side + 2]
    apart = program.sweeps[side + 2][0] - program.sweeps[side][0]
    quiet = sound[program.quiet][: program.sweep_frames]
    silence = response(quiet, program.sweep)
    moved = moved_frames(first, later, program.rate_hz)
    return Path(
        first.begins / program.rate_hz,
        moved / apart * 1e6,
        reverberation_s(first, silence, program.rate_hz),
    )


def _through(program: Program, sound: Floats) -> Through:
    """Let the ear's own cleaner remove the drone, and compare before, after and quiet."""
    mic, sent = to_ear_rate(program.rate_hz), to_ear_rate(program.rate_hz)
    hop = round(HOP_S * mic.rate_hz)
    cleaner = Cleaner(mic.rate_hz, hop, CHUNK_HOPS)
    chunk = CHUNK_HOPS * hop * mic.step
    played = program.samples[:, 0].astype(np.float64)
    quiet, before, after = [], [], []
    for at in range(0, program.settled.stop - chunk + 1, chunk):
        heard = mic.decimate(sound[at : at + chunk])
        cleaned = cleaner.clean(heard, sent.decimate(played[at : at + chunk]))
        if program.quiet.start <= at < program.quiet.stop - chunk:
            quiet.append(heard)
        elif at >= program.settled.start:
            before.append(heard)
            after.append(cleaned.samples)
    return _compared(*(float(np.mean(np.square(part))) for part in (quiet, before, after)))


def _compared(quiet: float, before: float, after: float) -> Through:
    """Mean squares in the quiet, with the drone, and with it removed."""
    drone = max(before - quiet, 1e-20)
    least = TELLS_APART * quiet
    removed = drone / max(after - quiet, least, 1e-20)
    return Through(power_db(drone), 10.0 * np.log10(removed), after - quiet <= least)
