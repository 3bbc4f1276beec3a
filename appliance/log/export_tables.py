"""Which tables and fields of the log are exported, each with its unit and what it means. Pure.

It is said once, here: the page of exports and ``web/EXPORTS.md`` are made from it. Times stand
twice, as ISO 8601 with the room's offset and as Unix seconds; pitch in Hz with the nearest note
beside it, in scientific pitch at the A4 of its sitting. Secrets (how a PIN was hashed, the code on
a card) are in no export.
"""

from datetime import datetime
from zoneinfo import ZoneInfo

from appliance.log.exports import Cell, Export, Field, Row
from appliance.log.records import id_sql, id_text
from appliance.tuning import nearest_note, note_name

# -- how a field is found ---------------------------------------------------------------------


def _plain(name: str, unit: str, meaning: str, column: str = "") -> Field:
    column = column or name
    return Field(name, unit, meaning, lambda row, _: row[column], (column,))


def _switch(name: str, meaning: str, column: str = "") -> Field:
    column = column or name
    return Field(
        name,
        "",
        f"{meaning} (true or false)",
        lambda row, _: None if row[column] is None else bool(row[column]),
        (column,),
    )


def _id(name: str, meaning: str, column: str = "") -> Field:
    column = column or name
    return Field(
        name,
        "",
        meaning,
        lambda row, _: None if row[column] is None else id_text(row[column]),
        (column,),
    )


def _seconds(name: str, column: str, meaning: str) -> Field:
    return Field(
        name,
        "s",
        meaning,
        lambda row, _: None if row[column] is None else row[column] / 1000,
        (column,),
    )


def _times(name: str, column: str, meaning: str) -> tuple[Field, Field]:
    """A moment twice: to read, and to count with."""
    return (
        Field(f"{name}_at", "ISO 8601", meaning, lambda row, z: _iso(row[column], z), (column,)),
        _plain(f"{name}_wall_s", "s", f"{meaning}, seconds since 1970-01-01 UTC", column),
    )


def _iso(wall_s: float | None, zone: ZoneInfo | None) -> str | None:
    if wall_s is None:
        return None
    at = datetime.fromtimestamp(wall_s, zone)
    return (at if at.tzinfo else at.astimezone()).isoformat(timespec="milliseconds")


def _named(name: str, column: str, meaning: str) -> Field:
    def find(row: Row, _: ZoneInfo | None) -> Cell:
        hz = row[column]
        return None if hz is None else note_name(nearest_note(hz, row["a4_hz"]))

    return Field(name, "", f"{meaning}, scientific pitch", find, (column,))


def _midi_named(name: str, column: str, meaning: str) -> Field:
    def find(row: Row, _: ZoneInfo | None) -> Cell:
        return None if row[column] is None else note_name(row[column])

    return Field(name, "", f"{meaning}, scientific pitch", find, (column,))


def _clocks(at: str) -> tuple[Field, ...]:
    return (
        *_times(at, "wall_s", "when it was"),
        _plain("monotonic_s", "s", "the same on the clock that runs since the machine's start"),
        _switch("clock_set", "whether the clock was known to be right", "synchronised"),
        _plain("boot_id", "", "which start of the machine; empty: that of the sitting's begin"),
    )


# -- the tables -------------------------------------------------------------------------------

_MINE = "(:player IS NULL OR sitting.player = :player)"

