"""The house: imports point one way. Read from the source, so that lazy imports count, too."""

import ast
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
HOUSE = ("appliance", "web")

# What each room may import from the house; a module of its own room always, its own map included.
TABLES = {"vocabulary", "instruments", "tuning", "notation"}
RULES = TABLES | {"settings"}
WHOLE_APPLIANCE = RULES | {
    *("hearing", "practice", "devices", "log", "checking"),
    *(
        "control",
        "attendance",
        "gaps",
        "backup",
        "last_good",
        "room_setup",
        "sitting",
        *("changing", "calling", "just_played", "desk", "feet", "stretches"),
        "daemon",
        "live",
        "steady",
        "takes",
        "listening",
    ),
    *("care", "caretaker", "checkup", "inspecting", "calibrating"),
    *("advising", "commented", "plugged", "demo", "__main__"),
}
COMMANDS = {
    *("listening", "advising", "commented", "plugged", "demo", "__main__"),
    *("inspecting", "calibrating", "owning"),
}
MAY_IMPORT: dict[str, set[str]] = {
    "vocabulary": set(),
    "instruments": {"vocabulary"},
    "tuning": {"vocabulary", "instruments"},
    "notation": {"vocabulary", "instruments", "tuning"},
    "rules": TABLES,
    "setting_keys": TABLES | {"rules"},
    "settings": TABLES | {"rules", "setting_keys"},
    "hearing": RULES,
    "practice": RULES,
    "log": RULES | {"rules"},
    "checking": RULES | {"hearing", "practice"},
    "devices": RULES | {"practice", "checking"},
    "gaps": RULES | {"devices", "log"},
    "control": RULES,
    "steady": RULES,
    "takes": RULES | {"steady"},
    "listening": RULES | {"takes", "hearing"},
    "advising": RULES | {"practice", "log"},
    "commented": RULES,
    "plugged": RULES | {"devices"},
    "care": RULES | {"practice", "log"},
    "checkup": RULES | {"checking", "devices"},
    "caretaker": RULES | {"checking", "checkup", "practice"},
    "inspecting": RULES | {"checking", "checkup", "control", "devices", "live", "practice"},
    "calibrating": RULES | {"checking", "checkup", "control", "devices"},
    "owning": RULES | {"log"},
    "room_setup": RULES | {"log"},
    "last_good": RULES,
    "backup": RULES | {"devices", "log"},
    "restore": RULES | {"backup", "log"},
    "attendance": TABLES,
    "sitting": RULES | {"practice", "log", "attendance"},
    "changing": RULES | {"log", "control", "room_setup"},
    "calling": RULES | {"practice", "log", "sitting"},
    "just_played": RULES | {"practice", "log", "sitting"},
    "desk": RULES
    | {"practice", "log", "control", "sitting", "care", "calling", "just_played", "changing"},
    "feet": RULES | {"practice", "devices", "log", "desk"},
    "stretches": RULES | {"devices", "changing", "desk"},
    "daemon": WHOLE_APPLIANCE - COMMANDS - {"live"},
    "live": WHOLE_APPLIANCE - COMMANDS,
    "demo": WHOLE_APPLIANCE - {"__main__"},
    "__main__": WHOLE_APPLIANCE,
    "web": RULES | {"last_good", "log", "practice", "control", "room_setup", "checking"},
    "__init__": set(),
}

# Outside packages with one door each, seldom two: a module, or a whole room.
DOORS: dict[str, str | tuple[str, ...]] = {
    "aubio": "appliance.hearing.pitch",
    "sounddevice": ("appliance.devices.sound", "appliance.devices.finding"),
    "gpiozero": ("appliance.devices.pedals", "appliance.devices.lights"),
    "lgpio": "appliance.devices.pedals",
    "evdev": "appliance.devices.keys",
    "sqlite_utils": "appliance.log.logfile",
    "sqlite3": "appliance.log.logfile",
    "flask": "web",
    "flask_login": "web",
    "flask_wtf": "web",
    "wtforms": "web",
    "limits": "web",
    "waitress": "web",
}

# Pure rooms know no clock, disk, network, process or log file.
PURE = (
    *("appliance.hearing", "appliance.practice", "appliance.checking"),
    *("appliance.log.weeks", "appliance.log.tallies"),
    *("appliance.log.columns", "appliance.log.judging"),
    *("appliance.log.schema", "appliance.log.pace", "appliance.log.tries"),
    *("appliance.log.strings", "appliance.log.kinds", "appliance.log.wander"),
    *("appliance.log.agreement", "appliance.log.psychometric", "appliance.log.dating"),
    "appliance.log.interruptions",
    *("appliance.log.judging", "appliance.log.columns", "appliance.log.change"),
    *("appliance.log.days", "appliance.log.patterns", "appliance.log.suggestions"),
    "appliance.log.term",
    *("appliance.log.timeline", "appliance.log.chosen"),
    *(f"appliance.{table}" for table in sorted(TABLES)),
)
IMPURE_MODULES = {
    *("asyncio", "glob", "http", "importlib", "io", "logging", "multiprocessing", "os", "pathlib"),
    *("queue", "random", "requests", "sched", "secrets", "select", "shutil", "signal", "socket"),
    *("soundfile", "subprocess", "sys", "tempfile", "threading", "time", "urllib"),
}
IMPURE_CALLS = {"open", "print", "input", "exec", "eval", "__import__"}


