"""What an audio callback plays: the drone, ordered by others, rendered without ever waiting."""

from collections import deque

from appliance.devices.blocks import Samples
from appliance.practice.drone import Drone
from appliance.practice.order import DroneOrder
from appliance.settings import DroneSettings


class Loudspeaker:
    """The drone inside the callback.

    It is rendered there and not ahead of it in a queue: rendering costs under a hundredth of a
    block's time and takes no lock, while a queue needs a second thread that can starve (and then
    the drone clicks), and every block queued ahead adds its length to the time from foot to sound.
    """

    def __init__(self, settings: DroneSettings, sample_rate_hz: float) -> None:
        """Stand silent."""
        self._drone = Drone(settings, sample_rate_hz)
        self._rehearsal = Drone(settings, sample_rate_hz)
        self._orders: deque[DroneOrder] = deque()

    def order(self, order: DroneOrder) -> None:
        """Pass an order to the audio thread, after a silent rehearsal in this one.

        Making the table of a new root takes milliseconds; rehearsed, the callback only looks it up.
        """
        self._rehearsal.set_root(order.root_hz)
        self._rehearsal.sound(1)
        self._orders.append(order)

    def render(self, frames: int) -> Samples:
        """Return what to play next, shape (frames,), full scale ±1; in the audio thread only."""
        while self._orders:
            self._obey(self._orders.popleft())
        return self._drone.sound(frames)

    def _obey(self, order: DroneOrder) -> None:
        if order.preview:
            self._drone.preview(order.root_hz)
        else:
            self._drone.set_root(order.root_hz)
        if order.sounding != self._drone.sounding:
            (self._drone.start if order.sounding else self._drone.stop)()
