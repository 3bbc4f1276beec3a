"""Phones that have signed in before, told by a signed cookie: wrong tries elsewhere do not hold
them up.

The cookie opens nothing: it only says which count of wrong tries is this phone's own.
"""

import secrets

from flask import Response, current_app, request
from itsdangerous import BadData, URLSafeTimedSerializer

from appliance.log.people import Person

COOKIE = "groundnote-phone"
LASTS_S = 200 * 86400
MOST = 8  # persons who share a phone; the latest are kept


def device_of(person: Person) -> str | None:
    """Return this phone's own mark for a person, if it is known and their PIN is the same still."""
    for person_id, number, mark in _known():
        if (person_id, number) == (person.person_id, person.session_number):
            return mark
    return None


def remember(response: Response, person: Person) -> None:
    """Let this phone be known for a person from now on."""
    kept = [one for one in _known() if one[0] != person.person_id][: MOST - 1]
    mark = secrets.token_hex(8)
    known = [(person.person_id, person.session_number, mark), *kept]
    response.set_cookie(
        COOKIE,
        _signer().dumps(known),
        max_age=LASTS_S,
        httponly=True,
        samesite="Strict",
        secure=bool(current_app.config["SESSION_COOKIE_SECURE"]),
        path="/",
    )


def _signer() -> URLSafeTimedSerializer:
    key = current_app.secret_key
    assert key is not None
    return URLSafeTimedSerializer(key, salt="known phone")


def _known() -> list[tuple[str, int, str]]:
    try:
        kept = _signer().loads(request.cookies.get(COOKIE, ""), max_age=LASTS_S)
        return [(str(person), int(number), str(mark)) for person, number, mark in kept]
    except (BadData, TypeError, ValueError):
        return []
