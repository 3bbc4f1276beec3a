"""``python -m tests.bench.install``: a room is installed, frozen, updated and taken away again.

In Debian containers with a running systemd (see :mod:`tests.bench.containers`), as a caretaker
would do it. JACK's dummy driver stands for the sound interface: the room finds it, opens it inside
its sandbox and hears silence. There are no pins in a container, so the pedals' trouble is expected.
Each step prints one line; a step that fails ends the run.
"""

import argparse
import os
import platform
import sqlite3
import sys
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from itertools import takewhile
from pathlib import Path

from appliance.log.schema import SCHEMA_VERSION
from tests.bench import old_log
from tests.bench.containers import (
    ROOM_PACKAGES,
    TOP,
    Container,
    all_pass,
    container,
    need,
    wait,
)
from tests.bench.neighbour import ADDRESS, neighbour

PAGES = "groundnote-web"
UNITS = ("groundnote.service", f"{PAGES}.service", "groundnote-backup.service")
EXPOSURE = 3.0  # "OK" in the words of systemd-analyze security
GROUPS = {"groundnote", "audio", "gpio"}
SETTINGS = "/etc/groundnote/settings.toml"
DUMMY = "-r -d dummy -r 48000 -p 512 -C 2 -P 2"
CARD = f"""[Service]
User=groundnote
ExecStart=jackd -n card {DUMMY}
"""
AVAHI = "org.freedesktop.Avahi / org.freedesktop.Avahi.Server"
ON_THE_CARD = """[Service]
Environment=JACK_DEFAULT_SERVER=card
RemoveIPC=no
"""
FED_S, DUE = 5.0, "WatchdogUSec"
# For a system without it, whose root types the commands.
SUDO = """sudo() {
    [ "$1" = -u ] || { "$@"; return; }
    user=$2; shift 2; runuser -u "$user" -- "$@"
}
"""
LOG = "/var/lib/groundnote/groundnote.db"


