"""The room: how it is just now, and forms to set drone, tuning and the owner's rules. No pitch.

What is set is asked of the running room first, which may refuse; what it took is kept for its next
start. Where no room runs it is kept all the same, and the page says so.
"""

from typing import Any

from flask import Blueprint, Flask, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf import FlaskForm
from wtforms import BooleanField, SelectField, TimeField
from wtforms.fields.choices import SelectChoice
from wtforms.validators import InputRequired, NumberRange, Optional

from appliance.control import NoRoomError, ask
from appliance.instruments import INSTRUMENTS
from appliance.log.people import Role
from appliance.log.room_settings import RoomSettingsEditor
from appliance.practice.tone import HIGHEST_MIDI, LOWEST_MIDI
from appliance.room_setup import Setup
from appliance.settings import Settings
from appliance.tuning import note_name as scientific_name
from appliance.tuning import parse_note
from appliance.vocabulary import ControlError, GroundnoteError
from web import naming
from web.access import Who, current_person, has_owner, needs
from web.forms import Number
from web.pages import frame
from web.place import current_room, set_on_page
from web.query import A4_HZ, BAND_CENTS, SWITCHES, Asked, read_query
from web.room_answer import who_is_in
from web.words import TUNING_NAMES

blueprint = Blueprint("room", __name__)

LEVEL_STEP_DB = 3.0
LEVELS_DBFS = (-60.0, -9.0)
_ROOMS_OWN = ("tuning", "band", "a4")  # the form below sets these for the whole room
_SWITCHES = tuple(name for name in SWITCHES if name not in (*_ROOMS_OWN, "open"))
SETS_WITHIN_S = 3.0  # a change of instrument waits for the ear


class Tuned(FlaskForm):  # type: ignore[misc]
    """How the room is tuned."""

    instrument = SelectField(
        "Instrument", choices=[SelectChoice(name, name.replace("-", " ")) for name in INSTRUMENTS]
    )
    a4_hz = Number(
        "A4 in Hz",
        validators=[
            Optional(),
            NumberRange(*A4_HZ, f"A4 is a number of hertz from {A4_HZ[0]:g} to {A4_HZ[1]:g}."),
        ],
        render_kw={"type": "number", "step": "any", "min": A4_HZ[0], "max": A4_HZ[1]},
    )
    tuning = SelectField("Tuning", choices=[SelectChoice(*pair) for pair in TUNING_NAMES.items()])
    band_cents = Number(
        "In tune within, cents",
        validators=[
            InputRequired("Fill this in."),
            NumberRange(
                *BAND_CENTS,
                f"The band is a number of cents from {BAND_CENTS[0]:g} to {BAND_CENTS[1]:g}.",
            ),
        ],
        render_kw={"type": "number", "step": "any", "min": BAND_CENTS[0], "max": BAND_CENTS[1]},
    )


class Rules(FlaskForm):  # type: ignore[misc]
    """What only the owner sets."""

    lock_a4 = BooleanField("Only the owner sets A4")
    lock_loudness = BooleanField("Only the owner sets how loud the drone is")
    quiet_from = TimeField("No drone from", validators=[Optional()])
    quiet_to = TimeField("until", validators=[Optional()])


def register(app: Flask) -> None:
    """Give ``app`` the page, and its templates a word."""
    app.jinja_env.filters.update(read_note=read_note)
    app.register_blueprint(blueprint)


def read_note(name: str) -> str:
    """Name a note that the room named, the way this page names notes."""
    return naming.note_name(parse_note(name))


@blueprint.get("/room")
def show_room() -> ResponseReturnValue:
    """How the room is, and what may be set."""
    return _show(_tuned(), _rules(), 200)


@blueprint.post("/room/drone")
def set_drone() -> ResponseReturnValue:
    """Sound the drone, silence it, or choose its note."""
    wish = request.form.get("do")
    note = request.form.get("note", "")[:20]
    asked: dict[str, Any] = {"do": "drone"}
    if wish in ("on", "off"):
        asked["on"] = wish == "on"
    if note and wish != "off":
        asked["note"] = note
    if _may_set():
        try:
            ask(current_room().control, asked, timeout_s=SETS_WITHIN_S)
            if "note" in asked:
                _keep({"drone_note": note})
        except GroundnoteError as error:
            flash(_said(error))
    return _back()


@blueprint.post("/room/loudness")
def set_loudness() -> ResponseReturnValue:
    """Make the drone a little softer or louder, one step a tap."""
    step_db = {"softer": -LEVEL_STEP_DB, "louder": LEVEL_STEP_DB}.get(request.form.get("do", ""))
    status = _status()
    if status is None:
        flash(_said(NoRoomError()))
    elif step_db is not None and _may_set():
        wanted_dbfs = status["drone_level_dbfs"] + step_db
        _set({"drone_level_dbfs": min(max(wanted_dbfs, LEVELS_DBFS[0]), LEVELS_DBFS[1])})
    return _back()


