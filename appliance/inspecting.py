"""``groundnote check``: is the room fit to practise in? One line each: fine, doubtful or wrong.

A running room is asked to check itself, so that it need not be stopped; where none runs, the
devices are opened here.
"""

import argparse
import sys
import threading
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from pathlib import Path

from appliance.checking.machine import light_line, pedal_line
from appliance.checking.program import LONGEST_S
from appliance.checking.verdicts import Line, Verdict, from_message
from appliance.checkup import Checkup, Lent
from appliance.control import NoRoomError, add_socket, ask, socket_of_running_room
from appliance.devices.clock import SystemClock
from appliance.practice.pedalboard import Pedal, pedals_of_board
from appliance.settings import Settings, load
from appliance.vocabulary import DeviceError

EXIT_WRONG = 1
PRESS_WITHIN_S = 15.0
LOOK_EVERY_S = 0.1
ANSWERS_WITHIN_S = 20.0  # a busy room must not be taken for none: its interface is not free
_NAMES = {Verdict.NOT_MEASURED: "-"}

# The pedal pressed since a moment of the monotonic clock, if any.
Pressed = Callable[[float], Pedal | None]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what ``check`` can be told."""
    parser.add_argument("--settings", type=Path, metavar="FILE", help="a TOML file")
    parser.add_argument("--log", type=Path, metavar="FILE", help="the log, instead of log_path")
    parser.add_argument("--no-pedals", action="store_true", help="do not ask for the pedals")
    parser.add_argument("--no-light", action="store_true", help="do not ask for the light")
    add_socket(parser)


def run(options: argparse.Namespace) -> int:
    """Check, print a line each; return 1 when something is wrong."""
    settings = load(options.settings) if options.settings else Settings()
    socket = options.socket or socket_of_running_room()
    with ExitStack() as opened:
        room = _room(socket, settings, options, opened)
        print("Quiet, please: a few sweeps and a drone, for a quarter of a minute.", flush=True)
        lines = show(room.sound())
        if not options.no_pedals:
            lines += show(ask_for_pedals(room.pedals(), room.pressed))
        if not options.no_light:
            lines += show([_light(*room.try_light())])
    return EXIT_WRONG if any(line.verdict is Verdict.WRONG for line in lines) else 0


def show(lines: Iterable[Line]) -> list[Line]:
    """Print lines as they come, and return them."""
    shown = []
    for line in lines:
        verdict = _NAMES.get(line.verdict, str(line.verdict))
        advice = f": {line.advice}" if line.advice else ""
        print(f"{verdict:9s} {line.what:23s} {line.found}{advice}", flush=True)
        shown.append(line)
    return shown


class RunningRoom:
    """A room that runs: it checks itself, and says which pedals it has felt."""

    def __init__(self, socket: Path) -> None:
        self._socket = socket
        self._clock = SystemClock()

    def sound(self) -> list[Line]:
        """Let it check itself."""
        answer = ask(self._socket, {"do": "check"}, timeout_s=LONGEST_S)
        return from_message(answer["check"]["lines"])

    def pedals(self) -> list[str]:
        """The pedals of its board."""
        return list(ask(self._socket, {"do": "status"})["felt_s_ago"])

    def pressed(self, since_s: float) -> Pedal | None:
        """The pedal pressed last since a moment of the monotonic clock, if any."""
        felt = ask(self._socket, {"do": "status"})["felt_s_ago"]
        passed_s = self._clock.now().monotonic_s - since_s
        lately = {
            name: ago_s for name, ago_s in felt.items() if ago_s is not None and ago_s < passed_s
        }
        return Pedal(min(lately, key=lambda name: float(lately[name]))) if lately else None

    def try_light(self) -> tuple[bool, str | None]:
        """Let the light show *trouble*; tell whether one is fitted, and what is the matter."""
        light = ask(self._socket, {"do": "light"})["light"]
        return bool(light["fitted"]), light["trouble"]


class ClosedRoom:
    """A room that does not run: its devices are opened here, one after the other."""

    def __init__(self, settings: Settings, log_path: Path, opened: ExitStack) -> None:
        self._settings, self._log_path, self._opened = settings, log_path, opened
        self._clock = SystemClock()
        self._felt: dict[Pedal, float] | None = None

    def sound(self) -> list[Line]:
        """Check with the devices opened here."""

        def here(work: Callable[[], Lent]) -> Lent:
            return work()

        return Checkup(self._settings, here, self._log_path).lines()

    def pedals(self) -> list[str]:
        """The pedals of the settings."""
        return [pedal.value for pedal in pedals_of_board(self._settings.pedals.count)]

    def pressed(self, since_s: float) -> Pedal | None:
        """The same; the board is opened at the first time. Raises :class:`DeviceError`."""
        if self._felt is None:
            self._felt = {}
            self._open_feet(self._felt)
        lately = {pedal: at_s for pedal, at_s in self._felt.items() if at_s > since_s}
        return max(lately, key=lambda pedal: lately[pedal]) if lately else None

    def _open_feet(self, felt: dict[Pedal, float]) -> None:
        from appliance.live import open_feet_of  # noqa: PLC0415 - no pins where none are asked for

        feet = open_feet_of(self._settings)(felt.__setitem__, lambda *_: None)
        self._opened.callback(feet.close)

    def try_light(self) -> tuple[bool, str | None]:
        """The same, with the light opened here."""
        if self._settings.light.pin < 0:
            return False, None
        from appliance.devices.lights import StatusLight  # noqa: PLC0415 - as above

        try:
            light = StatusLight(self._settings.light.pin)
        except DeviceError as error:
            return True, str(error)
        self._opened.callback(light.close)
        light.try_out()
        return True, None


def _room(
    socket: Path, settings: Settings, options: argparse.Namespace, opened: ExitStack
) -> RunningRoom | ClosedRoom:
    try:
        ask(socket, {"do": "status"}, timeout_s=ANSWERS_WITHIN_S)
    except NoRoomError:
        return ClosedRoom(settings, options.log or Path(settings.room.log_path), opened)
    return RunningRoom(socket)


def ask_for_pedals(pedals: Iterable[str], pressed: Pressed) -> Iterable[Line]:
    """Ask for one pedal after the other."""
    for pedal in pedals:
        print(f"Press the {pedal} pedal …", flush=True)
        try:
            yield pedal_line(pedal, _answer(pressed))
        except DeviceError as error:
            yield Line("pedals", Verdict.WRONG, str(error))
            return


def _answer(pressed: Pressed) -> Pedal | None:
    clock, wait = SystemClock(), threading.Event()
    asked_s = clock.now().monotonic_s
    while clock.now().monotonic_s - asked_s < PRESS_WITHIN_S:
        if (pedal := pressed(asked_s)) is not None:
            return pedal
        wait.wait(LOOK_EVERY_S)
    return None


def _light(fitted: bool, trouble: str | None) -> Line:
    can_be_seen = fitted and trouble is None
    seen = _yes("Does the light flash twice, again and again? [y/n] ") if can_be_seen else None
    return light_line(fitted=fitted, seen=seen, trouble=trouble)


def _yes(question: str) -> bool | None:
    """Ask; ``None`` where nobody is there to answer."""
    if not sys.stdin.isatty():
        return None
    return input(question).strip().casefold().startswith("y")
