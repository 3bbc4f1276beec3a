"""The group ``input``: the documented command, the unit file and the installer fit together.

That the service's user then reads a board, and without the group does not, is measured on a kernel
that makes input devices: ``python -m tests.bench.keys``.
"""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.bench.keys import allowed_mode, documented_group

ROOT = Path(__file__).resolve().parents[1]
UNIT = (ROOT / "systemd" / "groundnote.service").read_text(encoding="utf-8")
UDEV = Path("/usr/lib/udev/rules.d/50-udev-default.rules")  # of Debian's udev
FILES = {
    "passwd": "groundnote:x:990:990::/var/lib/groundnote:/usr/sbin/nologin\n",
    "shadow": "groundnote:!:20000::::::\n",
    "group": "groundnote:x:990:\naudio:x:29:\ngpio:x:991:\ninput:x:105:\n",
    "gshadow": "groundnote:!::\naudio:*::\ngpio:!::\ninput:!::\n",
}


def test_the_documented_group_is_the_one_that_input_devices_have() -> None:
    assert documented_group() == "input"
    if UDEV.exists():
        assert 'SUBSYSTEM=="input", GROUP="input"' in UDEV.read_text(encoding="utf-8")


def test_the_unit_lets_its_user_open_input_devices_as_evdev_does() -> None:
    """evdev lists a device only where it may be read and written (``evdev.util.is_device``)."""
    assert "DevicePolicy=closed" in UNIT and "User=groundnote" in UNIT
    assert set(allowed_mode()) == set("rw")
    assert "PrivateDevices" not in UNIT  # it would hide them whatever is allowed


@pytest.mark.skipif(shutil.which("usermod") is None, reason="no usermod here")
def test_an_update_takes_no_group_away_that_the_user_was_put_into(tmp_path: Path) -> None:
    """The installer's own command, and the documented one before it, on files of their own."""
    etc = tmp_path / "etc"
    etc.mkdir()
    for name, text in FILES.items():
        (etc / name).write_text(text)
    installer = (ROOT / "systemd" / "install.sh").read_text(encoding="utf-8")
    documented = (ROOT / "hardware" / "README.md").read_text(encoding="utf-8")
    found = [re.findall(r"(usermod .*groundnote)$", text, re.M) for text in (documented, installer)]
    for (command,) in found:
        words = command.split()
        subprocess.run([*words[:1], "--prefix", str(tmp_path), *words[1:]], check=True)
    members = dict(line.split(":x:") for line in (etc / "group").read_text().splitlines())
    assert {name for name, rest in members.items() if rest.endswith(":groundnote")} == {
        "audio",
        "gpio",
        "input",
    }
