"""Persons in the log: who may sign in, as what, and with which PIN.

A PIN is kept as a salted scrypt hash (Werkzeug's). A person's ``session_number`` rises whenever the
PIN changes or the owner ends the sessions, and every session that carries an older one is over.
"""

import re
import unicodedata
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from functools import cache
from itertools import pairwise
from typing import Any

from appliance.log.logbook import RoomLog
from appliance.log.logfile import RefusedEntryError
from appliance.log.reader import LogReader
from appliance.log.records import id_text, parse_id
from appliance.vocabulary import GroundnoteError, LogbookError

LONGEST_NICKNAME = 24  # characters
PIN_DIGITS = (6, 12)
FIRST_VERSION = 3  # of the log, with tables for people
_PIN = re.compile(r"[0-9]+")
# Writing systems that one language mixes by itself; any other mixture is there to look alike.
_JAPANESE = frozenset({"CJK", "HIRAGANA", "KATAKANA"})


class PersonError(GroundnoteError):
    """A nickname, PIN, role or date cannot be taken; the text says what can."""


class Role(StrEnum):
    """What a person may do beside playing."""

    PLAYER = "player"
    TEACHER = "teacher"
    OWNER = "owner"


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who may sign in; ``person_id`` is what a sitting has as its player.

    ``pin_given``: somebody else chose the PIN, so the next sign-in asks for a new one.
    ``consent_on``: the date of a guardian's consent, where the school needs one.
    """

    person_id: str
    nickname: str
    role: Role
    session_number: int
    pin_given: bool
    consent_on: date | None
    created_wall_s: float


def nickname_key(nickname: str) -> str:
    """Return what two nicknames that look alike have in common (Unicode NFKC, case folded)."""
    folded = unicodedata.normalize("NFKC", nickname).casefold()
    return " ".join(unicodedata.normalize("NFKC", folded).split())


def checked_nickname(nickname: str) -> str:
    """Return a nickname as it is kept; raises :class:`PersonError` for one nobody could read."""
    kept = " ".join(unicodedata.normalize("NFC", nickname).split())
    if not 0 < len(kept) <= LONGEST_NICKNAME or not nickname_key(kept):
        raise PersonError(f"A nickname has 1 to {LONGEST_NICKNAME} characters.")
    if not kept.isprintable() or not any(character.isalnum() for character in kept):
        raise PersonError("A nickname is made of letters and digits that can be seen.")
    scripts = {_script(character) for character in kept if character.isalpha()}
    if len(scripts) > 1 and not scripts <= _JAPANESE:
        raise PersonError("A nickname keeps to one alphabet, so that no two look alike.")
    return kept


def _script(letter: str) -> str:
    """Return the first word of a letter's name in Unicode, which is its alphabet."""
    shown = unicodedata.normalize("NFKC", letter)[0]
    return unicodedata.name(shown, "UNKNOWN").split()[0].split("-")[0]


def checked_pin(pin: str) -> str:
    """Return a PIN that can be taken; raises :class:`PersonError` for one easily guessed."""
    shortest, longest = PIN_DIGITS
    if not _PIN.fullmatch(pin) or not shortest <= len(pin) <= longest:
        raise PersonError(f"A PIN has {shortest} to {longest} digits.")
    steps = {(int(b) - int(a)) % 10 for a, b in pairwise(pin)}
    if len(steps) == 1 or len(set(pin)) < 3:
        raise PersonError("This PIN is one of the first that anybody would try: take another.")
    return pin


