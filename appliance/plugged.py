"""``groundnote sound``: which sound devices are there, and which one does both ways."""

import argparse
import sys

from appliance.devices.finding import both_ways, list_devices

NOT_CHOSEN = 1  # the exit status where no device, or more than one, does both ways


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of ``sound``."""
    parser.add_argument(
        "--choose", action="store_true", help="print only what to write as device under [sound]"
    )


def run(options: argparse.Namespace) -> int:
    """Print the devices, or the one to use; returns 1 when there is not exactly one."""
    there = list_devices()
    able = both_ways(name for name, inputs, outputs in there if inputs and outputs)
    if not options.choose:
        print("\n".join(_table(there)))
        print(_verdict(able))
    elif len(able) == 1:
        print(able[0])
    else:
        print(f"groundnote: {_verdict(able)}", file=sys.stderr)
    return 0 if len(able) == 1 else NOT_CHOSEN


def _table(there: list[tuple[str, int, int]]) -> list[str]:
    lines = [f"{inputs:10d}  {outputs:11d}  {name}" for name, inputs, outputs in there]
    return ["microphone  loudspeaker  device (channels of each)", *lines]


def _verdict(able: list[str]) -> str:
    names = ", ".join(repr(name) for name in able)
    if not able:
        return "No device does both ways: plug in one interface that records and plays."
    if len(able) == 1:
        return f"Use this one, it does both ways: device = {names} under [sound]."
    return f"Several devices do both ways: write one of them under [sound]: {names}."
