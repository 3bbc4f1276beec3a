"""What the documents tell people to do fits what is there."""

import re
import textwrap
import tomllib
from pathlib import Path

import pytest

from appliance.settings import PedalSettings, load

TOP = Path(__file__).parents[1]
DOCUMENTS = ("README.md", "DEVELOPERS.md", "hardware/README.md", "systemd/README.md")


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


@pytest.mark.parametrize("document", ["README.md", "systemd/README.md"])
def test_the_settings_example_is_read_without_complaint(document: str, tmp_path: Path) -> None:
    file = tmp_path / "settings.toml"
    file.write_text(_example(document))
    assert load(file).sound.device == "USB Audio"


def test_the_pin_table_is_what_the_pedals_use() -> None:
    text = (TOP / "hardware/README.md").read_text()
    rows = re.findall(r"^\| (\w+) \| (\d+) \| \d+ \| .+ `pedals\.(\w+)` \|$", text, re.MULTILINE)
    pins = {key: int(pin) for _, pin, key in rows}
    defaults = PedalSettings()
    assert pins == {
        "left_pin": defaults.left_pin,
        "middle_pin": defaults.middle_pin,
        "right_pin": defaults.right_pin,
    }


@pytest.mark.parametrize("unit", ["groundnote.service", "groundnote-web.service"])
def test_a_unit_starts_a_command_that_is_installed(unit: str) -> None:
    scripts = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]["scripts"]
    started = re.search(r"^ExecStart=\S+/bin/(\S+)", (TOP / "systemd" / unit).read_text(), re.M)
    assert started
    assert started.group(1) in scripts
