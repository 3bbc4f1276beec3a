"""A PC with Debian in an emulator: its clock and its power are in the hand of whoever runs it.

What a container cannot show: a kernel of its own, whose clock starts where the battery clock says
and can be set, whose limits systemd may raise, whose disk is a file that stays as it is when the
power goes. A folder made by :mod:`tests.bench.containers` becomes the disk. The processor is
emulated (TCG), some fifteen times slower than the machine's own. Needs root, ``qemu-system-x86``
and ``mke2fs``.
"""

import re
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from io import BufferedReader
from pathlib import Path

from tests.bench.containers import ROOM_PACKAGES, Container, NoContainerError, container
from tests.bench.first_files import first_files

SUITE = "bookworm"
# Beside what a container has: a system that looks after devices and the time by itself.
PACKAGES = ("systemd-timesyncd", "udev", "kmod", "tzdata", "iproute2", "python3-venv")
KERNEL = """mkdir /root/kernel; cd /root/kernel
kernel=$(apt-cache depends linux-image-amd64 | sed -n 's/.*Depends: \\(linux-image-.*\\)/\\1/p')
apt-get -qq download "$kernel" busybox-static
for package in *.deb; do dpkg-deb -x "$package" .; done
cp -r lib/modules /usr/lib/
depmod "${kernel#linux-image-}"
"""
MODULES = ("virtio_pci", "virtio_blk", "crc32c_generic", "ext4")
TO_THE_DISK = """init=$($b sed -n 's/.*init=\\([^ ]*\\).*/\\1/p' /proc/cmdline)
$b mount -t ext4 /dev/vda /mnt
$b umount /proc; $b mount -o move /dev /mnt/dev
exec $b switch_root /mnt "${init:-/sbin/init}"
"""
DISK_SIZE = "4G"
HAND = 2222  # the port at which the PC takes commands, from the emulator alone
BOOT_S, STEP_S = 1200.0, 600.0  # a busy machine emulates slowly
HAND_SOCKET = f"""[Unit]
DefaultDependencies=no
[Socket]
ListenStream={HAND}
Accept=yes
[Install]
WantedBy=multi-user.target
"""
HAND_SERVICE = """[Unit]
CollectMode=inactive-or-failed
[Service]
StandardInput=socket
StandardOutput=socket
StandardError=socket
ExecStart=sh -c 'cat >/run/hand.$$$$; sh -e /run/hand.$$$$ </dev/null 2>&1; echo; echo "ended $$?"'
"""
NETWORK = """[Match]
Type=ether
[Network]
DHCP=ipv4
"""


class Pc:
    """A PC that is switched on: commands go in at its own port."""

    def __init__(self, process: "subprocess.Popen[bytes]", port: int) -> None:
        self._process = process
        self._port = port

    @property
    def is_on(self) -> bool:
        """Whether it is still switched on."""
        return self._process.poll() is None

    def shell(self, script: str, seconds: float = STEP_S) -> str:
        """Run lines of shell as root and return what they said."""
        with self._asked(script, seconds) as answer:
            said = answer.read().decode(errors="replace")
        found = re.search(r"\n?\nended (\d+)\n$", said)
        if found is None or found[1] != "0":
            raise NoContainerError(f"{script!r} failed in the PC:\n{said}")
        return said[: found.start()]

    def stamped(self, script: str) -> list[tuple[float, str]]:
        """Run lines of shell, and return what they said with when it came (monotonic, s)."""
        with self._asked(script, STEP_S) as said:
            return [(time.monotonic(), text.decode().strip()) for text in said]

    @contextmanager
    def _asked(self, script: str, seconds: float) -> Iterator[BufferedReader]:
        """Send lines of shell; what comes back can be read until they have ended."""
        with socket.create_connection(("127.0.0.1", self._port), timeout=seconds) as line:
            line.sendall(script.encode())
            line.shutdown(socket.SHUT_WR)
            with line.makefile("rb") as said:
                yield said

    def wait_until_up(self) -> None:
        """Wait until its systemd has come up."""
        until_s = time.monotonic() + BOOT_S
        while time.monotonic() < until_s and self.is_on:
            with suppress(OSError, NoContainerError):
                self.shell("systemctl is-system-running --wait >/dev/null || true")
                return
            time.sleep(1.0)
        raise NoContainerError("the PC does not come up")

    def cut_power(self) -> None:
        """Take its power away between two instructions."""
        self._process.kill()
        self._process.wait()

    def switch_off(self) -> None:
        """Shut it down as one should."""
        with suppress(OSError, NoContainerError):
            self.shell("systemctl poweroff")
        try:
            self._process.wait(BOOT_S)
        except subprocess.TimeoutExpired:
            self.cut_power()
            raise NoContainerError("the PC does not shut down") from None


