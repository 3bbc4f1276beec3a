"""Where the player's calls and the measured landings agree: pure, from landings to counts.

A call speaks of the landing. Where the note was corrected after it had landed the call may speak of
the correction, so such notes are counted apart and no ear is judged by them.
"""

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from appliance.log.psychometric import Threshold
from appliance.log.tallies import FEW, Tally, tally, wilson
from appliance.log.wander import sitting_threshold
from appliance.log.weeks import Landing, grouped
from appliance.tuning import CALLED_FROM_CENTS, accepted_calls
from appliance.vocabulary import Call

_Key = TypeVar("_Key", bound=Hashable)

_RISING = (Call.FLAT, Call.IN_TUNE, Call.SHARP)


@dataclass(frozen=True, slots=True)
class CallTally:
    """How many calls agreed; of the others, how many put the note too low and how many too high."""

    agreed: int
    too_flat: int
    too_sharp: int

    @property
    def count(self) -> int:
        """How many calls."""
        return self.agreed + self.too_flat + self.too_sharp

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval of the share that agreed, 0 to 1."""
        return wilson(self.agreed, self.count)

    @property
    def few(self) -> bool:
        """Whether there are too few calls to say much."""
        return self.count < FEW


@dataclass(frozen=True, slots=True)
class CallLine(Generic[_Key]):
    """The calls on one note or interval.

    ``threshold`` is ``None`` with not enough calls yet; its ``flat`` and ``sharp`` are left out.
    ``spanned``: all its targets are spans, so that there is no pitch for a threshold to count from.
    """

    key: _Key
    tally: CallTally
    threshold: Threshold | None
    spanned: bool


@dataclass(frozen=True, slots=True)
class Agreement:
    """What a player's calls say, most calls first.

    ``by_note`` is keyed by MIDI number, ``by_interval`` by semitones above the drone (0 to 11),
    ``by_side`` by how the note had landed: from 5 cents on flat or sharp, else in tune.
    ``corrected`` calls are in none of the others.
    """

    total: CallTally
    corrected: CallTally
    threshold: Threshold | None
    by_note: tuple[CallLine[int], ...]
    by_interval: tuple[CallLine[int], ...]
    by_side: dict[Call, CallTally]


@dataclass(frozen=True, slots=True)
class DroneLine:
    """What became of the notes and calls while a drone of this pitch class (C = 0) sounded."""

    pitch_class: int
    landings: Tally
    calls: CallTally


def read_agreement(landings: Iterable[Landing], band_cents: float) -> Agreement:
    """Count the calls among some landings; those without a call are passed over."""
    called = [landing for landing in landings if landing.call is not None]
    straight = [landing for landing in called if not _corrected(landing)]
    return Agreement(
        total=_count(straight, band_cents),
        corrected=_count([landing for landing in called if _corrected(landing)], band_cents),
        threshold=_threshold(straight, sides=True),
        by_note=_lines(straight, lambda landing: landing.midi, band_cents),
        by_interval=_lines(straight, _interval, band_cents),
        by_side={
            side: _count([landing for landing in straight if _side(landing) is side], band_cents)
            for side in _RISING
        },
    )


def read_drones(landings: Iterable[Landing], band_cents: float) -> tuple[DroneLine, ...]:
    """Count landings, and calls on notes not corrected, for every drone; the most played first."""
    groups = grouped(landings, _sounding)
    lines = (
        DroneLine(
            pitch_class,
            tally([(landing.outcome, landing.landing_cents) for landing in group]),
            _count([one for one in group if one.call and not _corrected(one)], band_cents),
        )
        for pitch_class, group in groups.items()
    )
    return tuple(sorted(lines, key=lambda line: (-line.landings.count, line.pitch_class)))


def _count(landings: Iterable[Landing], band_cents: float) -> CallTally:
    agreed = too_flat = too_sharp = 0
    for landing in landings:
        if landing.call is None:
            continue
        accepted = accepted_calls(landing.landing_cents, band_cents)
        if landing.call in accepted:
            agreed += 1
        elif _RISING.index(landing.call) < min(map(_RISING.index, accepted)):
            too_flat += 1
        else:
            too_sharp += 1
    return CallTally(agreed, too_flat, too_sharp)


def _threshold(landings: Iterable[Landing], *, sides: bool) -> Threshold | None:
    """Fit the calls on notes that have one right pitch; inside a span there is no error to hear."""
    calls = (
        (landing.landing_cents, call, landing.sitting.sitting_id)
        for landing in landings
        if (call := landing.call) and not landing.spanned
    )
    return sitting_threshold(tuple(calls), sides=sides)


def _lines(
    landings: Sequence[Landing], key: Callable[[Landing], _Key | None], band_cents: float
) -> tuple[CallLine[_Key], ...]:
    lines = [
        CallLine(
            name,
            _count(group, band_cents),
            _threshold(group, sides=False),
            all(landing.spanned for landing in group),
        )
        for name, group in sorted(grouped(landings, key).items())
    ]
    return tuple(sorted(lines, key=lambda line: -line.tally.count))


def _corrected(landing: Landing) -> bool:
    """Tell whether landing and settled pitch lie so far apart that their calls can differ."""
    return abs(landing.correction_cents) >= CALLED_FROM_CENTS


def _interval(landing: Landing) -> int | None:
    return None if landing.drone_midi is None else (landing.midi - landing.drone_midi) % 12


def _side(landing: Landing) -> Call:
    if abs(landing.landing_cents) < CALLED_FROM_CENTS:
        return Call.IN_TUNE
    return Call.SHARP if landing.landing_cents > 0.0 else Call.FLAT


def _sounding(landing: Landing) -> int | None:
    if not landing.sounding or landing.drone_midi is None:
        return None
    return landing.drone_midi % 12
