"""``python -m tests.bench.keys``: pedals that type keys, on a kernel that makes input devices.

Boots Debian's kernel in an emulated PC over this machine's own files, which it only reads. There
``tests/test_keys.py`` runs, its board of ``uinput`` included. Then a USB keyboard is the board: its
keys go down and up, it is unplugged and plugged in again, and its keys still arrive. That is done
as the service does it: by a user without privileges whom the documented command has put into a
group, in a control group that may touch the devices of the unit file and no other. The same user
outside that group finds no board. Needs root, ``qemu-system-x86`` and apt; the Python that runs it
must have the version of Debian's.
Last results: ``tests/bench/KEYS.md``.
"""

import re
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from appliance.devices.keys import KeyPedals
from appliance.settings import PedalSettings
from tests.bench.first_files import first_files

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("busybox-static", "python3-evdev")
MODULES = (
    *("virtio_pci", "9pnet_virtio", "9p"),
    *("evdev", "uinput", "usbhid", "hid_generic", "xhci_pci"),
)
STEP_S = 60.0
TURNS = 3  # how often the board is unplugged
NAME = "QEMU USB Keyboard"
INPUT = 13  # the major number of input devices (linux/major.h)
CLOSED = tuple(f"{device} rwm" for device in ("1:3", "1:5", "1:7", "1:8", "1:9"))  # DevicePolicy
DEBIANS = "/usr/bin/python3"  # which a user without privileges may run, wherever ours lies
NO_BOARD, NO_BOARD_S = "outside the group there is no board", 5.0

# What udev does by itself on a Debian that runs one (50-udev-default.rules).
UDEV = "chgrp input /dev/input/event* && chmod 660 /dev/input/event*"
# The kernel's older device controller and the one that systemd uses ask the same question.
INIT = """$b mount -t 9p -o trans=virtio,version=9p2000.L,ro,msize=512000,cache=loose host /mnt
$b mount -t proc p /mnt/proc; $b mount -t sysfs s /mnt/sys
$b mount -t devtmpfs d /mnt/dev; $b mount -t tmpfs t /mnt/tmp
export HOME=/tmp TMPDIR=/tmp PYTHONDONTWRITEBYTECODE=1 OPENBLAS_NUM_THREADS=1 PYTHONUNBUFFERED=1
export PYTHONPATH={root}:{evdev}:{packages}
$b mkdir /mnt/tmp/allowed
$b mount -t cgroup -o devices c /mnt/tmp/allowed
$b chroot /mnt /bin/sh -c "cd {root}; uname -r; {python} -m pytest -p no:cacheprovider \\
  --color=no -rs tests/test_keys.py
  (while :; do {udev}; sleep 0.1; done) 2>/dev/null &
  mkdir /tmp/allowed/room; echo a > /tmp/allowed/room/devices.deny
  for device in {devices}; do echo c \\$device > /tmp/allowed/room/devices.allow; done
  echo \\$\\$ > /tmp/allowed/room/tasks
  setpriv --reuid=nobody --regid=nogroup --clear-groups {debians} -m tests.bench.keys --outside
  setpriv --reuid=nobody --regid=nogroup --groups={group} {debians} -m tests.bench.keys --inside"
$b poweroff -f
"""


def documented_group() -> str:
    """The group that the hardware's README puts the service's user into."""
    text = (ROOT / "hardware" / "README.md").read_text(encoding="utf-8")
    (group,) = re.findall(r"usermod --append --groups (\w+) groundnote", text)
    return str(group)


def allowed_mode() -> str:
    """What the unit file lets the service do with input devices: of r (read), w, m."""
    text = (ROOT / "systemd" / "groundnote.service").read_text(encoding="utf-8")
    (mode,) = re.findall(r"^DeviceAllow=char-input (\w+)$", text, re.MULTILINE)
    return str(mode)


def unpacked(folder: Path) -> Path:
    """Fetch Debian's kernel and what else is needed, without installing it."""
    told = subprocess.run(
        ["apt-cache", "depends", "linux-image-amd64"], capture_output=True, text=True, check=True
    ).stdout
    kernel = re.search(r"Depends: (linux-image-\S+)", told)
    if kernel is None:
        raise SystemExit("apt knows no linux-image-amd64.")
    wanted = [kernel[1], *PACKAGES]
    subprocess.run(["apt-get", "-q", "download", *wanted], cwd=folder, check=True)
    for package in folder.glob("*.deb"):
        subprocess.run(["dpkg", "-x", package, folder], check=True)
    return folder