class Disk:
    """A disk with a bootable Debian, and what boots it."""

    def __init__(self, image: Path, kernel: Path, initrd: Path) -> None:
        self.image = image
        self._kernel = kernel
        self._initrd = initrd

    @contextmanager
    def switched_on(
        self,
        clock: datetime | None = None,
        more: Sequence[str] = (),
        kernel_words: str = "",
    ) -> Iterator[Pc]:
        """Switch a PC with this disk on; ``clock`` is what its battery clock says.

        Power is cut at the end if it was not switched off.
        """
        port = _free_port()
        words = self._qemu(clock or datetime.now(UTC), port, kernel_words)
        with (self.image.with_suffix(".console")).open("ab") as console:
            process = subprocess.Popen(
                [*words, *more], stdin=subprocess.DEVNULL, stdout=console, stderr=console
            )
            pc = Pc(process, port)
            try:
                yield pc
            finally:
                pc.cut_power()

    def _qemu(self, clock: datetime, port: int, kernel_words: str) -> list[str]:
        """The command; all reads and writes go to the disk's file past this machine's memory."""
        words = f"root=/dev/vda rw console=ttyS0 quiet panic=-1 net.ifnames=0 {kernel_words}"
        return [
            *("qemu-system-x86_64", "-accel", "tcg,thread=multi", "-cpu", "max", "-smp", "2"),
            *("-m", "1500", "-no-reboot", "-display", "none", "-serial", "stdio"),
            *("-kernel", str(self._kernel), "-initrd", str(self._initrd), "-append", words),
            *("-drive", f"file={self.image},format=raw,if=virtio,cache=none"),
            *("-rtc", f"base={clock:%Y-%m-%dT%H:%M:%S}"),
            *("-nic", f"user,model=virtio-net-pci,hostfwd=tcp:127.0.0.1:{port}-:{HAND}"),
        ]


def _free_port() -> int:
    with socket.socket() as line:
        line.bind(("127.0.0.1", 0))
        port: int = line.getsockname()[1]
        return port


def make_disk(machine: Container, folder: Path) -> Disk:
    """Make a disk of a container's folder; it takes commands at its port, once it is on."""
    root = machine.folder
    units = root / "etc/systemd/system"
    (units / "hand.socket").write_text(HAND_SOCKET)
    (units / "hand@.service").write_text(HAND_SERVICE)
    (root / "etc/systemd/network/any.network").write_text(NETWORK)
    (root / "etc/resolv.conf").unlink()
    (root / "etc/machine-id").write_text("")
    machine.shell("systemctl enable hand.socket systemd-networkd systemd-timesyncd")
    debian = folder / "debian"
    shutil.move(root / "root/kernel", debian)
    (kernel,) = debian.glob("boot/vmlinuz-*")
    initrd = first_files(debian, MODULES, TO_THE_DISK, folder / "initrd.cpio")
    disk = Disk(folder / "disk.img", kernel, initrd)
    made = ["mke2fs", "-q", "-F", "-t", "ext4", "-d", str(root), str(disk.image), DISK_SIZE]
    subprocess.run(made, stdout=subprocess.DEVNULL, check=True)
    return disk


@contextmanager
def installed(folder: Path, prepare: Callable[[Container], None]) -> Iterator[Disk]:
    """A disk on which a room is installed, as a caretaker does it, and then prepared."""
    for tool in ("qemu-system-x86_64", "mke2fs"):
        if shutil.which(tool) is None:
            raise NoContainerError(f"{tool} is missing")
    with container(SUITE, ROOM_PACKAGES) as machine:
        machine.copy_clone("/root/clone")
        with machine.booted():
            install = "DEBIAN_FRONTEND=noninteractive apt-get -qq install --no-install-recommends"
            machine.shell(f"apt-get -qq update; {install} -y {' '.join(PACKAGES)}")
            machine.shell(KERNEL)
            machine.shell("cd /root/clone; sh systemd/install.sh --room 'Room 3'")
            machine.shell("systemctl stop groundnote groundnote-web")
            prepare(machine)
            machine.shell("rm -rf /root/clone /var/lib/groundnote/* /var/log/journal /root/.cache")
        disk = make_disk(machine, folder)
    yield disk
