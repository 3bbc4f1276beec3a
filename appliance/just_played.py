"""What the foot asks of the note just played: to keep it, to strike it out, to begin a round on it.

Which note that is follows from the moment of the press, by the rule of :mod:`.practice.calls`. The
ear tells of a note some tenths of a second after it has ended, so the press may come first. What is
heard at once, a cue or the new drone note, then speaks of the best known note, and what is done
follows the note that was meant. The log has a strike-out at once, on the best known note, so that
no power cut loses it; a note that turns out to have been meant takes its place in the same step in
which it is logged. Used under the desk's lock.
"""

from dataclasses import dataclass, replace

from appliance.log.writer import NoteKey, Strike
from appliance.practice.calls import Calls, Wish
from appliance.practice.cues import Cue
from appliance.practice.wanted import WantedDrone
from appliance.sitting import Sitting
from appliance.vocabulary import HeardNote, Instant

TOLD_WITHIN_S = 1.0  # after its end; of 392 notes the last was told after 0.42 s


@dataclass(frozen=True, slots=True)
class _Strike:
    """A note is to be struck out: the one under ``key``, unless a later one was meant.

    ``logged`` is the note that the log has struck out for now.
    """

    wish: Wish
    key: NoteKey | None  # None: the note that sounds
    logged: NoteKey | None


class JustPlayed:
    """The note just played, and what is still wanted of it."""

    def __init__(self, sitting: Sitting, drone: WantedDrone, calls: Calls) -> None:
        """Begin without a note."""
        self._sitting = sitting
        self._drone = drone
        self._calls = calls
        self._last: HeardNote | None = None
        self._keep: Wish | None = None
        self._strike: _Strike | None = None
        self._round: Wish | None = None

    def forget(self) -> None:
        """What was played says nothing any more: another instrument, or another A4."""
        self.settle()
        self._last = self._keep = self._strike = self._round = None

    # -- what is heard ------------------------------------------------------------------------

    def note_ended(self, note: HeardNote, began: Instant, ended: Instant) -> Strike | None:
        """Take a note that has ended, before it is logged: what was meant for others is done.

        Returns how it is to be struck out, ``None`` where it is not.
        """
        self._last = note
        if self._keep is not None:
            if self._keep.is_of(began.monotonic_s, ended.monotonic_s):
                self._keep = self._keep.after(ended.monotonic_s)
                self._keep_ended(note.settled_hz or note.landing_hz, ended)
            elif self._keep.is_past(began.monotonic_s):
                self._keep = None
        if self._strike is not None and self._is_past(self._strike.wish, began, ended):
            self._settle(self._strike)
        if self._round is not None and self._is_past(self._round, began, ended):
            self._begin_wanted_round(ended)
        strike = self._strike
        if strike is None or not strike.wish.is_of(began.monotonic_s, ended.monotonic_s):
            return None
        return Strike(strike.logged)

    def note_logged(self, key: NoteKey, began: Instant, ended: Instant) -> None:
        """The same note counts and is logged: what was wanted of it is done."""
        span = began.monotonic_s, ended.monotonic_s
        if self._strike is not None and self._strike.wish.is_of(*span):
            wish = self._strike.wish.after(ended.monotonic_s)
            if wish.began_s is None:
                self._strike = _Strike(wish, key, logged=key)  # one more may be told of
            else:
                self._strike_under(key)
        if self._round is not None and self._round.is_of(*span):
            self._begin_wanted_round(ended)

    @staticmethod
    def _is_past(wish: Wish, began: Instant, ended: Instant) -> bool:
        of_it = wish.is_of(began.monotonic_s, ended.monotonic_s)
        return not of_it and wish.is_past(began.monotonic_s)

    # -- keep it ------------------------------------------------------------------------------

    def keep(self, at: Instant) -> None:
        """Keep the last note; of one that sounds its landing, until it has settled."""
        self._keep = self._calls.wish(at.monotonic_s)
        hz, unknown = None, Cue.NOTHING_THERE
        if self._keep.began_s is not None:
            hz, unknown = self._calls.sounding_hz(at.monotonic_s), Cue.CALL_TAKEN
        elif self._last is not None:
            hz, unknown = self._last.settled_hz or self._last.landing_hz, Cue.NOT_MEASURED
        if hz is None:
            self._drone.cue(unknown)
        else:
            self._choose(at, hz)

    def keep_no_more(self) -> None:
        """Another note was chosen for the drone."""
        self._keep = None

    def _keep_ended(self, hz: float | None, at: Instant) -> None:
        """A note to be kept has ended: now it is known which it was."""
        if hz is None:
            self._drone.cue(Cue.NOT_MEASURED)
        elif not self._drone.keeps(hz):
            self._choose(at, hz)

    def _choose(self, at: Instant, played_hz: float) -> None:
        self.end_round(at)
        self._drone.keep(played_hz)

    # -- strike it out ------------------------------------------------------------------------

    def strike_out(self, at: Instant) -> None:
        """Strike the last note out; one that is not known yet, as soon as it is."""
        self.settle()
        last, wish = self._sitting.last(), self._calls.wish(at.monotonic_s)
        there = not self._sitting.paused and (wish.began_s is not None or last is not None)
        if there:
            known = None if wish.began_s is not None or last is None else last.key
            if known is not None:
                self._sitting.log_strike(known)
            self._strike = _Strike(wish, known, logged=known)
        self._drone.cue(Cue.STRUCK_OUT if there else Cue.NOTHING_THERE)

    @property
    def strikes(self) -> bool:
        """Whether a note is still to be struck out: as a try it wins no round."""
        return self._strike is not None

    def settle(self, at_s: float = float("inf")) -> None:
        """Strike out what is to be, once the ear has told of all that could have been meant."""
        strike = self._strike
        if strike is None or strike.wish.began_s is not None:
            return
        if self._calls.speaks_of_sounding(strike.wish.at_s):
            if strike.logged is not None:  # it is logged as struck out when it has ended
                self._sitting.log_strike(strike.logged, struck=False)
                self._strike = replace(strike, logged=None)
        elif at_s - strike.wish.at_s >= TOLD_WITHIN_S:
            self._settle(strike)

    def _settle(self, strike: _Strike) -> None:
        self._strike = None
        if strike.key is None:
            self._drone.cue(Cue.NOTHING_THERE)  # the ear took back what it had begun to tell
            return
        if strike.logged is None:
            self._sitting.log_strike(strike.key)
        self._strike_under(strike.key)

    def _strike_under(self, key: NoteKey) -> None:
        self._strike = None
        self._sitting.strike(key)
        self._calls.forget()

    # -- a round on it ------------------------------------------------------------------------

    def begin_or_end_round(self, at: Instant) -> None:
        """Begin a round on the arrival just played, or end the one that is on."""
        if self._sitting.round is not None or self._round is not None:
            self.end_round(at)
            self._drone.cue(Cue.ROUND_ENDED)
            return
        wish, begun = self._calls.wish(at.monotonic_s), not self._sitting.paused
        if begun and wish.began_s is not None:
            self._round = wish
        elif begun:
            begun = self._sitting.begin_round(at)
        self._drone.cue(Cue.ROUND_BEGUN if begun else Cue.NOTHING_THERE)

    def _begin_wanted_round(self, at: Instant) -> None:
        self._round = None
        if not self._sitting.begin_round(at):
            self._drone.cue(Cue.NOTHING_THERE)

    def end_round(self, at: Instant) -> None:
        """End the round, or none."""
        self._round = None
        self._sitting.end_round(at, won=False)
