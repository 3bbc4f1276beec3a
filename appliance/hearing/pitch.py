"""Cleaned sound becomes pitch frames: aubio, and a phase-advance estimate that checks and refines it.

Two estimators look at every hop of 10 ms:

* aubio's ``yinfast`` (de Cheveigné & Kawahara, "YIN, a fundamental frequency estimator for speech
  and music", JASA 111, 2002; FFT form by aubio). ``yin`` gives the same values at many times the
  cost; ``yinfft`` reads up to 10 cents sharp on low notes.
* a harmonic sum over a short-time spectrum for the coarse pitch, refined by how far the phase of
  each partial advances between two windows (the phase vocoder's instantaneous frequency, Flanagan &
  Golden 1966), weighted by ``h² · SNR`` (the weights that minimise the variance of the common
  fundamental, as in the Cramér-Rao bound of a harmonic signal).

Where a drone was removed, what may be left of it counts as noise, partial by partial.
"""

from dataclasses import dataclass

import aubio
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from appliance.hearing.cleaning import Cleaned
from appliance.instruments import Instrument
from appliance.tuning import note_hz

Floats = NDArray[np.float64]

HOP_S = 0.010  # landings are medians over 200 ms: ten to twenty frames, and slides stay visible
WINDOW_PERIODS = 6.0  # Hann resolves neighbouring partials from four periods on; two more for noise
WINDOW_S = (0.050, 0.130)  # shorter loses to noise, longer blurs slides
HIGHEST_PARTIAL_HZ = 5000.0  # above it bowed and blown tones are mostly noise
PARTIALS = 16
BANDS_HZ = (50.0, 400.0, 800.0, 1600.0, 3200.0, 6400.0)  # octaves: a bow stroke stops them all
GRID_CENTS = 15.0  # a third of what the refinement can pull in
RANGE_MARGIN_SEMITONES = 1.5  # a landing may lie 150 cents from its note
AGREE_CENTS = 35.0  # aubio and the phase estimate are looking at the same note
COARSE_PARTIALS = 12
FLOOR_WEIGHT = 1.5
BETWEEN_WEIGHT = 0.6  # the trial's figure: an octave too high is lower by as much as one too low
CENTS_PER_NEPER = 1200 / np.log(2)
LEFTOVER_WEIGHT = 1.5  # how many times the expected leftover of a drone partial is taken off


@dataclass(frozen=True, slots=True)
class Frames:
    """Pitch frames of one chunk, one per hop; every array has shape (hops,).

    ``hop`` is the index of the first frame since the ear began; frame ``i`` is centred on
    ``(hop + i + 0.5) * HOP_S`` seconds. ``f0_hz`` is NaN where nothing has a pitch;
    ``quick_hz`` is what aubio alone reads, in a window short enough to follow a slide (NaN: nothing
    in the range); ``strength`` is the share of the power that the partials of ``f0_hz`` explain, 0 to 1;
    ``level_db`` the power of that hop, dB re full scale; ``bands_db``, shape (hops, 5), the power
    about it in five bands; ``spread_cents`` how far the partials
    disagree; ``quiet_db`` the level up to which there may be nothing but what is left of a drone;
    ``blind`` is true where the drone is changing and nothing can be heard through it;
    ``alone_from`` is the frame from which on, as has just turned out, the drone sounded alone.
    """

    hop: int
    f0_hz: Floats
    quick_hz: Floats
    strength: Floats
    level_db: Floats
    bands_db: Floats
    spread_cents: Floats
    quiet_db: Floats
    blind: NDArray[np.bool_]
    alone_from: int | None