class Caretaker:
    """Does the steps in one booted container."""

    def __init__(self, machine: Container, suite: str) -> None:
        self._machine = machine
        self._suite = suite
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
            said = self._shell(f"systemd-analyze verify /etc/systemd/system/{unit}")
            need(not said.strip(), said)
            exposure = self._exposure(unit)
            found.append(f"{unit} {exposure:.1f}")
            need(exposure <= EXPOSURE, found[-1])
        return ", ".join(found)

    def _exposure(self, unit: str) -> float:
        words = "systemd-analyze security --offline=true --no-pager"
        said = self._shell(f"{words} /etc/systemd/system/{unit}")
        return float(said.rsplit(":", 1)[1].split()[0])

    def ready_is_notified(self) -> str:
        """``restart`` of a Type=notify unit returns once the room has said so."""
        need(self._show("groundnote", "Type") == "notify", "another type")
        self._shell("systemctl restart groundnote")
        state = self._show("groundnote", "ActiveState")
        need(state == "active", state)
        return f"{state}, by its own word"

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
        self._set("device", "system")
        self._shell("systemctl daemon-reload; systemctl start card; systemctl restart groundnote")
        wait(lambda: self._status().get("sound") == "system")
        return f"through {self._status()['sound']!r}, {self._real_time()}"

    def _real_time(self) -> str:
        """Its process comes before all others, where the machine lets systemd raise that limit."""
        limits = self._shell(f"cat /proc/{self._sound_process()}/limits")
        (limit,) = [line.split()[3] for line in limits.splitlines() if "realtime priority" in line]
        if limit == "0":
            return "not in real time: this machine lets no service have it (no CAP_SYS_RESOURCE)"
        said = self._shell(f"chrt -p {self._sound_process()}").splitlines()[0]
        need("SCHED_FIFO" in said, said)
        return f"its process in real time, within {limit}"

    def watchdog_is_fed(self) -> str:
        """By heard blocks: at each look what the service manager saw last is younger."""
        seen = []
        for _ in range(4):
            seen.append(int(self._show("groundnote", "WatchdogTimestampMonotonic")))
            time.sleep(FED_S)
        need(sorted(set(seen)) == seen, str(seen))
        return f"at each of {len(seen)} looks anew; due every {self._show('groundnote', DUE)}"

    def pages_answer(self) -> str:
        said = self._shell("curl -s -o /dev/null -w '%{http_code}' http://127.0.0.1:8080/")
        need(said == "200", said)
        named = self._shell(
            "curl -s -o /dev/null -w '%{http_code}' -H 'Host: room-3.local' http://127.0.0.1:8080/"
        )
        need(named == "200", named)
        conf = self._shell("grep ^host-name= /etc/avahi/avahi-daemon.conf").strip()
        need(conf == "host-name=room-3", conf)
        name = self._shell(f"busctl call {AVAHI} GetHostNameFqdn").strip()
        need(name == 's "room-3.local"', name)
        return f"{said}, also as room-3.local, which is what mDNS calls it"

    def another_machine_finds_it(self) -> str:
        """By its name alone, on a network that knows nothing but mDNS."""
        with neighbour(self._suite) as other:
            wait(lambda: "room-3.local" in other.shell("avahi-resolve -4 -n room-3.local"))
            address = other.shell("avahi-resolve -4 -n room-3.local").split()[1]
            need(address == ADDRESS, address)
            page = other.shell("curl -sf http://room-3.local:8080/")
            need("Room 3" in page, page[:500])
            wrong = other.run("curl", "-sf", "http://room-4.local:8080/", check=False)
            need(wrong.returncode != 0, "a room that is not there")
        return f"room-3.local is {address}, and its page is that of Room 3"

    def frozen_room_comes_back(self) -> str:
        """The service manager's watchdog sees to it."""
        before = self._show("groundnote", "MainPID")
        took_s = self._freeze(before)
        need(self._show("groundnote", "MainPID") != before, "still the same process")
        need("watchdog" in self._shell("journalctl -u groundnote -n 200 -o cat"), "no watchdog")
        return f"hears again after {took_s:.0f} s"

    def old_sound_is_gone(self) -> str:
        """No second sound process is left behind by what was frozen or killed."""
        found = self._machine.run("pgrep", "-c", "-f", "devices.sound", check=False).stdout
        need(found.strip() == "1", f"{found.strip()} sound processes")
        return "one sound process"

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

    def killed_sound_comes_back(self) -> str:
        """The room itself stays."""
        room, sound = self._show("groundnote", "MainPID"), self._sound_process()
        began_s = time.monotonic()
        self._shell(f"kill -KILL {sound}")
        wait(lambda: self._sound_process() not in (sound, ""))
        wait(lambda: self._status().get("sound") == "system")
        need(self._show("groundnote", "MainPID") == room, "the room was started again")
        return f"hears again after {time.monotonic() - began_s:.0f} s"

    def killed_pages_come_back(self) -> str:
        room, before = self._show("groundnote", "MainPID"), self._show(PAGES, "MainPID")
        began_s = time.monotonic()
        self._shell(f"systemctl kill --signal=KILL {PAGES}")
        wait(lambda: self._show(PAGES, "MainPID") not in (before, "0"))
        wait(lambda: bool(self.pages_answer()))
        need(self._show("groundnote", "MainPID") == room, "the room was started again")
        return f"answer again after {time.monotonic() - began_s:.0f} s"

    def backup_of_the_night(self) -> str:
        """The timer waits, and what it starts makes a copy from inside its sandbox."""
        need(self._show("groundnote-backup.timer", "ActiveState") == "active", "no timer")
        before = self._backups()
        self._shell("systemctl start groundnote-backup.service")
        need(len(self._backups()) > len(before), "no new copy")
        return f"{len(before)} copies before, {len(self._backups())} after"

    def backup_goes_to_a_stick(self) -> str:
        """A file system mounted under /media, the room user's own: a second copy lies there."""
        self._shell("mkdir -p /media/stick; mount -t tmpfs -o uid=groundnote none /media/stick")
        self._set("stick_path", "/media/stick")
        time.sleep(1.0)  # copies are named by the second
        self._shell("systemctl start groundnote-backup.service")
        self._set("stick_path", "")
        copies = self._shell("ls /media/stick/groundnote-backups/*.db; umount /media/stick").split()
        need(len(copies) == 1, str(copies))
        return copies[0].rsplit("/", 1)[0]

    def _set(self, key: str, value: str) -> None:
        line = f'{key} = "{value}"'  # in place of the default, which is a comment
        self._shell(f"sed -i 's@^#*{key} = .*@{line}@' {SETTINGS}")

    def _backups(self) -> list[str]:
        return [file.name for file in self._copies()]

    def runs_again_and_keeps(self) -> str:
        """The same clone once more: settings, log and the user's own lines stay."""
        before = self._shell(f"sha256sum {SETTINGS}; ls /opt/groundnote")
        self._install()
        need(self._shell(f"sha256sum {SETTINGS}; ls /opt/groundnote") == before, "changed")
        return "nothing changed"

    def update_backs_up(self) -> str:
        """Another program: the log is copied first, the old program is gone afterwards."""
        before = len(self._backups())
        self._machine.copy_clone("/root/clone")
        self._shell("echo '# newer' >> /root/clone/appliance/vocabulary.py")
        self._shell("cd /root/clone; sh systemd/install.sh")
        after = len(self._backups())
        need(after > before, f"{before} backups, then {after}")
        programs = self._shell("ls -d /opt/groundnote/program-* | wc -l").strip()
        need(programs == "1", f"{programs} programs")
        wait(lambda: self._status().get("sound") == "system")
        return f"{before} backups before, {after} after"

    def update_migrates_an_older_log(self) -> str:
        """Copied as it was, then brought up to date by the room; every old fact stays."""
        self._shell(f"systemctl stop groundnote {PAGES}; mkdir /root/newer; mv {LOG}* /root/newer")
        log = self._machine.folder / LOG.lstrip("/")
        old_log.write(log, "Room 3")
        self._shell(f"chown groundnote: {LOG}")
        old, backups = old_log.facts(log), self._backups()
        need((old.version, old.notes) == (1, old_log.NOTES), str(old))
        self._shell("echo '# newer still' >> /root/clone/appliance/vocabulary.py")
        self._shell("cd /root/clone; sh systemd/install.sh")
        new = replace(old, version=SCHEMA_VERSION)
        wait(lambda: old_log.facts(log).version == SCHEMA_VERSION)
        need(old_log.facts(log) == new, str(old_log.facts(log)))
        (copy,) = set(self._backups()) - set(backups)
        need(old_log.facts(log.parent / "backups" / copy) == old, f"{copy} is another")
        wait(lambda: self._status().get("sound") == "system")
        return f"version 1 to {new.version}, {new.notes} notes as they were, copy of version 1"

    def older_program_leaves_a_newer_log(self) -> str:
        """It says so and changes nothing; then the way back of hardware/school.md."""
        self._shell(f"systemctl stop groundnote {PAGES}")
        (copy,) = [one for one in self._copies() if old_log.facts(one).version == 1]
        log = self._machine.folder / LOG.lstrip("/")
        newer = replace(old_log.facts(log), version=SCHEMA_VERSION + 1)
        with closing(sqlite3.connect(log)) as db:
            db.execute(f"PRAGMA user_version = {newer.version}")
        ran = self._machine.run("sh", "/root/clone/systemd/install.sh", check=False)
        need(ran.returncode == 1 and "newer Groundnote" in ran.stdout, ran.stdout)
        need(old_log.facts(log) == newer, str(old_log.facts(log)))
        wait(lambda: self._show("groundnote", "ActiveState") == "active")
        back = school_lines("Back to the version before").replace("BACKUP", f"backups/{copy.name}")
        self._shell(f"{SUDO}cd /root/clone\n{back}")
        wait(lambda: self._status().get("sound") == "system")
        found = old_log.facts(log)
        need(found == replace(newer, version=SCHEMA_VERSION), str(found))
        kept = old_log.facts(log.parent / "newer" / log.name)
        need(kept == newer, str(kept))
        return f"refuses version {newer.version}; by the way back {found.notes} notes are there"

    def _copies(self) -> list[Path]:
        return sorted((self._machine.folder / LOG.lstrip("/")).parent.glob("backups/*.db"))

    def wrong_settings_stop_an_update(self) -> str:
        self._shell(f"cp {SETTINGS} /root/kept; echo 'nonsense = 1' >> {SETTINGS}")
        ran = self._machine.run("sh", "/root/clone/systemd/install.sh", check=False)
        self._shell(f"cp /root/kept {SETTINGS}")
        need(ran.returncode == 1, str(ran.returncode))
        need(self._show("groundnote", "ActiveState") == "active", "the room does not run")
        return ran.stdout.strip().splitlines()[-1][:70]

    def uninstall_leaves_the_log(self) -> str:
        self._shell("systemctl stop groundnote")
        before = self._shell(f"sha256sum {LOG} {SETTINGS} /var/lib/groundnote/backups/*")
        self._shell("cd /root/clone; sh systemd/install.sh --uninstall")
        after = self._shell(f"sha256sum {LOG} {SETTINGS} /var/lib/groundnote/backups/*")
        need(after == before, f"{before} and then {after}")
        units = self._machine.run(
            "ls", *(f"/etc/systemd/system/{one}" for one in UNITS), check=False
        )
        need(units.stdout.count("No such file") == len(UNITS), units.stdout)
        gone = self._machine.run(
            "ls", "-d", "/opt/groundnote", "/usr/local/bin/groundnote", check=False
        )
        need(gone.stdout.count("No such file") == 2, gone.stdout)
        conf = self._machine.run("grep", "^host-name=", "/etc/avahi/avahi-daemon.conf", check=False)
        need(conf.returncode == 1, conf.stdout)
        return "log, backups and settings byte for byte; program, units and address gone"

    def installs_over_what_was_left(self) -> str:
        self._install()
        wait(lambda: self._show("groundnote", "ActiveState") == "active")
        return "runs, with the settings that were left"

    def names_the_device_it_takes(self) -> str:
        """With a card there that root sees, and no settings: it is found, said and written."""
        self._shell(f"rm {SETTINGS}; systemd-run --quiet --unit=roots-card jackd {DUMMY}")
        wait(lambda: "system" in self._shell("groundnote sound"))
        said = self._install("--room 'Room 3'")
        need("the sound device is 'system', which does both ways" in said, said[-500:])
        need('\ndevice = "system"' in self._shell(f"cat {SETTINGS}"), "another in the settings")
        wait(lambda: self._status().get("sound") == "system")
        return "'system', said and in the settings; the room hears through it"

    def _write(self, path: str, text: str) -> None:
        place = self._machine.folder / path.lstrip("/")
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text)


