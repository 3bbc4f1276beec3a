"""What the documents tell people to do fits what is there."""

import re
import shutil
import subprocess
import textwrap
import tomllib
from dataclasses import asdict
from pathlib import Path
from xml.etree import ElementTree

import pytest
from gpiozero.pins.mock import MockFactory

from appliance.__main__ import ELSEWHERE
from appliance.settings import PedalSettings, load
from web.hosts import _UNFIT

TOP = Path(__file__).parents[1]
UNITS = ("groundnote.service", "groundnote-web.service", "groundnote-backup.service")
DOCUMENTS = (
    *("README.md", "DEVELOPERS.md", "systemd/README.md"),
    *(f"hardware/{name}.md" for name in ("README", "commissioning", "faults", "school")),
)


def _example(document: str) -> str:
    """Return the document's indented TOML example: from its ``[room]`` to the next plain line."""
    text = (TOP / document).read_text()
    found = re.search(r"^ +\[room\]\n(?:(?: +.*)?\n)+", text, re.MULTILINE)
    assert found, f"no settings example in {document}"
    return textwrap.dedent(found.group())


@pytest.mark.parametrize("document", DOCUMENTS)
def test_links_lead_somewhere(document: str) -> None:
    path = TOP / document
    for link in re.findall(r"\]\(([^)#]+)\)", path.read_text()):
        assert (path.parent / link).exists(), f"{document} links to {link}"


def test_the_readme_opens_with_the_two_commands_and_ci_runs_the_second() -> None:
    commands = re.findall(r"^    (sh .+)$", (TOP / "README.md").read_text(), re.MULTILINE)
    assert commands == ["sh appliance/demo.sh", "sh tests/run.sh"]
    assert (TOP / ".ci/run").read_text().splitlines()[-1] == commands[1]


def test_the_settings_example_is_read_without_complaint(tmp_path: Path) -> None:
    file = tmp_path / "settings.toml"
    file.write_text(_example("README.md"))
    assert load(file).sound.device == "USB Audio"


def _pin_table() -> dict[str, tuple[int, int, int]]:
    """Setting: BCM number, pin on the header, ground on the header."""
    text = (TOP / "hardware/README.md").read_text()
    row = r"^\| .+ \| (\d+) \| (\d+) \| ground, (\d+) \| `([\w.]+)` \|$"
    return {
        setting: (int(bcm), int(pin), int(ground))
        for bcm, pin, ground, setting in re.findall(row, text, re.MULTILINE)
    }


def test_the_pin_table_is_what_the_pedals_use() -> None:
    defaults = asdict(PedalSettings())
    pins = {key: value for key, value in defaults.items() if key.endswith("_pin")}
    table = {setting.partition(".")[2]: bcm for setting, (bcm, _, _) in _pin_table().items()}
    assert table.pop("pin") not in pins.values()  # the light's, which is off by default
    assert table == pins


def test_the_pins_lie_on_the_header_where_gpiozero_has_them() -> None:
    """Source: gpiozero's own table of the board."""
    header = MockFactory().board_info.headers["J8"]
    for bcm, pin, ground in _pin_table().values():
        assert header.pins[pin].name == f"GPIO{bcm}"
        assert header.pins[ground].name == "GND"
    for pin, name in ((1, "3V3"), (17, "3V3"), (2, "5V"), (4, "5V")):
        assert header.pins[pin].name == name


def test_a_battery_clock_on_the_header_takes_no_switchs_pin() -> None:
    """Its bus is that of GPIO2 and GPIO3 (gpiozero's table); the other grounds are grounds."""
    text = (TOP / "hardware/README.md").read_text()
    found = re.search(
        r"3\.3 V at pin (\d+) .* pins (\d+) and (\d+), .* ground (\d+) or (\d+)", text
    )
    assert found
    supply, data, beat, *grounds = map(int, found.groups())
    header = MockFactory().board_info.headers["J8"]
    names = [header.pins[pin].name for pin in (supply, data, beat, *grounds)]
    assert names == ["3V3", "GPIO2", "GPIO3", "GND", "GND"]
    taken = {pin for _, *pins in _pin_table().values() for pin in pins}
    assert taken.isdisjoint({data, beat, *grounds})


