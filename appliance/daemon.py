"""The room, live: the threads that join devices, ear, desk and log.

==========  =====================================================================================
audio       a process or thread of the device: plays the drone, hands over blocks (``devices``)
hearing     takes blocks, asks the ear, tells the desk (``stretches``)
feet        takes pedal edges, asks the pedalboard, tells the desk (``feet``)
log-writer  the only one that touches storage (``log.writer``)
control     answers the command line and the pages (``control``)
main        waits for the signal to stop, and lets sittings end
==========  =====================================================================================
"""

import logging
import threading
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import asdict
from math import isfinite
from pathlib import Path
from typing import Any

from appliance.caretaker import Caretaker
from appliance.changing import SettingsInForce
from appliance.control import ControlServer, Message
from appliance.desk import Desk
from appliance.devices.blocks import Sound
from appliance.devices.clock import Clock
from appliance.devices.notify import ServiceManager
from appliance.feet import FollowedFeet, OpenFeet
from appliance.gaps import Gaps
from appliance.hearing.ear import Ear
from appliance.log.chosen import HouseRules
from appliance.log.logbook import Logbook
from appliance.log.records import is_id
from appliance.log.writer import LogWriter
from appliance.practice.pedalboard import Heard
from appliance.settings import Settings
from appliance.stretches import Hearing, Listener
from appliance.vocabulary import ControlError, Instant

logger = logging.getLogger(__name__)

MAIN_TICK_S = 0.25
HEAR_REST_S = 10.0  # how long a clean stop waits for a hearing that lags
FLUSH_S = 5.0  # how long a clean stop waits for stalled storage


