"""The log for other programs: its tables as CSV or JSON, read row by row.

Which tables and fields there are stands in :mod:`appliance.log.export_tables`.
"""

import csv
import io
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from appliance.log.reader import LogReader

Row = dict[str, Any]
Cell = str | int | float | bool | None
Find = Callable[[Row, ZoneInfo | None], Cell]

# A spreadsheet takes a text that begins so for a formula (OWASP, "CSV Injection").
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class Field:
    """One column of an export; ``unit`` is empty where there is none."""

    name: str
    unit: str
    meaning: str
    find: Find
    needs: tuple[str, ...]  # the log's columns it is made from


@dataclass(frozen=True, slots=True)
class Export:
    """One table of the log; ``kept_back`` are columns that no export has."""

    name: str
    meaning: str
    sql: str
    fields: tuple[Field, ...]
    kept_back: tuple[str, ...] = ()


class ExportReader(LogReader):
    """Reads tables row by row, so that a million notes need no memory."""

    def rows(self, export: Export) -> Iterator[Row]:
        """Yield the rows of a table that this reader may see, in their order."""
        with self._explained("read"):
            if export.name not in self._db.table_names():  # an older log
                return
            yield from self._db.query(export.sql, {"player": self._player})


def cells(export: Export, row: Row, zone: ZoneInfo | None) -> dict[str, Cell]:
    """Return one row as it is exported."""
    return {field.name: field.find(row, zone) for field in export.fields}


def csv_lines(export: Export, rows: Iterable[Row], zone: ZoneInfo | None) -> Iterator[str]:
    """Yield a table as CSV after RFC 4180, the names of the fields first."""
    yield _csv([field.name for field in export.fields])
    for row in rows:
        yield _csv([_safe(cell) for cell in cells(export, row, zone).values()])


def json_lines(export: Export, rows: Iterable[Row], zone: ZoneInfo | None) -> Iterator[str]:
    """Yield a table as one JSON list, an object a line."""
    before = "["
    for row in rows:
        yield f"{before}\n{json.dumps(cells(export, row, zone), ensure_ascii=False)}"
        before = ","
    yield "[]\n" if before == "[" else "\n]\n"


def _csv(values: Iterable[Cell]) -> str:
    line = io.StringIO()
    csv.writer(line).writerow(values)
    return line.getvalue()


def _safe(cell: Cell) -> Cell:
    """Return a cell that no spreadsheet takes for a formula; an apostrophe stands before it."""
    if isinstance(cell, bool):
        return str(cell).lower()
    if isinstance(cell, str) and cell.startswith(_FORMULA):
        return f"'{cell}"
    return cell
