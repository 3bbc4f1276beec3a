"""Whose was it? Hand back the last minutes that were somebody else's; claim what is nobody's.

A player claims for twelve hours. A teacher claims for a player of theirs, without a limit.
"""

from collections import Counter
from dataclasses import dataclass
from itertools import accumulate

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf import FlaskForm
from wtforms import SelectField, SubmitField
from wtforms.fields.choices import SelectChoice

from appliance.log.claims import Claims, ClaimsReader, NotYoursError
from appliance.log.records import SittingRow, is_id
from web.access import open_log, read_person, signed_in_person
from web.place import current_room
from web.room_answer import check_out_at_once
from web.sittings import before, minute

blueprint = Blueprint("claims", __name__, url_prefix="/whose")

CLAIMED_WITHIN_S = 12 * 3600.0
LISTED = 40
_MINUTE_S = 60


@dataclass(frozen=True, slots=True)
class LastSitting:
    """The last sitting of a player, and how many notes it has from each minute on, latest first."""

    sitting: SittingRow
    from_minutes: list[tuple[int, int]]


class HandBack(FlaskForm):  # type: ignore[misc]
    """From which minute on it was somebody else."""

    since = SelectField("Not me from this minute on", coerce=int)
    submit = SubmitField("Hand back")


@blueprint.get("")
def show_claims() -> ResponseReturnValue:
    """What can be handed back, and what can be claimed."""
    return _show(200)


@blueprint.post("/not-me")
def hand_back() -> ResponseReturnValue:
    """Hand back the last minutes; who is checked in is checked out first."""
    if read_person() is not None:
        abort(403)
    me, last = signed_in_person(), _last_sitting()
    form = _hand_back_form(last)
    if last is None or not form.validate_on_submit():
        return _show(400)
    check_out_at_once(me.person_id, form.since.data)
    room = current_room()
    try:
        with Claims(room.log_path, room.settings.name) as log:
            log.hand_back(last.sitting.sitting_id, me.person_id, form.since.data)
    except NotYoursError as error:  # it was handed back meanwhile
        flash(str(error))
        return _show(409)
    at = minute(form.since.data, room.zone)
    flash(f"What was played from {at} on is not yours any more. You are checked out.")
    return redirect(url_for("claims.show_claims"))


@blueprint.post("/claim/<sitting_id>")
def claim(sitting_id: str) -> ResponseReturnValue:
    """Claim a sitting for oneself, or as a teacher for the player whose log is read."""
    if not is_id(sitting_id):
        abort(404)
    player, room = read_person() or signed_in_person(), current_room()
    try:
        with Claims(room.log_path, room.settings.name) as log:
            log.claim(sitting_id, player.person_id, _claimed_since_s())
    except NotYoursError as error:
        flash(str(error))
        return _show(409)
    whose = "yours" if read_person() is None else f"{player.nickname}'s"
    flash(f"This sitting is {whose} now.")
    return redirect(url_for("claims.show_claims"))


def _claimed_since_s() -> float:
    """From when on (Unix time) a sitting must have ended."""
    return 0.0 if read_person() is not None else current_room().now_s() - CLAIMED_WITHIN_S


def _last_sitting() -> LastSitting | None:
    """Return the sitting of which minutes can be handed back; none that ended long ago."""
    oldest_s = current_room().now_s() - CLAIMED_WITHIN_S
    with open_log() as log:
        found = log.sittings(float("inf"), 1)
        if not found or not found[0][1]:
            return None
        sitting = found[0][0]
        if sitting.ended_at is not None and sitting.ended_at.wall_s < oldest_s:
            return None
        ends = log.notes_of(sitting.sitting_id).ended_wall_s.tolist()
    counted = Counter(int(end // _MINUTE_S) * _MINUTE_S for end in ends)
    minutes = sorted(counted, reverse=True)
    sums = accumulate(counted[at] for at in minutes)
    return LastSitting(sitting, list(zip(minutes, sums, strict=True)))


def _hand_back_form(last: LastSitting | None) -> HandBack:
    form = HandBack()
    zone = current_room().zone
    form.since.choices = [
        SelectChoice(
            at, f"{minute(at, zone)}, {count} {'note' if count == 1 else 'notes'} from then on"
        )
        for at, count in (last.from_minutes if last else [])
    ]
    return form


def _show(status: int) -> tuple[str, int]:
    signed_in_person()
    last = _last_sitting() if read_person() is None else None
    room = current_room()
    with ClaimsReader(room.log_path) as log:
        unclaimed = log.unclaimed(_claimed_since_s(), before(), LISTED + 1)
    page = render_template(
        "claims.html",
        last=last,
        form=_hand_back_form(last),
        tried=request.method == "POST",
        unclaimed=unclaimed[:LISTED],
        earlier=unclaimed[LISTED - 1][0].started_at.wall_s if len(unclaimed) > LISTED else None,
        latest="before" not in request.args,
        hours=round(CLAIMED_WITHIN_S / 3600),
        room=room.settings.name,
        zone=room.zone,
    )
    return page, status
