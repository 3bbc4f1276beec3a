"""Notes lately read from a log, kept in memory for as long as they are what the log says.

Any number of pages of the same week cost one reading. Nothing here knows when the room writes: the
log is asked. SQLite counts the commits of other connections; while that count stands still nothing
has changed. Where it has moved, sums over each sitting's notes tell which were touched: one more,
one struck out, one called, one given to another player. Only those sittings are read again; the
others are shared by all spans of time in which they lie.
"""

import math
from collections import OrderedDict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Lock, RLock

from appliance.log.columns import JoinedColumns, NoteColumns
from appliance.log.reader import LogReader, SittingSums

# At most; each takes about 0.6 kB with all that is found out from it. So many has somebody who
# plays every day in sixteen weeks.
KEPT_NOTES = 20_000
KEPT_SPANS = 64  # at most; a page asks for two or three

_Span = tuple[float, float, str | None]
_Run = tuple[SittingSums, ...]


@dataclass(slots=True)
class _Kept:
    """Notes of a span of time, and what the log said when they were read, or last compared.

    ``parts`` are the same notes sitting by sitting.
    """

    notes: NoteColumns
    parts: dict[_Run, NoteColumns]
    sums: Sequence[SittingSums]
    version: Hashable


class Shelf:
    """Holds the notes of one log; its readers may work in several threads."""

    def __init__(self, path: str | Path) -> None:
        """Make an empty shelf for the log at ``path``, which need not exist yet."""
        self._path = Path(path)
        self._lock = Lock()
        self._turn = RLock()  # of those who find something out from the notes
        self._kept: OrderedDict[_Span, _Kept] = OrderedDict()  # the latest asked for comes last
        self._parts: dict[_Run, NoteColumns] = {}  # of all that is kept
        self._watch: LogReader | None = None
        self._file: tuple[int, int] | None = None  # which file is watched

    def reader(self, player: str | None = None) -> LogReader:
        """Open the log for one player, or with ``None`` for everybody, as :class:`LogReader`."""
        return _ShelfReader(self, self._path, player)

    def notes(self, log: "_ShelfReader", start_wall_s: float, end_wall_s: float) -> NoteColumns:
        """Return what ``log`` has in a span of time, from the shelf if it stands there."""
        span = (start_wall_s, end_wall_s, log.player)
        with self._lock:
            # In this order: what is written meanwhile makes the notes newer than the version, and
            # so they are compared again.
            version = self._version()
            kept = self._kept.get(span)
            if kept is None or kept.version != version:
                with log.one_moment():
                    sums = log.sums(start_wall_s, end_wall_s)
                    if kept is None or kept.sums != sums:
                        kept = self._read(log, span, sums, version)
                kept.version = version
            self._keep(span, kept)
            return kept.notes

    def _read(
        self, log: "_ShelfReader", span: _Span, sums: Sequence[SittingSums], version: Hashable
    ) -> _Kept:
        """Read the sittings that are not here, and join them with those that are."""
        held = {run: self._parts.get(run) for run in _runs(sums)}
        parts = {
            run: log.fresh_notes(*_span_of(run)) if part is None else part
            for run, part in held.items()
        }
        notes = JoinedColumns(list(parts.values())) if parts else log.fresh_notes(*span[:2])
        return _Kept(notes, parts, sums, version)

    def forget(self, player: str) -> None:
        """Keep nothing any more of a player who is forgotten, nor what everybody played."""
        with self._lock:
            for span in [span for span in self._kept if span[2] in (player, None)]:
                self._kept.pop(span).notes.let_go()
            self._keep_parts(self._all_parts())

    def _version(self) -> Hashable:
        """Something else after every commit of others, and when another file is the log."""
        status = self._path.stat()
        file = (status.st_dev, status.st_ino)
        if self._watch is None or file != self._file:
            if self._watch is not None:
                self._watch.close()
            self._watch, self._file = LogReader(self._path), file
        return (*file, self._watch.commits_of_others())

    def _keep(self, span: _Span, kept: _Kept) -> None:
        before = self._kept.pop(span, None)
        if len(kept.notes) <= KEPT_NOTES:  # more would only push all others off
            kept.notes.hold(self._turn)
            self._kept[span] = kept
        if kept is before:
            return
        if before is not None:
            before.notes.let_go()
        parts = self._all_parts()
        while len(self._kept) > KEPT_SPANS or sum(map(len, parts.values())) > KEPT_NOTES:
            self._kept.popitem(last=False)[1].notes.let_go()
            parts = self._all_parts()
        self._keep_parts(parts)

    def _keep_parts(self, parts: dict[_Run, NoteColumns]) -> None:
        for key in self._parts.keys() - parts.keys():
            self._parts[key].let_go()
        for part in parts.values():
            part.hold(self._turn)
        self._parts = parts

    def _all_parts(self) -> dict[_Run, NoteColumns]:
        return {key: part for kept in self._kept.values() for key, part in kept.parts.items()}


def _runs(sums: Sequence[SittingSums]) -> list[_Run]:
    """Part sittings, the earliest first, where the notes of one end before those of the next begin.

    Only of two rooms, or where a clock was wrong, do they lie among each other.
    """
    runs: list[_Run] = []
    last_wall_s = -math.inf
    for one in sums:
        if one.first_wall_s > last_wall_s:
            runs.append((one,))
        else:
            runs[-1] += (one,)
        last_wall_s = max(last_wall_s, one.last_wall_s)
    return runs


def _span_of(run: _Run) -> tuple[float, float]:
    last_wall_s = max(one.last_wall_s for one in run)
    return run[0].first_wall_s, math.nextafter(last_wall_s, math.inf)


class _ShelfReader(LogReader):
    """A reader that asks the shelf first."""

    def __init__(self, shelf: Shelf, path: Path, player: str | None) -> None:
        super().__init__(path, player)
        self._shelf = shelf
        self.player = player

    def notes(
        self, start_wall_s: float, end_wall_s: float, player: str | None = None
    ) -> NoteColumns:
        """See :meth:`LogReader.notes`."""
        if player not in (None, self.player):
            return super().notes(start_wall_s, end_wall_s, player)
        return self._shelf.notes(self, start_wall_s, end_wall_s)

    def fresh_notes(self, start_wall_s: float, end_wall_s: float) -> NoteColumns:
        """Read the notes from the log itself."""
        return super().notes(start_wall_s, end_wall_s)
