"""The room, live: the threads that join devices, ear, desk and log.

==========  =====================================================================================
audio       a process or thread of the device: plays the drone, hands over blocks (``devices``)
hearing     takes blocks, asks the ear, tells the desk
feet        takes pedal edges, asks the pedalboard, tells the desk
log-writer  the only one that touches storage (``log.writer``)
control     answers the command line and the pages (``control``)
main        waits for the signal to stop, and lets sittings end
==========  =====================================================================================
"""

import logging
import queue
import threading
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any, Protocol

from appliance.caretaker import Caretaker
from appliance.control import ControlServer, Message
from appliance.desk import Desk, later, needs_new_ear
from appliance.devices.blocks import Block, Samples, Sound
from appliance.devices.clock import Clock
from appliance.devices.notify import ServiceManager
from appliance.gaps import Gaps
from appliance.hearing.ear import Ear
from appliance.log.logbook import Logbook
from appliance.log.records import is_id
from appliance.log.writer import LogWriter
from appliance.practice.pedalboard import Heard, Pedal, Pedalboard, action_of, pedals_of_board
from appliance.room_setup import Setup
from appliance.settings import RoomSettings, Settings
from appliance.vocabulary import ControlError, Event, Instant

logger = logging.getLogger(__name__)

SILENT_STREAM_S = 0.3  # no block for so long: the stretch of sound is over, a note in it as well
FOOT_TICK_S = 0.01  # a hold is known at most this much late
MAIN_TICK_S = 0.25
HEAR_REST_S = 10.0  # how long a clean stop waits for a hearing that lags
CHANGE_S = 0.6  # how long another instrument waits for the hearing; then it is there at once
FLUSH_S = 5.0  # how long a clean stop waits for stalled storage

OnEdge = Callable[[Pedal, float], None]


class Feet(Protocol):
    """A pedal board, real or simulated."""

    trouble: str | None  # a sentence for a person, while it cannot be used

    def close(self) -> None:
        """Stop calling back."""


class Listener(Protocol):
    """An ear: the contract of :class:`appliance.hearing.ear.Ear`."""

    def hear(self, mic: Samples, sent: Samples | None = None) -> list[Event]:
        """Take a block, return what became known."""

    def finish(self) -> list[Event]:
        """Return what is still open."""


