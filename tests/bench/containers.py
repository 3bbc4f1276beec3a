"""Small Debian systems in a folder, with mmdebstrap, run by systemd-nspawn: no Pi, but no pretence.

They share the network of this machine, which must be root's. A system's archive is made once and
kept in ``build/containers``; it is laid out in the temporary directory: ``TMPDIR=/dev/shm`` is
quicker.
"""

import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

Visitor = TypeVar("Visitor")
TOP = Path(__file__).resolve().parents[2]
KEPT = TOP / "build/containers"
PARTS = ("appliance", "web", "systemd", "hardware", "pyproject.toml", "requirements.lock")
PARTS += ("README.md", "LICENSE")
# What a room is installed on: a bare system with a virtual sound card, and what looks into it.
ROOM_PACKAGES = ("systemd", "systemd-sysv", "dbus", "python3", "jackd2", "procps", "curl")
BOOT_S, STEP_S, WAIT_S = 120.0, 3600.0, 150.0
TOOLS = {"mmdebstrap": "mmdebstrap", "systemd-nspawn": "systemd-container", "nsenter": "util-linux"}
CERTIFICATES = Path("/etc/ssl/certs/ca-certificates.crt")


class NoContainerError(Exception):
    """This machine cannot make or run them."""


class Container:
    """One system in a folder; ``run`` waits for a command in it, booted or not."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._leader: int | None = None

    def run(
        self, *words: str, check: bool = True, seconds: float = STEP_S
    ) -> "subprocess.CompletedProcess[str]":
        """Run a command as root and return what it said; raises CalledProcessError."""
        aside = ["systemd-nspawn", "-q", "--register=no", "--keep-unit", "--pipe", "-D"]
        into = ["nsenter", "--target", str(self._leader), "--all"]
        where = into if self._leader else [*aside, str(self.folder)]
        ran = subprocess.run(
            ["timeout", str(round(seconds)), *where, *words],  # which ends nspawn as it should be
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
        if check and ran.returncode:
            raise NoContainerError(f"{' '.join(words)} ended with {ran.returncode}:\n{ran.stdout}")
        return ran

    def shell(self, script: str, **more: float) -> str:
        """Run a line of shell and return what it said."""
        return self.run("sh", "-ec", script, **more).stdout

    def copy_clone(self, to: str) -> None:
        """Put this clone's program there, as a fresh clone has it."""
        place = self.folder / to.lstrip("/")
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir(parents=True)
        for part in PARTS:
            source, target = TOP / part, place / part
            if source.is_dir():
                shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                shutil.copy(source, target)

    @contextmanager
    def booted(self, *more: str) -> Iterator[None]:
        """Boot its systemd, and shut it down; ``more`` is for systemd-nspawn."""
        words = ["systemd-nspawn", "-q", "--register=no", "--keep-unit", *more, "-b", "-D"]
        with tempfile.TemporaryFile() as console:
            process = subprocess.Popen(
                [*words, str(self.folder)],
                stdin=subprocess.DEVNULL,
                stdout=console,
                stderr=subprocess.STDOUT,
            )
            try:
                self._leader = _child_of(process)
                self._wait_for_systemd()
                yield
            finally:
                self._leader = None
                process.terminate()
                process.wait(BOOT_S)

    def _wait_for_systemd(self) -> None:
        until_s = time.monotonic() + BOOT_S
        while time.monotonic() < until_s:
            state = self.run("systemctl", "is-system-running", check=False).stdout.strip()
            if state in ("running", "degraded"):
                return
            time.sleep(0.5)
        raise NoContainerError("systemd does not come up in the container")


def need(fine: bool, found: str) -> None:
    """Raise with what was found in place of what is needed."""
    if not fine:
        raise NoContainerError(f"found instead: {found}")


def all_pass(steps: Sequence[Callable[[Visitor], str]], visitor: Visitor) -> bool:
    """Do the steps and print what each says; whether none failed, the first that does ends it."""
    for step in steps:
        name = step.__name__.replace("_", " ")
        try:
            print(f"  {name}: {step(visitor)}", flush=True)
        except NoContainerError as error:
            print(f"  {name}: FAILED, {error}")
            return False
    return True


def wait(look: Callable[[], bool]) -> None:
    """Look until it is so; a command that fails meanwhile is not yet so."""
    until_s = time.monotonic() + WAIT_S
    while time.monotonic() < until_s:
        try:
            if look():
                return
        except NoContainerError:
            pass
        time.sleep(1.0)
    raise NoContainerError(f"waited {WAIT_S:.0f} s in vain")


def _child_of(process: "subprocess.Popen[bytes]") -> int:
    until_s = time.monotonic() + BOOT_S
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    while time.monotonic() < until_s and process.poll() is None:
        if pids := children.read_text().split():
            return int(pids[0])
        time.sleep(0.1)
    raise NoContainerError("systemd-nspawn does not start")


@contextmanager
def container(suite: str, packages: Sequence[str], arch: str = "amd64") -> Iterator[Container]:
    """A fresh Debian system; raises :class:`NoContainerError` where it cannot be had."""
    if os.geteuid():
        raise NoContainerError("containers need root")
    for tool, package in TOOLS.items():
        if shutil.which(tool) is None:
            raise NoContainerError(f"{tool} is missing: apt-get install {package}")
    archive = _archive(suite, packages, arch)
    with tempfile.TemporaryDirectory(prefix="groundnote-") as folder:
        subprocess.run(["tar", "-x", "-f", str(archive), "-C", folder], check=True)
        root = Path(folder)
        root.chmod(0o755)
        shutil.copy("/etc/resolv.conf", root / "etc/resolv.conf")
        shutil.copy(CERTIFICATES, root / CERTIFICATES.relative_to("/"))
        yield Container(root)


def _archive(suite: str, packages: Sequence[str], arch: str) -> Path:
    archive = KEPT / f"{suite}-{arch}-{'-'.join(packages)}.tar"
    if not archive.exists():
        KEPT.mkdir(parents=True, exist_ok=True)
        begun = archive.with_suffix(".begun.tar")
        include = ",".join([*packages, "ca-certificates"])
        words = ["mmdebstrap", "--quiet", "--variant=minbase", f"--arch={arch}"]
        made = subprocess.run(
            [*words, f"--include={include}", suite, str(begun)],
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
        if made.returncode:
            raise NoContainerError(f"mmdebstrap cannot make {suite} {arch}: {made.stderr[-500:]}")
        begun.rename(archive)
    return archive
