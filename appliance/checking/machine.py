"""What a person is told of the machine: clock, space, card, pedals, light. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from appliance.checking.verdicts import Line, Verdict, graded

# A note takes some 300 bytes with its indexes, a busy room a million notes in three years; fourteen
# backups beside the log want the rest. Our own choice.
FREE_MB = (2000.0, 300.0)
# Wear of eMMC in tenths of its life, 11: exceeded (JEDEC JESD84-B50, DEVICE_LIFE_TIME_EST).
LIFE_TENTHS = (8.0, 10.0)
RESERVE = {1: "normal", 2: "80 % of the reserve used", 3: "urgent"}  # PRE_EOL_INFO, the same


@dataclass(frozen=True, slots=True)
class Storage:
    """Where the log lies. ``None``: this machine does not say.

    ``life_tenths`` is the worse of a card's two estimates of its wear, ``reserve`` its PRE_EOL_INFO
    and ``errors`` how many the file system has met.
    """

    free_mb: float
    writable: bool
    life_tenths: int | None = None
    reserve: int | None = None
    errors: int | None = None


def clock_line(*, synchronised: bool) -> Line:
    """Whether something keeps the wall clock right."""
    if synchronised:
        return Line("clock", Verdict.FINE, "kept right by a time service")
    return Line(
        "clock",
        Verdict.DOUBTFUL,
        "nothing keeps it right",
        "connect the network, or fit a battery clock; sittings may be dated wrong until then",
    )


def storage_lines(storage: Storage) -> list[Line]:
    """Space, and the card as far as it can be read."""
    return [_space(storage), _card(storage)]


def _space(storage: Storage) -> Line:
    free = f"{storage.free_mb / 1000.0:.1f} GB free"
    if not storage.writable:
        advice = "look at who owns the log's folder, and whether the card is write-protected"
        return Line("space", Verdict.WRONG, "the log's folder cannot be written", advice)
    verdict = graded(storage.free_mb, FREE_MB)
    advice = "" if verdict is Verdict.FINE else "move old files away, or use a larger card"
    return Line("space", verdict, free, advice)


def _card(storage: Storage) -> Line:
    what, advice = "card", "take a backup now and change the card"
    if storage.errors:
        return Line(what, Verdict.WRONG, f"{storage.errors} errors of the file system", advice)
    if storage.reserve in (2, 3):
        verdict = Verdict.DOUBTFUL if storage.reserve == 2 else Verdict.WRONG
        return Line(what, verdict, RESERVE[storage.reserve], advice)
    if storage.life_tenths:
        verdict = graded(storage.life_tenths, LIFE_TENTHS)
        found = f"up to {10 * storage.life_tenths} % of its life used"
        return Line(what, verdict, found, "" if verdict is Verdict.FINE else advice)
    if storage.errors == 0:
        return Line(what, Verdict.FINE, "no errors; it does not tell its wear")
    return Line(what, Verdict.NOT_MEASURED, "it does not tell how it is")


def pedal_line(asked: str, answered: str | None) -> Line:
    """What came when one pedal was asked for; ``None``: nothing in time."""
    what = f"{asked} pedal"
    if answered is None:
        return Line(what, Verdict.WRONG, "not felt", "look at its cable, its plug and its pin")
    if answered != asked:
        advice = "exchange their plugs, or their pins in [pedals]"
        return Line(what, Verdict.WRONG, f"the {answered} one answers", advice)
    return Line(what, Verdict.FINE, "felt")


def pedals_lately(
    pressed_s_ago: Mapping[str, float | None], within_s: float, pedals: Sequence[str]
) -> list[Line]:
    """Which pedals have been felt in the last ``within_s`` seconds, for a page."""
    return [_lately(pedal, pressed_s_ago.get(pedal), within_s) for pedal in pedals]


def _lately(pedal: str, ago_s: float | None, within_s: float) -> Line:
    if ago_s is not None and ago_s <= within_s:
        return Line(f"{pedal} pedal", Verdict.FINE, f"felt {ago_s:.0f} s ago")
    found = "not felt yet" if ago_s is None else "not felt lately"
    return Line(f"{pedal} pedal", Verdict.NOT_MEASURED, found)


def light_line(*, fitted: bool, seen: bool | None, trouble: str | None = None) -> Line:
    """Whether the light was seen; ``seen`` ``None``: nobody was there to ask."""
    what = "light"
    if not fitted:
        return Line(what, Verdict.NOT_MEASURED, "none is set", "set pin in [light] if there is one")
    if trouble is not None:
        return Line(what, Verdict.WRONG, trouble)
    if seen is None:
        return Line(what, Verdict.NOT_MEASURED, "nobody was asked", "look whether it flashes")
    if seen:
        return Line(what, Verdict.FINE, "seen")
    advice = "look which way round it is, at its resistor and at its pin"
    return Line(what, Verdict.WRONG, "not seen", advice)
