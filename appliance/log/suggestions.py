"""Next step: at most three things the week's landings point at, each with its evidence. Pure.

Nothing is suggested where the evidence is thin. The rules:

- Only what has eight landings or more, in two sittings or more, of which a third or more did not
  land, is looked at.
- *To one side*: the sign test (:func:`~.patterns.sign_test`) gives a chance of at most one in a
  hundred, since a week has many notes to find something in, and the typical error is five cents or
  more.
- *Anywhere*: the landings lie to both sides, and the 95 % interval of the landed share is below one
  half.
- *Without*: of the same notes fewer land without the drone, by Newcombe's interval.
- *The clearest drone*: over one drone the note landed more often than over the others, by
  Newcombe's interval, each with eight landings or more.

What most often did not land comes first. A note is left out where a shift to it is suggested.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from appliance.log.change import newcombe
from appliance.log.judging import Landing, sittings_of
from appliance.log.patterns import Lie, Pattern, lie_of
from appliance.log.tallies import FEW, Tally
from appliance.log.weeks import Beside, NoteLine, ShiftLine, Week, grouped, tally_of
from appliance.tuning import CALLED_FROM_CENTS

MOST = 3
FEWEST_SITTINGS = 2
TROUBLE = 1 / 3  # from this share of notes not landed on there is something to suggest
ONE_IN_A_HUNDRED = 0.01
HALF = 0.5


class Kind(StrEnum):
    """What a suggestion is about."""

    ONE_SIDE = "to one side"
    ANYWHERE = "anywhere"
    WITHOUT = "without the drone"


@dataclass(frozen=True, slots=True)
class Clearest:
    """Over a drone of this pitch class (C = 0) so many of so many landed."""

    pitch_class: int
    landed: int
    count: int


@dataclass(frozen=True, slots=True)
class Suggestion:
    """One suggestion and its evidence.

    ``tally`` counts what it speaks of: the landings of ``line``, or the notes played without the
    drone, which stand beside the same notes with it in ``with_drone``.
    """

    kind: Kind
    tally: Tally
    line: NoteLine | ShiftLine | None = None
    lie: Lie | None = None
    clearest: Clearest | None = None
    with_drone: Tally | None = None

    @property
    def not_landed(self) -> int:
        """How much trouble it speaks of."""
        return self.tally.count - self.tally.landed


def suggestions_of(week: Week, band_cents: float) -> tuple[Suggestion, ...]:
    """Return what a week suggests, the greatest trouble first; nothing where evidence is thin."""
    shifts = list(_of_lines(week.by_shift, band_cents))
    shifted = {one.line.to_midi for one in shifts if isinstance(one.line, ShiftLine)}
    notes = _of_lines([line for line in week.by_note if line.midi not in shifted], band_cents)
    every = [*shifts, *notes, *_of_without(week.beside)]
    return tuple(sorted(every, key=lambda one: -one.not_landed)[:MOST])


def _of_lines(lines: Iterable[NoteLine | ShiftLine], band_cents: float) -> Iterator[Suggestion]:
    for line in lines:
        if not _worth_a_look(line):
            continue
        shift = isinstance(line, ShiftLine)
        lie = lie_of(line.landings, line.tally, band_cents, along=shift)
        kind = _kind(line.tally, lie)
        if kind is not None:
            yield Suggestion(kind, line.tally, line, lie, clearest_drone(line.landings))


def _worth_a_look(line: NoteLine | ShiftLine) -> bool:
    missing = line.tally.count - line.tally.landed
    return (
        not line.tally.few
        and missing >= TROUBLE * line.tally.count
        and len(set(sittings_of(line.landings))) >= FEWEST_SITTINGS
    )


def _kind(tally: Tally, lie: Lie) -> Kind | None:
    if lie.chance <= ONE_IN_A_HUNDRED and abs(lie.typical_cents) >= CALLED_FROM_CENTS:
        return Kind.ONE_SIDE
    if lie.pattern is Pattern.SCATTERED and tally.interval[1] < HALF:
        return Kind.ANYWHERE
    return None


def _of_without(beside: Beside) -> Iterator[Suggestion]:
    drone, without = beside.alike_with, beside.alike_without
    if drone.few or without.few:
        return
    low, _ = newcombe(drone.landed, drone.count, without.landed, without.count)
    if low > 0.0:
        yield Suggestion(Kind.WITHOUT, without, with_drone=drone)


def clearest_drone(landings: Sequence[Landing]) -> Clearest | None:
    """Return the sounding drone over which landings landed more often than over the others."""
    drones = {
        pitch_class: tally_of(group) for pitch_class, group in grouped(landings, _sounding).items()
    }
    if not drones:
        return None
    name, best = max(drones.items(), key=lambda item: (_share(item[1]), -item[0]))
    others = [tally for other, tally in drones.items() if other != name]
    landed, count = sum(t.landed for t in others), sum(t.count for t in others)
    if best.few or count < FEW:
        return None
    low, _ = newcombe(best.landed, best.count, landed, count)
    return Clearest(name, best.landed, best.count) if low > 0.0 else None


def _share(tally: Tally) -> float:
    return -1.0 if tally.few else tally.landed / tally.count


def _sounding(landing: Landing) -> int | None:
    if not landing.sounding or landing.drone_midi is None:
        return None
    return landing.drone_midi % 12
