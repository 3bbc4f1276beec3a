"""Which of some logged notes count, held against their targets: pure, sitting by sitting.

What is found of a sitting stays with its notes, so that one more note costs its own sitting alone.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from zoneinfo import ZoneInfo

from appliance.log.columns import NoteColumns, columns_of
from appliance.log.judging import Landing, Reading, judge_all
from appliance.log.kinds import Kind, kinds_of
from appliance.log.records import NoteRow
from appliance.log.strings import read_strings
from appliance.vocabulary import Outcome


@dataclass(frozen=True, slots=True)
class Counted:
    """The landings that count among some notes, how many notes there are of every kind, and how
    many of those that count have no landing.
    """

    landings: tuple[Landing, ...]
    kinds: Mapping[Kind, int]
    unsure: int
    not_measurable: int


def counted_of(
    rows: Sequence[NoteRow], reading: Reading, zone: ZoneInfo | None = None
) -> list[Counted]:
    """Return what counts among some rows, part by part, in their order."""
    return [
        part.once(("counted", reading, zone), partial(_counted, part, reading, zone))
        for part in columns_of(rows).parts
    ]


def _counted(part: NoteColumns, reading: Reading, zone: ZoneInfo | None) -> Counted:
    kinds = kinds_of(part, read_strings(part).marks)
    judged = list(_judged(part, kinds, reading, zone))
    return Counted(
        tuple(found for found in judged if isinstance(found, Landing)),
        Counter(kinds),
        judged.count(Outcome.UNSURE),
        judged.count(Outcome.NOT_MEASURABLE),
    )


def _judged(
    part: NoteColumns, kinds: Sequence[Kind], reading: Reading, zone: ZoneInfo | None
) -> Iterator[Landing | Outcome]:
    """Hold against their targets the notes that count."""
    for found, kind in zip(judge_all(part, reading, zone), kinds, strict=True):
        if kind is Kind.ORDINARY:
            yield found
        elif kind is Kind.MAY_BE_OPEN and reading.count_open:
            yield found._replace(may_be_open=True) if isinstance(found, Landing) else found
