"""Cleaned sound becomes pitch frames: aubio, and a phase-advance estimate that checks it.

Two estimators look at every hop of 10 ms:

* aubio's ``yinfast`` (de Cheveigné & Kawahara, "YIN, a fundamental frequency estimator for speech
  and music", JASA 111, 2002; FFT form by aubio). ``yin`` gives the same values at many times the
  cost; ``yinfft`` reads up to 10 cents sharp on low notes.
* a harmonic sum over a short-time spectrum for the coarse pitch, refined by how far the phase of
  each partial advances between two windows (instantaneous frequency of the phase vocoder, Flanagan
  & Golden 1966), weighted by ``h² · SNR`` (the Cramér-Rao weights of a common fundamental).

Where both agree the frame is their weighted geometric mean, else the second: what a drone has left
behind misleads aubio without a sign of it, while the second takes it off and counts it as noise,
partial by partial.
"""

from dataclasses import dataclass

import aubio
import numpy as np
from numpy.typing import NDArray

from appliance.hearing.cleaning import Cleaned
from appliance.hearing.framing import Delay, windows
from appliance.hearing.grid import HIGHEST_PARTIAL_HZ, PitchGrid
from appliance.hearing.resampling import SPECTRUM_PASS_HZ, Decimator
from appliance.hearing.second import EVERY_HOPS, NONE_DB, SecondPitch
from appliance.hearing.spectra import LEFTOVER_WEIGHT, Spectra, Spectrum, above, floor_of
from appliance.instruments import Instrument
from appliance.tuning import CENTS_PER_OCTAVE, note_hz

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Bins = NDArray[np.intp]

HOP_S = 0.010  # landings are medians over 200 ms: ten to twenty frames, and slides stay visible
WINDOW_PERIODS = 6.0  # Hann resolves neighbouring partials from four periods on; two more for noise
WINDOW_S = (0.050, 0.130)  # shorter loses to noise, longer blurs slides
YIN_METHOD = "yinfast"
YIN_TOLERANCE = 0.15  # threshold of the YIN paper: 0.1 to 0.15
YIN_PERIODS = 2.5  # aubio compares half its buffer with itself, shifted by up to half of it
YIN_LEAST_S = 0.035  # 21 ms are summed then: still short enough for a slide of 60 ms
YIN_FULL_HZ = 440.0
YIN_MIDDLE = 0.72  # of the buffer, from its end: where the half that is summed lies on average
PARTIALS = 16
PADDING = 2.2  # of the window: the nearest bin then holds nearly all of a partial
RANGE_MARGIN_SEMITONES = 1.5  # a landing may lie 150 cents from its note
SUB_EXPLAINS = 1.5  # a pitch below the likeliest is right where it explains so much more power
SUB_HEARD = 1.08  # or so many times, and aubio hears it: its threshold of 0.15 lies there
SPECTRUM_RATE_HZ = 11000.0  # at least: twice the highest partial, and room for the filter
SURE_WEIGHT = 3.0  # times that: no leftover is so large for long
SURE_DB = 8.0  # over the least that a still room leaves: 20 dB below the drone; no neighbour is
SURE = 0.35  # share of a frame's power that then still belongs to the pitch: somebody plays
REFINING = (4, PARTIALS)  # low partials first: their phase cannot turn over
ODD_CENTS = 8.0  # a partial that disagrees by more counts less: a drone or a neighbour is in it
MOST_STEP = 0.03  # of the pitch: two grid steps
STRONG = 0.35  # share of a frame's power that partials must explain; noise and clicks stay below
AGREED = 0.12  # where both estimators agree: vibrato smears high partials over a long window
AGREE_CENTS = 35.0  # both estimators look at the same note
BANDS_HZ = (50.0, 400.0, 800.0, 1600.0, 3200.0, 6400.0)  # octaves: a bow that stops empties all
CENTS_PER_NEPER = CENTS_PER_OCTAVE / np.log(2)
FREE_CENTS = 45.0  # further from a drone's pitch than what is left of it wanders
QUIET_BAND = 4.0  # times the power expected to be left of a drone
SILENCE_DB = -200.0


