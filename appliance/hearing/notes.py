"""Pitch frames become notes: where each begins and ends, and how it was reached.

A note begins with a fresh bow (the level rises and a pitch is there), with a re-articulation (the
level dips by at least 6 dB and comes back quickly), or when the pitch leaves where it was and
stays elsewhere. A correction moves less and slower than the smallest step, and vibrato comes back.
"""

import numpy as np
from numpy.typing import NDArray

from appliance.hearing import doubles, joins, strokes
from appliance.hearing.grid import STEP_CENTS as GRID_CENTS
from appliance.hearing.onsets import Onsets
from appliance.hearing.passages import (
    STAY_CENTS,
    STAY_HOPS,
    STEP_CENTS,
    Passage,
    find_passage,
    glide_end,
    glide_s,
)
from appliance.hearing.pitch import BANDS_HZ, Frames
from appliance.hearing.second import EVERY_HOPS
from appliance.hearing.sketches import NoteSketch, OpenNote
from appliance.hearing.smoothing import Smoother
from appliance.hearing.traces import Hop, Traces
from appliance.tuning import CENTS_PER_OCTAVE, off_octave
from appliance.vocabulary import Arrival

Floats = NDArray[np.float64]

FLOOR_UP, FLOOR_DOWN = 0.05, 0.5  # a hop: up in 0.2 s, past a knock; down at once
ABOVE_FLOOR_DB = 10.0  # a note stands this far out of the room's noise
SURE_FLOOR_DB = 3.0  # less where the floor is what a drone leaves, and the pitch is surely not
NO_DRONE_DB = -199.0  # nothing is left of no drone
ATTACK_HOPS = 30  # how far before the first pitch the sound may have set in
ATTACK_DB = 20.0  # a note has begun when it is this near to the loudest of its attack
RISE_DB = 3.0  # and this far above what was there before
BEGIN_HOPS = 5  # pitched hops in a row that make a beginning: shorter ones are knocks
LOST_HOPS = 10  # unpitched hops that end a note: bow noise at a change is shorter
GLIDE_HOPS = 30  # or so many while the sound goes on: a quick glide blurs every partial
FREE_DB = 6.0  # so much softer than what may be left of a drone, where that cannot be the pitch
SOFT_DB = 6.0  # an unpitched sound so far down is the end of the note
AGAIN_DB = 6.0  # louder again by this after a note: another stroke
FALLEN_DB = 6.0  # the note is over where its fall has come so far: half the amplitude
LOST_DB = 6.0  # above the room's noise: less is the end of the longest fade
FADE_DB = 12.0  # fallen by this within RECENT_HOPS: the string was left, the room rings on
FADE_HOPS = 8  # and stayed there: longer than any dip
RECENT_HOPS = 30
KEPT_HOPS = 100  # of silence: the room has stopped ringing, and no attack is longer
ALONE_MARGIN_HOPS = 12  # the room rings on for as long before the drone alone explains the sound
BLIND_HOPS = 80  # cues, and a drone that fades out, cost a note's start at most
UNHEARD_HOPS = 8  # what sounded while nothing could be heard is seen again within so many
SHORTEST_HOPS = 10  # less is the attack of what follows, not a note
FEWEST = 3  # frames without which a note has no pitch that another could leave
LEAVE_CENTS = 45.0  # vibrato of 30 cents about its mean stays inside, so do most corrections
RING_HOPS = 25  # in 0.25 s a string that rings loses 5 dB more, if it rings for 3 s


