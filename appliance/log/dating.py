"""How rows are dated once the clock is known. Pure: the rule, and the statements.

A machine without a battery clock starts in the past. Every row has the monotonic time of its boot
beside the wall time, so when the clock is set, wall time is monotonic time and one offset.

Rows of a boot are those that name it, and those that name none and belong to a sitting begun in it.
Parameters: ``:boot``, ``:offset`` (Unix time less monotonic time, s), ``:synchronised``, ``:from``
(s, monotonic).
"""

from dataclasses import replace

from appliance.vocabulary import Instant

CLOCK_STEP_S = 1.5  # more than a leap second: the clock was set

_OF_NOTE = "(SELECT boot_id FROM sitting WHERE sitting.id = note.sitting_id)"
_OF_CALL = """(SELECT sitting.boot_id FROM note JOIN sitting ON sitting.id = note.sitting_id
  WHERE note.id = call.note_id)"""

# Table, prefix of its times, its flag, the boot of its rows.
_MOMENTS = (
    ("sitting", "started_", "started_synchronised", "boot_id"),
    ("sitting", "ended_", "ended_synchronised", "coalesce(ended_boot_id, boot_id)"),
    ("note", "ended_", "synchronised", f"coalesce(boot_id, {_OF_NOTE})"),
    ("call", "", "synchronised", f"coalesce(boot_id, {_OF_CALL})"),
    ("round", "", "synchronised", "boot_id"),
    ("event", "", "synchronised", "boot_id"),
)


def _statement(table: str, prefix: str, flag: str, boot: str, which: str) -> str:
    return f"""UPDATE {table}
      SET {prefix}wall_s = {prefix}monotonic_s + :offset, {flag} = :synchronised
      WHERE {which.format(prefix=prefix, flag=flag)} AND {boot} = :boot"""


# Those that nobody could date; few, and found by an index of their own.
DATE_UNDATED = tuple(_statement(*moment, "{flag} = 0") for moment in _MOMENTS)
# Those from a moment on, whatever their clock said.
DATE_LATER = tuple(_statement(*moment, "{prefix}monotonic_s >= :from") for moment in _MOMENTS)


class Dating:
    """Wall time from monotonic time, by the clock when it was last known to be right.

    Until it has been synchronised in this boot, the newest setting counts; from then on one that is
    not synchronised is not believed.
    """

    def __init__(self) -> None:
        """Know of no clock yet."""
        self.last: Instant | None = None  # the moment that dates all others
        self.stepped_s = 0.0

    def read(self, now: Instant) -> bool:
        """Take what the clock says; return whether it was set since the last time."""
        if self.last is None:
            self.last = now
            return now.synchronised  # what an earlier run of this boot wrote may be undated
        by_s = (now.wall_s - now.monotonic_s) - (self.last.wall_s - self.last.monotonic_s)
        believed = now.synchronised or not self.last.synchronised
        news = abs(by_s) > CLOCK_STEP_S or now.synchronised is not self.last.synchronised
        if not believed or not news:
            return False
        self.last, self.stepped_s = now, by_s
        return True

    def now(self, monotonic_s: float) -> Instant:
        """Return the present moment, dated right."""
        last = self.last or Instant(0.0, monotonic_s, "", False)
        return self.right(replace(last, monotonic_s=monotonic_s))

    def right(self, at: Instant) -> Instant:
        """Return the same moment, dated right."""
        if self.last is None or at.boot_id != self.last.boot_id:
            return at
        wall_s = self.last.wall_s + (at.monotonic_s - self.last.monotonic_s)
        return replace(at, wall_s=wall_s, synchronised=self.last.synchronised)