# Where a process begins.
BENCHES = (
    *("advice", "beats", "ear", "hearing", "intruders", "press", "shifts"),
    *("kill", "pages", "power", "soak", "unplug"),
)
HEAVY = ("numpy.random", "numpy.ma", "werkzeug", "flask", "scipy", "pandas")
ENTRIES = (
    *("appliance.__main__", "appliance.demo", "web.__main__"),
    *(f"tests.bench.{name}" for name in BENCHES),
)


@pytest.mark.parametrize("module", ENTRIES)
def test_every_process_keeps_linear_algebra_to_one_thread(module: str) -> None:
    """The variable stands before numpy is first imported: OpenBLAS reads it then, and only then."""
    tell = (
        "import os, sys\n"
        "class Watch:\n"
        "    def find_spec(self, name, *_):\n"
        "        if name == 'numpy': print(os.environ.get('OPENBLAS_NUM_THREADS'))\n"
        "sys.meta_path.insert(0, Watch())\n"
        f"import {module}, numpy\n"
    )
    environment = {k: v for k, v in os.environ.items() if k != "OPENBLAS_NUM_THREADS"}
    words = [sys.executable, "-c", tell]
    told = subprocess.run(words, cwd=ROOT, env=environment, stdout=subprocess.PIPE, check=True)
    assert told.stdout == b"1\n"


SOUNDS = (
    "import appliance.devices.sound, appliance.devices.sound_process\n"
    "from appliance.devices.loudspeaker import Loudspeaker\n"
    "from appliance.settings import Settings\n"
    "Loudspeaker(Settings().drone, 48000.0).render(512)\n"
)
HEARS = (
    "import numpy as np, appliance.live, appliance.devices.interface\n"
    "from appliance.hearing.sent import recognise\n"
    "time_s = np.arange(7680) / 24000\n"
    "sent = sum(np.sin(2 * np.pi * 110.0 * k * time_s) / k for k in range(1, 6))\n"
    "assert recognise(sent, 24000.0) is not None\n"
)


@pytest.mark.parametrize("does", [SOUNDS, HEARS], ids=["sound process", "room"])
def test_a_small_machine_does_not_carry_what_it_never_uses(does: str) -> None:
    """Each is 3 to 6 MB of a process that may take 60."""
    tell = f"import sys\n{does}print([name for name in {HEAVY} if name in sys.modules])\n"
    words = [sys.executable, "-c", tell]
    told = subprocess.run(words, cwd=ROOT, stdout=subprocess.PIPE, check=True)
    assert told.stdout == b"[]\n"


def _inside(module: str, place: str) -> bool:
    return module == place or module.startswith(f"{place}.")


def _room(module: str) -> str:
    """Name a module's room: ``appliance.hearing.pitch`` is in ``hearing``."""
    parts = module.split(".")
    if parts[0] == "web":
        return "web"
    room = parts[1] if len(parts) > 1 else "__init__"
    return "demo" if room.startswith("demo_") else room  # a family of modules


def _modules(root: Path) -> Iterator[tuple[str, Path]]:
    for top in HOUSE:
        for file in sorted((root / top).rglob("*.py")):
            parts = file.relative_to(root).with_suffix("").parts
            yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts), file


def _imports(file: Path, root: Path) -> Iterator[str]:
    """Yield every name a file imports, absolute, wherever in the file the import stands.

    ``from appliance import log`` yields ``appliance.log``: the longest name that is a module.
    """
    folder = file.relative_to(root).parent.parts
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = folder[: len(folder) - node.level + 1] if node.level else ()
            package = ".".join([*base, *([node.module] if node.module else [])])
            yield from (_longest_module(package, alias.name, root) for alias in node.names)


def _longest_module(package: str, name: str, root: Path) -> str:
    path = root.joinpath(*package.split("."), name)
    is_module = path.is_dir() or path.with_suffix(".py").is_file()
    return f"{package}.{name}" if is_module else package