@blueprint.post("/room/tuning")
def set_tuning() -> ResponseReturnValue:
    """Set instrument, A4, tuning and band."""
    form = Tuned()
    if not form.validate_on_submit():
        return _show(form, _rules(), 400)
    room = current_room().settings
    wanted = {key: form[key].data for key in ("instrument", "a4_hz", "tuning", "band_cents")}
    changed = {
        key: value
        for key, value in wanted.items()
        if value is not None and value != getattr(room, key)
    }
    if changed and _may_set():
        _set(changed)
    return _back(anew=_ROOMS_OWN)


@blueprint.post("/room/rules")
@needs(Who.OWNER)
def set_rules() -> ResponseReturnValue:
    """Lock A4 and loudness, and set quiet hours."""
    form = Rules()
    if not form.validate_on_submit():
        return _show(_tuned(), form, 400)
    hours = {key: form[key].data for key in ("quiet_from", "quiet_to")}
    _set(
        {
            "lock_a4": bool(form.lock_a4.data),
            "lock_loudness": bool(form.lock_loudness.data),
            **{key: at and f"{at:%H:%M}" for key, at in hours.items()},
        }
    )
    return _back()


# -- what is shown ----------------------------------------------------------------------------


def _show(tuned: Tuned, rules: Rules, status_code: int) -> ResponseReturnValue:
    asked = _asked()
    naming.follow(asked, (), current_room().settings.instrument)
    status = _status()
    chosen = request.args.get("note", status["drone"]["note"] if status else "")
    page = render_template(
        "room.html",
        status=status,
        inside=who_is_in() if status else None,
        tuned=tuned,
        rules=rules,
        octaves=_octaves(),
        chosen=chosen,
        a4_locked=_locked("lock_a4"),
        loudness_locked=_locked("lock_loudness"),
        owner=_is_owner(),
        switches=_SWITCHES,
        kept=_kept(asked),
        **frame(asked),
    )
    return page, status_code


def _asked() -> Asked:
    return read_query(request.args, current_room().settings, current_room().this_week)


def _kept(asked: Asked) -> dict[str, Any]:
    """What the address says of how to read and write; what it does not say is the room's."""
    return {key: value for key, value in asked.switches().items() if key in request.args}


def _back(*, anew: tuple[str, ...] = ()) -> ResponseReturnValue:
    """Show the page again, its notes named the same way; some switches are the room's again."""
    kept = {key: value for key, value in _kept(_asked()).items() if key not in anew}
    return redirect(url_for("room.show_room", **kept))


def _status() -> dict[str, Any] | None:
    try:
        return ask(current_room().control, {"do": "status"}, timeout_s=1.0)
    except ControlError:
        return None


def _octaves() -> list[tuple[int, list[tuple[str, int]]]]:
    """The notes of the drone, octave by octave: the name a request needs, and the MIDI number."""
    notes = [(scientific_name(midi), midi) for midi in range(LOWEST_MIDI, HIGHEST_MIDI + 1)]
    return [(o, [n for n in notes if n[1] // 12 - 1 == o]) for o in range(1, 8)]


def _tuned() -> Tuned:
    return Tuned(formdata=None, obj=current_room().settings)


def _rules() -> Rules:
    values = set_on_page(current_room().log_path)
    form = Rules(formdata=None, data={key: values.get(key) for key in ("lock_a4", "lock_loudness")})
    for key in ("quiet_from", "quiet_to"):
        if key in values:
            form[key].process_formdata([values[key]])
    return form


# -- what is set ------------------------------------------------------------------------------


def _may_set() -> bool:
    """Let nobody change the room under the hands of a player who is checked in."""
    person, inside = current_person(), who_is_in()
    if inside is None or inside.player is None or not has_owner() or person is None:
        return True
    if person.person_id == inside.player or person.role is not Role.PLAYER:
        return True
    flash(f"{inside.nickname or 'Somebody'} is checked in: check in first when it is your turn.")
    return False


def _set(values: dict[str, Any]) -> None:
    """Let the room take some values, and keep them for its next start."""
    by_owner = _is_owner()
    try:
        before = Setup(Settings(room=current_room().settings), set_on_page(current_room().log_path))
        before.with_values(values, by_owner=by_owner)
        ask(
            current_room().control,
            {"do": "set", "by_owner": by_owner, **values},
            timeout_s=SETS_WITHIN_S,
        )
    except NoRoomError:
        flash("The room does not answer. What you set is kept and holds when it is started.")
    except GroundnoteError as error:
        flash(_said(error))
        return
    _keep(values)


def _keep(values: dict[str, Any]) -> None:
    room = current_room()
    with RoomSettingsEditor(room.log_path, room.settings.name) as editor:
        for key, value in values.items():
            editor.set_room_setting(key, value)


def _locked(key: str) -> bool:
    """Tell whether the owner has locked something for whoever asks."""
    return bool(set_on_page(current_room().log_path).get(key)) and not _is_owner()


def _is_owner() -> bool:
    person = current_person()
    return person is not None and person.role is Role.OWNER


def _said(error: GroundnoteError) -> str:
    if isinstance(error, NoRoomError):
        return "The room does not answer: look whether it is switched on."
    return str(error)