IN_ORDER: tuple[Callable[[Caretaker], str], ...] = (
    Caretaker.units_are_sound,
    Caretaker.user_is_modest,
    Caretaker.waits_for_an_interface,
    Caretaker.ready_is_notified,
    Caretaker.hears,
    Caretaker.watchdog_is_fed,
    Caretaker.pages_answer,
    Caretaker.another_machine_finds_it,
    Caretaker.frozen_room_comes_back,
    Caretaker.frozen_sound_comes_back,
    Caretaker.killed_room_comes_back,
    Caretaker.killed_sound_comes_back,
    Caretaker.old_sound_is_gone,
    Caretaker.killed_pages_come_back,
    Caretaker.backup_of_the_night,
    Caretaker.backup_goes_to_a_stick,
    Caretaker.runs_again_and_keeps,
    Caretaker.update_backs_up,
    Caretaker.update_migrates_an_older_log,
    Caretaker.older_program_leaves_a_newer_log,
    Caretaker.wrong_settings_stop_an_update,
    Caretaker.uninstall_leaves_the_log,
    Caretaker.installs_over_what_was_left,
    Caretaker.names_the_device_it_takes,
)


def school_lines(after: str) -> str:
    """Return the commands of hardware/school.md that stand first after these words."""
    lines = (TOP / "hardware/school.md").read_text().split(after, 1)[1].splitlines()[1:]
    block = takewhile(lambda line: not line or line.startswith("    "), lines)
    return "\n".join(line.strip() for line in block)


def main() -> int:
    """Do all steps on each release; return 1 where one fails."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("suites", nargs="*", default=["bookworm", "trixie"], metavar="RELEASE")
    print(f"{datetime.now(UTC):%Y-%m-%d}, {platform.machine()}, {os.cpu_count()} cores", flush=True)
    for suite in parser.parse_args().suites:
        with container(suite, ROOM_PACKAGES) as machine, machine.booted():
            began_s = time.monotonic()
            caretaker = Caretaker(machine, suite)
            print(f"{suite}: installed in {time.monotonic() - began_s:.0f} s", flush=True)
            if not all_pass(IN_ORDER, caretaker):
                return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