EXPORTS = (
    Export(
        "sitting",
        "A stretch of practice by one player.",
        f"""SELECT sitting.*, room.name AS room FROM sitting
            JOIN room ON room.id = sitting.room_id WHERE {_MINE} ORDER BY sitting.id""",
        (
            _id("id", "the sitting"),
            _plain("room", "", "the room's name"),
            Field("room_id", "", "the room", lambda row, _: f"{row['room_id']:08x}", ("room_id",)),
            _plain("player", "", "who played: the id of a person; empty: nobody's yet"),
            _plain("instrument", "", "what was played"),
            _plain("a4_hz", "Hz", "what A4 was tuned to"),
            *_times("started", "started_wall_s", "when it began"),
            *_times("ended", "ended_wall_s", "when it ended; empty while it goes on"),
            _plain("started_monotonic_s", "s", "its begin on the clock since the machine's start"),
            _plain("ended_monotonic_s", "s", "its end on that clock"),
            _switch("started_clock_set", "the clock was right", "started_synchronised"),
            _switch("ended_clock_set", "the clock was right at the end", "ended_synchronised"),
            _plain("boot_id", "", "which start of the machine"),
            _plain("ended_boot_id", "", "the same at its end, where it was another"),
        ),
    ),
    Export(
        "note",
        "One note as it was heard.",
        f"""SELECT note.*, sitting.a4_hz AS a4_hz, (SELECT verdict FROM call
              WHERE note_id = note.id ORDER BY call.id DESC LIMIT 1) AS verdict
            FROM note JOIN sitting ON sitting.id = note.sitting_id
            WHERE {_MINE} ORDER BY note.id""",
        (
            _id("id", "the note"),
            _id("sitting_id", "its sitting"),
            _named("note", "settled_hz", "the note nearest the settled pitch"),
            *_times("ended", "ended_wall_s", "when it ended"),
            _seconds("duration_s", "duration_ms", "how long it sounded"),
            _plain("landing_hz", "Hz", "pitch at which it was first stable; empty: not measurable"),
            _plain("landing_uncertainty_cents", "cents", "half-width of the 95 % interval"),
            _plain("settled_hz", "Hz", "pitch of the rest of the note"),
            _plain("arrival", "", "how it was reached: bow, slide or step"),
            _seconds("slide_s", "slide_ms", "how long the slide took; empty without one"),
            _plain("vibrato_rate_hz", "Hz", "cycles a second; empty without vibrato"),
            _plain("vibrato_extent_cents", "cents", "half of peak to peak"),
            _plain("shift_from_hz", "Hz", "where a likely shift came from; empty without one"),
            _named("shift_from_note", "shift_from_hz", "the note it came from"),
            _plain("shift_to_hz", "Hz", "where it went"),
            _plain("shift_likely", "0 to 1", "how likely the hand moved"),
            _plain("drone_hz", "Hz", "root of the drone that sounded; empty: silent"),
            _named("drone_note", "drone_hz", "that root"),
            _plain("reference_hz", "Hz", "root that its target refers to; empty: none yet"),
            _plain("level_db", "dB", "loudness, RMS, below full scale"),
            _switch("measurable", "its landing could be heard"),
            _switch("repeat", "the finger stayed in place since the note before"),
            _switch("struck_out", "the player struck it out", "struck"),
            _switch("paused", "played while the log was paused"),
            _switch("without_drone", "played with the drone faded out", "without"),
            _id("round_id", "the round it belongs to"),
            _plain("try_number", "", "which try of the round; empty: the note to come from"),
            _plain("call", "", "what the player called it last: flat, in tune, sharp", "verdict"),
            _plain("ended_monotonic_s", "s", "its end on the clock since the machine's start"),
            _switch("clock_set", "the clock was right", "synchronised"),
            _plain("boot_id", "", "which start of the machine; empty: that of the sitting's begin"),
        ),
    ),
    Export(
        "call",
        "What a player called a note; all calls, of which the last counts.",
        f"""SELECT call.* FROM call JOIN note ON note.id = call.note_id
            JOIN sitting ON sitting.id = note.sitting_id WHERE {_MINE} ORDER BY call.id""",
        (
            _id("id", "the call"),
            _id("note_id", "the note it speaks of"),
            _plain("verdict", "", "flat, in tune, sharp, or taken back"),
            *_clocks("called"),
        ),
    ),
    Export(
        "round",
        "Repeated tries at one arrival.",
        f"""SELECT round.*, sitting.a4_hz AS a4_hz FROM round
            JOIN sitting ON sitting.id = round.sitting_id WHERE {_MINE} ORDER BY round.id""",
        (
            _id("id", "the round"),
            _id("sitting_id", "its sitting"),
            _plain("from_hz", "Hz", "the note to come from; empty: from silence"),
            _named("from_note", "from_hz", "that note"),
            _plain("target_low_hz", "Hz", "lower end of the target"),
            _plain("target_high_hz", "Hz", "upper end of it; the same where it is one pitch"),
            _named("target_note", "target_low_hz", "the note aimed at"),
            _plain("band_cents", "cents", "so near counted as in tune"),
            _switch("won", "enough landed in a row; empty: it has not ended"),
            *_clocks("began"),
        ),
    ),
    Export(
        "event",
        "What else happened: pauses, without, rounds, check-ins, pedals, gaps of sound.",
        f"""SELECT event.* FROM event LEFT JOIN sitting ON sitting.id = event.sitting_id
            WHERE {_MINE} ORDER BY event.id""",
        (
            _id("id", "the event"),
            _id("sitting_id", "its sitting; empty: between sittings"),
            _plain("kind", "", "what happened"),
            _plain("detail", "", "more about it, such as the pedal"),
            *_clocks("happened"),
        ),
    ),
    Export(
        "listening",
        "How much of a day's safe listening was used, for the last two days.",
        "SELECT * FROM listening WHERE :player IS NULL OR player = :player ORDER BY day, player",
        (
            _plain("day", "date", "the day, in the room's time zone"),
            _plain("player", "", "the id of a person; empty: nobody was checked in"),
            _plain("used_percent", "percent", "of the dose that NIOSH allows in a day"),
        ),
    ),
    Export(
        "person",
        "Who you are here.",
        f"""SELECT * FROM person WHERE :player IS NULL
             OR {id_sql("id")} = :player ORDER BY id""",
        (
            _id("id", "the person"),
            _plain("nickname", "", "how they are called"),
            _plain("role", "", "player, teacher or owner"),
            _switch("pin_given", "somebody else chose the PIN, and it was not replaced yet"),
            _plain("consent_on", "date", "when a guardian consented"),
            *_times("created", "created_wall_s", "since when they are known here"),
        ),
        kept_back=("nickname_key", "pin_hash", "session_number"),
    ),
    Export(
        "studio",
        "Whose studio card a player accepted.",
        f"""SELECT studio.* FROM studio WHERE :player IS NULL OR :player IN (
             {id_sql("player_id")},
             {id_sql("teacher_id")})
           ORDER BY teacher_id, player_id""",
        (
            _id("teacher_id", "the teacher"),
            _id("player_id", "the player"),
            *_times("accepted", "accepted_wall_s", "when the card was accepted"),
        ),
    ),
    Export(
        "focus",
        "What a teacher set for a player's week.",
        f"""SELECT focus.* FROM focus WHERE :player IS NULL OR :player IN (
             {id_sql("player_id")},
             {id_sql("teacher_id")})
           ORDER BY player_id, week""",
        (
            _id("player_id", "the player"),
            _plain("week", "", "the week, ISO 8601"),
            _id("teacher_id", "the teacher"),
            _plain("band_cents", "cents", "so near counts as in tune that week; empty: as usual"),
            _plain("notes", "", "MIDI numbers, a JSON list"),
            _plain("shifts", "", "pairs of MIDI numbers, a JSON list"),
            _midi_named("drone_note", "drone_midi", "the drone of the week"),
        ),
    ),
    Export(
        "room",
        "The rooms whose sittings are in this log.",
        "SELECT * FROM room ORDER BY id",
        (
            Field("id", "", "the room", lambda row, _: f"{row['id']:08x}", ("id",)),
            _plain("name", "", "its name"),
            _plain("last_number", "", "how many rows it has written"),
        ),
    ),
    Export(
        "room_setting",
        "What was set on the page in place of the settings file.",
        "SELECT * FROM room_setting ORDER BY key",
        (_plain("key", "", "what was set"), _plain("value", "", "its value as JSON")),
    ),
)

