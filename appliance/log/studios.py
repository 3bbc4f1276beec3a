"""Studios in the log: teachers' cards, who accepted them, and the focus of a player's week."""

import json
from dataclasses import dataclass
from typing import Any

from appliance.log.calendar import CalendarWeek
from appliance.log.logbook import RoomLog
from appliance.log.owner_code import draw_code, plain_code
from appliance.log.people import FIRST_VERSION, PeopleReader, Person, Role
from appliance.log.records import id_text, parse_id

MOST_IN_FOCUS = 6  # notes, and as many shifts: what is to be looked at in one week


@dataclass(frozen=True, slots=True)
class Focus:
    """What a teacher set for one week of a player; notes are MIDI numbers.

    ``band_cents`` and ``drone_midi`` are ``None`` where nothing was set.
    """

    teacher_id: str
    band_cents: float | None
    notes: tuple[int, ...]
    shifts: tuple[tuple[int, int], ...]
    drone_midi: int | None


class StudioReader(PeopleReader):
    """Who reads whose log, and what was set for whom."""

    def teachers_of(self, player_id: str) -> list[Person]:
        """Return the teachers whose card a player accepted, by nickname."""
        return self._people(
            """WHERE role != 'player' AND id IN (
                 SELECT teacher_id FROM studio WHERE player_id = :player)
               ORDER BY nickname_key""",
            {"player": parse_id(player_id)},
        )

    def card_of(self, teacher_id: str) -> str | None:
        """Return the code on a teacher's card, if they have one."""
        rows = self._rows(
            "SELECT code FROM studio_card WHERE teacher_id = :id", {"id": parse_id(teacher_id)}
        )
        return rows[0]["code"] if rows else None

    def teacher_with_card(self, typed: str) -> Person | None:
        """Return the teacher on whose card this code stands, however it is typed."""
        found = self._people(
            """WHERE id = (SELECT teacher_id FROM studio_card
                           WHERE replace(code, '-', '') = :code)""",
            {"code": plain_code(typed)},
        )
        return next((person for person in found if person.role is not Role.PLAYER), None)

    def focus(self, player_id: str, week: CalendarWeek) -> Focus | None:
        """Return what a teacher set for a week of a player."""
        if self._pragma("user_version") < FIRST_VERSION:
            return None
        rows = self._rows(
            "SELECT * FROM focus WHERE player_id = :player AND week = :week",
            {"player": parse_id(player_id), "week": str(week)},
        )
        return _focus(rows[0]) if rows else None


class Studios(RoomLog, StudioReader):
    """Makes cards, lets players accept them and go again, sets the focus of a week."""

    def make_card(self, teacher_id: str) -> str:
        """Draw a new code for a teacher's card; the card from before is void."""
        code = draw_code()
        self._do(
            "INSERT OR REPLACE INTO studio_card (teacher_id, code) VALUES (:id, :code)",
            {"id": parse_id(teacher_id), "code": code},
        )
        return code

    def accept(self, teacher_id: str, player_id: str, wall_s: float) -> None:
        """Let a teacher read a player's log from now on."""
        self._do(
            "INSERT INTO studio VALUES (:teacher, :player, :wall_s) ON CONFLICT DO NOTHING",
            {"teacher": parse_id(teacher_id), "player": parse_id(player_id), "wall_s": wall_s},
        )

    def part(self, teacher_id: str, player_id: str, this_week: CalendarWeek) -> None:
        """Let a teacher read a player's log no more.

        What the teacher set from this week on goes with it: nobody else could take it away.
        """
        both = {"teacher": parse_id(teacher_id), "player": parse_id(player_id)}
        with self._lock, self._explained("written"), self._db.atomic():
            self._db.execute(
                "DELETE FROM studio WHERE teacher_id = :teacher AND player_id = :player", both
            )
            self._db.execute(
                """DELETE FROM focus WHERE teacher_id = :teacher AND player_id = :player
                     AND week >= :week""",
                both | {"week": str(this_week)},
            )

    def set_focus(self, player_id: str, week: CalendarWeek, focus: Focus) -> None:
        """Set the focus of a week, in place of what was set before."""
        self._do(
            """INSERT OR REPLACE INTO focus
                 (player_id, week, teacher_id, band_cents, notes, shifts, drone_midi)
               VALUES (:player, :week, :teacher, :band, :notes, :shifts, :drone)""",
            {
                "player": parse_id(player_id),
                "week": str(week),
                "teacher": parse_id(focus.teacher_id),
                "band": focus.band_cents,
                "notes": json.dumps(focus.notes),
                "shifts": json.dumps(focus.shifts),
                "drone": focus.drone_midi,
            },
        )

    def clear_focus(self, player_id: str, week: CalendarWeek) -> None:
        """Take away what was set for a week."""
        self._do(
            "DELETE FROM focus WHERE player_id = :player AND week = :week",
            {"player": parse_id(player_id), "week": str(week)},
        )


def _focus(row: dict[str, Any]) -> Focus:
    return Focus(
        teacher_id=id_text(row["teacher_id"]),
        band_cents=row["band_cents"],
        notes=tuple(json.loads(row["notes"])),
        shifts=tuple((source, target) for source, target in json.loads(row["shifts"])),
        drone_midi=row["drone_midi"],
    )
