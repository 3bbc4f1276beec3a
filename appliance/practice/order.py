"""What the desk asks of the loudspeaker, wherever it is."""

from dataclasses import dataclass

from appliance.practice.cues import Cue


@dataclass(frozen=True, slots=True)
class DroneOrder:
    """All that is wanted of the drone now, so that the last order alone is ever needed.

    ``preview``: a silent drone sounds its new root for a moment. ``without``: a drone that is not
    ``sounding`` is on all the same, which a soft tick says now and then. ``level_dbfs``: how loud
    it is sent (RMS), ``None``: as the settings have it.
    """

    root_hz: float
    sounding: bool = False
    preview: bool = False
    without: bool = False
    level_dbfs: float | None = None


@dataclass(frozen=True, slots=True)
class CueOrder:
    """A cue to be heard once, at once; ``root_hz`` is the drone's root, which tunes it."""

    cue: Cue
    root_hz: float


Order = DroneOrder | CueOrder
