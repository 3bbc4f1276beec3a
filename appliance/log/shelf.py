"""Notes lately read from a log, kept in memory for as long as they are what the log says.

Any number of pages of the same week cost one reading. Nothing here knows when the room writes: the
log is asked. SQLite counts the commits of other connections; while that count stands still nothing
has changed. Where it has moved, a sum over the very notes tells whether they were touched: one
more, one struck out, one called, one given to another player.
"""

from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from appliance.log.columns import NoteColumns
from appliance.log.reader import LogReader

KEPT_NOTES = 12_000  # at most; each takes about 0.8 kB with all that is found out from it

_Key = tuple[float, float, str | None]


@dataclass(slots=True)
class _Kept:
    """Notes, and what the log said when they were read, or last compared."""

    notes: NoteColumns
    sums: Hashable
    version: Hashable


class Shelf:
    """Holds the notes of one log; its readers may work in several threads."""

    def __init__(self, path: str | Path) -> None:
        """Make an empty shelf for the log at ``path``, which need not exist yet."""
        self._path = Path(path)
        self._lock = Lock()
        self._kept: OrderedDict[_Key, _Kept] = OrderedDict()  # the latest asked for comes last
        self._watch: LogReader | None = None
        self._file: tuple[int, int] | None = None  # which file is watched

    def reader(self, player: str | None = None) -> LogReader:
        """Open the log for one player, or with ``None`` for everybody, as :class:`LogReader`."""
        return _ShelfReader(self, self._path, player)

    def notes(self, log: "_ShelfReader", start_wall_s: float, end_wall_s: float) -> NoteColumns:
        """Return what ``log`` has in a span of time, from the shelf if it stands there."""
        key = (start_wall_s, end_wall_s, log.player)
        with self._lock:
            # In this order: what is written meanwhile makes the notes newer than their marks, and
            # so they are read again.
            version = self._version()
            kept = self._kept.get(key)
            if kept is None or kept.version != version:
                sums = log.sums(start_wall_s, end_wall_s)
                if kept is None or kept.sums != sums:
                    self._let_go(key)
                    kept = _Kept(log.fresh_notes(start_wall_s, end_wall_s), sums, version)
                kept.version = version
            self._keep(key, kept)
            return kept.notes

    def _version(self) -> Hashable:
        """Something else after every commit of others, and when another file is the log."""
        status = self._path.stat()
        file = (status.st_dev, status.st_ino)
        if self._watch is None or file != self._file:
            if self._watch is not None:
                self._watch.close()
            self._watch, self._file = LogReader(self._path), file
        return (*file, self._watch.commits_of_others())

    def _keep(self, key: _Key, kept: _Kept) -> None:
        if len(kept.notes) > KEPT_NOTES:
            return  # it would only push all others off
        kept.notes.hold()
        self._kept[key] = kept
        self._kept.move_to_end(key)
        while sum(len(one.notes) for one in self._kept.values()) > KEPT_NOTES:
            self._let_go(next(iter(self._kept)))

    def _let_go(self, key: _Key) -> None:
        kept = self._kept.pop(key, None)
        if kept is not None:
            kept.notes.let_go()


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
