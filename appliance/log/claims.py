"""Whose a sitting is: the last minutes of somebody's are handed back, nobody's are claimed.

Only who a note belongs to changes; what was heard, called and when stays as it was logged.
"""

from typing import Any

from appliance.log.logbook import RoomLog
from appliance.log.reader import LogReader
from appliance.log.records import SittingRow, id_text, parse_id, sitting_row
from appliance.vocabulary import GroundnoteError

# The first note from a moment on, with the instants of its sitting.
_FIRST_FROM = """SELECT note.ended_wall_s - note.duration_ms / 1000.0 AS began_wall_s,
    note.ended_monotonic_s - note.duration_ms / 1000.0 AS began_monotonic_s,
    note.synchronised AS synchronised, coalesce(note.boot_id, sitting.boot_id) AS begun_boot,
    sitting.*
  FROM note JOIN sitting ON sitting.id = note.sitting_id
  WHERE sitting.id = :sitting AND sitting.player = :player AND note.ended_wall_s >= :from
  ORDER BY note.ended_wall_s, note.id LIMIT 1"""
_LAST = """SELECT ended_wall_s, ended_monotonic_s, synchronised AS ended_synchronised,
    coalesce(boot_id, :boot) AS ended_boot_id
  FROM note WHERE sitting_id = :sitting ORDER BY ended_wall_s DESC, id DESC LIMIT 1"""
# A note without a boot was heard in that of its sitting, so it is said before the sitting changes.
_MOVE = (
    """UPDATE call SET boot_id = nullif(coalesce(boot_id, :old_boot), :new_boot)
       WHERE note_id IN (SELECT id FROM note WHERE sitting_id = :sitting
                         AND ended_wall_s >= :from)""",
    """UPDATE note SET sitting_id = :new, boot_id = nullif(coalesce(boot_id, :old_boot), :new_boot)
       WHERE sitting_id = :sitting AND ended_wall_s >= :from""",
    "UPDATE round SET sitting_id = :new WHERE sitting_id = :sitting AND wall_s >= :from",
    "UPDATE event SET sitting_id = :new WHERE sitting_id = :sitting AND wall_s >= :from",
)
_END = """UPDATE sitting SET ended_wall_s = :began_wall_s, ended_monotonic_s = :began_monotonic_s,
    ended_synchronised = :synchronised, ended_boot_id = nullif(:begun_boot, boot_id)
  WHERE id = :id AND ended_wall_s IS NOT NULL"""


class NotYoursError(GroundnoteError):
    """A sitting cannot change hands; the text says why."""


class ClaimsReader(LogReader):
    """What belongs to nobody."""

    def unclaimed(
        self, since_wall_s: float, before_wall_s: float, limit: int
    ) -> list[tuple[SittingRow, int]]:
        """Return ended sittings of nobody, the latest first, each with how many notes it has.

        Those that ended from ``since_wall_s`` on and began before ``before_wall_s`` (Unix times).
        """
        rows = self._rows(
            """SELECT sitting.*, room.name AS room,
                 (SELECT count(*) FROM note WHERE sitting_id = sitting.id
                  AND ended_wall_s BETWEEN sitting.started_wall_s - 3600.0
                                       AND sitting.ended_wall_s + 3600.0) AS notes
               FROM sitting JOIN room ON room.id = sitting.room_id
               WHERE player IS NULL AND ended_wall_s >= :since AND started_wall_s < :before
                 AND notes > 0
               ORDER BY started_wall_s DESC, sitting.id DESC LIMIT :limit""",
            {"since": since_wall_s, "before": before_wall_s, "limit": limit},
        )
        return [(sitting_row(row), row["notes"]) for row in rows]


class Claims(RoomLog, ClaimsReader):
    """Lets sittings change hands."""

    def claim(self, sitting_id: str, player: str, since_wall_s: float) -> None:
        """Give a sitting of nobody's that ended from a moment on to a player.

        Raises :class:`NotYoursError` when it is somebody's by now, goes on still, or is too old:
        of two who claim it at once the first one has it.
        """
        claimed = self._do(
            """UPDATE sitting SET player = :player
               WHERE id = :id AND player IS NULL AND ended_wall_s >= :since""",
            {"id": parse_id(sitting_id), "player": player, "since": since_wall_s},
        )
        if not claimed:
            raise NotYoursError(
                "This sitting cannot be claimed: somebody else has it, or it is too long ago. "
                "A teacher can still give you an old one that is nobody's."
            )

    def hand_back(self, sitting_id: str, player: str, from_wall_s: float) -> str:
        """Let what a player's sitting has from a moment on be nobody's; return the new sitting.

        Raises :class:`NotYoursError` where there is no such note: it changes nothing then.
        """
        values: dict[str, Any] = {
            "sitting": parse_id(sitting_id),
            "player": player,
            "from": from_wall_s,
        }
        with self._lock, self._explained("written"), self._db.atomic():
            found = self._rows(_FIRST_FROM, values)
            if not found:
                raise NotYoursError("No note of yours was logged from then on.")
            return self._split(found[0], values)

    def _split(self, first: dict[str, Any], values: dict[str, Any]) -> str:
        boot = first["begun_boot"]
        ended = self._end_of(first)
        facts = {key: first[key] for key in ("room_id", "instrument", "a4_hz")}
        begun = {
            "boot_id": boot,
            "started_wall_s": first["began_wall_s"],
            "started_monotonic_s": first["began_monotonic_s"],
            "started_synchronised": first["synchronised"],
        }
        ended["ended_boot_id"] = None if ended["ended_boot_id"] == boot else ended["ended_boot_id"]
        new = parse_id(self._append("sitting", {**facts, "player": None, **begun, **ended}))
        moved = values | {"new": new, "old_boot": first["boot_id"], "new_boot": boot}
        for statement in _MOVE:
            self._db.execute(statement, {k: v for k, v in moved.items() if f":{k}" in statement})
        cut = ("began_wall_s", "began_monotonic_s", "synchronised", "begun_boot", "id")
        self._db.execute(_END, {key: first[key] for key in cut})
        return id_text(new)

    def _end_of(self, sitting: dict[str, Any]) -> dict[str, Any]:
        """Return the columns of a sitting's end; that of its last note while it goes on."""
        boot = sitting["boot_id"]
        if sitting["ended_wall_s"] is None:
            return self._rows(_LAST, {"sitting": sitting["id"], "boot": boot})[0]
        columns = ("ended_wall_s", "ended_monotonic_s", "ended_synchronised")
        ended = {column: sitting[column] for column in columns}
        return ended | {"ended_boot_id": sitting["ended_boot_id"] or boot}
