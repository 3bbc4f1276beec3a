"""The command line: ``groundnote run | listen | advise | demo | drone``.

Commands are imported only by the command that needs them, so that ``listen`` starts at once and a
machine without sound can still hear a file.
"""

import argparse
import importlib
import signal
import sys
from collections.abc import Callable, Sequence
from typing import Any

from appliance.control import add_socket, ask, socket_of_running_room
from appliance.vocabulary import GroundnoteError

EXIT_ERROR = 2  # as argparse itself does
ELSEWHERE = {  # commands that live in a module of their own, with add_arguments() and run()
    "run": ("appliance.live", "run the room: drone, pedals, hearing and log"),
    "listen": ("appliance.listening", "hear a WAV take and print its notes"),
    "advise": ("appliance.advising", "choose a drone for a passage, and say why"),
    "settings": ("appliance.commented", "print a settings file with every setting explained"),
    "sound": ("appliance.plugged", "list the sound devices, and the one that does both ways"),
    "backup": ("appliance.backup", "copy the log into one file, and read the copy through"),
    "restore": ("appliance.restore", "list the backups, or bring one back"),
    "check": ("appliance.inspecting", "check the room: sound, pedals, light, clock, storage"),
    "owner-code": ("appliance.owning", "print the one-time code that makes an owner"),
    "calibrate": ("appliance.calibrating", "tell how loud the room is, with a sound level meter"),
    "demo": ("appliance.demo", "play two invented weeks through the real chain and show the log"),
}

Run = Callable[[argparse.Namespace], int]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return the exit code. Errors meant for a person are one sentence."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    options = _parser(words).parse_args(words)
    run: Run = options.run
    try:
        return run(options)
    except GroundnoteError as error:
        print(f"groundnote: {error}", file=sys.stderr)
        return EXIT_ERROR
    except KeyboardInterrupt:
        return 128 + signal.SIGINT


def _parser(words: Sequence[str]) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="groundnote",
        description="A practice-room drone that hears the player and logs how every note lands.",
    )
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for name, (module, summary) in ELSEWHERE.items():
        command = commands.add_parser(name, help=summary, description=summary)
        if name in words:
            room = importlib.import_module(module)
            room.add_arguments(command)
            command.set_defaults(run=room.run)
    _add_drone(commands)
    return parser


def _add_drone(commands: Any) -> None:
    command = commands.add_parser("drone", help="command a running room's drone")
    kinds = command.add_subparsers(required=True, metavar="on|off|note NAME|status")
    requests: dict[str, dict[str, Any]] = {
        "on": {"do": "drone", "on": True},
        "off": {"do": "drone", "on": False},
        "note": {"do": "drone"},
        "status": {"do": "status"},
    }
    for name, request in requests.items():
        kind = kinds.add_parser(name)
        if name == "note":
            kind.add_argument("note", metavar="NAME", help="a note name like Bb3")
        add_socket(kind)
        kind.set_defaults(run=command_drone, request=request)


def command_drone(options: argparse.Namespace) -> int:
    """Send one request to the running room and print how the drone and the room are."""
    request = dict(options.request)
    if "note" in options:
        request["note"] = options.note
    status = ask(options.socket or socket_of_running_room(), request)
    drone, sound, log = status["drone"], status["sound"], status["log"]
    print(f"drone {'on' if drone['on'] else 'off'}, {drone['note']}, {drone['root_hz']:.3f} Hz")
    if request["do"] == "status":
        print(f"sound: {sound['trouble'] or sound['device']}")
        print(f"pedals: {status['pedals']['trouble'] or 'fine'}")
        paused = "paused, " if status["paused"] else ""
        print(f"log: {paused}{log['trouble'] or 'fine'}, {log['notes_written']} notes since start")
    return 0


if __name__ == "__main__":
    sys.exit(main())