OpenFeet = Callable[[OnEdge, OnEdge], Feet]


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
        self._setup = Setup(settings, set_before or {})
        self._settings = settings = self._setup.settings
        self._setting = threading.Lock()
        self._changes: queue.SimpleQueue[Setup] = queue.SimpleQueue()  # those that end a sitting
        self._changed = threading.Event()
        self._clock = clock
        self._sound = sound
        self._open_feet = open_feet
        self._feet: Feet | None = None
        self._socket_path = socket_path
        self._make_ear = make_ear or self._new_ear
        self._manager = manager or ServiceManager()
        self._caretaker = caretaker or Caretaker()
        self._settings_trouble = settings_trouble
        self._search_steps = 0
        goes_on_within_s = settings.room.sitting_ends_after_silent_s
        self._writer = LogWriter(open_logbook, self._now_s, goes_on_within_s)
        self._gaps = Gaps(self._writer)
        self._desk = Desk(settings, self._writer, sound.order)
        self._desk.set_up(settings, self._setup.rules, clock.now())
        self._board = Pedalboard(settings.pedals)
        self._felt: dict[Pedal, float] = {}  # when a contact of each last closed
        self._edges: queue.SimpleQueue[tuple[Pedal, bool, float]] = queue.SimpleQueue()
        self._sound_over = threading.Event()
        self._feet_gone = threading.Event()
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
        desk = self._desk.status()
        if self._feet is not None and self._feet.trouble is not None:
            desk["pedals"]["trouble"] = self._feet.trouble
        now = self._clock.now()
        return {
            **desk,
            "felt_s_ago": self._felt_s_ago(now),
            "care": self._desk.care(now),
            "sound": asdict(self._sound.report()),
            "log": asdict(self._writer.report()),
            "settings": {"trouble": self._settings_trouble},
        }

    def _felt_s_ago(self, now: Instant) -> dict[str, float | None]:
        """Say how long ago each pedal of the board was pressed; ``None``: not yet."""
        if self._feet is None:
            return {}
        board = pedals_of_board(self._settings.pedals.count)
        felt = {pedal: self._felt.get(pedal) for pedal in board}
        return {
            pedal.value: None if at_s is None else now.monotonic_s - at_s
            for pedal, at_s in felt.items()
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
            return {"checked_out": self._desk.check_out(player, now)}
        sure = request.get("sure") is True
        return {"checked_in": self._desk.check_in(player, now, sure=sure)}

    def _set(self, values: Message, *, by_owner: bool) -> None:
        """Take values of :mod:`appliance.log.room_settings` at once; a null one is the file's."""
        with self._setting:
            setup = self._setup.with_values(values, by_owner=by_owner)
            if needs_new_ear(self._settings.room, setup.settings.room):
                self._changed.clear()
                self._changes.put(setup)
                self._changed.wait(CHANGE_S)  # for the hearing to end the note that sounds
                self._take_changes()
            else:
                self._set_up(setup)
            if isinstance(note := values.get("drone_note"), str):
                self._desk.set_drone(self._clock.now(), note=note)

    def _take_changes(self) -> None:
        with suppress(queue.Empty):
            self._set_up(self._changes.get_nowait())
            self._changed.set()

    def _set_up(self, setup: Setup) -> None:
        self._setup, self._settings = setup, setup.settings
        self._desk.set_up(setup.settings, setup.rules, self._clock.now())

    def press(self, pedal: Pedal, at_s: float) -> None:
        """Take a contact that closed; may be called from any thread."""
        self._felt[pedal] = at_s
        self._edges.put((pedal, True, at_s))

    def release(self, pedal: Pedal, at_s: float) -> None:
        """Take a contact that opened; may be called from any thread."""
        self._edges.put((pedal, False, at_s))

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
        pedals = self._feet.trouble if self._feet is not None else None
        parts = (sound.trouble, log.trouble, pedals, self._settings_trouble)
        troubles = [trouble for trouble in parts if trouble]
        return " ".join(troubles) or f"Hears through {sound.device!r}."

    def _now_s(self) -> float:
        return self._clock.now().monotonic_s

    def _new_ear(self, sample_rate_hz: float) -> Listener:
        return Ear(self._settings, self._settings.room.instrument, sample_rate_hz)

    def _stop_writer(self) -> None:
        self._unwritten = self._writer.stop(FLUSH_S)

    def _start_control(self, parts: ExitStack) -> None:
        if self._socket_path is not None:
            control = ControlServer(self._socket_path, self.answer)
            parts.callback(control.stop)
            control.start()

    def _start_hearing(self, parts: ExitStack) -> None:
        hearing = self._thread("hearing", self._hear)
        hearing.start()
        parts.callback(self._hear_the_rest, hearing)
        parts.callback(self._sound_over.set)
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
            thread = self._thread("feet", self._follow_feet)
            thread.start()
            parts.callback(thread.join)
            parts.callback(self._feet_gone.set)
            self._feet = self._open_feet(self.press, self.release)
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
            threading.Event().wait(self._settings.drone.fade_s + 0.1)

    def _hear(self) -> None:
        stretch: _Stretch | None = None
        while True:
            block = self._sound.next_block(SILENT_STREAM_S)
            if stretch is not None and (block is None or block.fresh or self._outdated(stretch)):
                self._tell_desk(stretch, stretch.ear.finish())
                stretch = None
            self._take_changes()
            if block is not None:
                stretch = stretch or self._begin_stretch(block)
                self._tell_desk(stretch, stretch.hear(block))
                self._manager.alive()
            elif self._sound_over.is_set():
                return
            else:
                self._follow_search()

    def _follow_search(self) -> None:
        """No sound: the room is alive only while the search for the device gets further."""
        steps = self._sound.report().search_steps
        if steps != self._search_steps:
            self._search_steps = steps
            self._manager.alive()

    def _begin_stretch(self, block: Block) -> "_Stretch":
        return _Stretch(self._make_ear(block.sample_rate_hz), self._settings.room)

    def _outdated(self, stretch: "_Stretch") -> bool:
        """Tell whether an ear was made for another A4 or instrument."""
        changing = not self._changes.empty()
        return changing or needs_new_ear(stretch.made_for, self._settings.room)

    def _tell_desk(self, stretch: "_Stretch", events: list[Event]) -> None:
        if events:
            now = self._clock.now()
            ear_zero = later(now, stretch.began_s - now.monotonic_s)
            for event in events:
                self._desk.hear(event, ear_zero)

    def _follow_feet(self) -> None:
        while not self._feet_gone.is_set():
            try:
                pedal, down, at_s = self._edges.get(timeout=FOOT_TICK_S)
            except queue.Empty:
                gestures = self._board.tick(self._now_s())
            else:
                gestures = (self._board.press if down else self._board.release)(pedal, at_s)
            now = self._clock.now()
            for gesture in gestures:
                action = action_of(gesture, self._desk.heard)
                if action is not None:
                    self._desk.act(action, later(now, gesture.at_s - now.monotonic_s))
            self._desk.pedals_stuck(self._board.stuck(now.monotonic_s), now)
            self._desk.tick(now)


class _Stretch:
    """An unbroken stretch of sound and the ear that follows it."""

    def __init__(self, ear: Listener, made_for: RoomSettings) -> None:
        self.ear = ear
        self.made_for = made_for
        self.began_s = 0.0  # on the monotonic clock; told anew by every block, so it cannot drift
        self._heard_s = 0.0

    def hear(self, block: Block) -> list[Event]:
        self._heard_s += block.mic.size / block.sample_rate_hz
        self.began_s = block.at_s - self._heard_s
        return self.ear.hear(block.mic, block.sent)
