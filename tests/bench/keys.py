"""``python -m tests.bench.keys``: pedals that type keys, on a kernel that makes input devices.

Boots Debian's kernel in an emulated PC over this machine's own files, which it only reads. There
``tests/test_keys.py`` runs, its board of ``uinput`` included. Then a USB keyboard is the board: its
keys go down and up, it is unplugged and plugged in again, and its keys still arrive. Needs root,
``qemu-system-x86`` and apt; the Python that runs it must have the version of Debian's.
Last results: ``tests/bench/KEYS.md``.
"""

import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from appliance.devices.keys import KeyPedals
from appliance.settings import PedalSettings

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("busybox-static", "python3-evdev")
MODULES = (
    *("virtio_pci", "9pnet_virtio", "9p"),
    *("evdev", "uinput", "usbhid", "hid_generic", "xhci_pci"),
)
STEP_S = 60.0
TURNS = 3  # how often the board is unplugged
NAME = "QEMU USB Keyboard"

INIT = """#!/bin/busybox sh
b=/bin/busybox
$b mount -t proc p /proc; $b mount -t devtmpfs d /dev
{insert}
$b mount -t 9p -o trans=virtio,version=9p2000.L,ro,msize=512000,cache=loose host /mnt
$b mount -t proc p /mnt/proc; $b mount -t sysfs s /mnt/sys
$b mount -t devtmpfs d /mnt/dev; $b mount -t tmpfs t /mnt/tmp
export HOME=/tmp TMPDIR=/tmp PYTHONDONTWRITEBYTECODE=1 OPENBLAS_NUM_THREADS=1 PYTHONUNBUFFERED=1
export PYTHONPATH={root}:{evdev}
$b chroot /mnt /bin/sh -c "cd {root}; uname -r; {python} -m pytest -p no:cacheprovider \\
  --color=no -rs tests/test_keys.py; {python} -m tests.bench.keys --inside"
$b poweroff -f
"""


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


def in_order(modules: dict[str, Path]) -> list[str]:
    """The modules, each after those that it needs."""
    found: list[str] = []

    def add(name: str) -> None:
        needs = re.search(rb"depends=([^\0]*)\0", modules[name].read_bytes())
        for other in needs[1].decode().replace("-", "_").split(",") if needs else []:
            if other in modules:
                add(other)
        if name not in found:
            found.append(name)

    for name in MODULES:
        add(name)
    return found


def initrd(debian: Path) -> Path:
    """Make what the kernel begins with: a shell, modules, and the way to this machine's files."""
    modules = {file.stem.replace("-", "_"): file for file in debian.glob("lib/modules/**/*.ko")}
    order, tree = in_order(modules), debian / "initrd"
    for place in ("bin", "modules", "proc", "dev", "mnt"):
        (tree / place).mkdir(parents=True)
    busybox = shutil.copy(debian / "bin" / "busybox", tree / "bin" / "busybox")
    for name in order:
        shutil.copy(modules[name], tree / "modules" / f"{name}.ko")
    init = INIT.format(
        insert="\n".join(f"$b insmod /modules/{name}.ko" for name in order),
        root=ROOT,
        python=sys.executable,
        evdev=debian / "usr/lib/python3/dist-packages",
    )
    (tree / "init").write_text(init)
    (tree / "init").chmod(0o755)
    names = "\n".join(str(one.relative_to(tree)) for one in sorted(tree.rglob("*")))
    packed = subprocess.run(
        [busybox, "cpio", "-o", "-H", "newc"],
        input=names.encode(),
        capture_output=True,
        cwd=tree,
        check=True,
    ).stdout
    (debian / "initrd.cpio").write_bytes(packed)
    return debian / "initrd.cpio"


def qemu(debian: Path, monitor: Path) -> list[str]:
    """The command that boots it; ``monitor`` is the socket that moves its keyboard."""
    (kernel,) = debian.glob("boot/vmlinuz-*")
    return [
        *("qemu-system-x86_64", "-cpu", "max", "-m", "1500", "-no-reboot", "-net", "none"),
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


def unplug(machine: "subprocess.Popen[str]", monitor: Path) -> int:
    """Press, unplug, plug in and press again; return how often the press came through."""
    lines, presses = said(machine), 0
    with socket.socket(socket.AF_UNIX) as line:
        for text in lines:
            if text == "looking":
                line.connect(str(monitor))
            elif text == "there":
                line.sendall(b"sendkey right 200\n")
            elif text == "release right":
                presses += 1
                line.sendall(b"device_del board\n")
            elif text == "gone":
                line.sendall(b"device_add usb-kbd,id=board\n")
    return presses


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
    """Boot, press, unplug; return 1 where a test failed or a press was lost."""
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
            presses = unplug(machine, monitor)
    print(f"{presses} of {TURNS} presses came through, the board unplugged after each")
    return 0 if presses == TURNS else 1


if __name__ == "__main__":
    if "--inside" in sys.argv[1:]:
        inside()
    else:
        sys.exit(main())
