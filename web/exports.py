"""Take it with you: every table of the log as CSV and JSON, and what its fields mean."""

from collections.abc import Iterator
from pathlib import Path

from flask import Blueprint, Response, abort, render_template
from flask.typing import ResponseReturnValue

from appliance.log.export_tables import EXPORTS, NOT_EXPORTED, find_export
from appliance.log.exports import Export, ExportReader, csv_lines, json_lines
from web.access import has_owner, whose
from web.place import Room, current_room
from web.week_fields import WEEK_FIELDS

blueprint = Blueprint("exports", __name__)

_FORMATS = {"csv": ("text/csv", csv_lines), "json": ("application/json", json_lines)}
_AT_ONCE = 32768  # characters that leave together


@blueprint.get("/exports")
def show_exports() -> ResponseReturnValue:
    """The tables, each with its links and fields."""
    return render_template(
        "exports.html",
        exports=EXPORTS,
        not_exported=NOT_EXPORTED,
        week_fields=WEEK_FIELDS,
        mine=whose() is not None,
        room=current_room().settings.name,
    )


@blueprint.get("/exports/<table>.<kind>")
def download(table: str, kind: str) -> ResponseReturnValue:
    """One table, sent as it is read."""
    export = find_export(table)
    if export is None or kind not in _FORMATS:
        abort(404)
    player = whose()
    if player is None and has_owner():
        abort(403)
    with ExportReader(current_room().log_path, player):  # what is wrong with the log is said first
        mimetype = _FORMATS[kind][0]
    answer = Response(_sent(export, kind, current_room(), player), mimetype=mimetype)
    answer.headers["Content-Disposition"] = f'attachment; filename="groundnote-{table}.{kind}"'
    return answer


def _sent(export: Export, kind: str, room: Room, player: str | None) -> Iterator[str]:
    waiting: list[str] = []
    size = 0
    with ExportReader(Path(room.log_path), player) as log:
        for line in _FORMATS[kind][1](export, log.rows(export), room.zone):
            waiting.append(line)
            size += len(line)
            if size > _AT_ONCE:
                yield "".join(waiting)
                waiting, size = [], 0
    yield "".join(waiting)
