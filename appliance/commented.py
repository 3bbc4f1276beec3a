"""``groundnote settings``: a settings file in which every setting is explained.

The explanations are read from ``settings.py`` itself: the docstring of a table, the comments beside
and above a field, the range that a value is held to. So a file cannot tell of other settings than
there are.
"""

import argparse
import inspect
import io
import json
import re
import textwrap
import tokenize
import tomllib
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from appliance.settings import Settings, allowed, from_tables, load
from appliance.vocabulary import SettingsError

WIDTH = 98
HEAD = """\
Groundnote's settings. A line that begins with "#" changes nothing: below each explanation stands
the value that holds anyway. To change one, take away its "#" and write another value; then
    sudo systemctl restart groundnote groundnote-web
What is wrong in here is said in one sentence by
    groundnote settings THIS-FILE
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of ``settings``."""
    parser.add_argument(
        "file", nargs="?", type=Path, metavar="FILE", help="check this file and keep its values"
    )
    parser.add_argument(
        "--set", action="append", default=[], metavar="TABLE.KEY=VALUE", help="change one value"
    )


def run(options: argparse.Namespace) -> int:
    """Print the file; raises SettingsError for a wrong file or value."""
    settings = load(options.file) if options.file else Settings()
    for text in options.set:
        settings = _with(settings, text)
    print(commented(settings), end="")
    return 0


def commented(settings: Settings) -> str:
    """Return settings as TOML: every key with its explanation, a default behind ``#``."""
    lines = _as_comment(HEAD)
    for table, words in allowed().items():
        own, default = getattr(settings, table), getattr(Settings(), table)
        notes = _notes(type(own))
        lines += ["", "", f"[{table}]", *_as_comment(_plain(inspect.getdoc(own) or ""))]
        for key, may_be in words.items():
            value = getattr(own, key)
            mark = "#" if value == getattr(default, key) else ""
            note = f": {notes[key]}" if key in notes else ""
            lines += ["", *_as_comment(f"{key} ({may_be}){note}")]
            lines.append(f"{mark}{key} = {_toml(value)}")
    return "\n".join(lines) + "\n"


def _with(settings: Settings, text: str) -> Settings:
    """Return the settings with one value changed, written as TABLE.KEY=VALUE."""
    found = re.fullmatch(r"(\w+)\.(\w+)=(.*)", text)
    if found is None:
        raise SettingsError(f"--set takes TABLE.KEY=VALUE, such as room.a4_hz=442, not {text!r}")
    table, key, value = found.groups()
    content: dict[str, Any] = asdict(settings)
    is_text = isinstance(content.get(table, {}).get(key), str)
    content.setdefault(table, {})[key] = value if is_text else _parsed(value)
    return from_tables(content)


def _parsed(value: str) -> object:
    try:
        return tomllib.loads(f"value = {value}")["value"]
    except tomllib.TOMLDecodeError:
        return value  # text where none is due: the check says what is


def _notes(table: type) -> dict[str, str]:
    """Return the comments of a table's fields: above the field, and beside it."""
    notes: dict[str, str] = {}
    above: list[str] = []
    for line in _logical_lines(inspect.getsource(table)):
        comments = [token.string.lstrip("# ") for token in line if token.type == tokenize.COMMENT]
        field = re.match(r"\s*(\w+)\s*:", line[0].line) if line[0].type == tokenize.NAME else None
        above += comments
        if field is not None:
            notes.update({field[1]: " ".join(above)} if above else {})
        if line[0].type != tokenize.COMMENT:
            above = []
    return notes


def _logical_lines(source: str) -> Iterator[list[tokenize.TokenInfo]]:
    """Yield the tokens of each line of code, or of comment, without what is only layout."""
    line: list[tokenize.TokenInfo] = []
    for token in tokenize.generate_tokens(io.StringIO(textwrap.dedent(source)).readline):
        if token.type in (tokenize.NEWLINE, tokenize.NL):
            if line and (token.type == tokenize.NEWLINE or line[0].type == tokenize.COMMENT):
                yield line
                line = []
        elif token.type not in (tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER):
            line.append(token)


def _plain(docstring: str) -> str:
    return docstring.replace("``", "").replace("\n\n", "\n")


def _as_comment(text: str) -> list[str]:
    lines = [part for line in text.splitlines() for part in textwrap.wrap(line, WIDTH) or [""]]
    return [f"# {line}".rstrip() for line in lines]


def _toml(value: object) -> str:
    """Return a value in TOML; its basic strings escape as JSON's do (TOML 1.0, section String)."""
    return json.dumps(value, ensure_ascii=False)
