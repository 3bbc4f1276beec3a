"""The locks fit the project file, check every file by hash and name no index."""

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement

TOP = Path(__file__).parents[1]
PROJECT = tomllib.loads((TOP / "pyproject.toml").read_text())
LOCKS = {"requirements.lock": "pi", "tests/requirements.lock": "test"}


def _entries(lock: str) -> list[str]:
    text = re.sub(r"^\s*#.*$", "", (TOP / lock).read_text(), flags=re.MULTILINE)
    return [entry.strip() for entry in text.replace("\\\n", " ").splitlines() if entry.strip()]


def _pinned(lock: str) -> dict[str, set[str]]:
    pins: dict[str, set[str]] = {}
    for entry in _entries(lock):
        name, version = entry.split(" ")[0].split("==")
        pins.setdefault(name, set()).add(version)
    return pins


@pytest.mark.parametrize("lock", LOCKS)
def test_every_entry_is_pinned_with_hashes(lock: str) -> None:
    for entry in _entries(lock):
        assert re.match(r"[a-z0-9-]+==\S+ (; .+ )?\s*--hash=sha256:[0-9a-f]{64}", entry), entry


@pytest.mark.parametrize("lock", LOCKS)
def test_no_index_and_no_path_stands_in_the_lock(lock: str) -> None:
    assert not re.search(r"://|index|find-links|/\w+/", (TOP / lock).read_text())


@pytest.mark.parametrize(("lock", "extra"), LOCKS.items())
def test_the_lock_answers_the_project_file(lock: str, extra: str) -> None:
    project = PROJECT["project"]
    pins = _pinned(lock)
    for line in project["dependencies"] + project["optional-dependencies"][extra]:
        wanted = Requirement(line)
        versions = pins.get(wanted.name.lower())
        assert versions, f"{wanted.name} is not in {lock}: lock again, see DEVELOPERS.md"
        assert all(wanted.specifier.contains(version) for version in versions), line


def test_both_locks_agree() -> None:
    appliance, tests = (_pinned(lock) for lock in LOCKS)
    for name in appliance.keys() & tests.keys():
        assert appliance[name] == tests[name], name