class Room:
    """One practice room, wired from the devices it is given.

    ``open_logbook`` is called in the writer thread. ``open_feet`` gets the two edge callbacks;
    without it the drone is set through the control socket alone. ``make_ear`` is asked for a new
    ear, for a sample rate, whenever an unbroken stretch of sound begins. ``clock`` must share its
    monotonic seconds with the blocks of ``sound`` and the edges of the feet. ``manager`` is told
    that the room is alive for every block that was heard, so one that hears no more is restarted.
    ``set_before`` is what was set on the page in place of ``settings``. ``caretaker``
    holds the status light and checks the room when asked.
    """

    def __init__(  # noqa: PLR0913 - the devices it is given are its point
        self,
        settings: Settings,
        *,
        clock: Clock,
        sound: Sound,
        open_logbook: Callable[[], Logbook],
        open_feet: OpenFeet | None = None,
        socket_path: Path | None = None,
        make_ear: Callable[[float], Listener] | None = None,
        manager: ServiceManager | None = None,
        set_before: Message | None = None,
        caretaker: Caretaker | None = None,
        settings_trouble: str | None = None,
    ) -> None:
        """Wire the room; nothing is opened yet."""
        self._in_force = SettingsInForce(settings, set_before or {}, self._take_up_settings)
        settings = self._in_force.settings
        self._clock = clock
        self._sound = sound
        self._open_feet = open_feet
        self._socket_path = socket_path
        self._manager = manager or ServiceManager()
        self._caretaker = caretaker or Caretaker()
        self._settings_trouble = settings_trouble
        goes_on_within_s = settings.room.sitting_ends_after_silent_s
        self._writer = LogWriter(open_logbook, self._now_s, goes_on_within_s)
        self._gaps = Gaps(self._writer)
        self._desk = Desk(settings, self._writer, sound.order)
        self._take_up_settings(settings, self._in_force.rules)
        self._feet = FollowedFeet(settings.pedals, self._desk, self._writer, clock)
        self._hearing = Hearing(
            sound,
            self._desk,
            clock,
            self._in_force,
            make_ear=make_ear or self._new_ear,
            alive=self._manager.alive,
        )
        self._failed = threading.Event()
        self._unwritten = 0
        self._open_parts = ExitStack()

    def start(self) -> None:
        """Open log, socket, sound and pedals in this order; raises what they raise, all closed."""
        with ExitStack() as parts:
            self._writer.start()
            parts.callback(self._stop_writer)
            self._writer.tick(self._clock.now())
            self._take_up(self._clock.now())
            parts.callback(lambda: self._desk.close(self._clock.now()))
            self._start_control(parts)
            self._start_hearing(parts)
            self._start_feet(parts)
            self._open_parts = parts.pop_all()

    def stop(self) -> int:
        """Stop cleanly; return how many log entries the storage would not take."""
        self._open_parts.close()
        return self._unwritten

    def serve(self, stopping: threading.Event) -> bool:
        """Run until ``stopping`` is set; return whether all went well and all was written."""
        self.start()
        self._manager.ready()
        try:
            while not stopping.wait(MAIN_TICK_S):
                self._tick()
                self._manager.status(self._how_it_is())
                self._caretaker.look(self.status())
                if self._failed.is_set() or not self._writer.alive:
                    break
        finally:
            self._manager.stopping()
            unwritten = self.stop()
        if unwritten:
            logger.error("%d entries could not be written to the log.", unwritten)
        return stopping.is_set() and not unwritten and not self._failed.is_set()

    def status(self) -> dict[str, Any]:
        """Say how drone, sitting, pedals, sound and log are."""
        now = self._clock.now()
        return {
            **self._desk.status(),
            "pedals": self._feet.status(),
            "felt_s_ago": self._feet.felt_s_ago(now),
            "care": self._desk.care(now),
            "sound": asdict(self._sound.report()),
            "log": asdict(self._writer.report()),
            "settings": {"trouble": self._settings_trouble},
        }

    def answer(self, request: Message) -> Message:
        """Answer a request of the control socket; raises :class:`ControlError` for a bad one."""
        if request.get("do") == "drone":
            on, note = request.get("on"), request.get("note")
            if not isinstance(on, bool | None) or not isinstance(note, str | None):
                raise ControlError("'on' is true or false and 'note' is a name like Bb3.")
            self._desk.set_drone(self._clock.now(), on=on, note=note)
        elif request.get("do") == "set":
            values = {key: request[key] for key in request if key not in ("do", "by_owner")}
            self._set(values, by_owner=request.get("by_owner") is True)
        elif request.get("do") in ("check", "calibrate", "light"):
            sounding = self._desk.heard is not Heard.SILENT
            return self._caretaker.answer(request, self._manager.alive, sounding=sounding)
        elif request.get("do") in ("check_in", "check_out"):
            return {**self._attend(request), **self.status()}
        elif request.get("do") != "status":
            raise ControlError(
                "A request does 'status', 'drone', 'set', 'check', 'calibrate' or 'light'."
            )
        return self.status()

    def _attend(self, request: Message) -> Message:
        """Check a player in or out; an answer that says false leaves all as it was."""
        player = request.get("player")
        if not isinstance(player, str) or not is_id(player):
            raise ControlError("'player' is the id of a person, such as 1f3a9c02-17.")
        now = self._clock.now()
        if request["do"] == "check_out":
            since = _moment_before(now, request.get("since_s"))
            return {"checked_out": self._desk.check_out(player, now, since)}
        sure = request.get("sure") is True
        return {"checked_in": self._desk.check_in(player, now, sure=sure)}

    def _set(self, values: Message, *, by_owner: bool) -> None:
        self._in_force.set(values, by_owner=by_owner)
        if isinstance(note := values.get("drone_note"), str):
            self._desk.set_drone(self._clock.now(), note=note)

    def _take_up_settings(self, settings: Settings, rules: HouseRules) -> None:
        self._desk.set_up(settings, rules, self._clock.now())

    def _tick(self) -> None:
        now = self._clock.now()
        self._writer.tick(now)
        self._take_up(now)
        self._gaps.watch(self._sound.report(), now)
        self._desk.tick(now)

    def _take_up(self, now: Instant) -> None:
        """Go on as before the room stopped, as soon as the log says how that was."""
        if (listened := self._writer.listened_before) is not None:
            self._desk.go_on_listening(listened)
        attended = self._writer.checked_in_before(now)
        if attended is not None:
            self._desk.keep_player(*attended)
        cut_off = self._writer.cut_off(now)
        if cut_off is not None:
            self._desk.go_on(*cut_off, now)

    def _how_it_is(self) -> str:
        sound, log = self._sound.report(), self._writer.report()
        parts = (sound.trouble, log.trouble, self._feet.trouble, self._settings_trouble)
        troubles = [trouble for trouble in parts if trouble]
        return " ".join(troubles) or f"Hears through {sound.device!r}."

    def _now_s(self) -> float:
        return self._clock.now().monotonic_s

    def _new_ear(self, sample_rate_hz: float) -> Listener:
        settings = self._in_force.settings
        return Ear(settings, settings.room.instrument, sample_rate_hz)

    def _stop_writer(self) -> None:
        self._unwritten = self._writer.stop(FLUSH_S)

    def _start_control(self, parts: ExitStack) -> None:
        if self._socket_path is not None:
            control = ControlServer(self._socket_path, self.answer)
            parts.callback(control.stop)
            control.start()

    def _start_hearing(self, parts: ExitStack) -> None:
        hearing = self._thread("hearing", self._hearing.follow)
        hearing.start()
        parts.callback(self._hear_the_rest, hearing)
        parts.callback(self._hearing.leave)
        parts.callback(self._sound.stop)
        self._sound.start()
        parts.callback(self._fade_out)

    def _hear_the_rest(self, hearing: threading.Thread) -> None:
        hearing.join(HEAR_REST_S)
        if hearing.is_alive():
            logger.error("The hearing lags: what was played last is not in the log.")
            self._failed.set()

    def _start_feet(self, parts: ExitStack) -> None:
        if self._open_feet is not None:
            thread = self._thread("feet", self._feet.follow)
            thread.start()
            parts.callback(thread.join)
            parts.callback(self._feet.leave)
            self._feet.open(self._open_feet)
            parts.callback(self._feet.close)

    def _thread(self, name: str, work: Callable[[], None]) -> threading.Thread:
        """Make a thread whose failure stops the room: a deaf room must not look alive."""

        def guarded() -> None:
            try:
                work()
            except Exception:
                logger.exception("%s failed", name)
                self._failed.set()

        return threading.Thread(target=guarded, name=name, daemon=True)

    def _fade_out(self) -> None:
        """Let a sounding drone fade before the stream closes: a cut would click."""
        if self._desk.heard is Heard.SOUNDING:
            self._desk.set_drone(self._clock.now(), on=False)
            threading.Event().wait(self._in_force.settings.drone.fade_s + 0.1)


def _moment_before(now: Instant, wall_s: object) -> Instant | None:
    """Read a moment that has passed (Unix time); ``None`` where none is given."""
    if wall_s is None:
        return None
    if isinstance(wall_s, bool) or not isinstance(wall_s, int | float) or not isfinite(wall_s):
        raise ControlError("'since_s' is a moment that has passed, as Unix time.")
    return now.later(min(0.0, wall_s - now.wall_s))