def test_the_drawing_shows_the_table() -> None:
    drawing = ElementTree.parse(TOP / "hardware/wiring.svg")
    words = {element.text for element in drawing.iter("{http://www.w3.org/2000/svg}text")}
    for setting, (bcm, pin, ground) in _pin_table().items():
        assert f"{setting} = {bcm}" in words
        assert {f"GPIO{bcm} · {pin}", f"{pin} · GPIO{bcm}"} & words
        assert {f"ground · {ground}", f"{ground} · ground"} & words


@pytest.mark.parametrize("document", DOCUMENTS)
def test_commands_that_are_named_are_there(document: str) -> None:
    text = (TOP / document).read_text()
    named = set(re.findall(r"(?:`|/bin/|groundnote )groundnote ([a-z][a-z-]+)", text))
    assert named <= {*ELSEWHERE, "drone"}, named


@pytest.mark.parametrize("unit", UNITS)
def test_a_unit_starts_a_command_that_is_installed(unit: str) -> None:
    scripts = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]["scripts"]
    started = re.search(r"^ExecStart=\S+/bin/(\S+)", (TOP / "systemd" / unit).read_text(), re.M)
    assert started
    assert started.group(1) in scripts


@pytest.mark.parametrize("unit", UNITS)
def test_a_unit_is_little_exposed(unit: str) -> None:
    """At most 3.0, which systemd-analyze(1) calls OK; it exits with 1 above the threshold."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is missing (Debian: systemd)")
    words = ["systemd-analyze", "security", "--offline=true", "--threshold=30"]
    ran = subprocess.run(
        [*words, TOP / "systemd" / unit], capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stdout[-200:]


@pytest.mark.parametrize("unit", [*UNITS, "groundnote-backup.timer"])
def test_a_unit_has_no_line_that_systemd_does_not_know(unit: str, tmp_path: Path) -> None:
    """``systemd-analyze verify``, on copies whose program is there."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is missing (Debian: systemd)")
    for each in (TOP / "systemd").glob("groundnote*"):
        text = re.sub(
            r"^ExecStart=\S+", "ExecStart=/bin/true", each.read_text(), flags=re.MULTILINE
        )
        (tmp_path / each.name).write_text(text)
    ran = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", tmp_path / unit],
        capture_output=True,
        text=True,
        check=False,
    )
    said = [line for line in ran.stderr.splitlines() if "groundnote" in line]
    assert (ran.returncode, said) == (0, [])


def test_the_installer_is_portable_shell() -> None:
    if shutil.which("shellcheck") is None:
        pytest.skip("shellcheck is missing (Debian: shellcheck)")
    words = ["shellcheck", "--external-sources", "systemd/install.sh", "appliance/demo.sh"]
    ran = subprocess.run(words, cwd=TOP, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout


@pytest.mark.parametrize(
    ("name", "label"),
    [
        ("Room 3", "room-3"),
        ("  Übe-Zimmer (Süd) ", "be-zimmer-s-d"),
        ("ROOM.12", "room-12"),
        ("3", "3"),
    ],
)
def test_a_rooms_address_is_the_one_that_the_pages_answer_to(name: str, label: str) -> None:
    script = (TOP / "systemd/install.sh").read_text()
    function = re.search(r"^label\(\) \{\n.*?^\}", script, re.MULTILINE | re.DOTALL)
    assert function
    ran = subprocess.run(
        ["sh", "-c", f'{function.group()}\nlabel "$1"', "sh", name],
        capture_output=True,
        text=True,
        check=True,
    )
    assert ran.stdout.strip() == label == _UNFIT.sub("-", name.lower()).strip("-")
