"""What the running room says to the pages: who is checked in, and a check-in or check-out."""

import time
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from appliance.control import ask
from appliance.log.logfile import NoLogYetError
from appliance.log.people import PeopleReader
from appliance.vocabulary import ControlError
from web.place import current_room

ANSWERS_WITHIN_S = 1.0  # a page does not wait longer for a room
WRITES_WITHIN_S = 1.0  # nor for what it has still to write


@dataclass(frozen=True, slots=True)
class InTheRoom:
    """Who is checked in: ``player`` is a person's id, ``nickname`` how they are called."""

    player: str | None
    nickname: str | None


def who_is_in() -> InTheRoom | None:
    """Return who is checked in; ``None`` when the room does not answer."""
    try:
        status = ask_room({"do": "status"})
    except ControlError:
        return None
    player = status.get("player")
    return InTheRoom(player, None if player is None else _nickname(player))


def check_out_at_once(player: str, since_s: float) -> None:
    """Let nothing more be logged to a player, not even a note that has begun since a moment.

    ``since_s``: Unix time. Waits a little, until what was theirs is written. A room that does not
    run logs to nobody.
    """
    until = time.monotonic() + WRITES_WITHIN_S
    with suppress(ControlError):
        answer = ask_room({"do": "check_out", "player": player, "since_s": since_s})
        while answer["log"]["waiting"] and time.monotonic() < until:
            time.sleep(0.02)
            answer = ask_room({"do": "status"})


def ask_room(request: dict[str, Any]) -> dict[str, Any]:
    """Ask the running room; raises :class:`ControlError` when it does not answer, or refuses."""
    return ask(current_room().control, request, timeout_s=ANSWERS_WITHIN_S)


def _nickname(person_id: str) -> str | None:
    try:
        with PeopleReader(current_room().log_path) as people:
            person = people.person(person_id)
    except NoLogYetError:
        return None
    return None if person is None else person.nickname
