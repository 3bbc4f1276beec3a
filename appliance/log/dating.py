"""How rows are dated once the clock is known. Pure: only the statements.

A machine without a battery clock starts in the past. Every row has the monotonic time of its boot
beside the wall time, so when the clock is set, wall time is monotonic time and one offset.

Rows of a boot are those that name it, and those that name none and belong to a sitting begun in it.
Parameters: ``:boot``, ``:offset`` (Unix time less monotonic time, s), ``:synchronised``, ``:from``
(s, monotonic).
"""

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
