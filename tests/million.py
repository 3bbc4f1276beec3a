"""Three school years of one busy room, invented: 200 players, a million notes.

    python -m tests.million LOG.db --notes 1000000 --seed 1

The last week holds 5,000 notes of the busiest player and is the same, note by note, however many
notes stand before it: a log of 10,000 is the end of the log of a million. Everything follows from
the seed. The schema is the real one; rows are inserted in bulk.
"""

import argparse
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from appliance.log.calendar import CalendarWeek
from appliance.log.logbook import Logbook
from appliance.log.people import People
from appliance.log.records import id_text, row_key
from tests.million_notes import ROUND_NOTES, Habits, Played, played_sitting

ZONE = ZoneInfo("Europe/Lisbon")
ROOM = "practice room 1"
ROOM_ID = 0x2B6F1D07
LAST_WEEK = CalendarWeek(2026, 24)
PLAYERS = 200
BUSIEST = 7  # the number of the player whose week is asked for; player 1 owns the room
PIN = "271828"
HOLIDAYS = {*range(28, 37), 52, 53, 1, 14, 15}  # calendar weeks without school
# Notes of the last two weeks: of the busiest player, and of the others.
LAST_WEEKS = ((3_400, 700), (5_000, 900))
SHORT_LOG = sum(map(sum, LAST_WEEKS))
WEEKS = 116  # of three school years
NOTES_A_SITTING = 500
# Common practice, no source: what is practised in a school.
SHARES = {"violin": 70, "viola": 30, "cello": 40, "double-bass": 12, "flute": 20, "voice": 28}


@dataclass(frozen=True, slots=True)
class Sitting:
    """One stretch of practice to come."""

    player: int
    starts_s: float
    notes: int


def person_id(player: int) -> int:
    """Row key of the person with this number, counted from 1."""
    return row_key(ROOM_ID, player)


def busiest_name() -> str:
    """Return the busiest player's nickname; the PIN is PIN."""
    return f"Player {BUSIEST}"


def busiest() -> str:
    """Return the busiest player's id, as a sitting keeps it."""
    return id_text(person_id(BUSIEST))


def fill(path: Path, notes: int = 1_000_000, seed: int = 1, alone_weeks: int | None = None) -> None:
    """Write a log of so many notes, 10,000 or more, to ``path``.

    With ``alone_weeks`` only what the busiest player has in so many weeks, the last ones of it.
    """
    if notes < SHORT_LOG:
        raise ValueError(f"at least {SHORT_LOG} notes: the last two weeks")
    Logbook(path, ROOM).close()
    with sqlite3.connect(path) as log:
        log.execute("PRAGMA synchronous = OFF")
        log.execute("UPDATE room SET id = ?", [ROOM_ID])
        _add_people(log)
        number = PLAYERS
        players = [Habits.draw(np.random.default_rng((seed, p)), _instrument(p)) for p in _all()]
        for index, sitting in enumerate(_sittings(notes, seed)):
            if alone_weeks is not None and not _of_busiest(sitting, alone_weeks):
                continue
            chance = np.random.default_rng((seed, int(sitting.starts_s)))
            played = played_sitting(chance, players[sitting.player - 1], sitting.notes)
            number = _add_sitting(log, sitting, played, number, f"boot-{index // 400}")
        log.execute("UPDATE room SET last_number = ?", [number])
    with People(path, ROOM) as people:
        people.set_pin(busiest(), PIN, given=False)
    log.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    log.close()


def _of_busiest(sitting: Sitting, weeks: int) -> bool:
    begins_s = LAST_WEEK.later(1 - weeks).bounds(ZONE)[0]
    return sitting.player == BUSIEST and sitting.starts_s >= begins_s


def _all() -> range:
    return range(1, PLAYERS + 1)


def _instrument(player: int) -> str:
    """Player 7, the busiest, plays the violin."""
    for name, share in SHARES.items():
        if player <= share:
            return name
        player -= share
    raise ValueError("more players than instruments")


