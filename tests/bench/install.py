"""``python -m tests.bench.install``: a room is installed, frozen, updated and taken away again.

In Debian containers with a running systemd (see :mod:`tests.bench.containers`), as a caretaker
would do it. JACK's dummy driver stands for the sound interface: the room finds it, opens it inside
its sandbox and hears silence. There are no pins in a container, so the pedals' trouble is expected.
Each step prints one line; a step that fails ends the run.
"""

import argparse
import sys
import time
from collections.abc import Callable

from tests.bench.containers import Container, NoContainerError, container

PACKAGES = ("systemd", "systemd-sysv", "dbus", "python3", "jackd2", "procps", "curl")
UNITS = ("groundnote.service", "groundnote-web.service", "groundnote-backup.service")
EXPOSURE = 3.0  # "OK" in the words of systemd-analyze security
GROUPS = {"groundnote", "audio", "gpio"}
SETTINGS = "/etc/groundnote/settings.toml"
CARD = """[Service]
User=groundnote
ExecStart=jackd -n card -r -d dummy -r 48000 -p 512 -C 2 -P 2
"""
ON_THE_CARD = """[Service]
Environment=JACK_DEFAULT_SERVER=card
RemoveIPC=no
"""
WAIT_S = 150.0


class Caretaker:
    """Does the steps in one booted container."""

    def __init__(self, machine: Container) -> None:
        self._machine = machine
        self._shell = machine.shell
        self._install("--room 'Room 3'")  # without a sound device: said, and no failure

    def _install(self, words: str = "") -> str:
        self._machine.copy_clone("/root/clone")
        return self._shell(f"cd /root/clone; sh systemd/install.sh {words}")

    def _show(self, unit: str, name: str) -> str:
        return self._shell(f"systemctl show -p {name} --value {unit}").strip()

    def _status(self) -> dict[str, str]:
        said = self._shell("cd /; runuser -u groundnote -- groundnote drone status")
        return dict(line.split(": ", 1) for line in said.splitlines() if ": " in line)

    def units_are_sound(self) -> str:
        """Verified, and little exposed."""
        found = []
        for unit in UNITS:
            self._shell(f"systemd-analyze verify /etc/systemd/system/{unit}")
            exposure = self._exposure(unit)
            found.append(f"{unit} {exposure:.1f}")
            need(exposure <= EXPOSURE, found[-1])
        return ", ".join(found)

    def _exposure(self, unit: str) -> float:
        words = "systemd-analyze security --offline=true --no-pager"
        said = self._shell(f"{words} /etc/systemd/system/{unit}")
        return float(said.rsplit(":", 1)[1].split()[0])

    def user_is_modest(self) -> str:
        groups = set(self._shell("id -nG groundnote").split())
        need(groups == GROUPS, f"groups {groups}")
        owner = self._shell(f"stat -c '%U %G %a' {SETTINGS}").strip()
        need(owner == "root groundnote 640", owner)
        return " ".join(sorted(groups))

    def waits_for_an_interface(self) -> str:
        """Open and alive without one; says so."""
        need(self._show("groundnote", "ActiveState") == "active", "not active")
        status = self._show("groundnote", "StatusText")
        need("USB Audio" in status, status)
        return status[:60]

    def hears(self) -> str:
        """With a card there it opens it by itself."""
        self._write("/etc/systemd/system/card.service", CARD)
        self._write("/etc/systemd/system/groundnote.service.d/card.conf", ON_THE_CARD)
        self._shell(f"sed -i 's/^device = .*/device = \"system\"/' {SETTINGS}")
        self._shell("systemctl daemon-reload; systemctl start card; systemctl restart groundnote")
        wait(lambda: self._status().get("sound") == "system")
        return f"{self._status()['sound']}, {self._real_time()}"

    def _real_time(self) -> str:
        return self._shell("chrt -p $(pgrep -f devices.sound) | head -1").strip()

    def pages_answer(self) -> str:
        said = self._shell("curl -s -o /dev/null -w '%{http_code}' http://127.0.0.1:8080/")
        need(said == "200", said)
        named = self._shell(
            "curl -s -o /dev/null -w '%{http_code}' -H 'Host: room-3.local' http://127.0.0.1:8080/"
        )
        need(named == "200", named)
        conf = self._shell("grep ^host-name= /etc/avahi/avahi-daemon.conf").strip()
        need(conf == "host-name=room-3", conf)
        return f"{said}, also as room-3.local"

    def frozen_room_comes_back(self) -> str:
        """The service manager's watchdog sees to it."""
        before = self._show("groundnote", "MainPID")
        took_s = self._freeze(before)
        need(self._show("groundnote", "MainPID") != before, "still the same process")
        need("watchdog" in self._shell("journalctl -u groundnote -n 200 -o cat"), "no watchdog")
        return f"hears again after {took_s:.0f} s"

    def frozen_sound_comes_back(self) -> str:
        """The room sees to its sound process itself."""
        return f"hears again after {self._freeze(self._sound_process()):.0f} s"

    def _freeze(self, process: str) -> float:
        sound, began_s = self._sound_process(), time.monotonic()
        self._shell(f"kill -STOP {process}")
        wait(lambda: self._sound_process() not in (sound, ""))
        wait(lambda: self._status().get("sound") == "system")
        return time.monotonic() - began_s

    def _sound_process(self) -> str:
        return self._machine.run("pgrep", "-f", "devices.sound", check=False).stdout.strip()

    def killed_room_comes_back(self) -> str:
        before = self._show("groundnote", "MainPID")
        self._shell("systemctl kill --signal=KILL groundnote")
        wait(lambda: self._show("groundnote", "MainPID") not in (before, "0"))
        wait(lambda: self._status().get("sound") == "system")
        return f"restarts so far: {self._show('groundnote', 'NRestarts')}"

    def runs_again_and_keeps(self) -> str:
        """The same clone once more: settings, log and the user's own lines stay."""
        before = self._shell(f"sha256sum {SETTINGS}; ls /opt/groundnote")
        self._install()
        need(self._shell(f"sha256sum {SETTINGS}; ls /opt/groundnote") == before, "changed")
        return "nothing changed"

    def update_backs_up(self) -> str:
        """Another program: the log is copied first, the old program is gone afterwards."""
        count = "ls /var/lib/groundnote/backups/*.db | wc -l"
        before = int(self._shell(count))
        self._machine.copy_clone("/root/clone")
        self._shell("echo '# newer' >> /root/clone/appliance/vocabulary.py")
        self._shell("cd /root/clone; sh systemd/install.sh")
        after = int(self._shell(count))
        need(after > before, f"{before} backups, then {after}")
        programs = self._shell("ls -d /opt/groundnote/program-* | wc -l").strip()
        need(programs == "1", f"{programs} programs")
        wait(lambda: self._status().get("sound") == "system")
        return f"{before} backups before, {after} after"

    def wrong_settings_stop_an_update(self) -> str:
        self._shell(f"cp {SETTINGS} /root/kept; echo 'nonsense = 1' >> {SETTINGS}")
        ran = self._machine.run("sh", "/root/clone/systemd/install.sh", check=False)
        self._shell(f"cp /root/kept {SETTINGS}")
        need(ran.returncode == 1, str(ran.returncode))
        need(self._show("groundnote", "ActiveState") == "active", "the room does not run")
        return ran.stdout.strip().splitlines()[-1][:70]

    def uninstall_leaves_the_log(self) -> str:
        self._shell("cd /root/clone; sh systemd/install.sh --uninstall")
        left = self._shell("ls /var/lib/groundnote/groundnote.db; ls /etc/groundnote").split()
        need("settings.toml" in left, str(left))
        gone = self._machine.run(
            "ls", "-d", "/opt/groundnote", "/usr/local/bin/groundnote", check=False
        )
        need(gone.stdout.count("No such file") == 2, gone.stdout)
        conf = self._machine.run("grep", "^host-name=", "/etc/avahi/avahi-daemon.conf", check=False)
        need(conf.returncode == 1, conf.stdout)
        return " ".join(left)

    def installs_over_what_was_left(self) -> str:
        self._install()
        wait(lambda: self._show("groundnote", "ActiveState") == "active")
        return "runs, with the settings that were left"

    def _write(self, path: str, text: str) -> None:
        place = self._machine.folder / path.lstrip("/")
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text)


