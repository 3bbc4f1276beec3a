"""What the desk asks of the drone, wherever it is played."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class DroneOrder:
    """All that is wanted of the drone now, so that the last order alone is ever needed.

    ``preview``: a silent drone sounds its new root for a moment.
    """

    root_hz: float
    sounding: bool = False
    preview: bool = False
