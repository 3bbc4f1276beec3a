"""The room check on a page: for the owner, who may start it and read what it found."""

from datetime import datetime
from typing import Any

from flask import Blueprint, Flask, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue

from appliance.checking.machine import pedals_lately
from appliance.checking.program import LONGEST_S
from appliance.checking.verdicts import Line, Verdict, from_message
from appliance.control import Message, ask
from appliance.vocabulary import ControlError
from web.access import Who, needs
from web.place import current_room

blueprint = Blueprint("room_check", __name__)

LATELY_S = 120.0  # so long ago a pedal was pressed for this check
LOOK_AT_THE_LIGHT = "Look at the light now: for eight seconds it flashes twice, again and again."

NO_LIGHT = "No light is set: its pin is 'pin' under [light] in the settings."


def register(app: Flask) -> None:
    """Give ``app`` the page, and its templates a word."""
    app.jinja_env.filters.update(sentence=sentence)
    app.register_blueprint(blueprint)


def sentence(words: str) -> str:
    """Make a sentence of words that stand in a line of the command."""
    ended = words if words.endswith((".", "!", "?")) else f"{words}."
    return ended[:1].upper() + ended[1:]


@blueprint.get("/check")
@needs(Who.OWNER)
def show_check() -> ResponseReturnValue:
    """What the last check found, and the pedals as they were felt just now."""
    try:
        check = _ask({"do": "check", "again": False})["check"]
        status = _ask({"do": "status"})
    except ControlError as error:
        return _page(lines=[], pedals=[], checked_at=None, trouble=str(error))
    felt = status["felt_s_ago"]
    return _page(
        lines=from_message(check["lines"]),
        pedals=pedals_lately(felt, LATELY_S, list(felt)),
        checked_at=_local(check["at"]),
        trouble=None,
    )


@blueprint.post("/check")
@needs(Who.OWNER)
def start_check() -> ResponseReturnValue:
    """Check now; the answer comes when it is done."""
    try:
        _ask({"do": "check"}, LONGEST_S)
    except ControlError as error:
        flash(str(error))
    return redirect(url_for("room_check.show_check"))


@blueprint.post("/check/light")
@needs(Who.OWNER)
def try_light() -> ResponseReturnValue:
    """Let the status light be seen."""
    try:
        light = _ask({"do": "light"})["light"]
        flash(light["trouble"] or (LOOK_AT_THE_LIGHT if light["fitted"] else NO_LIGHT))
    except ControlError as error:
        flash(str(error))
    return redirect(url_for("room_check.show_check"))


def _ask(request: Message, timeout_s: float = 3.0) -> dict[str, Any]:
    return ask(current_room().control, request, timeout_s=timeout_s)


def _page(**shown: Any) -> ResponseReturnValue:
    lines: list[Line] = shown["lines"]
    counts = {verdict: sum(one.verdict is verdict for one in lines) for verdict in Verdict}
    return render_template(
        "check.html",
        room=current_room().settings.name,
        wrong=counts[Verdict.WRONG],
        doubtful=counts[Verdict.DOUBTFUL],
        **shown,
    )


def _local(at: str | None) -> str | None:
    """A moment in the room's own time."""
    if at is None:
        return None
    return f"{datetime.fromisoformat(at).astimezone(current_room().zone):%d %B, %H:%M}"
