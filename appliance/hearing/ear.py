"""The ear: microphone and drone in, landings out; the same for a live room and for a file."""

from collections import deque
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.cleaning import Cleaner
from appliance.hearing.landings import Landing, measure, repeats
from appliance.hearing.leftover import left_over
from appliance.hearing.notes import NoteFinder
from appliance.hearing.pitch import PitchTracker
from appliance.hearing.resampling import to_ear_rate
from appliance.hearing.shifts import ShiftFinder
from appliance.hearing.sketches import NoteSketch
from appliance.hearing.talk import Talk, restless
from appliance.instruments import Instrument, find_instrument
from appliance.settings import Settings
from appliance.tuning import cents
from appliance.vocabulary import Arrival, Event, HeardNote, NoteEnded, NoteLanded

Floats = NDArray[np.float64]

CHUNK_HOPS = 16  # hops are heard together: 160 ms of delay for a tenth of the cost
PLAYED_HOPS = 36  # of pitch go back to the cleaner: what a fit of its gains may have heard
LANDED_AFTER_S = 0.45  # a landing window that opens late has closed by then
TURNED_S = 0.3  # a knob is seen so much later: the gains are fitted over a quarter of a second
KEPT_DRONES = 1000  # changes of drone to look back on: more than one note can span
SILENCE_DB = -200.0
VOICE = "voice"  # whose short notes may be spoken
FLUSH_S = 0.6  # silence that pushes the last note through the ear's own delay