def _calls(file: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            yield node.func.id


def _doors(package: str) -> tuple[str, ...]:
    doors = DOORS[package]
    return (doors,) if isinstance(doors, str) else doors


def _import_fault(module: str, imported: str) -> str | None:
    room, top = _room(module), imported.partition(".")[0]
    if top in HOUSE:
        target = _room(imported)
        if target != room and target not in MAY_IMPORT.get(room, set()):
            return f"{module} imports {imported}: {room} may not import {target}"
    elif top in DOORS and not any(_inside(module, door) for door in _doors(top)):
        return f"{module} imports {top}: only {' and '.join(_doors(top))} may"
    elif top in IMPURE_MODULES and any(_inside(module, place) for place in PURE):
        return f"{module} imports {top}: it must stay pure"
    return None


def faults(root: Path) -> list[str]:
    """Return every breach of the one-way flow in the house below ``root``."""
    found = []
    for module, file in _modules(root):
        if _room(module) not in MAY_IMPORT:
            found.append(f"{module} has no place in the house: give it one in MAY_IMPORT")
            continue
        imported = dict.fromkeys(_imports(file, root))
        found += [fault for name in imported if (fault := _import_fault(module, name))]
        if any(_inside(module, place) for place in PURE):
            found += [f"{module} calls {c}()" for c in _calls(file) if c in IMPURE_CALLS]
    return found


def test_the_flow_is_one_way() -> None:
    assert faults(ROOT) == []


def test_the_walls_stand_where_the_house_stands() -> None:
    """A renamed door or pure module would silently leave its rule without effect."""
    modules = {module for module, _ in _modules(ROOT)}
    walls = {*PURE, *(door for package in DOORS for door in _doors(package))}
    assert walls - modules == set()


def _house(folder: Path, files: dict[str, str]) -> Path:
    for name, source in files.items():
        file = folder / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(source, encoding="utf-8")
    return folder


PROPER = {
    "appliance/__init__.py": '"""The map."""\n',
    "appliance/vocabulary.py": "from enum import StrEnum\n",
    "appliance/hearing/__init__.py": "",
    "appliance/hearing/pitch.py": "import aubio\nfrom appliance.vocabulary import Call\n",
    "appliance/hearing/ear.py": "from appliance.hearing.pitch import Pitch\n",
    "appliance/devices/__init__.py": "",
    "appliance/devices/sound.py": "import sounddevice\nimport time\n",
    "appliance/log/__init__.py": "",
    "appliance/log/logbook.py": "from appliance.log.logfile import LogFile\n",
    "appliance/log/logfile.py": "import sqlite_utils\nfrom pathlib import Path\n",
    "appliance/daemon.py": "from appliance.hearing import ear\nfrom appliance.log import logbook\n",
    "web/__init__.py": "import flask\nfrom appliance.log.logbook import Logbook\n",
}


def test_a_proper_house_has_no_faults(tmp_path: Path) -> None:
    assert faults(_house(tmp_path, PROPER)) == []


@pytest.mark.parametrize(
    ("file", "source", "fault"),
    [
        ("appliance/daemon.py", "import web\n", "daemon may not import web"),
        ("appliance/daemon.py", "def f():\n    from web import app\n", "may not import web"),
        ("appliance/hearing/ear.py", "from appliance.log import logbook\n", "not import log"),
        ("appliance/hearing/ear.py", "from appliance import log\n", "not import log"),
        ("appliance/hearing/ear.py", "from ..log.logbook import Logbook\n", "not import log"),
        ("appliance/hearing/ear.py", "from .. import log\n", "not import log"),
        ("appliance/hearing/ear.py", "import appliance.devices.sound\n", "not import devices"),
        ("appliance/practice/drone.py", "import appliance.log.logbook as l\n", "not import log"),
        ("appliance/practice/drone.py", "from appliance.devices import sound\n", "import devices"),
        ("appliance/vocabulary.py", "from appliance import hearing\n", "not import hearing"),
        ("appliance/log/logbook.py", "from appliance.daemon import run\n", "not import daemon"),
        ("web/__init__.py", "from appliance.devices import sound\n", "web may not import devices"),
        ("web/__init__.py", "from appliance.hearing.ear import Ear\n", "web may not import hear"),
        ("appliance/hearing/ear.py", "import aubio\n", "only appliance.hearing.pitch may"),
        (
            "appliance/daemon.py",
            "try:\n    import sounddevice\nfinally:\n    pass\n",
            "finding may",
        ),
        ("appliance/daemon.py", "from gpiozero.pins.mock import MockFactory\n", "lights may"),
        ("web/__init__.py", "import sqlite_utils.db\n", "only appliance.log.logfile may"),
        ("appliance/log/weeks.py", "import sqlite3\n", "only appliance.log.logfile may"),
        ("appliance/daemon.py", "import flask\n", "only web may"),
        ("appliance/hearing/ear.py", "import time\n", "must stay pure"),
        ("appliance/practice/drone.py", "from pathlib import Path\n", "must stay pure"),
        ("appliance/log/weeks.py", "import os.path\n", "must stay pure"),
        ("appliance/hearing/ear.py", "text = open('x').read()\n", "calls open()"),
        ("appliance/hearing/ear.py", "__import__('appliance.log')\n", "calls __import__()"),
        ("appliance/shed.py", "", "no place in the house"),
    ],
)
def test_a_breach_is_caught(tmp_path: Path, file: str, source: str, fault: str) -> None:
    found = faults(_house(tmp_path, PROPER | {file: source}))
    assert len(found) == 1, found
    assert fault in found[0]