class NoteFinder:
    """Streaming: pitch frames in, sketches of notes out.

    Parameters
    ----------
    hop_s : seconds from one frame to the next
    level_hops : hops over which the level is averaged: at least one period of the lowest note
    lowest_cents : the lowest pitch, re 1 Hz
    """

    def __init__(self, hop_s: float, level_hops: int, lowest_cents: float) -> None:
        self._hop_s = hop_s
        self._smooth_level = Smoother(hop_s, level_hops, 1)
        self._smooth_bands = Smoother(hop_s, level_hops, len(BANDS_HZ) - 1)
        self._traces = Traces()
        self._onsets = Onsets(lowest_cents, GRID_CENTS)
        self._floor_db = -80.0
        self._open: OpenNote | None = None
        self._ended = -(10**9)  # frame at which the last note ended
        self._tail_cents = np.nan
        self._pitched = 0
        self._blind = 0  # hops for which nothing could be heard
        self._unheard = False  # what sounds has set in while nothing could be heard
        self._outbox = doubles.Outbox()

    def feed(self, frames: Frames) -> list[NoteSketch]:
        """Take the frames of one chunk; return the notes that have ended in it."""
        if frames.alone_from is not None and self._open is not None:
            self._take_back(self._open, frames.alone_from)
        level_db = self._smooth_level.put(frames.level_db[:, None], frames.quick_hz)[:, 0]
        bands_db = self._smooth_bands.put(frames.bands_db, frames.quick_hz)
        loud = level_db > frames.quiet_db - FREE_DB * frames.free
        heard = ~frames.blind & (loud | frames.sure)
        cents = np.where(heard, CENTS_PER_OCTAVE * np.log2(frames.f0_hz), np.nan)
        quick = CENTS_PER_OCTAVE * np.log2(frames.quick_hz)
        over_db = np.where(frames.quiet_db > NO_DRONE_DB, level_db - frames.quiet_db, np.inf)
        second = CENTS_PER_OCTAVE * np.log2(frames.second_hz)
        self._onsets.put(frames.stands_out, frames.hop + len(cents))
        sure = frames.sure & (over_db < np.inf)
        lines = (cents, quick, level_db, over_db, second, frames.second_db, sure)
        rows = zip(*(line.tolist() for line in lines), bands_db, strict=True)
        for i, (row, blind) in enumerate(zip(rows, frames.blind.tolist(), strict=True)):
            if frames.hop + i >= 0:
                self._step(Hop(*row), blind=blind)
        return self._take()

    def finish(self) -> list[NoteSketch]:
        """Close what still sounds."""
        if self._open is not None:
            self._close(self._traces.now)
        return self._take()

    @property
    def sounding_since_s(self) -> float | None:
        """When the note began that sounds now; ``None`` in silence."""
        return None if self._open is None else self._open.start * self._hop_s

    def sounding(self) -> NoteSketch | None:
        """The note that sounds now, as far as it has come."""
        return None if self._open is None else self._sketch(self._open, None)

    def _take_back(self, note: OpenNote, alone_from: int) -> None:
        """What was left of the drone has been taken for the note, or for its end."""
        if note.start >= alone_from - ALONE_MARGIN_HOPS:
            self._open, self._ended = None, note.start
        else:
            self._close(min(alone_from, self._traces.now))

    def _take(self) -> list[NoteSketch]:
        since = self._traces.now if self._open is None else self._open.start
        return self._outbox.take(since * self._hop_s)

    def _step(self, hop: Hop, *, blind: bool) -> None:
        self._traces.add(hop)
        now = self._traces.now
        self._blind = self._blind + 1 if blind else 0
        if self._blind > BLIND_HOPS:
            self._unheard, self._ended, self._tail_cents = True, now, np.nan
        elif self._unheard and not blind:
            self._unheard = self._goes_on(now, hop.cents)
        self._pitched = 0 if np.isnan(hop.cents) else self._pitched + 1
        if self._open is None:
            self._listen_for_beginning(now, hop, blind=blind)
        else:
            self._follow(now, hop.cents)
        if self._open is None and now - self._traces.first >= 2 * KEPT_HOPS:
            self._traces.forget(now - KEPT_HOPS)

    def _undroned(self) -> bool:
        """Whether nothing is left of a drone: level and estimators can be trusted."""
        return self._traces.latest.over == np.inf

    def _goes_on(self, now: int, cents: float) -> bool:
        """Whether what set in while nothing could be heard may still sound: it has no landing."""
        goes_on = np.isnan(self._tail_cents) or abs(cents - self._tail_cents) < LEAVE_CENTS
        if goes_on and not np.isnan(cents):
            self._ended, self._tail_cents = now, cents
        return now - self._ended < UNHEARD_HOPS

    def _levels(self, start: int, stop: int) -> Floats:
        return np.array(self._traces.level(start, stop))

    # -- silence ------------------------------------------------------------------------------

    def _listen_for_beginning(self, now: int, hop: Hop, *, blind: bool) -> None:
        level = hop.level
        if self._pitched < BEGIN_HOPS:
            if self._pitched == 0 and not blind:  # a drone that is not known yet is no noise
                step = FLOOR_UP if level > self._floor_db else FLOOR_DOWN
                self._floor_db += step * (level - self._floor_db)
                if hop.over < np.inf:  # what a drone leaves is known: the rest is a player
                    self._floor_db = min(self._floor_db, level - hop.over)
            return
        above = SURE_FLOOR_DB if self._surely(now, level) else ABOVE_FLOOR_DB
        if level < self._floor_db + above or not self._fresh(now):
            return
        start = self._rise(now)
        self._open = OpenNote(start, Arrival.BOW)
        begin = max(start, now - self._pitched + 1)
        for i, cents in enumerate(self._traces.cents(begin, now + 1), begin):
            if self._open is not None:  # catching up may find that it has faded already
                self._follow(i, cents)

    def _surely(self, now: int, level: float) -> bool:
        """Whether this is surely not the drone, nor what rings on after a note."""
        loudest = max(self._traces.level(now - KEPT_HOPS, now + 1))
        return all(self._traces.sure(now + 1 - BEGIN_HOPS, now + 1)) and level > loudest - FADE_DB

    def _fresh(self, now: int) -> bool:
        """Not just the last note ringing on: louder again, or another pitch that stays."""
        since = self._levels(self._ended, now + 1)
        if len(since) == 0 or now - self._ended > KEPT_HOPS:
            return True
        if since[-1] - since.min() >= AGAIN_DB:
            return True
        run = np.array(self._traces.cents(now + 1 - STAY_HOPS, now + 1))
        moved = np.abs(run - self._tail_cents) > STEP_CENTS
        return self._pitched >= STAY_HOPS and bool(moved.all()) and float(np.ptp(run)) < STAY_CENTS

    def _rise(self, now: int) -> int:
        """The hop in which the level begins to rise towards the note that is sounding now."""
        pitched = now - self._pitched + 1
        begin = max(pitched - ATTACK_HOPS, self._ended, self._traces.first)
        levels = self._levels(begin, now + 1)
        before = float(np.median(levels[: max(pitched - begin - BEGIN_HOPS, 1)]))
        threshold = max(before + RISE_DB, levels.max() - ATTACK_DB)
        at = min(max(pitched - begin, 0), len(levels) - 1)
        while at < len(levels) - 1 and levels[at] < threshold:
            at += 1
        while at > 0 and levels[at - 1] >= threshold:
            at -= 1
        if self._undroned():
            return begin + at
        cents = float(np.median(self._traces.cents(pitched, now + 1)))
        return self._onsets.set_in(cents, begin, begin + at, now)

    # -- a note sounds ------------------------------------------------------------------------

    def _follow(self, now: int, cents: float) -> None:
        note = self._open
        assert note is not None
        judged = now - strokes.DIP_AFTER_HOPS
        if strokes.stopped(self._traces, note.start, judged):
            self._split(note, judged)
        elif self._faded(note, now):
            self._close(self._fall(note, now))
        elif not np.isnan(cents):
            self._hear_pitch(note, now, cents)

    def _split(self, note: OpenNote, dip: int) -> None:
        """What follows the dip is a note of its own."""
        after = OpenNote(dip, Arrival.BOW)
        for at, cents, fold in zip(note.at, note.cents, note.folds, strict=True):
            if at >= dip:
                after.add(at, cents - fold, fold)
        after.away_at, after.away = note.away_at, note.away
        if len(after.cents) < FEWEST:
            after.add_away()
        self._close(dip)
        self._open = after

    def _faded(self, note: OpenNote, now: int) -> bool:
        recent = self._traces.level(min(max(note.start, now - RECENT_HOPS), now), now + 1)
        level, highest = recent[-1], max(recent)
        fallen = len(recent) > FADE_HOPS and max(recent[-FADE_HOPS:]) <= highest - FADE_DB
        last = note.at[-1] if note.at else note.start
        last = max(last, note.away_at[-1] if note.away_at else last)
        soft = highest - level >= SOFT_DB
        lost = now - last >= (LOST_HOPS if soft else GLIDE_HOPS)
        sure = any(self._traces.sure(now + 1 - BEGIN_HOPS, now + 1))
        return lost or fallen or (level < self._floor_db + LOST_DB and not sure)

    def _fall(self, note: OpenNote, now: int) -> int:
        """Where the level began to fall for good."""
        begin = max(note.start, now - RECENT_HOPS)
        levels = self._levels(begin, now + 1)
        high = int(levels.argmax())
        below = np.nonzero(levels[high:] < levels[high] - FALLEN_DB)[0]
        return begin + high + int(below[0]) if len(below) else now

    def _hear_pitch(self, note: OpenNote, now: int, cents: float) -> None:
        if len(note.cents) < FEWEST or abs(cents - note.reference()) < LEAVE_CENTS:
            note.add(now, cents)
            note.away_at, note.away = [], []
            return
        if note.away and (cents > note.reference()) != (note.away[-1] > note.reference()):
            note.away_at, note.away = [], []
        note.away_at.append(now)
        note.away.append(cents)
        passage = find_passage(note.at, note.cents, note.away_at, note.away, note.reference())
        if passage is None:
            return
        slip = self._slip(passage)
        if slip is not None:
            note.add_away(-slip)
            return
        after = self._traces.second(now + 1 - STAY_HOPS, now + 1)
        rings = doubles.sounds(after, passage.reference)
        if rings and len(note.away) < RING_HOPS:
            return  # a string left to itself is soon softer
        left = passage.left + 1 - EVERY_HOPS  # later looks hear where the pitch went
        before = self._traces.second(left - STAY_HOPS, left)
        if rings or doubles.sounds(before, passage.reference + passage.jump):
            note.away_at, note.away = [], []  # both strings sound on; another is the louder one
        else:
            self._move(note, passage)

    def _slip(self, passage: Passage) -> float | None:
        """By how many cents the estimators leapt and the player did not; ``None``: the player did.

        Only what is left of a drone makes them leap; then all stands out as it did before.
        """
        leap = passage.multiple()
        if leap is None or self._undroned():
            return None
        before = passage.left - STAY_HOPS, passage.left
        after = passage.arrived + STAY_HOPS // 2, self._traces.now + 1
        pitches = passage.reference, passage.reference + passage.jump
        return leap if all(self._onsets.same(cents, before, after) for cents in pitches) else None

    def _move(self, note: OpenNote, passage: Passage) -> None:
        if passage.left - note.start < SHORTEST_HOPS:
            moved = OpenNote(note.start, note.arrival, note.glide)
        else:
            moved = self._arrive(passage)
            self._close(min(passage.left + 1, moved.start))
        for at, cents in zip(note.away_at, note.away, strict=True):
            if at >= passage.arrived:
                moved.add(at, cents)
        self._open = moved

    def _arrive(self, passage: Passage) -> OpenNote:
        """The note reached by a passage, and how it was reached."""
        join = joins.look(passage, self._traces, self._onsets, self._hop_s)
        arrival = joins.FOREST.likeliest(join)
        if arrival is Arrival.SLIDE:
            end = glide_end(passage, join.crossing, self._hop_s)
            return OpenNote(min(max(passage.arrived, end), self._traces.now), arrival, passage)
        if arrival is Arrival.BOW:
            return OpenNote(join.dip.low, arrival)
        return OpenNote(passage.arrived, arrival)

    def _close(self, end: int) -> None:
        note = self._open
        assert note is not None
        sketch = self._sketch(note, end)
        self._open = None
        self._ended = end
        self._tail_cents = note.cents[-1] if note.cents else np.nan
        if end - note.start >= SHORTEST_HOPS:
            self._outbox.put(sketch)

    def _slide_s(self, note: OpenNote) -> float | None:
        if note.glide is None:
            return None
        return glide_s(note.glide.to(note.at, note.cents), self._traces, self._hop_s)

    def _sketch(self, note: OpenNote, end: int | None) -> NoteSketch:
        stop = self._traces.now + 1 if end is None else end
        at = np.array(note.at, dtype=int)
        inside = at < stop
        at, cents, folds = at[inside], np.array(note.cents)[inside], np.array(note.folds)[inside]
        if np.count_nonzero(folds) > len(folds) / 2:  # it was the beginning that had slipped
            cents = cents - np.median(folds[folds != 0.0])
        level_db, over_db, quick = self._traces.at(at)
        # The first look for a second string hears the note before, too.
        since = max(min(note.start + EVERY_HOPS, stop - EVERY_HOPS), note.start)
        second = self._traces.second(since, stop)
        own = float(np.median(cents)) if len(cents) else np.nan
        first = np.array(self._traces.cents(since, stop))
        beside = doubles.beside(first, second, self._tail_cents, own)
        return NoteSketch(
            start_s=note.start * self._hop_s,
            end_s=None if end is None else end * self._hop_s,
            arrival=note.arrival,
            slide_s=self._slide_s(note),
            time_s=(at + 0.5) * self._hop_s,
            cents=cents,
            level_db=level_db,
            over_db=over_db,
            apart=off_octave(quick - cents),
            doubled=doubles.doubled(beside, second),
            strings=doubles.pair(cents, beside),
        )