class PeopleReader(LogReader):
    """Who is who. A log from before there were people has none."""

    def people(self) -> list[Person]:
        """Everybody, by nickname."""
        return self._people("ORDER BY nickname_key", {})

    def person(self, person_id: str) -> Person | None:
        """One person, if there is one of this id; raises nothing for what is no id."""
        try:
            key = parse_id(person_id)
        except LogbookError:
            return None
        return next(iter(self._people("WHERE id = :id", {"id": key})), None)

    def find(self, nickname: str) -> Person | None:
        """Return the person of this nickname, however it is written."""
        wanted = {"key": nickname_key(nickname)}
        return next(iter(self._people("WHERE nickname_key = :key", wanted)), None)

    def has_owner(self) -> bool:
        """Whether anybody owns the room: from then on its pages are read after signing in."""
        return bool(self._people("WHERE role = 'owner' LIMIT 1", {}))

    def keep_an_owner(self, without: str) -> None:
        """Raise :class:`PersonError` when no owner would be left without this person."""
        owners = self._people("WHERE role = 'owner'", {})
        if [owner.person_id for owner in owners] == [without]:
            raise PersonError("A room keeps at least one owner: make somebody else owner first.")

    def right_pin(self, nickname: str, pin: str) -> Person | None:
        """Return the person whose PIN this is; takes as long for a nickname that is nobody's."""
        found = self.find(nickname)
        rows = [] if found is None else self._hash_of(found)
        right = _fits(rows[0]["pin_hash"] if rows else _hash_of_nobody(), pin)
        return found if right and rows else None

    def players_of(self, teacher_id: str) -> list[Person]:
        """Return the players who accepted this teacher's studio card, by nickname."""
        return self._people(
            """WHERE id IN (SELECT player_id FROM studio WHERE teacher_id = :teacher)
               ORDER BY nickname_key""",
            {"teacher": parse_id(teacher_id)},
        )

    def _hash_of(self, person: Person) -> list[dict[str, Any]]:
        key = parse_id(person.person_id)
        return self._rows("SELECT pin_hash FROM person WHERE id = :id", {"id": key})

    def _people(self, rest: str, values: dict[str, Any]) -> list[Person]:
        if self._pragma("user_version") < FIRST_VERSION:
            return []
        return [_person(row) for row in self._rows(f"SELECT * FROM person {rest}", values)]


class People(RoomLog, PeopleReader):
    """Adds and changes persons; the web's own writing side of the log."""

    def add(
        self, nickname: str, pin: str, role: Role, created_wall_s: float, *, pin_given: bool = False
    ) -> Person:
        """Add a person; raises :class:`PersonError` when nickname or PIN cannot be taken."""
        kept = checked_nickname(nickname)
        record = {
            "nickname": kept,
            "nickname_key": nickname_key(kept),
            "role": role.value,
            "pin_hash": _hashed(pin),
            "pin_given": pin_given,
            "created_wall_s": created_wall_s,
        }
        try:
            person_id = self._append("person", record)
        except RefusedEntryError as error:
            raise PersonError(
                f"{kept} is taken, or looks like a nickname that is: choose another."
            ) from error
        return self._known(person_id)

    def set_pin(self, person_id: str, pin: str, *, given: bool) -> Person:
        """Set a PIN, ``given`` when somebody else chose it; all sessions of the person end."""
        self._change(
            """UPDATE person SET pin_hash = :hash, pin_given = :given,
               session_number = session_number + 1 WHERE id = :id""",
            person_id,
            {"hash": _hashed(pin), "given": given},
        )
        return self._known(person_id)

    def set_role(self, person_id: str, role: Role) -> None:
        """Set what a person may do; raises :class:`PersonError` when no owner would be left."""
        if role is not Role.OWNER:
            self.keep_an_owner(person_id)
        self._change(
            "UPDATE person SET role = :role WHERE id = :id", person_id, {"role": role.value}
        )

    def set_consent(self, person_id: str, consent_on: date | None) -> None:
        """Set the date of a guardian's consent, or take it away."""
        day = consent_on and consent_on.isoformat()
        self._change("UPDATE person SET consent_on = :day WHERE id = :id", person_id, {"day": day})

    def end_sessions(self, person_id: str) -> None:
        """End every session of a person: they sign in anew."""
        self._change(
            "UPDATE person SET session_number = session_number + 1 WHERE id = :id", person_id, {}
        )

    def _known(self, person_id: str) -> Person:
        found = self.person(person_id)
        if found is None:
            raise LogbookError(f"There is no person {person_id}: they were removed meanwhile.")
        return found


@cache
def _hash_of_nobody() -> str:
    """Return a hash of what is no PIN: a try for an unknown nickname takes as long as any other."""
    return _hash_of("nobody")


def _hashed(pin: str) -> str:
    return _hash_of(checked_pin(pin))


# Werkzeug is 3 MB, and the room, which has no web server, never asks for a PIN.


def _hash_of(secret: str) -> str:
    from werkzeug.security import generate_password_hash  # noqa: PLC0415

    return generate_password_hash(secret, method="scrypt")


def _fits(pin_hash: str, pin: str) -> bool:
    from werkzeug.security import check_password_hash  # noqa: PLC0415

    return check_password_hash(pin_hash, pin)


def _person(row: dict[str, Any]) -> Person:
    consent_on = row["consent_on"]
    return Person(
        person_id=id_text(row["id"]),
        nickname=row["nickname"],
        role=Role(row["role"]),
        session_number=row["session_number"],
        pin_given=bool(row["pin_given"]),
        consent_on=None if consent_on is None else date.fromisoformat(consent_on),
        created_wall_s=row["created_wall_s"],
    )
