"""What a person is told of the room's sound: one line each, fine, doubtful or wrong. Pure.

Every limit stands here with its reason. What says "our own choice" has no source.
"""

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from enum import StrEnum

from appliance.checking.measuring import Measured, Path, Through
from appliance.checking.quiet import Hum


class Verdict(StrEnum):
    """How one thing is."""

    FINE = "fine"
    DOUBTFUL = "doubtful"
    WRONG = "wrong"
    NOT_MEASURED = "not measured"


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that was looked at: how it is, in numbers, and what to do (empty: nothing)."""

    what: str
    verdict: Verdict
    found: str
    advice: str = ""


# Foot to sound is to stay under 100 ms; what is asked of the interface is 40 ms each way, and a
# converter adds a few. Wireless loudspeakers take 150 ms and more (common knowledge, no source).
DELAY_S = (0.12, 0.3)
# One clock shows 0, and this check is right to a few ppm; the removal is tested up to 100 ppm.
DRIFT_PPM = (10.0, 150.0)
# In a room that needs more, the note before has fallen by less than 15 dB when a landing, 0.2 s
# long, is over; at 1.5 s by less than 8 dB. 15 dB pull a landing 10 cents off by 2 cents.
REVERBERATION_S = (0.8, 1.5)
# The same 15 dB, of the drone; at 10 dB its pull is 4 cents.
REMOVED_DB = (15.0, 10.0)
# A player comes with about -26 dBFS; a drone 6 dB louder still lets nearly all notes be heard.
# Softer than -60 the loudspeaker can hardly be on. Our own choice.
DRONE_LOUD_DB, DRONE_TOO_LOUD_DB, DRONE_SOFT_DB = -20.0, -12.0, -60.0
# 30 and 20 dB under such a player. Our own choice.
NOISE_DB = (-56.0, -46.0)
# Hum is steady and has partials: it is asked for 10 dB less than noise. Our own choice.
HUM_DB = (-66.0, -56.0)

_BLOCKED = "see above"


def sound_lines(device: str, measured: Measured, channel: int) -> list[Line]:
    """All that a recording says; ``channel`` is the input that is set, counted from 1."""
    return [
        _microphone(device, measured, channel),
        _loudspeaker(measured),
        _clipping(measured),
        *_path_lines(measured.path),
        *_through_lines(measured.through),
        _noise(measured.noise_db),
        _hum(measured.hum),
    ]


def graded(value: float, limits: tuple[float, float]) -> Verdict:
    """Fine up to the first limit, doubtful up to the second; falling limits: fine from there on."""
    fine, doubtful = limits
    if fine > doubtful:
        value, fine, doubtful = -value, -fine, -doubtful
    if value <= fine:
        return Verdict.FINE
    return Verdict.DOUBTFUL if value <= doubtful else Verdict.WRONG


def _line(what: str, value: float, limits: tuple[float, float], found: str, advice: str) -> Line:
    verdict = graded(value, limits)
    return Line(what, verdict, found, "" if verdict is Verdict.FINE else advice)


def _unmeasured(what: str) -> Line:
    return Line(what, Verdict.NOT_MEASURED, _BLOCKED)


def _microphone(device: str, measured: Measured, channel: int) -> Line:
    what = "microphone"
    if measured.other_input is not None:
        other = measured.other_input
        found = f"it is on input {other} of {device}, and input {channel} is set"
        advice = f"plug it into input {channel}, or set microphone_channel = {other} in [sound]"
        return Line(what, Verdict.WRONG, found, advice)
    if measured.silent:
        return Line(
            what,
            Verdict.WRONG,
            f"input {channel} of {device} is silent",
            "look at its cable, its switch, its phantom power, and the input's knob",
        )
    return Line(what, Verdict.FINE, f"input {channel} of {device}")


def _loudspeaker(measured: Measured) -> Line:
    what = "loudspeaker"
    if measured.heard:
        left, right = measured.outputs
        names = "both outputs" if left and right else f"the {'left' if left else 'right'} output"
        return Line(what, Verdict.FINE, f"heard from {names}")
    if measured.silent or measured.other_input is not None:
        return _unmeasured(what)
    return Line(
        what,
        Verdict.WRONG,
        "the microphone does not hear it",
        "switch it on, turn it up, look at its cable; a condenser microphone needs phantom power",
    )


def _clipping(measured: Measured) -> Line:
    what = "clipping"
    if not measured.heard:
        return _unmeasured(what)
    if measured.cut:
        return Line(
            what,
            Verdict.WRONG,
            "the loudest sound is cut off",
            "turn the microphone's input down, then the loudspeaker, and check again",
        )
    return Line(what, Verdict.FINE, "none")


def _path_lines(path: Path | None) -> Iterator[Line]:
    if path is None:
        yield from map(_unmeasured, ("delay", "clocks", "reverberation"))
        return
    yield _line(
        "delay",
        path.delay_s,
        DELAY_S,
        f"{1000.0 * path.delay_s:.0f} ms out and back",
        "use a loudspeaker with a cable, and close other sound programs",
    )
    yield _line(
        "clocks",
        abs(path.drift_ppm),
        DRIFT_PPM,
        f"microphone and loudspeaker drift apart by {abs(path.drift_ppm):.0f} ppm",
        "put microphone and loudspeaker on one interface: two devices have two clocks",
    )
    yield _reverberation(path.reverberation_s)


def _reverberation(seconds: float | None) -> Line:
    what = "reverberation"
    if seconds is None:
        return Line(what, Verdict.NOT_MEASURED, "too soft against the noise")
    return _line(
        what,
        seconds,
        REVERBERATION_S,
        f"{seconds:.2f} s",
        "hang a curtain, lay a carpet, or put the microphone nearer to the player",
    )


def _through_lines(through: Through | None) -> Iterator[Line]:
    if through is None:
        yield from map(_unmeasured, ("drone at the microphone", "removal of the drone"))
        return
    yield _drone(through.drone_db)
    at_least = "at least " if through.under_noise else ""
    yield _line(
        "removal of the drone",
        through.removed_db,
        REMOVED_DB,
        f"{at_least}{through.removed_db:.0f} dB",
        "let nobody move or play while this is measured, and turn the loudspeaker down",
    )


def _drone(level_db: float) -> Line:
    what, found = "drone at the microphone", f"{level_db:.0f} dBFS"
    if level_db < DRONE_SOFT_DB:
        advice = "turn the loudspeaker up, or the microphone's input"
        return Line(what, Verdict.DOUBTFUL, found, advice)
    advice = "turn the loudspeaker down, or move it away from the microphone"
    return _line(what, level_db, (DRONE_LOUD_DB, DRONE_TOO_LOUD_DB), found, advice)


def _noise(level_db: float | None) -> Line:
    what = "noise"
    if level_db is None:
        return _unmeasured(what)
    advice = "close the window, switch off what whirs, and move the microphone nearer to the player"
    return _line(what, level_db, NOISE_DB, f"{level_db:.0f} dBFS", advice)


def _hum(hum: Hum | None) -> Line:
    what = "hum"
    if hum is None:
        return _unmeasured(what)
    if not hum.lines:
        return Line(what, Verdict.FINE, "none")
    found = f"{hum.hz:.0f} Hz and multiples, {hum.level_db:.0f} dBFS"
    advice = "plug all sound devices into one outlet, and keep sound cables away from power cables"
    return _line(what, hum.level_db, HUM_DB, found, advice)


def as_message(lines: list[Line]) -> list[dict[str, str]]:
    """The lines for the control socket."""
    return [{key: str(value) for key, value in asdict(line).items()} for line in lines]


def from_message(message: list[dict[str, str]]) -> list[Line]:
    """The lines as they were before :func:`as_message`."""
    return [
        Line(one["what"], Verdict(one["verdict"]), one["found"], one["advice"]) for one in message
    ]