@dataclass(frozen=True, slots=True)
class Frames:
    """Pitch frames of one chunk, one per hop; arrays have shape (hops,), bands (hops, 5).

    ``hop`` is the index of the first frame since the ear began, negative before; frame ``i`` is
    centred on the middle of hop ``hop + i``. ``f0_hz`` is NaN where nothing has a pitch;
    ``quick_hz`` is what aubio alone reads, in a window short enough to follow a slide (NaN: nothing
    in range); ``level_db`` the power of that hop, dB re full scale; ``bands_db`` the power about it
    in five bands, where more sounds than what may be left of a drone; ``quiet_db`` the level up to
    which there may be nothing but what is left of a drone; ``sure`` is true where the pitch is
    surely not that; ``free`` where a drone sounds that has no partial, and is no partial, of
    ``f0_hz``; ``blind`` is true where the drone is changing and nothing can be heard through it;
    ``second_hz`` and ``second_db`` are another pitch that sounds beside ``f0_hz``, and its power re
    that one's (NaN and ``second.NONE_DB`` of winds); ``alone_from`` is the frame from which on, as
    has just turned out, the drone sounded alone. ``stands_out``, shape (hops, pitches), is how far
    the partials of every pitch from ``lowest_cents`` on, in steps of ``grid.STEP_CENTS``, stand out
    of noise and of what may be left of a drone, in roots of amplitude.
    """

    hop: int
    f0_hz: Floats
    quick_hz: Floats
    level_db: Floats
    bands_db: Floats
    quiet_db: Floats
    sure: NDArray[np.bool_]
    free: NDArray[np.bool_]
    blind: NDArray[np.bool_]
    second_hz: Floats
    second_db: Floats
    alone_from: int | None
    stands_out: NDArray[np.float32]


