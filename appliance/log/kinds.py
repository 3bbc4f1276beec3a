"""What a logged note is to a week: whether it counts among its shares, and why not. Pure."""

from collections.abc import Sequence
from enum import StrEnum

import numpy as np

from appliance.log.columns import columns_of
from appliance.log.records import NoteRow
from appliance.log.strings import OpenMark


class Kind(StrEnum):
    """What a logged note is to a week. Only the ordinary ones make its shares.

    Rounds oversample what is bad and end on success; a repeat shows a finger left in place; an open
    string was placed by no finger.
    """

    ORDINARY = "ordinary"
    STRUCK = "struck out"
    PAUSED = "played while the log was paused"
    TUNING = "tuning a string"
    REPEAT = "repeat"
    IN_ROUND = "in a round"
    MAY_BE_OPEN = "may be an open string"


def kinds_of(rows: Sequence[NoteRow], marks: Sequence[OpenMark | None]) -> list[Kind]:
    """Say of each note what it is; ``marks`` are those of :func:`~.strings.read_strings`."""
    columns = columns_of(rows)
    tuning = [mark is OpenMark.TUNING for mark in marks]
    may_be_open = [mark is OpenMark.MAY_BE_OPEN for mark in marks]
    first_of = (  # the first that holds
        (Kind.STRUCK, columns.struck),
        (Kind.PAUSED, columns.paused),
        (Kind.TUNING, tuning),
        (Kind.REPEAT, columns.repeat),
        (Kind.IN_ROUND, columns.in_round),
        (Kind.MAY_BE_OPEN, may_be_open),
        (Kind.ORDINARY, [True] * len(columns)),
    )
    kinds = [kind for kind, _ in first_of]
    which = np.argmax(np.array([holds for _, holds in first_of], bool), axis=0)
    return [kinds[index] for index in which.tolist()]