STEPS: tuple[Callable[[Caretaker], str], ...] = (
    Caretaker.units_are_sound,
    Caretaker.user_is_modest,
    Caretaker.waits_for_an_interface,
    Caretaker.hears,
    Caretaker.pages_answer,
    Caretaker.frozen_room_comes_back,
    Caretaker.frozen_sound_comes_back,
    Caretaker.killed_room_comes_back,
    Caretaker.runs_again_and_keeps,
    Caretaker.update_backs_up,
    Caretaker.wrong_settings_stop_an_update,
    Caretaker.uninstall_leaves_the_log,
    Caretaker.installs_over_what_was_left,
)


def need(fine: bool, found: str) -> None:
    """Raise with what was found in place of what is needed."""
    if not fine:
        raise NoContainerError(f"found instead: {found}")


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


def main() -> int:
    """Do all steps on each release; return 1 where one fails."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("suites", nargs="*", default=["bookworm", "trixie"], metavar="RELEASE")
    for suite in parser.parse_args().suites:
        with container(suite, PACKAGES) as machine, machine.booted():
            began_s = time.monotonic()
            caretaker = Caretaker(machine)
            print(f"{suite}: installed in {time.monotonic() - began_s:.0f} s", flush=True)
            for step in STEPS:
                name = step.__name__.replace("_", " ")
                try:
                    print(f"  {name}: {step(caretaker)}", flush=True)
                except NoContainerError as error:
                    print(f"  {name}: FAILED, {error}")
                    return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
