"""What an audio callback plays: drone and cues, ordered by others, rendered without waiting."""

from collections import deque
from dataclasses import dataclass

import numpy as np

from appliance.devices.blocks import Samples
from appliance.practice.cues import Cue, cue_sound
from appliance.practice.drone import Drone
from appliance.practice.order import CueOrder, DroneOrder, Order
from appliance.settings import DroneSettings

AHEAD_S = 0.16
WITHOUT_TICK_S = 4.0  # how often a soft tick says that the drone is only faded out
_TICK_BELOW_CUES_DB = 10.0  # no drone has to be outdone
_TICK_AFTER_CUE_S = 1.0  # a tick within a cue would make another rhythm of it
_NOTHING = np.zeros(0, np.float32)


class Loudspeaker:
    """The drone and the cues inside the callback.

    They are rendered there and not in a second thread, which can starve (and then the drone
    clicks). A drone that goes on as it is is rendered for :data:`AHEAD_S` at once, which costs
    little more than one block; an order takes back what is not yet played, so that no foot waits.
    """

    def __init__(self, settings: DroneSettings, sample_rate_hz: float) -> None:
        """Stand silent."""
        self._drone = Drone(settings, sample_rate_hz)
        self._rehearsal = Drone(settings, sample_rate_hz)
        self._cue_level_dbfs = settings.cue_level_dbfs
        self._cue_over_drone_db = settings.cue_level_dbfs - settings.level_dbfs
        self._rate_hz = sample_rate_hz
        self._orders: deque[DroneOrder | Samples] = deque()
        self._ahead = _NOTHING  # of the drone, not yet played
        self._cue = _NOTHING  # what is left to play of the last cue
        self._tick = _Tick(
            self._sound_of(CueOrder(Cue.WITHOUT, self._drone.root_hz), -_TICK_BELOW_CUES_DB),
            round(WITHOUT_TICK_S * sample_rate_hz),
        )

    def order(self, order: Order) -> None:
        """Pass an order to the audio thread, after a silent rehearsal in this one.

        Making a cue or the table of a new root takes milliseconds; rehearsed, the callback only
        looks it up.
        """
        if isinstance(order, CueOrder):
            self._orders.append(self._sound_of(order))
            return
        self._rehearsal.set_root(order.root_hz)
        if order.level_dbfs is not None:
            self._rehearsal.set_level(order.level_dbfs)
            self._cue_level_dbfs = order.level_dbfs + self._cue_over_drone_db
        self._rehearsal.sound(1)
        self._orders.append(order)

    def render(self, frames: int) -> Samples:
        """Return what to play next, shape (frames,), full scale ±1; in the audio thread only."""
        while self._orders:
            self._obey(self._orders.popleft())
        sound = self._drone_sound(frames)
        self._tick.add_to(sound)
        if self._cue.size:
            cue, self._cue = self._cue[:frames], self._cue[frames:]
            sound[: cue.size] += cue
            np.clip(sound, -1.0, 1.0, out=sound)
        return sound

    def _drone_sound(self, frames: int) -> Samples:
        """The drone's next ``frames``, in an array that is the caller's own."""
        if self._ahead.size < frames:
            self._stop_being_ahead()
            if not self._drone.steady:
                return self._drone.sound(frames)
            self._ahead = self._drone.sound(max(frames, round(AHEAD_S * self._rate_hz)))
        sound, self._ahead = self._ahead[:frames], self._ahead[frames:]
        return sound

    def _stop_being_ahead(self) -> None:
        self._drone.take_back(self._ahead.size)
        self._ahead = _NOTHING

    def _sound_of(self, order: CueOrder, louder_db: float = 0.0) -> Samples:
        level_dbfs = min(self._cue_level_dbfs + louder_db, 0.0)
        return cue_sound(order.cue, order.root_hz, level_dbfs, self._rate_hz)

    def _obey(self, order: "DroneOrder | Samples") -> None:
        if isinstance(order, DroneOrder):
            self._obey_drone(order)
        else:
            self._begin_cue(order)

    def _begin_cue(self, cue: Samples) -> None:
        """Begin a cue in place of the last: two at once could not be told apart.

        A pulse that sounds is played to its end, where the samples are zero; a cut would click.
        """
        silent = np.flatnonzero(self._cue == 0.0)
        pulse = self._cue[: silent[0]] if silent.size else self._cue
        self._cue = cue.copy()
        self._cue[: pulse.size] += pulse  # no cue is shorter than a pulse
        self._tick.keep_away(cue.size + round(_TICK_AFTER_CUE_S * self._rate_hz))

    def _obey_drone(self, order: DroneOrder) -> None:
        self._stop_being_ahead()
        if order.level_dbfs is not None:
            self._drone.set_level(order.level_dbfs)
        if order.preview:
            self._drone.preview(order.root_hz)
        else:
            self._drone.set_root(order.root_hz)
        if order.sounding != self._drone.sounding:
            (self._drone.start if order.sounding else self._drone.stop)()
        self._tick.switch(on=order.without)


@dataclass(slots=True)
class _Tick:
    """A short sound every ``period`` frames, the first ending so long after being switched on."""

    sound: Samples
    period: int
    at: int | None = None  # frames since the last one began; None: off

    def switch(self, *, on: bool) -> None:
        if not on:
            self.at = None
        elif self.at is None:
            self.at = self.sound.size

    def keep_away(self, frames: int) -> None:
        """Let no tick begin within the next ``frames``; one that sounds is played to its end."""
        if self.at is not None and self.at >= self.sound.size:
            self.at = min(self.at, self.period - frames)

    def add_to(self, out: Samples) -> None:
        if self.at is None:
            return
        places = (self.at + np.arange(out.size)) % self.period
        heard = places < self.sound.size
        out[heard] += self.sound[places[heard]]
        self.at = (self.at + out.size) % self.period
