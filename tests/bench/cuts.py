"""``python -m tests.bench.cuts``: the power goes while somebody plays, on a real kernel and ext4.

A PC with Debian in an emulator (:mod:`tests.bench.pc`) starts nothing but the room of
:mod:`tests.bench.kill`, with its player of plain notes, on one log. The emulator is killed at a
random moment: what the guest's kernel had not yet given to its disk is gone, and what the disk has
said to hold is there (``cache=none``; it has no memory of its own that could lie). The room tells
the emulator's other end, before the cut, which notes have ended and which are committed. After each
cut the file system is mounted, which plays its journal back, and the log is asked; then the PC is
switched on again and the room opens the same log.
Last results: ``tests/bench/CUTS.md``.
"""

import argparse
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tqdm import tqdm

from appliance.log.keeping import KeptLog
from tests.bench.containers import TOP, Container, NoContainerError, need
from tests.bench.kill import ROW
from tests.bench.pc import Disk, installed

LOG = "var/lib/groundnote/cut.db"
LIVES_S = (0.0, 25.0)  # from when the room has begun to open its log
BEGIN_S = 1200.0  # a busy machine emulates slowly
INIT = "/usr/local/sbin/only-the-room"
ONLY_THE_ROOM = f"""#!/bin/sh
mount -t tmpfs none /run; mount -t proc none /proc; mount -t sysfs none /sys
modprobe virtio_console
until told=$(ls /dev/vport*p* 2>/dev/null); do sleep 0.1; done
cd /opt/groundnote/cut
export PYTHONDONTWRITEBYTECODE=1
seed=$(od -An -N2 -tu2 /dev/urandom)
exec /opt/groundnote/current/.venv/bin/python -u - "$told" $seed <<'PYTHON'
import os, sys
from pathlib import Path
from tests.bench.kill import ROW, live
told = os.open(sys.argv[1], os.O_WRONLY)
os.write(told, ROW.pack(b"b", 0.0, 0.0))
live(Path("/{LOG}"), int(sys.argv[2]), told)
PYTHON
"""


@dataclass
class Witness:
    """What was told before all cuts, and what was found after them."""

    cuts: int = 0
    committed: int = 0
    missing: int = 0  # committed, and not there
    aside: int = 0
    twice: int = 0
    unopened: list[str] = field(default_factory=list)
    lost_s: list[float] = field(default_factory=list)  # notes not there: how long before the cut


def prepare(machine: Container) -> None:
    """Put the room with its player beside the installed program, whose packages it uses."""
    place = machine.folder / "opt/groundnote/cut"
    for part in ("appliance", "tests"):
        ignore = shutil.ignore_patterns("__pycache__", "journals", "*.db")
        shutil.copytree(TOP / part, place / part, ignore=ignore)
    machine.shell("systemctl disable groundnote groundnote-web groundnote-backup.timer")
    init = machine.folder / INIT.lstrip("/")
    init.write_text(ONLY_THE_ROOM)
    init.chmod(0o755)


@contextmanager
def mounted(disk: Disk) -> Iterator[Path]:
    """The disk's files, after the file system has played its journal back."""
    with tempfile.TemporaryDirectory() as place:
        subprocess.run(["mount", "-o", "loop", str(disk.image), place], check=True)
        try:
            yield Path(place)
        finally:
            subprocess.run(["umount", place], check=True)


def one_life(disk: Disk, told: Path, lives_s: float) -> list[tuple[bytes, float, float]]:
    """Switch on, wait until the room begins, let it live for so long, take the power away."""
    told.write_bytes(b"")
    more = [
        *("-device", "virtio-serial", "-chardev", f"file,id=told,path={told}"),
        *("-device", "virtserialport,chardev=told,name=told"),
    ]
    with disk.switched_on(more=more, kernel_words=f"init={INIT}") as pc:
        until_s = time.monotonic() + BEGIN_S
        while told.stat().st_size < ROW.size:
            if time.monotonic() > until_s or not pc.is_on:
                raise NoContainerError("the room does not begin in the PC")
            time.sleep(0.05)
        time.sleep(lives_s)
        need(pc.is_on, "the room ended by itself")
        pc.cut_power()
    content = told.read_bytes()
    whole = len(content) // ROW.size * ROW.size
    return [ROW.unpack_from(content, at) for at in range(ROW.size, whole, ROW.size)]


def bear_witness(disk: Disk, rows: list[tuple[bytes, float, float]], witness: Witness) -> None:
    """Open a copy of what is on the disk, as the room will, and hold it against what was told."""
    witness.cuts += 1
    with tempfile.TemporaryDirectory() as name, mounted(disk) as root:
        path = Path(name) / "cut.db"
        for file in (root / LOG).parent.glob("cut.db*"):
            shutil.copy(file, Path(name))
        try:
            with KeptLog(path, "killed", "") as log:
                log.check_sound()
                witness.aside += log.set_aside is not None
                ends = [row.ended_at.monotonic_s for row in log.notes(0.0, 1e12)]
        except Exception as error:  # whatever it is, it is looked for
            witness.unopened.append(repr(error))
            return
    there = set(ends)
    witness.twice += len(ends) - len(there)
    committed = {ended_s for kind, ended_s, _ in rows if kind == b"k"}
    witness.committed += len(committed)
    witness.missing += len(committed - there)
    last_s = max((now_s for _, _, now_s in rows), default=0.0)
    ended = {ended_s for kind, ended_s, _ in rows if kind == b"h"}
    witness.lost_s += [last_s - ended_s for ended_s in ended - there]


def cut(disk: Disk, folder: Path, times: int, seed: int) -> Witness:
    """Cut the power so often, on one disk."""
    chance, witness = random.Random(seed), Witness()
    for _ in tqdm(range(times)):
        rows = one_life(disk, folder / "told", chance.uniform(*LIVES_S))
        bear_witness(disk, rows, witness)
        tqdm.write(f"{witness.committed} committed, {witness.missing} of them missing", sys.stdout)
    return witness


def main() -> int:
    """Cut as often as asked and print what became of the log."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=20)
    parser.add_argument("--seed", type=int, default=9000)
    options = parser.parse_args()
    with (
        tempfile.TemporaryDirectory(dir="/var/tmp") as name,
        installed(Path(name), prepare) as disk,
    ):
        witness = cut(disk, Path(name), options.times, options.seed)
    print(
        f"power cut                                  {witness.cuts:6d} times\n"
        f"notes told as committed before a cut       {witness.committed:6d}\n"
        f"  of those not in the log                  {witness.missing:6d}\n"
        f"notes that had ended and are not there     {len(witness.lost_s):6d}\n"
        f"  the longest before what was told last    {max(witness.lost_s, default=0.0):6.2f} s\n"
        f"notes twice                                {witness.twice:6d}\n"
        f"logs set aside as damaged                  {witness.aside:6d}\n"
        f"logs that did not open                     {len(witness.unopened):6d}"
    )
    print("\n".join(witness.unopened))
    kept = not (witness.missing or witness.twice or witness.unopened) and witness.committed > 0
    print("every promise kept" if kept else "NOT KEPT")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
