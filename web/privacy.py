"""What is stored of a player, in plain words; take all of it with you, or delete it."""

import io
import zipfile
from collections.abc import Iterator

from flask import Blueprint, Response, abort, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf import FlaskForm
from wtforms import BooleanField, PasswordField, SubmitField
from wtforms.validators import InputRequired

from appliance.log.export_tables import EXPORTS, document
from appliance.log.exports import ExportReader, csv_lines, json_lines
from appliance.log.people import Person, PersonError
from appliance.log.studios import StudioReader
from web import sessions
from web.access import Who, current_person, needs, signed_in_person, whose
from web.door import try_pin
from web.erasing import eraser, forget_person
from web.forms import FILLED, OLD_PIN, SHORT
from web.place import Room, current_room

blueprint = Blueprint("privacy", __name__, url_prefix="/privacy")

_KINDS = (("csv", csv_lines), ("json", json_lines))
_AT_ONCE = 32768  # bytes that leave together


class DeleteAll(FlaskForm):  # type: ignore[misc]
    """One's own PIN, and a tick."""

    pin = PasswordField("Your PIN", validators=[FILLED, SHORT], render_kw=OLD_PIN)
    sure = BooleanField(validators=[InputRequired("Tick this, if it is meant.")])
    submit = SubmitField("Delete all of mine")


@blueprint.get("")
@needs(Who.ANYBODY)
def show_privacy() -> ResponseReturnValue:
    """What is stored, for how long, and who sees it."""
    return _show(DeleteAll(), 200)


@blueprint.get("/all-of-mine.zip")
def download_all() -> ResponseReturnValue:
    """Every table of one player, as CSV and as JSON, in one file."""
    player = whose()
    if player is None:
        abort(403)
    answer = Response(_zipped(current_room(), player), mimetype="application/zip")
    answer.headers["Content-Disposition"] = 'attachment; filename="groundnote-all-of-mine.zip"'
    return answer


@blueprint.post("/delete")
@needs(Who.PLAYER)
def delete_all() -> ResponseReturnValue:
    """Forget whoever is signed in, with all that was logged for them."""
    person, form = signed_in_person(), DeleteAll()
    if not form.validate_on_submit():
        return _show(form, 400)
    right, status = try_pin(person.nickname, form.pin.data, form.pin.errors)
    if right is None:
        return _show(form, status)
    try:
        forget_person(person.person_id)
    except PersonError as error:
        form.sure.errors.append(str(error))
        return _show(form, 400)
    sessions.end()
    return redirect(url_for("privacy.show_deleted"))


@blueprint.get("/deleted")
@needs(Who.ANYBODY)
def show_deleted() -> ResponseReturnValue:
    """What deleting has done, and whether something is left to do."""
    return render_template("deleted.html", owed=eraser().is_owed, room=current_room().settings.name)


def _show(form: DeleteAll, status: int) -> tuple[str, int]:
    me, room = current_person(), current_room()
    teachers: list[Person] = []
    if me is not None:
        with StudioReader(room.log_path) as log:
            teachers = log.teachers_of(me.person_id)
    page = render_template(
        "privacy.html",
        me=me,
        teachers=teachers,
        form=form,
        kept_days=room.settings.notes_kept_days,
        https=room.web.https,
        tried=request.method == "POST",
        room=room.settings.name,
    )
    return page, status


class _Sink(io.RawIOBase):
    """Takes what a ZIP file is written to, to be sent on."""

    def __init__(self) -> None:
        self._waiting = bytearray()

    def writable(self) -> bool:
        return True

    def write(self, data: object) -> int:
        part = bytes(data)  # type: ignore[call-overload]
        self._waiting += part
        return len(part)

    def take(self, at_least: int = 1) -> bytes:
        """Return what waits, once it is enough to be sent."""
        if len(self._waiting) < at_least:
            return b""
        part = bytes(self._waiting)
        self._waiting.clear()
        return part


def _zipped(room: Room, player: str) -> Iterator[bytes]:
    """Yield a ZIP file as it is made, so that a long log needs no memory."""
    sink = _Sink()
    with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("fields.md", document())
        for export in EXPORTS:
            for kind, lines in _KINDS:
                with (
                    made.open(f"{export.name}.{kind}", "w") as file,
                    ExportReader(room.log_path, player) as log,
                ):
                    for line in lines(export, log.rows(export), room.zone):
                        file.write(line.encode())
                        if part := sink.take(_AT_ONCE):
                            yield part
    yield sink.take()
