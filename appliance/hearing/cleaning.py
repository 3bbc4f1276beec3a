"""Microphone block and drone block become a cleaned block: the drone as the room returns it, gone.

The frequency of every partial of the drone is known from what is sent, so the room is one complex
gain for each; ``gains.py`` follows them. Partials that are not sent are fitted too, since small
loudspeakers distort. Where microphone and loudspeaker have two clocks, all partials turn in
proportion to their frequency; that common drift is followed.

One thing comes back from a later room: what pitch was lately played. A gain that a partial of the
player may have touched is held, all others go on following the room while the player sounds.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.gains import RoomGains
from appliance.hearing.sent import recognise

Floats = NDArray[np.float64]

STEP_HOPS = 2  # gains are fitted every 20 ms
RECOGNISE_S = 0.32  # resolves the partials of C1 under an added fifth
SILENT_RMS = 10 ** (-75 / 20)  # the least drone is sent at -60 dB
RING_S = 0.5  # how long the room gives back a drone that has stopped
NO_PARTIALS = np.zeros(0)


@dataclass(frozen=True, slots=True)
class Cleaned:
    """One chunk of sound with the drone taken out.

    ``samples`` has shape (hops · samples per hop,). ``partial_hz`` and ``leftover``, shape (K,),
    are the drone's partials and the amplitude that may be left of each. ``blind``, shape (hops,),
    says where the drone is changing, so that nothing can be heard through it. ``quiet_power`` is
    the mean square up to which the samples may hold nothing but what is left of the drone,
    ``least_power`` the least of it in a room in which nothing moves.
    ``alone_hops`` is above 0 where it has just turned out that so many hops, up to the end of this
    chunk, held the drone alone.
    ``turned`` is true where somebody has turned a knob at the loudspeaker, or the microphone its
    own gain: for a moment more is left of the drone than was expected.
    ``drone_hz`` is the root that sounds, ``None`` when silent.
    """

    samples: Floats
    partial_hz: Floats
    leftover: Floats
    blind: NDArray[np.bool_]
    quiet_power: float
    least_power: float
    alone_hops: int
    turned: bool
    drone_hz: float | None


class Cleaner:
    """Takes the drone out of the microphone, chunk by chunk; streaming.

    Parameters
    ----------
    rate_hz : sample rate of both signals
    hop : samples in a hop
    hops : hops in every chunk handed to :meth:`clean`; a multiple of ``STEP_HOPS``
    """

    def __init__(self, rate_hz: float, hop: int, hops: int) -> None:
        self._rate_hz, self._step, self._steps = rate_hz, hop * STEP_HOPS, hops // STEP_HOPS
        self._sent = np.zeros(int(RECOGNISE_S * rate_hz))
        self._sent_samples = 0  # how much of that belongs to the tone that sounds now
        self._ring = 0  # steps for which the room still gives back an old drone
        self._room: RoomGains | None = None

    def clean(self, mic: Floats, sent: Floats, played_hz: Floats = NO_PARTIALS) -> Cleaned:
        """Clean one chunk; both shapes (hops · hop,).

        ``played_hz``, any shape (n,), is what the player has lately been heard to play, hop by
        hop, NaN where no pitch was heard.
        """
        if self._room is None:
            cleaned = self._untouched(mic, sent)
        else:
            cleaned = self._cleaned(*self._room.clean(mic, sent, played_hz))
        self._watch(sent)
        return cleaned

    def _untouched(self, mic: Floats, sent: Floats) -> Cleaned:
        """A new drone is not known yet; a cue sounds for a step or two, and hides no more."""
        ringing = np.arange(self._steps) < self._ring
        self._ring = max(self._ring - self._steps, 0)
        sounds = np.array([not _silent(step) for step in sent.reshape(self._steps, -1)])
        return self._cleaned(mic, ringing | sounds)

    def _cleaned(self, samples: Floats, blind: NDArray[np.bool_]) -> Cleaned:
        room = self._room
        return Cleaned(
            samples=samples,
            partial_hz=NO_PARTIALS if room is None else room.drone.partial_hz,
            leftover=NO_PARTIALS if room is None else room.leftover(),
            blind=np.repeat(blind, STEP_HOPS),
            quiet_power=0.0 if room is None else room.quiet_power,
            least_power=0.0 if room is None else room.least_power,
            alone_hops=0 if room is None else room.take_alone_steps() * STEP_HOPS,
            turned=room is not None and room.take_turned_up_or_down(),
            drone_hz=None if room is None else room.drone.root_hz,
        )

    def _watch(self, sent: Floats) -> None:
        """Follow what is sent, until it is known and again when it has changed."""
        self._sent = np.concatenate([self._sent, sent])[-len(self._sent) :]
        self._sent_samples += len(sent)
        silent = _silent(sent)
        if self._room is not None:
            self._room.check_pitch(self._sent)
            if silent or self._room.changed:
                self._lose()
        if silent:
            self._sent_samples = 0
        elif self._room is None and self._sent_samples > len(self._sent):
            self._recognise()

    def _recognise(self) -> None:
        drone = recognise(self._sent, self._rate_hz)
        if drone is not None:
            self._room = RoomGains(drone, self._sent, self._rate_hz, self._step, self._steps)

    def _lose(self) -> None:
        """The drone has changed or stopped; the room still rings."""
        self._room, self._sent_samples = None, 0
        self._ring = int(RING_S * self._rate_hz / self._step)


def _silent(sent: Floats) -> bool:
    return float(np.sqrt(np.mean(sent**2))) < SILENT_RMS