class PitchTracker:
    """Turns cleaned chunks into pitch frames for one instrument; streaming.

    Parameters
    ----------
    instrument : its range bounds the search and sets the window length
    rate_hz : sample rate of the cleaned sound
    hops : hops in every chunk handed to :meth:`track`

    Attributes
    ----------
    hop : samples in a hop
    delay_hops : how far frames lie behind the chunk that brought them
    level_hops : hops in the longest period: shorter averages of the level flutter
    lowest_cents : the lowest pitch that is looked for, re 1 Hz
    blur_s : half the span of sound that a frame looks at
    """

    def __init__(self, instrument: Instrument, rate_hz: float, hops: int) -> None:
        self._rate_hz, self._hops = rate_hz, hops
        step = max(1, int(rate_hz / SPECTRUM_RATE_HZ))
        self._slower = Decimator(rate_hz, step, SPECTRUM_PASS_HZ)
        self._slow_hop = round(HOP_S * rate_hz / step)
        self.hop = self._slow_hop * step
        self._low_hz = note_hz(instrument.lowest) * 2 ** (-RANGE_MARGIN_SEMITONES / 12)
        self._high_hz = note_hz(instrument.highest) * 2 ** (RANGE_MARGIN_SEMITONES / 12)
        self.lowest_cents = CENTS_PER_OCTAVE * float(np.log2(self._low_hz))
        self.level_hops = int(np.ceil(1 / self._low_hz / HOP_S))
        window_hops = self._set_windows()
        span_hz = self._low_hz, self._high_hz
        self._grid = PitchGrid(*span_hz, self._spectrum.bin_hz)
        self._second = None
        if instrument.strings:
            pitch_hops = window_hops + self._lag
            self._second = SecondPitch(span_hz, self._slower.rate_hz, self._slow_hop, pitch_hops)
        self._set_yin(window_hops)
        self._set_memory()

    def _set_windows(self) -> int:
        """Choose window and lag so that frames fall on the middle of a hop; hops in a window."""
        seconds = np.clip(WINDOW_PERIODS / self._low_hz, *WINDOW_S)
        hops = round(float(seconds) / HOP_S) | 1
        self._window, self._lag = hops * self._slow_hop, max(2, hops // 4 * 2)
        slow_hz = self._slower.rate_hz
        self.blur_s = (hops + self._lag) / 2 * self._slow_hop / slow_hz
        self._spectrum = Spectrum(self._window, PADDING, slow_hz)
        self._band_taper = np.hanning(2 * self.hop)
        edges = np.array(BANDS_HZ) * 2 * self.hop / self._rate_hz
        self._band_edges = np.rint(edges).astype(np.intp)
        return hops

    def _set_yin(self, window_hops: int) -> None:
        least = max(YIN_LEAST_S, YIN_PERIODS / self._low_hz) * self._rate_hz
        size = 1 << int(np.ceil(np.log2(least)))
        self._yin = aubio.pitch(YIN_METHOD, size, self.hop, int(self._rate_hz))
        self._yin.set_unit("Hz")
        self._yin.set_tolerance(YIN_TOLERANCE)
        yin_delay = round(YIN_MIDDLE * size / self.hop - 0.5)
        window_delay = (window_hops + self._lag - 1) // 2
        self.delay_hops = max(yin_delay, window_delay)
        self._late_yin = Delay(np.full(self.delay_hops - yin_delay, np.nan))
        late = self.delay_hops - window_delay
        self._late_pitches = Delay(np.full((late, 2, 3), np.nan))
        self._late_second = Delay(np.full((late, 2), np.nan))
        self._late_stands = Delay(np.zeros((late, len(self._grid.hz)), np.float32))

    def _set_memory(self) -> None:
        self._done = 0
        self._samples = np.zeros(self._window - self._slow_hop, np.float32)
        self._last_hop = np.zeros(self.hop)
        self._spectra = np.zeros((self._lag, self._spectrum.bins), np.complex64)
        self._late_level = Delay(np.full(self.delay_hops, SILENCE_DB))
        self._late_bands = Delay(np.full((self.delay_hops, len(BANDS_HZ) - 1), SILENCE_DB))
        self._late_blind = Delay(np.zeros(self.delay_hops, bool))

    def _bin(self, hz: Floats) -> Bins:
        return np.rint(hz / self._spectrum.bin_hz).astype(np.intp)

    def track(self, cleaned: Cleaned) -> Frames:
        """Hear one chunk; the frames that come back lie ``delay_hops`` behind it."""
        first = self._done - self.delay_hops
        self._done += self._hops
        quick_hz = self._late_yin.put(self._hear_yin(cleaned.samples))
        bands_db = self._hear_bands(cleaned.samples)
        bands_db = np.where(bands_db > self._quiet_bands(cleaned), bands_db, SILENCE_DB)
        pitches, second, stands_out = self._hear_fine(cleaned)
        fine_hz, strength, sure = _chosen(self._late_pitches.put(pitches), quick_hz).T
        second_hz, second_db = self._late_second.put(second).T
        agree = _agree(quick_hz, fine_hz)
        strong = (strength > STRONG) | (agree & (strength > AGREED))
        f0_hz = np.where(agree, fine_hz * (quick_hz / fine_hz) ** _yin_share(fine_hz), fine_hz)
        drone_hz = cleaned.drone_hz
        level_db = self._late_level.put(_level_db(cleaned.samples.reshape(-1, self.hop)))
        return Frames(
            hop=first,
            f0_hz=np.where(strong, f0_hz, np.nan),
            quick_hz=quick_hz,
            level_db=level_db,
            bands_db=self._late_bands.put(bands_db),
            quiet_db=np.full(self._hops, _db(cleaned.quiet_power)),
            sure=(sure > SURE) & (level_db > _db(cleaned.least_power) + SURE_DB),
            free=np.zeros(self._hops, bool) if drone_hz is None else _free(f0_hz, drone_hz),
            blind=self._late_blind.put(cleaned.blind),
            second_hz=second_hz,
            second_db=second_db,
            alone_from=self._done - cleaned.alone_hops if cleaned.alone_hops else None,
            stands_out=self._late_stands.put(stands_out),
        )

    def _hear_yin(self, samples: Floats) -> Floats:
        blocks = samples.astype(np.float32).reshape(self._hops, self.hop)
        found = np.array([self._yin(block)[0] for block in blocks], dtype=float)
        return np.where((found > self._low_hz) & (found < self._high_hz), found, np.nan)

    def _hear_bands(self, samples: Floats) -> Floats:
        """Power in each band over two hops, the second of them the new one; dB."""
        line = np.concatenate([self._last_hop, samples])
        self._last_hop = line[-self.hop :]
        spectra = np.fft.rfft(windows(line, 2 * self.hop, self.hop) * self._band_taper, axis=1)
        power = spectra.real**2 + spectra.imag**2
        bands = np.add.reduceat(power, self._band_edges, axis=1)[:, :-1]
        return _db(bands / self.hop**2)

    def _quiet_bands(self, cleaned: Cleaned) -> Floats:
        """Level up to which a band may hold nothing but what is left of a drone, dB; (bands,)."""
        band = np.searchsorted(BANDS_HZ, cleaned.partial_hz)
        left = np.bincount(band, cleaned.leftover**2, len(BANDS_HZ) + 1)[1:-1]
        # Σ|X|² of a Hann window of two hops is 0.375 hop² for an amplitude of 1
        return _db(0.375 * QUIET_BAND * left)

    def _hear_fine(self, cleaned: Cleaned) -> tuple[Floats, Floats, NDArray[np.float32]]:
        """What the spectra of new hops say.

        Two pitches by phase advance, shape (hops, 2, 3): the one that stands out most and the best
        of those below it of which it may be a partial, each with Hz, its share of the power, and
        the share that is surely its own. Another pitch beside them, shape (hops, 2): Hz and dB. How
        far every pitch stands out, shape (hops, pitches).
        """
        samples = self._slower.decimate(cleaned.samples).astype(np.float32)
        spectra, power = self._hear_spectra(samples)
        now, before = spectra[self._lag :], spectra[: -self._lag]
        leftover = self._spectrum.leftover(cleaned.partial_hz, cleaned.leftover)
        amplitude = self._spectrum.amplitude(now)
        floor = floor_of(amplitude)
        stands = self._grid.stand_out(above(amplitude, floor, leftover))
        coarse = self._grid.likeliest(stands)
        hz, own, sure = self._refine(coarse, now, before, floor.astype(np.float64), leftover)
        shares = np.stack([own, sure]) / np.tile(power + 1e-12, 2)
        pitches = np.stack([hz, *shares]).reshape(3, 2, self._hops).transpose(2, 1, 0)
        return pitches, self._hear_second(pitches, samples, cleaned), stands.T

    def _hear_second(self, pitches: Floats, samples: Floats32, cleaned: Cleaned) -> Floats:
        """Another pitch beside the better of two, shape (hops, 2); of winds none."""
        if self._second is None:
            return np.full((self._hops, 2), (np.nan, NONE_DB))
        looks = pitches[::EVERY_HOPS]
        lower = looks[:, 1, 1] > SUB_HEARD * looks[:, 0, 1]
        own_hz = np.where(lower, looks[:, 1, 0], looks[:, 0, 0])
        return np.repeat(self._second.hear(own_hz, samples, cleaned), EVERY_HOPS, axis=0)

    def _hear_spectra(self, samples: Floats32) -> tuple[Spectra, Floats]:
        """Spectra of the new windows after the last ``lag`` before them; power of the new ones."""
        line = np.concatenate([self._samples, samples])
        self._samples = line[len(samples) :]
        frames = self._spectrum.frames(line, self._slow_hop)
        spectra = np.concatenate([self._spectra, self._spectrum.transform(frames)])
        self._spectra = spectra[self._hops :]
        return spectra, self._spectrum.power(frames)

    def _refine(
        self, hz: Floats, now: Spectra, before: Spectra, floor: Floats, leftover: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """Pitch by the phase advance of the partials of ``hz``, their power, and what of it is
        surely not left of a drone.

        ``hz`` has shape (n · hops,): n candidates for every hop.
        """
        lag_s = self._lag * self._slow_hop / self._slower.rate_hz
        row = np.tile(np.arange(self._hops) * now.shape[1], len(hz) // self._hops)[:, None]
        here, then = now.reshape(-1), np.ascontiguousarray(before).reshape(-1)
        noise = np.tile(floor**2, (len(hz) // self._hops, 1))
        for partials in REFINING:
            order = np.arange(1, partials + 1)
            at_hz = np.where(np.isnan(hz), 0.0, hz)[:, None] * order
            inside = (at_hz < HIGHEST_PARTIAL_HZ) & (at_hz > 0)
            bins = self._bin(np.where(inside, at_hz, 0.0))
            at = row + bins
            cross = here.take(at) * np.conj(then.take(at))
            turn = np.angle(cross) / (2 * np.pi) - lag_s * at_hz  # cycles
            turn -= np.rint(turn)
            power = np.where(inside, np.abs(cross) * self._spectrum.scale**2, 0.0)
            left = leftover[bins]
            snr = power / (noise + left**2 + 1e-30)
            weight = order**2 * snr**2 / (1 + snr)
            hz = _stepped(hz, turn / (lag_s * order), weight)
        own, sure = (
            np.maximum(power - (weight * left) ** 2, 0.0).sum(1) / 2
            for weight in (LEFTOVER_WEIGHT, SURE_WEIGHT)
        )
        return hz, own, sure


def _chosen(candidates: Floats, quick_hz: Floats) -> Floats:
    """Pitch and shares of the better of two candidates in each hop, shape (hops, 3).

    The lower one is right where it explains much more, or more and aubio hears it too. What may be
    left of a drone between the partials of the first explains nothing.
    """
    first, sub = candidates[:, 0], candidates[:, 1]
    heard = _agree(quick_hz, sub[:, 0]) & (sub[:, 2] > SUB_HEARD * first[:, 2])
    lower = heard | (sub[:, 2] > SUB_EXPLAINS * first[:, 2])
    return np.where(lower[:, None], sub, first)


def _agree(quick_hz: Floats, fine_hz: Floats) -> NDArray[np.bool_]:
    """Whether both estimators look at the same note."""
    return np.asarray(np.abs(np.log(quick_hz / fine_hz)) < AGREE_CENTS / CENTS_PER_NEPER)


def _free(f0_hz: Floats, drone_hz: float) -> NDArray[np.bool_]:
    """Whether what is left of a drone cannot sound like this pitch: neither is a partial of the
    other, half of the drone's root included.
    """
    order = np.maximum(np.rint(2 * f0_hz / drone_hz), 1.0) / 2
    below = np.maximum(np.rint(drone_hz / f0_hz), 1.0)
    apart = np.minimum(
        np.abs(np.log(f0_hz / (order * drone_hz))),
        np.abs(np.log(f0_hz * below / drone_hz)),
    )
    return np.asarray(apart * CENTS_PER_NEPER > FREE_CENTS)


def _stepped(hz: Floats, off_hz: Floats, weight: Floats) -> Floats:
    """Pitch moved by the weighted mean of what its partials say, the odd ones out counted less."""
    total = weight.sum(1)
    step = (weight * off_hz).sum(1) / np.maximum(total, 1e-30)
    reach_hz = np.fmax(hz, 1.0)[:, None] * (ODD_CENTS / CENTS_PER_NEPER)
    for _ in range(2):
        agreeing = weight / (1 + ((off_hz - step[:, None]) / reach_hz) ** 2)
        step = (agreeing * off_hz).sum(1) / np.maximum(agreeing.sum(1), 1e-30)
    return np.where(total > 0, hz + np.clip(step, -MOST_STEP * hz, MOST_STEP * hz), np.nan)


def _yin_share(hz: Floats) -> Floats:
    """How much aubio counts, 0 to a half: less above YIN_FULL_HZ, nothing from its double on.

    It interpolates between whole lags: at 24 kHz one lag is 31 cents of 440 Hz and 63 of 880, and
    a bright tone there reads up to 3 cents off.
    """
    return np.asarray(0.5 * np.clip(2 - hz / YIN_FULL_HZ, 0.0, 1.0))


def _level_db(hops: Floats) -> Floats:
    return _db(np.einsum("ij,ij->i", hops, hops) / hops.shape[1])


def _db(power: "NDArray[np.floating] | float") -> Floats:
    return np.asarray(10 * np.log10(power + 1e-20))
