"""``python -m tests.bench.unplug``: the sound goes away at random moments and comes back.

The daemon runs as a user runs it, on JACK's dummy driver, its drone on and notes played into its
microphone. At each random moment the sound server is killed, which is what a daemon sees of an
interface that is unplugged, and after another random while it is there again. Measured is how long
the daemon then takes to hear. Last results: ``tests/bench/UNPLUG.md``.
"""

import argparse
import os
import platform
import random
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tqdm import tqdm

from appliance.control import Message, ask
from appliance.log.reader import LogReader
from appliance.log.records import EventKind
from tests.bench.soak import phrase
from tests.soundcard import Microphone, SoundCard, wait_for

LIMIT_S = 5.0
PLAYS_S, AWAY_S = (0.2, 4.0), (0.0, 3.0)


def unplug(times: int, seed: int, folder: Path) -> tuple[list[float], list[str]]:
    """Unplug so often; return how long each return took, s, and all faults found."""
    card = SoundCard(f"groundnote-unplug-{os.getpid()}")
    settings, socket, log_path = folder / "s.toml", folder / "c.sock", folder / "room.db"
    settings.write_text('[sound]\ninput_device = "unplug-mic"\noutput_device = "system"\n')
    words = ["run", "--no-pedals", "--settings", str(settings), "--log", str(log_path)]
    microphone = Microphone(card, "unplug-mic")
    daemon = subprocess.Popen(
        [sys.executable, "-m", "appliance", *words, "--socket", str(socket)],
        env=card.environment,
    )
    took_s = []
    chance = random.Random(seed)

    def status() -> Message:
        return ask(socket, {"do": "status"})

    try:
        wait_for(lambda: socket.exists() and status()["sound"]["running"], 60.0)
        ask(socket, {"do": "drone", "on": True})
        for number in tqdm(range(times)):
            microphone.play(phrase(number))
            time.sleep(chance.uniform(*PLAYS_S))
            microphone.close()
            card.stop()
            time.sleep(chance.uniform(*AWAY_S))
            card.start()
            microphone = Microphone(card, "unplug-mic")
            began_s = time.monotonic()
            reopened = number + 1
            wait_for(lambda n=reopened: status()["sound"]["reopened"] >= n, 60.0)
            wait_for(lambda: status()["sound"]["running"], 60.0)
            took_s.append(time.monotonic() - began_s)
        time.sleep(1.0)  # the room looks at its sound four times a second
        faults = [] if status()["drone"]["on"] else ["the drone did not go on"]
    finally:
        microphone.close()
        daemon.terminate()
        daemon.wait(timeout=30)
        card.stop()
    return took_s, faults + _gaps(log_path, times)


def _gaps(log_path: Path, times: int) -> list[str]:
    """Return what is wrong with the gaps in the log: each is an end and a beginning, in order."""
    with LogReader(log_path) as log:
        log.check_sound()
        kinds = [event.kind for event in log.events(0.0, 1e12)]
    kinds = [kind for kind in kinds if kind in (EventKind.SOUND_GONE, EventKind.SOUND_BACK)]
    right = [EventKind.SOUND_GONE, EventKind.SOUND_BACK] * times
    return [] if kinds == right else [f"{times} gaps became {len(kinds)} events"]


def main() -> int:
    """Unplug as often as asked and print the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=10)
    parser.add_argument("--seed", type=int, default=9000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        took_s, faults = unplug(options.times, options.seed, Path(folder))
    load = f"load average {os.getloadavg()[1]:.1f}"
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {load}"
    )
    print(
        f"back {len(took_s)} times: median {statistics.median(took_s):.1f} s, "
        f"worst {max(took_s):.1f} s, limit {LIMIT_S:g} s"
    )
    print("\n".join(faults) or "every gap is in the log")
    return int(bool(faults) or max(took_s) > LIMIT_S)


if __name__ == "__main__":
    sys.exit(main())
