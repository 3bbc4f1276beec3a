"""All SQL is fixed text with parameters: nothing that anybody sends is written into a statement.

Read from the source. What a statement has in braces must be a constant of its module, or stand in
the table below, with the reason why nobody outside has a say in it.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
STATEMENT = re.compile(
    r"\s*(SELECT|INSERT|UPDATE|DELETE|PRAGMA|WITH|CREATE|ALTER|DROP|ATTACH|VACUUM)\b"
)
FIXED = {
    "appliance/log/dating.py": {"table", "prefix", "flag", "boot"}  # rows of its own _MOMENTS
    | {"which.format(prefix=prefix, flag=flag)"},
    "appliance/log/export_tables.py": {"id_sql('id')", "id_sql('player_id')"}  # of fixed columns
    | {"id_sql('teacher_id')"},
    "appliance/log/logbook.py": {"id_sql('person_id')"},  # a fixed column
    "appliance/log/logfile.py": {"name"},  # a pragma that the log's own modules ask for
    "appliance/log/people.py": {"rest"},  # its own conditions, with parameters
    "appliance/log/reader.py": {"where", "table", "number"},  # its own conditions and tables
    "appliance/log/upkeep.py": {"t", "table", "id_sql('id')"},  # of its own lists
}


def _put_in(node: ast.AST) -> Iterator[str]:
    """Yield what a text that is put together has put in, as it stands in the source."""
    if isinstance(node, ast.JoinedStr):
        for part in node.values:
            if isinstance(part, ast.FormattedValue):
                yield ast.unparse(part.value)
    elif isinstance(node, ast.BinOp):
        for side in (node.left, node.right):
            if not isinstance(side, ast.Constant):
                yield ast.unparse(side)
    elif isinstance(node, ast.Call):  # of format
        for one in (*node.args, *(keyword.value for keyword in node.keywords)):
            yield ast.unparse(one)


def _first_text(node: ast.AST) -> str:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr) and node.values:
        return _first_text(node.values[0])
    if isinstance(node, ast.BinOp):
        return _first_text(node.left)
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
        return _first_text(node.func.value) if node.func.attr == "format" else ""
    return ""


def foreign(source: str) -> set[str]:
    """Return what is written into statements and is no constant."""
    return {
        name
        for node in ast.walk(ast.parse(source))
        if STATEMENT.match(_first_text(node))
        for name in _put_in(node)
        if not re.fullmatch(r"_?[A-Z][A-Z0-9_]*", name)
    }


def test_statements_are_fixed_texts() -> None:
    found = {
        str(path.relative_to(ROOT)): names
        for room in ("appliance", "web")
        for path in sorted((ROOT / room).rglob("*.py"))
        if (names := foreign(path.read_text(encoding="utf-8")))
    }
    assert found == FIXED


@pytest.mark.parametrize(
    "source",
    [
        "db.execute(f'SELECT * FROM person WHERE nickname = {nickname!r}')",
        "rows('DELETE FROM note WHERE id = ' + key)",
        "rows('UPDATE person SET nickname = %s' % nickname)",
        "rows('SELECT id FROM note WHERE id = {}'.format(key))",
    ],
)
def test_a_statement_with_something_written_into_it_is_found(source: str) -> None:
    assert foreign(source)