# Tables of which no export is made, and why.
NOT_EXPORTED = {
    "studio_card": "the code on a teacher's card is a secret",
    "erasure": "who asked to be forgotten is in no list",
}


def find_export(name: str) -> Export | None:
    """Return the export of a table of the log."""
    return next((export for export in EXPORTS if export.name == name), None)


def document() -> str:
    """Return what every field means, as Markdown."""
    parts = [_HEAD]
    for export in EXPORTS:
        parts.append(
            f"## {export.name}\n\n{export.meaning}\n\n| field | unit | meaning |\n|---|---|---|"
        )
        parts += [f"| `{f.name}` | {f.unit} | {f.meaning} |" for f in export.fields]
        parts.append("")
    parts.append("No export is made of")
    parts += [f"`{name}`: {why}." for name, why in NOT_EXPORTED.items()]
    return "\n".join(parts) + "\n"


_HEAD = """# CSV and JSON of the log

Made from `appliance/log/export_tables.py`. The page *Take it with you* (`/exports`) has a link for
every table, such as `/exports/note.csv` and `/exports/note.json`. CSV is UTF-8 after RFC 4180; JSON
is one list with an object a line. Times stand as ISO 8601 with the room's offset and as Unix
seconds, pitch in Hz with the nearest note beside it (scientific pitch, A4 as in its sitting). What
is not known is empty in CSV and null in JSON. In CSV a text that a spreadsheet would take for a
formula has an apostrophe before it.
"""
