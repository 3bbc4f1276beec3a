"""``python -m tests.bench.press``: how long after a foot's decision the loudspeaker changes.

The real room (pedals on gpiozero's mock pins, daemon, sound process) plays on a virtual sound card.
A decision is the release of a tap or 0.6 s of a hold; the change is the first sample of what goes
to the loudspeaker that differs from what it played before: from silence, or, where the drone
sounds, from its own period before. Both moments are read off the sound card's frame counter.
"""

import argparse
import itertools
import os
import platform
import statistics
import sys
import tempfile
import time
from collections import defaultdict
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from tqdm import tqdm

from appliance.settings import Settings
from tests.conftest import real_time
from tests.mock_room import MockRoom, mock_room
from tests.soundcard import RATE_HZ, SoundCard, Tap

LIMIT_S = 0.1
# A4 = 480 Hz makes the drone's A3 last exactly 200 frames: what is not as 200 frames ago is new.
A4_HZ, PERIOD_FRAMES = 480.0, 200
CHANGED = 2e-6  # of full scale: above the rounding of float32 at the drone's level
LEFT, MIDDLE, RIGHT = 17, 27, 22
TAP_S, HOLD_S = 0.12, 0.75
LISTEN_S = 0.4  # how long a change is waited for
SETTLE_S = 0.5  # then all fades are over


@dataclass(frozen=True)
class Press:
    """One press of the round: what it does, its pin, and whether it is held."""

    name: str
    pin: int
    held: bool


ROUND = (
    Press("tap, silent: the next note is sounded", RIGHT, False),
    Press("tap, silent: the next note is sounded", LEFT, False),
    Press("hold: the drone starts", MIDDLE, True),
    Press("tap, sounding: a call is acknowledged", MIDDLE, False),
    Press("hold: on without the drone", RIGHT, True),
    Press("hold: the drone is back", RIGHT, True),
    Press("tap, sounding: a call is acknowledged", LEFT, False),
    Press("hold: the drone stops", MIDDLE, True),
)


class TimedTap(Tap):
    """A tap whose blocks know their place on the sound card's frame counter."""

    def __init__(self, card: SoundCard, name: str) -> None:
        self._timed: list[tuple[int, NDArray[np.float32]]] = []
        super().__init__(card, name)

    def now_frame(self) -> int:
        """The frame that the sound card is at."""
        return int(self.client.frame_time)

    def forget(self) -> None:
        self._timed = []

    def sound(self, from_frame: int) -> tuple[int, NDArray[np.float32]]:
        """The place of the first frame, and the unbroken sound around and after ``from_frame``.

        It ends where the virtual sound card has lost a block.
        """
        timed = [one for one in self._timed if one[0] + one[1].size > from_frame]
        unbroken = [timed[0]]
        for place, block in timed[1:]:
            if place != unbroken[-1][0] + unbroken[-1][1].size:
                break
            unbroken.append((place, block))
        return unbroken[0][0], np.concatenate([block for _, block in unbroken])

    def _process(self, _frames: int) -> None:
        self._timed.append((int(self.client.last_frame_time), self._port.get_array().copy()))


def first_change(sound: NDArray[np.float32], from_frame: int) -> int | None:
    """The first frame from ``from_frame`` on that is not what sounded a period before."""
    apart = np.abs(sound[PERIOD_FRAMES:] - sound[:-PERIOD_FRAMES]) > CHANGED
    changed = np.nonzero(apart[from_frame - PERIOD_FRAMES :])[0]
    return int(changed[0]) + from_frame if len(changed) else None


class Foot:
    """Presses pedals on mock pins and times what the loudspeaker does."""

    def __init__(self, room: MockRoom, tap: TimedTap) -> None:
        self._room, self._tap = room, tap
        self._hold_s = room.settings.pedals.hold_s

    def press(self, press: Press) -> float | None:
        """Press once; return the seconds from decision to change, None if a block was lost."""
        before = self._room.lost()
        took_s = self._press(press)
        time.sleep(SETTLE_S)
        if took_s is None or self._room.lost() != before:
            return None
        if took_s < 0.0:
            raise RuntimeError(f"{press.name}: changed {-took_s:.3f} s before the decision")
        return took_s

    def _press(self, press: Press) -> float | None:
        self._tap.forget()
        time.sleep(0.05)  # a few periods to compare with
        pin = self._room.pins.pin(press.pin)
        pressed = self._tap.now_frame()
        pin.drive_low()
        time.sleep(HOLD_S if press.held else TAP_S)
        released = self._tap.now_frame()
        pin.drive_high()
        time.sleep(LISTEN_S)
        decided = pressed + round(self._hold_s * RATE_HZ) if press.held else released
        begin, sound = self._tap.sound(decided - 4 * PERIOD_FRAMES)
        changed = first_change(sound, PERIOD_FRAMES)
        return None if changed is None else (begin + changed - decided) / RATE_HZ


def measure(presses: int) -> dict[str, list[float]]:
    """Seconds from decision to change of so many presses, by what they do."""
    found: dict[str, list[float]] = defaultdict(list)
    plain = Settings()
    settings = replace(
        plain,
        room=replace(plain.room, a4_hz=A4_HZ),
        drone=replace(plain.drone, note="A3", preview_s=0.2),
    )
    card = SoundCard(f"groundnote-press-{os.getpid()}")
    try:
        with (
            real_time(),
            tempfile.TemporaryDirectory() as folder,
            mock_room(card, Path(folder), settings) as room,
            tqdm(total=presses, unit="press") as bar,
        ):
            tap = TimedTap(card, "bench-tap")
            tap.connect()
            time.sleep(SETTLE_S)
            foot, ahead = Foot(room, tap), itertools.cycle(ROUND)
            lost = 0
            while bar.n < presses:
                press = next(ahead)
                took_s = foot.press(press)
                if took_s is not None:
                    found[press.name].append(took_s)
                    bar.update()
                elif (lost := lost + 1) > presses:
                    raise RuntimeError("the virtual sound card loses too many blocks")
            tap.close()
    finally:
        card.stop()
    return found


def report(found: dict[str, list[float]]) -> bool:
    """Print median, 95th percentile and worst in milliseconds; say whether the limit is kept."""
    everything = [seconds for line in found.values() for seconds in line]
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    print(f"{'from decision to sound, ms':42} {'n':>4} {'median':>7} {'p95':>7} {'worst':>7}")
    for name, line in [*found.items(), ("all", everything)]:
        p95 = float(np.percentile(line, 95))
        numbers = [1000 * value for value in (statistics.median(line), p95, max(line))]
        print(f"{name:42} {len(line):4d} " + " ".join(f"{value:7.1f}" for value in numbers))
    return max(everything) <= LIMIT_S


def main() -> int:
    """Measure, print; return 1 where a press took longer than the limit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--presses", type=int, default=200)
    kept = report(measure(parser.parse_args().presses))
    print(f"limit {1000 * LIMIT_S:.0f} ms {'kept' if kept else 'NOT kept'}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