class Ear:
    """Hears one player through one drone.

    Parameters
    ----------
    settings : the room's A4 names the hand's places
    instrument : an :class:`Instrument` or its name; raises InstrumentError where unknown
    sample_rate_hz : of both signals; they are brought to about 24 kHz inside

    How the sound is cut into blocks never changes the result.
    """

    def __init__(
        self, settings: Settings, instrument: Instrument | str, sample_rate_hz: float
    ) -> None:
        played = find_instrument(instrument) if isinstance(instrument, str) else instrument
        self._mic, self._sent = to_ear_rate(sample_rate_hz), to_ear_rate(sample_rate_hz)
        rate_hz = self._mic.rate_hz
        self._sample_rate_hz = sample_rate_hz
        self._pitch = PitchTracker(played, rate_hz, CHUNK_HOPS)
        self._cleaner = Cleaner(rate_hz, self._pitch.hop, CHUNK_HOPS)
        hop_s = self._pitch.hop / rate_hz
        self._notes = NoteFinder(hop_s, self._pitch.level_hops, self._pitch.lowest_cents)
        self._talk = None if played.name == VOICE else Talk()
        self._shifts = ShiftFinder(played, settings.room.a4_hz)
        self._chunk = CHUNK_HOPS * self._pitch.hop * self._mic.step
        self._waiting = np.zeros((2, 0))
        self._played_hz = np.full(PLAYED_HOPS, np.nan)
        self._heard_frames = 0
        self._chunks = 0
        self._drones: deque[tuple[float, float | None]] = deque([(0.0, None)], maxlen=KEPT_DRONES)
        self._before: HeardNote | None = None
        self._landed_start_s: float | None = None
        self._turned_s = -np.inf  # when all gains last changed alike
        self._leftover_ended = False  # just now: what follows sets in afresh

    def hear(
        self, mic: NDArray[np.floating], sent: NDArray[np.floating] | None = None
    ) -> list[Event]:
        """Take the next block of both signals, shape (n,), full scale ±1; ``None``: no drone.

        What is no number counts as silence. Returns what has become known. Raises ValueError where
        the shapes differ.
        """
        silent = np.zeros(len(mic)) if sent is None else sent
        if mic.shape != silent.shape or mic.ndim != 1:
            raise ValueError(f"mic {mic.shape} and sent {silent.shape} must be one line each")
        self._heard_frames += len(mic)
        block = np.array([mic, silent], dtype=np.float64)
        if not np.isfinite(block).all():
            block = np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)
        self._waiting = np.concatenate([self._waiting, block], axis=1)
        events: list[Event] = []
        while self._waiting.shape[1] >= self._chunk:
            chunk, self._waiting = np.split(self._waiting, [self._chunk], axis=1)
            events += self._hear_chunk(chunk[0], chunk[1])
        return events

    def finish(self) -> list[Event]:
        """Close what still sounds and return the rest."""
        end_s = self._heard_frames / self._sample_rate_hz
        events = self.hear(np.zeros(int(FLUSH_S * self._sample_rate_hz)))
        events += [event for sketch in self._notes.finish() for event in self._ended(sketch)]
        return [_cut(event, end_s) for event in events]

    def _hear_chunk(self, mic: Floats, sent: Floats) -> list[Event]:
        cleaned = self._cleaner.clean(
            self._mic.decimate(mic), self._sent.decimate(sent), self._played_hz
        )
        frames = self._pitch.track(cleaned)
        played_hz = np.where(frames.blind, np.nan, frames.f0_hz)
        self._played_hz = np.concatenate([self._played_hz, played_hz])[-PLAYED_HOPS:]
        self._remember_drone(cleaned.drone_hz)
        if cleaned.turned:
            self._turned_s = self._chunks * self._chunk / self._sample_rate_hz
        ended = self._notes.feed(frames)
        events = [event for sketch in ended for event in self._ended(sketch)]
        return events + self._landed()

    def _remember_drone(self, root_hz: float | None) -> None:
        self._chunks += 1
        if root_hz != self._drones[-1][1]:
            chunk_s = self._chunk / self._sample_rate_hz
            self._drones.append(((self._chunks - 1) * chunk_s, root_hz))

    def _drone_at(self, start_s: float, end_s: float) -> tuple[float | None, float | None]:
        """Root that sounded under the middle of a note, and root that its target refers to."""
        roots = [root for at_s, root in self._drones if at_s <= (start_s + end_s) / 2]
        sounded = [root for root in roots if root is not None]
        return roots[-1], sounded[-1] if sounded else None

    def _landed(self) -> list[Event]:
        """The note that sounds now, once, when its landing is known."""
        if self._notes.sounding_since_s in (None, self._landed_start_s):
            return []
        sketch = self._notes.sounding()
        if sketch is None or not len(sketch.time_s):
            return []
        if sketch.time_s[-1] - sketch.start_s < LANDED_AFTER_S:
            return []
        if self._talk is not None and restless(sketch):
            return []
        self._landed_start_s = sketch.start_s
        return [NoteLanded(sketch.start_s, measure(sketch, self._pitch.blur_s).landing_hz)]

    def _ended(self, sketch: NoteSketch) -> list[Event]:
        """Everything about a note that has ended; nothing, where nobody played it."""
        assert sketch.end_s is not None
        drone_hz, reference_hz = self._drone_at(sketch.start_s, sketch.end_s)
        afresh, self._leftover_ended = self._leftover_ended, False
        turned = sketch.start_s - TURNED_S < self._turned_s < sketch.end_s + TURNED_S
        talking = self._talk is not None and self._talk.disturbs(sketch)
        if drone_hz is not None and left_over(sketch, drone_hz, turned=turned, talking=talking):
            self._leftover_ended = True
            if self._talk is not None:
                self._talk.left_over(sketch)
            return []
        if self._talk is not None and self._talk.heard(sketch):
            return []
        landing = measure(sketch, self._pitch.blur_s, drone_hz)
        alone = self._talk is not None and self._talk.alone(sketch)
        if alone and not landing.measurable:
            return []
        # nobody steps or slides from what nobody played
        arrival = Arrival.BOW if afresh else sketch.arrival
        shift = None
        repeat = self._repeats(sketch, landing)
        if landing.settled_hz is not None and not repeat:
            rest_s = 0.0 if self._before is None else sketch.start_s - self._before.end_s
            shift = self._shifts.arrive(landing.settled_hz, arrival, rest_s)
        note = HeardNote(
            start_s=sketch.start_s,
            end_s=sketch.end_s,
            landing_hz=landing.landing_hz,
            landing_uncertainty_cents=landing.uncertainty_cents,
            settled_hz=landing.settled_hz,
            arrival=arrival,
            slide_s=None if afresh else sketch.slide_s,
            vibrato=landing.vibrato,
            shift=shift,
            drone_hz=drone_hz,
            reference_hz=reference_hz,
            measurable=landing.measurable,
            repeat=repeat,
            level_db=float(np.max(sketch.level_db, initial=SILENCE_DB)),
        )
        self._before = note
        if landing.measurable and sketch.start_s != self._landed_start_s:
            return [NoteLanded(sketch.start_s, landing.landing_hz), NoteEnded(note)]
        return [NoteEnded(note)]

    def _repeats(self, sketch: NoteSketch, landing: Landing) -> bool:
        """The finger stayed where the note before had left it."""
        before = self._before
        if before is None or before.settled_hz is None or landing.landing_hz is None:
            return False
        apart = cents(landing.landing_hz, before.settled_hz)
        return repeats(sketch.start_s - before.end_s, apart)


def _cut(event: Event, end_s: float) -> Event:
    """No note outlasts the sound it was heard in."""
    if isinstance(event, NoteEnded):
        return NoteEnded(replace(event.note, end_s=min(event.note.end_s, end_s)))
    return event
