"""What is wanted of the drone: its note, whether it sounds. Each wish becomes an order. Pure."""

from collections.abc import Callable

from appliance.instruments import find_instrument
from appliance.practice.cues import Cue
from appliance.practice.drone import neighbour_hz
from appliance.practice.order import CueOrder, DroneOrder, Order
from appliance.practice.pedalboard import Heard
from appliance.practice.tone import HIGHEST_MIDI, LOWEST_MIDI
from appliance.settings import Settings
from appliance.tuning import nearest_note, note_hz, open_string_hz, parse_note
from appliance.vocabulary import ControlError


def drone_note(name: str) -> int:
    """Return the MIDI number of a note by its name.

    Raises NoteNameError for a name nobody can read, ControlError for a note the drone lacks.
    """
    midi = parse_note(name)
    if not LOWEST_MIDI <= midi <= HIGHEST_MIDI:
        raise ControlError(f"The drone cannot sound {name}; choose a note from C1 to C7.")
    return midi


class WantedDrone:
    """The drone as the room wants it; ``order`` passes each wish on to the loudspeaker."""

    def __init__(self, settings: Settings, order: Callable[[Order], None]) -> None:
        """Want silence, on the note of the settings."""
        self._order = order
        self._a4_hz = settings.room.a4_hz
        self._instrument = find_instrument(settings.room.instrument)
        self._keep_open_strings = settings.practice.keep_open_strings
        self.heard = Heard.SILENT
        self.quiet = False  # no preview of a new note either
        self._level_dbfs: float | None = None  # as the settings of the loudspeaker have it
        self.root_hz = note_hz(parse_note(settings.drone.note), self._a4_hz)
        self._tell()

    @property
    def midi(self) -> int:
        """The note nearest the root."""
        return nearest_note(self.root_hz, self._a4_hz)

    def retune(self, settings: Settings) -> None:
        """Keep the note and take it to the A4 of new settings; a string kept off the grid, too."""
        midi = self.midi
        self._a4_hz = settings.room.a4_hz
        self._instrument = find_instrument(settings.room.instrument)
        self.root_hz = note_hz(midi, self._a4_hz)
        self._tell()

    def set_level(self, level_dbfs: float) -> None:
        """Sound so loud (RMS, dB re full scale) from now on."""
        self._level_dbfs = level_dbfs
        self._tell()

    def cue(self, cue: Cue) -> None:
        """Let a cue be heard, tuned to the root."""
        self._order(CueOrder(cue, self.root_hz))

    def step(self, semitones: int) -> None:
        """Choose another note, so far from this one; stays where there is none."""
        self._choose_by_foot(neighbour_hz(self.root_hz, semitones, self._a4_hz))

    def keep(self, played_hz: float) -> None:
        """Choose the note nearest a pitch that was played; an open string where settings say so.

        Outside the drone's own notes the nearest octave that it can sound is taken.
        """
        self._choose_by_foot(self._kept_hz(played_hz))

    def keeps(self, played_hz: float) -> bool:
        """Whether :meth:`keep` would change nothing."""
        return self._kept_hz(played_hz) == self.root_hz

    def _kept_hz(self, played_hz: float) -> float:
        midi = nearest_note(played_hz, self._a4_hz)
        if self._keep_open_strings and midi in self._instrument.strings:
            return open_string_hz(self._instrument, midi, self._a4_hz)
        return note_hz(_within(midi), self._a4_hz)

    def choose(self, midi: int) -> None:
        """Choose one of the drone's own notes."""
        self._choose(note_hz(midi, self._a4_hz))

    def start(self) -> None:
        """Sound, also after having gone on without."""
        self._become(Heard.SOUNDING)

    def stop(self) -> None:
        """Fall silent."""
        self._become(Heard.SILENT)

    def go_without(self) -> None:
        """Fade out and tick: targets and pedals stay as if it sounded."""
        self._become(Heard.WITHOUT)

    def _become(self, heard: Heard) -> None:
        self.heard = heard
        self._tell()

    def _choose_by_foot(self, hz: float) -> None:
        """Take a root; in quiet hours, when it is not sounded, the foot hears that it is not."""
        self._choose(hz)
        if self.quiet:
            self.cue(Cue.NOTHING_THERE)

    def _choose(self, hz: float) -> None:
        """Take a root; while the drone is silent it sounds for a moment, so that it is known."""
        self.root_hz = hz
        self._tell(preview=True)

    def _tell(self, *, preview: bool = False) -> None:
        self._order(
            DroneOrder(
                self.root_hz,
                sounding=self.heard is Heard.SOUNDING,
                preview=preview and self.heard is Heard.SILENT and not self.quiet,
                without=self.heard is Heard.WITHOUT,
                level_dbfs=self._level_dbfs,
            )
        )


def _within(midi: int) -> int:
    """The note, or its nearest octave that the drone can sound."""
    if midi > HIGHEST_MIDI:
        return HIGHEST_MIDI - (HIGHEST_MIDI - midi) % 12
    return midi if midi >= LOWEST_MIDI else LOWEST_MIDI + (midi - LOWEST_MIDI) % 12