def initrd(debian: Path) -> Path:
    """Make what the kernel begins with: the way to this machine's files."""
    init = INIT.format(
        root=ROOT,
        python=sys.executable,
        debians=DEBIANS,
        packages=Path(np.__file__).parents[1],
        udev=UDEV,
        group=documented_group(),
        devices=" ".join(f"'{device}'" for device in (*CLOSED, f"{INPUT}:* {allowed_mode()}")),
        evdev=debian / "usr/lib/python3/dist-packages",
    )
    return first_files(debian, MODULES, init, debian / "initrd.cpio")


def qemu(debian: Path, monitor: Path) -> list[str]:
    """The command that boots it; ``monitor`` is the socket that moves its keyboard."""
    (kernel,) = debian.glob("boot/vmlinuz-*")
    return [
        *("qemu-system-x86_64", "-accel", "tcg", "-cpu", "max", "-m", "1500"),
        *("-no-reboot", "-net", "none"),
        *("-display", "none", "-serial", "stdio"),
        *("-kernel", str(kernel), "-initrd", str(initrd(debian))),
        *("-append", "console=ttyS0 quiet panic=-1"),
        *("-virtfs", "local,path=/,mount_tag=host,security_model=none,readonly=on,multidevs=remap"),
        *("-device", "qemu-xhci", "-device", "usb-kbd,id=board"),
        *("-monitor", f"unix:{monitor},server,nowait"),
    ]


def said(machine: "subprocess.Popen[str]") -> Iterator[str]:
    """What the machine prints, line by line, also to this terminal."""
    assert machine.stdout is not None
    for line in machine.stdout:
        clean = re.sub(r"\x1b\[?[0-9;?]*[a-zA-Z]", "", line).rstrip()
        print(clean, flush=True)
        yield clean


def unplug(machine: "subprocess.Popen[str]", monitor: Path) -> tuple[int, bool]:
    """Press, unplug, plug in and press again; return how often the press came through.

    And whether nobody found the board who is not in its group.
    """
    lines, presses, shut = said(machine), 0, False
    with socket.socket(socket.AF_UNIX) as line:
        for text in lines:
            if text == NO_BOARD:
                shut = True
            elif text == "looking":
                line.connect(str(monitor))
            elif text == "there":
                line.sendall(b"sendkey right 200\n")
            elif text == "release right":
                presses += 1
                line.sendall(b"device_del board\n")
            elif text == "gone":
                line.sendall(b"device_add usb-kbd,id=board\n")
    return presses, shut


def outside() -> None:
    """In the emulated PC, by a user who is not in the group: no board is there."""
    pedals = KeyPedals(PedalSettings(keyboard=NAME), lambda *_: None, lambda *_: None)
    time.sleep(NO_BOARD_S)
    trouble = pedals.trouble
    pedals.close()
    print(NO_BOARD if trouble and "group input" in trouble else "it was found", flush=True)


def inside() -> None:
    """In the emulated PC: say which edges come, when the board has gone and when it is there."""

    def edge(word: str) -> None:
        print(word, flush=True)

    print("looking", flush=True)
    pedals = KeyPedals(
        PedalSettings(keyboard=NAME),
        lambda pedal, _: edge(f"press {pedal}"),
        lambda pedal, _: edge(f"release {pedal}"),
    )
    for _ in range(TURNS):
        wait_until(pedals, gone=False)
        edge("there")
        wait_until(pedals, gone=True)
        edge("gone")
    pedals.close()


def wait_until(pedals: KeyPedals, *, gone: bool) -> None:
    """Wait until the board has gone, or has been there for two seconds."""
    ends_s = time.monotonic() + STEP_S
    since_s = time.monotonic()
    while time.monotonic() < ends_s:
        if (pedals.trouble is not None) is not gone:
            since_s = time.monotonic()
        elif time.monotonic() - since_s >= (0.0 if gone else 2.0):
            return
        time.sleep(0.05)
    raise SystemExit(f"waited in vain: {pedals.trouble}")


def main() -> int:
    """Boot, press, unplug; return 1 where a press was lost, or came to whoever may not read it."""
    with tempfile.TemporaryDirectory(dir="/var/tmp") as name:
        folder = Path(name)
        folder.chmod(0o755)
        monitor = folder / "monitor"
        with subprocess.Popen(
            qemu(unpacked(folder), monitor),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            text=True,
        ) as machine:
            presses, shut = unplug(machine, monitor)
    print(f"{presses} of {TURNS} presses came through, the board unplugged after each")
    return 0 if presses == TURNS and shut else 1


if __name__ == "__main__":
    if "--inside" in sys.argv[1:]:
        inside()
    elif "--outside" in sys.argv[1:]:
        outside()
    else:
        sys.exit(main())
