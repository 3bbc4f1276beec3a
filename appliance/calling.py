"""The player's calls in the room: taken from the foot, written to the log, answered by a cue."""

from appliance.log.writer import LogWriter
from appliance.practice.calls import Calls, Due, Fate, answer_to
from appliance.practice.cues import Cue
from appliance.practice.wanted import WantedDrone
from appliance.settings import Settings
from appliance.sitting import Sitting
from appliance.tuning import error_cents, unsure
from appliance.vocabulary import Call, Instant


class CalledNotes:
    """The notes a call may speak of, in ``calls``, and what becomes of the calls.

    Used under the desk's lock.
    """

    def __init__(
        self, settings: Settings, sitting: Sitting, drone: WantedDrone, writer: LogWriter
    ) -> None:
        """Begin without a note."""
        self.settings = settings
        self._sitting = sitting
        self._drone = drone
        self._writer = writer
        self.calls = Calls()

    def note_landed(self, began_s: float, landing_hz: float | None) -> None:
        """A note sounds; between two semitones only its end tells which was meant."""
        sure = landing_hz is not None and not unsure(landing_hz, self.settings.room.a4_hz)
        self.calls.note_landed(began_s, landing_hz if sure else None)

    def give(self, call: Call, at: Instant) -> None:
        """Take a call and acknowledge it; in a pause there is nothing to call."""
        fate = Fate.NOTHING
        if not self._sitting.paused:
            fate = self.calls.give(call, at)
            self.log(at)
        self._drone.cue(Cue.CALL_TAKEN if fate is Fate.ATTACHED else Cue.NOTHING_THERE)

    def log(self, now: Instant) -> None:
        """Write calls at once: what is not final yet must not be lost with the power either."""
        for key, called in self.calls.to_log():
            if called is not None:
                self._writer.add_call(key, called.call, called.at)
            else:
                self._writer.take_back_call(key, now)

    def settle(self, at_s: float) -> bool:
        """Answer the calls whose time has come; tell whether there was any."""
        settled = False
        while (due := self.calls.due(at_s)) is not None:
            settled = True
            if self.settings.practice.answers:
                self._drone.cue(self._answer(due))
        return settled

    def close(self, now: Instant) -> None:
        """Settle and write all calls: the room closes, or what was played counts no more."""
        self.settle(float("inf"))
        self.log(now)

    def _answer(self, due: Due) -> Cue:
        played = None if due.key is None else self._sitting.played(due.key)
        landing_hz = due.landing_hz if played is None else played.note.landing_hz
        aim = None if played is None else played.aim
        if played is None and landing_hz is not None:  # it still sounds
            aim = self._sitting.aim_at(landing_hz, self._drone.root_hz)
        if landing_hz is None or aim is None or aim.unsure:
            return Cue.NOT_MEASURED
        band_cents = self.settings.room.band_cents
        return answer_to(due.called.call, error_cents(landing_hz, aim), band_cents)