class PitchTracker:
    """Turns cleaned chunks into pitch frames for one instrument; streaming.

    Parameters
    ----------
    instrument : its range bounds the search and sets the window length
    rate_hz : sample rate of the cleaned sound
    hops : hops in every chunk handed to :meth:`track`
    """

    def __init__(self, instrument: Instrument, rate_hz: float, hops: int) -> None:
        self._rate_hz, self._hops = rate_hz, hops
        self.hop = round(HOP_S * rate_hz)
        self._low_hz = note_hz(instrument.lowest) * 2 ** (-RANGE_MARGIN_SEMITONES / 12)
        self._high_hz = note_hz(instrument.highest) * 2 ** (RANGE_MARGIN_SEMITONES / 12)
        self._set_windows()
        self._set_grid()
        self._done = 0
        self._samples = np.zeros(self._window - self.hop)
        self._spectra = np.zeros((self._lag, self._bins), complex)
        self._aubio = aubio.pitch("yinfast", self._yin_window, self.hop, int(rate_hz))
        self._aubio.set_unit("Hz")
        self._aubio.set_tolerance(0.15)  # the threshold of the YIN paper is 0.1 to 0.15
        self._late_yin = np.full(self.delay_hops - self._yin_delay, np.nan)
        self._late_level = np.full(self.delay_hops, -200.0)
        self._late_bands = np.full((self.delay_hops, len(BANDS_HZ) - 1), -200.0)
        self._tail = np.zeros(self.hop)
        edges = np.array(BANDS_HZ) * 2 * self.hop / rate_hz
        self._band_edges = np.rint(edges).astype(int)
        self._late_blind = np.zeros(self.delay_hops, bool)

    def _set_windows(self) -> None:
        """Choose window and lag so that frames fall on the middle of a hop."""
        period_s = 1 / self._low_hz
        seconds = np.clip(WINDOW_PERIODS * period_s, *WINDOW_S)
        hops = int(round(seconds / HOP_S)) | 1
        self._window = hops * self.hop
        self._lag = max(2, hops // 4 * 2)
        self._size = 1 << int(np.ceil(np.log2(2.2 * self._window)))
        self._bins = int(HIGHEST_PARTIAL_HZ * 1.02 / self._rate_hz * self._size) + 2
        self._taper = np.hanning(self._window + 2)[1:-1]
        # aubio looks at half its buffer, shifted by up to the longest period
        self._yin_window = 1 << int(np.ceil(np.log2(2.5 * period_s * self._rate_hz)))
        self._yin_window = max(1024, self._yin_window)
        self._yin_delay = round(0.72 * self._yin_window / self.hop - 0.5)
        self._fft_delay = (hops + self._lag - 1) // 2
        self.delay_hops = max(self._fft_delay, self._yin_delay)
        self.level_hops = int(np.ceil(period_s / HOP_S))
        self.blur_s = (hops + self._lag) / 2 * HOP_S

    def _set_grid(self) -> None:
        """Tabulate, for every candidate pitch, the bins of its partials and of those between."""
        octaves = np.log2(self._high_hz / self._low_hz)
        steps = np.arange(int(octaves * 1200 / GRID_CENTS) + 1)
        self._grid_hz = self._low_hz * 2 ** (steps * GRID_CENTS / 1200)
        order = np.arange(1, COARSE_PARTIALS + 1)
        partial_hz = self._grid_hz[:, None] * order
        between_hz = self._grid_hz[:, None] * (order - 0.5)
        inside = partial_hz < HIGHEST_PARTIAL_HZ
        self._at = self._bin(np.where(inside, partial_hz, 0.0))
        self._between = self._bin(np.where(inside, between_hz, 0.0))
        count = np.maximum(inside.sum(1, keepdims=True), 1)
        self._salience = np.where(inside, order**-0.3 / np.sqrt(count), 0.0)

    def _bin(self, hz: Floats) -> NDArray[np.intp]:
        return np.rint(hz / self._rate_hz * self._size).astype(np.intp)

    def track(self, cleaned: Cleaned) -> Frames:
        """Hear one chunk; the frames that come back lie ``delay`` hops behind it."""
        yin_hz = self._hear_yin(cleaned.samples)
        spectra = self._hear_spectra(cleaned.samples)
        now, before = spectra[self._lag :], spectra[: -self._lag]
        leftover = self._leftover(cleaned)
        magnitude = np.abs(now) * (2 / self._taper.sum())
        floor = np.median(magnitude, axis=1, keepdims=True)
        coarse_hz = self._coarse(magnitude - FLOOR_WEIGHT * floor - LEFTOVER_WEIGHT * leftover)
        fine_hz, strength, spread = self._refine(coarse_hz, now, before, floor, leftover)
        strength = strength / (self._power() + 1e-12)
        agree = np.abs(1200 * np.log2(yin_hz / fine_hz)) < AGREE_CENTS
        fine_hz = np.where(agree, np.sqrt(yin_hz * fine_hz), fine_hz)
        level_db = self._late("_late_level", _level_db(cleaned.samples, self.hop))
        bands_db = self._late("_late_bands", self._hear_bands(cleaned.samples))
        blind = self._late("_late_blind", cleaned.blind)
        quiet_db = 10 * np.log10(np.full(self._hops, cleaned.quiet_power) + 1e-20)
        first = self._done - self.delay_hops
        self._done += self._hops
        alone_from = self._done - cleaned.alone_hops if cleaned.alone_hops else None
        return Frames(first, fine_hz, yin_hz, strength, level_db, bands_db, spread, quiet_db, blind, alone_from)

    def _late(self, name: str, new: NDArray) -> NDArray:
        """Delay a stream by what is kept under ``name``."""
        line = np.concatenate([getattr(self, name), new])
        setattr(self, name, line[self._hops :])
        return line[: self._hops]

    def _hear_yin(self, samples: Floats) -> Floats:
        found = np.empty(self._hops)
        for i, block in enumerate(samples.astype(np.float32).reshape(self._hops, self.hop)):
            found[i] = self._aubio(block)[0]
        inside = (found > self._low_hz) & (found < self._high_hz)
        return self._late("_late_yin", np.where(inside, found, np.nan))

    def _hear_bands(self, samples: Floats) -> Floats:
        """Power in each band over two hops, the second of them the new one; dB."""
        line = np.concatenate([self._tail, samples])
        self._tail = line[-self.hop :]
        windows = sliding_window_view(line, 2 * self.hop)[:: self.hop]
        power = np.abs(np.fft.rfft(windows * np.hanning(2 * self.hop), axis=1)) ** 2
        bands = np.add.reduceat(power, self._band_edges, axis=1)[:, :-1]
        return 10 * np.log10(bands / self.hop**2 + 1e-20)

    def _hear_spectra(self, samples: Floats) -> NDArray[np.complex128]:
        """Spectra of the new windows, after the last ``lag`` ones of the chunk before."""
        line = np.concatenate([self._samples, samples])
        self._samples = line[self._hops * self.hop :]
        windows = sliding_window_view(line, self._window)[:: self.hop]
        self._window_power = (windows**2) @ (self._taper**2) / (self._taper**2).sum()
        new = np.fft.rfft(windows * self._taper, self._size)[:, : self._bins]
        spectra = np.concatenate([self._spectra, new])
        self._spectra = spectra[self._hops :]
        return spectra

    def _power(self) -> Floats:
        """Mean square of each window, weighted as its spectrum is."""
        return self._window_power

    def _leftover(self, cleaned: Cleaned) -> Floats:
        """What may be left of the drone in each bin, as amplitude; shape (bins,)."""
        spectrum = np.zeros(self._bins)
        reach = int(np.ceil(2 * self._size / self._window))  # half a Hann main lobe
        for hz, amplitude in zip(cleaned.partial_hz, cleaned.leftover, strict=True):
            centre = hz / self._rate_hz * self._size
            bins = np.arange(int(centre) - reach, int(centre) + reach + 2)
            bins = bins[(bins >= 0) & (bins < self._bins)]
            lobe = 0.5 + 0.5 * np.cos(np.pi * np.minimum(np.abs(bins - centre) / reach, 1))
            spectrum[bins] = np.maximum(spectrum[bins], amplitude * lobe)
        return spectrum

    def _coarse(self, magnitude: Floats) -> Floats:
        """The pitch whose partials stand out most, and not those halfway between; (hops,)."""
        root = np.sqrt(np.maximum(magnitude, 0))
        score = ((root[:, self._at] - BETWEEN_WEIGHT * root[:, self._between]) * self._salience).sum(2)
        best = score.argmax(1)
        found = score[np.arange(len(score)), best] > 0
        return np.where(found, self._grid_hz[best], np.nan)

    def _refine(self, seed_hz, now, before, floor, leftover):
        hz = seed_hz.copy()
        lag_s = self._lag * self.hop / self._rate_hz
        rows = np.arange(len(hz))[:, None]
        scale = (2 / self._taper.sum()) ** 2
        for partials in (4, PARTIALS, PARTIALS):
            order = np.arange(1, partials + 1)
            at_hz = np.nan_to_num(hz[:, None]) * order
            inside = (at_hz < HIGHEST_PARTIAL_HZ) & (at_hz > 0)
            bins = self._bin(np.where(inside, at_hz, 0.0))
            cross = now[rows, bins] * np.conj(before[rows, bins])
            turn = np.angle(cross * np.exp(-2j * np.pi * at_hz * lag_s))
            off_hz = turn / (2 * np.pi * lag_s * order)
            power = np.where(inside, np.abs(cross) * scale, 0.0)
            noise = floor**2 + leftover[bins] ** 2 + 1e-30
            snr = power / noise
            weight = order**2 * snr**2 / (1 + snr)
            hz, spread = _robust(hz, off_hz, weight)
        own = np.maximum(power - (LEFTOVER_WEIGHT * leftover[bins]) ** 2, 0.0)
        return hz, own.sum(1) / 2, spread


def _robust(hz, off_hz, weight):
    total = weight.sum(1)
    weight = weight / np.maximum(total, 1e-30)[:, None]
    step = (weight * off_hz).sum(1)
    for _ in range(3):
        off_cents = (off_hz - step[:, None]) / np.maximum(hz, 1.0)[:, None] * CENTS_PER_NEPER
        robust = weight / (1 + (off_cents / 8.0) ** 2)
        share = robust.sum(1)
        step = (robust * off_hz).sum(1) / np.maximum(share, 1e-30)
    spread = np.sqrt((robust * off_cents**2).sum(1) / np.maximum(share, 1e-30))
    step = np.clip(step, -0.03 * hz, 0.03 * hz)
    return np.where(total > 0, hz + step, np.nan), spread


def _level_db(samples: Floats, hop: int) -> Floats:
    power = np.mean(samples.reshape(-1, hop) ** 2, axis=1)
    return 10 * np.log10(power + 1e-20)
