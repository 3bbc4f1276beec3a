"""What is left of the drone is no note: hardly louder than it may be, and where nobody else plays.

The removal follows the room between notes. What moves in it while something else sounds (somebody
plays, knocks or talks) leaves a share of each partial, which the estimators read as a pitch
(``reading.py``).
"""

import numpy as np

from appliance.hearing.landings import ROUNDING_S, SHORTEST_S, hz_of
from appliance.hearing.reading import read_order
from appliance.hearing.sketches import NoteSketch
from appliance.tuning import CENTS_PER_OCTAVE

# What a moving room leaves of the drone was read within 1.4 cents of a partial and up to 7 dB over
# the quiet level (demo, seed 1); a player in unison is 8 dB over it unless softer than the drone
# by 7 dB, and then is not heard.
LEFTOVER_DB, LEFTOVER_CENTS = 8.0, 2.0
# Of the frames of what a drone of +6 and +12 dB left, 90 % and more stayed within twice that; of 44
# notes that settled on a partial of the drone it were fewer than 65 % in three of four.
STILL_SHARE = 0.8
# A room that changed at once left up to 13 dB more than it used to, one that was learned while they
# talked in it up to 16 dB for seconds, within half a cent of the drone. So exactly lay, of 9,500
# notes that were played over drones of -6 to +12 dB (tuning seeds), 3 of those within 14 dB for
# more than 0.65 of their time, 3 of those within 8 dB for more than half of it, and of 71 that
# knocks and talk had left of the drone 46. Louder ones take more.
EXACT_CENTS = 0.5
EXACT_SHARES = ((8.0, 0.5), (14.0, 0.65), (20.0, 0.9))  # (dB over what is left, share of time)
EXACT_TALKING_SHARE = 0.8  # of the last


def left_over(sketch: NoteSketch, drone_hz: float, *, turned: bool, talking: bool) -> bool:
    """Whether a sketch is the drone of ``drone_hz`` itself: hardly above what is left of it, and at
    its pitch or a partial's all the time, or too short to tell; or there as exactly as nobody
    plays.

    ``turned``: a knob was turned about then, and more may have been left of it. ``talking``:
    somebody talked before it, and may have gone on for a part of it.
    """
    over_db = float(np.median(sketch.over_db)) if len(sketch.cents) else np.inf
    if over_db == np.inf or (over_db >= EXACT_SHARES[-1][0] and not turned):
        return False
    ratio = np.array(hz_of(float(np.median(sketch.cents))) / drone_hz)
    apart = np.abs(sketch.cents - CENTS_PER_OCTAVE * np.log2(read_order(ratio) * drone_hz))
    most = EXACT_SHARES[-1][1]
    share = next((share for most_db, share in EXACT_SHARES if over_db < most_db), most)
    if np.mean(apart < EXACT_CENTS) > (min(share, EXACT_TALKING_SHARE) if talking else share):
        return True
    lasts_s = np.inf if sketch.end_s is None else sketch.end_s - sketch.start_s
    short = lasts_s < SHORTEST_S - ROUNDING_S
    still = np.median(apart) < LEFTOVER_CENTS and np.mean(apart < 2 * LEFTOVER_CENTS) > STILL_SHARE
    return (over_db < LEFTOVER_DB and bool(short or still)) or (turned and bool(still))