def _weeks(notes: int) -> Iterator[tuple[CalendarWeek, tuple[int, int]]]:
    """Yield the weeks of school, earliest first, each with notes of the busiest and the others."""
    weeks = [LAST_WEEK, LAST_WEEK.later(-1)]
    while len(weeks) < WEEKS:
        week = weeks[-1].later(-1)
        while week.number in HOLIDAYS:
            week = week.later(-1)
        weeks.append(week)
    before, years = notes - SHORT_LOG, weeks[:1:-1]
    for index, week in enumerate(years):
        count = before * (index + 1) // len(years) - before * index // len(years)
        if count:
            yield week, (count // 12, count - count // 12)
    yield from zip(weeks[1::-1], LAST_WEEKS, strict=True)


def _sittings(notes: int, seed: int) -> Iterator[Sitting]:
    """Yield what each day brings, one sitting after the other from eight in the morning on."""
    for week, (of_busiest, of_others) in _weeks(notes):
        chance = np.random.default_rng((seed, week.year, week.number))
        whose = [(BUSIEST, n) for n in _parts(of_busiest)]
        others = [player for player in _all() if player != BUSIEST]
        whose += [(int(chance.choice(others)), n) for n in _parts(of_others)]
        order = chance.permutation(len(whose))
        days = [whose[index] for index in order]
        for day in range(6):
            moment = datetime.combine(week.monday, datetime.min.time(), ZONE)
            starts_s = (moment + timedelta(days=day, hours=8)).timestamp()
            for player, count in days[day::6]:
                yield Sitting(player, starts_s, count)
                starts_s += 5.5 * count + 300.0


def _parts(notes: int) -> list[int]:
    """Split notes into sittings of about half an hour."""
    parts = max(1, round(notes / NOTES_A_SITTING))
    return [notes * (i + 1) // parts - notes * i // parts for i in range(parts)]


def _add_people(log: sqlite3.Connection) -> None:
    log.executemany(
        "INSERT INTO person (id, nickname, nickname_key, role, pin_hash, created_wall_s) "
        "VALUES (?, ?, ?, ?, 'no PIN fits', ?)",
        [
            (
                person_id(p),
                name := f"Player {p}",
                name.lower(),
                "player" if p > 1 else "owner",
                1.69e9,
            )
            for p in _all()
        ],
    )


def _add_sitting(
    log: sqlite3.Connection, sitting: Sitting, played: Played, number: int, boot: str
) -> int:
    """Insert a sitting and its notes; returns the last number of the room."""
    sitting_key = row_key(ROOM_ID, number + 1)
    starts_s, ends_s = sitting.starts_s, sitting.starts_s + float(played.ends_s[-1]) + 60.0
    log.execute(
        "INSERT INTO sitting (id, room_id, player, instrument, a4_hz, boot_id, started_wall_s, "
        "started_monotonic_s, started_synchronised, ended_wall_s, ended_monotonic_s, "
        "ended_synchronised) VALUES (?, ?, ?, ?, ?, ?, ?, ?, 1, ?, ?, 1)",
        [
            *(sitting_key, ROOM_ID, id_text(person_id(sitting.player))),
            *(_instrument(sitting.player), played.a4_hz, boot),
            *(starts_s, starts_s - 1.6e9, ends_s, ends_s - 1.6e9),
        ],
    )
    first = sitting_key + 1
    keys = range(first, first + len(played.ends_s))
    walls = (starts_s + played.ends_s).tolist()
    monotonics = (starts_s - 1.6e9 + played.ends_s).tolist()
    names = ", ".join(played.columns)
    marks = ", ".join("?" * len(played.columns))
    log.executemany(
        "INSERT INTO note (id, sitting_id, ended_wall_s, ended_monotonic_s, synchronised, "
        f"{names}) VALUES (?, {sitting_key}, ?, ?, 1, {marks})",
        zip(keys, walls, monotonics, *played.columns.values(), strict=True),
    )
    last = number + 1 + len(keys)
    if played.round_begins is not None:
        last += 1
        began = (walls[played.round_begins] - 2.0, monotonics[played.round_begins] - 2.0, 1, boot)
        _add_round(log, row_key(ROOM_ID, last), sitting_key, played, began)
    called = [(i, verdict) for i, verdict in enumerate(played.calls) if verdict]
    log.executemany(
        "INSERT INTO call (note_id, id, verdict, wall_s, monotonic_s, synchronised) "
        "VALUES (?, ?, ?, ?, ?, 1)",
        [
            (first + i, row_key(ROOM_ID, last + n), verdict, walls[i] + 1.0, monotonics[i] + 1.0)
            for n, (i, verdict) in enumerate(called, 1)
        ],
    )
    return last + len(called)


def _add_round(
    log: sqlite3.Connection,
    key: int,
    sitting_key: int,
    played: Played,
    began: tuple[float, float, int, str],
) -> None:
    """Make a round of some notes of a sitting: a note to come from, a try, and so on."""
    begins = played.round_begins or 0
    from_hz, target_hz = (played.columns["settled_hz"][begins + i] or 220.0 for i in (0, 1))
    log.execute(
        "INSERT INTO round VALUES (?, ?, ?, ?, ?, 10.0, ?, ?, ?, ?, 1)",
        [key, sitting_key, from_hz, target_hz, target_hz, *began],
    )
    log.executemany(
        "UPDATE note SET round_id = ?, try_number = ? WHERE id = ?",
        [
            (key, (place + 1) // 2 if place % 2 else None, sitting_key + 1 + begins + place)
            for place in range(ROUND_NOTES)
        ],
    )


def main() -> None:
    parser = argparse.ArgumentParser(description="Write a log of three invented school years.")
    parser.add_argument("log", type=Path)
    parser.add_argument("--notes", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    fill(options.log, options.notes, options.seed)


if __name__ == "__main__":
    main()
