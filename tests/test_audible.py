"""Whether a cue can be heard over the drone, by the bands of an ear.

The bands are gammatone filters of the widths of Glasberg & Moore (Hear. Res. 47, 1990), one every
half width. A pulse is heard where, in its loudest 10 ms, some band has at least as much power from
it as from the drone: a step of 3 dB. Both figures are our own choice; that steps of about 2 dB are
heard in sounds so short is from memory.
"""

from dataclasses import replace

import numpy as np
import pytest

from appliance.devices.loudspeaker import Loudspeaker
from appliance.practice.cues import PULSE_S, PULSES, STEP_S, Cue, cue_sound
from appliance.practice.order import CueOrder, DroneOrder
from appliance.practice.tone import Tone
from appliance.settings import ADDED, TIMBRES, DroneSettings
from appliance.tuning import note_hz
from tests.waves import Audio

RATE_HZ = 48000.0
SIZE, HEARD_FRAMES, WINDOW = 1 << 14, 2400, 480
DRONE = DroneSettings()
HEARD_DB = 0.0


def _width_hz(hz: float) -> float:
    return 24.7 * (4.37e-3 * hz + 1.0)


def _bands() -> Audio:
    """Frequency responses, shape (bands, SIZE // 2 + 1), 1 at their peaks."""
    time_s, hz, bands = np.arange(SIZE) / RATE_HZ, 300.0, []
    while hz < 6000.0:
        impulse = time_s**3 * np.exp(-2 * np.pi * 1.019 * _width_hz(hz) * time_s)
        response = np.abs(np.fft.rfft(impulse * np.cos(2 * np.pi * hz * time_s)))
        bands.append(response / response.max())
        hz += _width_hz(hz) / 2
    return np.array(bands)


BANDS = _bands()
BINS_HZ = np.fft.rfftfreq(SIZE, 1.0 / RATE_HZ)


def _of_drone(tone: Tone) -> Audio:
    """Power of the drone in each band."""
    power = np.full(len(BANDS), 1e-12)
    for partial in tone.partials:
        response = BANDS[:, int(np.argmin(np.abs(BINS_HZ - partial.hz)))]
        power += partial.amplitude**2 / 2 * response**2
    return power


def _of_pulse(pulse: Audio) -> Audio:
    """Power in each band over the pulse's loudest 10 ms there."""
    heard = np.fft.irfft(np.fft.rfft(pulse, SIZE) * BANDS)[:, :HEARD_FRAMES]
    passed = np.cumsum(np.pad(heard**2, ((0, 0), (1, 0))), axis=1)
    return np.asarray((passed[:, WINDOW:] - passed[:, :-WINDOW]).max(axis=1) / WINDOW)


def _over_drone_db(settings: DroneSettings, midi: int) -> float:
    """How far the faintest pulse of all cues stands over the drone, in its best band."""
    tone = Tone(note_hz(midi), settings.timbre, settings.add, settings.level_dbfs, RATE_HZ)
    drone, pulses = _of_drone(tone), {}
    for cue in PULSES:
        sound = cue_sound(cue, tone.root_hz, settings.cue_level_dbfs, RATE_HZ)
        for pulse in PULSES[cue]:
            at = round(pulse.step * STEP_S * RATE_HZ)
            alone = sound[at : at + round(PULSE_S * RATE_HZ)]
            pulses[pulse.octave] = alone.astype(np.float64)
    return min(float(np.max(10 * np.log10(_of_pulse(one) / drone))) for one in pulses.values())


@pytest.mark.parametrize("added", ADDED)
@pytest.mark.parametrize("timbre", TIMBRES)
def test_every_pulse_of_every_cue_is_heard_over_any_drone(timbre: str, added: str) -> None:
    settings = replace(DRONE, timbre=timbre, add=added)
    found = {midi: round(_over_drone_db(settings, midi), 1) for midi in range(24, 97, 3)}
    assert {midi: db for midi, db in found.items() if db < HEARD_DB} == {}


def test_a_much_softer_cue_would_not_be() -> None:
    assert _over_drone_db(replace(DRONE, cue_level_dbfs=-30.0), 57) < HEARD_DB


@pytest.mark.parametrize("level_dbfs", [-40.0, -30.0, -15.0])
def test_cues_keep_their_distance_to_a_drone_that_is_set_on_the_page(level_dbfs: float) -> None:
    one = Loudspeaker(DRONE, RATE_HZ)
    one.order(DroneOrder(220.0, level_dbfs=level_dbfs))
    one.order(CueOrder(Cue.CALL_TAKEN, 220.0))
    peak = float(np.max(np.abs(one.render(4800))))
    over_db = DRONE.cue_level_dbfs - DRONE.level_dbfs
    assert 20 * np.log10(peak) == pytest.approx(level_dbfs + over_db, abs=0.01)


def test_the_tick_of_going_without_is_softer_than_a_cue() -> None:
    one = Loudspeaker(DRONE, RATE_HZ)
    one.order(DroneOrder(220.0, without=True))
    ticks = np.concatenate([one.render(4800) for _ in range(50)])
    peak_dbfs = 20 * np.log10(float(np.max(np.abs(ticks))))
    assert peak_dbfs == pytest.approx(DRONE.cue_level_dbfs - 10.0, abs=0.01)
