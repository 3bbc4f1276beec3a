"""stub until the hearing room is committed"""
from appliance.settings import Settings
from appliance.vocabulary import Event
from appliance.instruments import Instrument
import numpy as np
from numpy.typing import NDArray


class Ear:
    def __init__(self, settings: Settings, instrument: "Instrument | str", sample_rate_hz: float) -> None: ...
    def hear(self, mic: NDArray[np.floating], sent: "NDArray[np.floating] | None" = None) -> list[Event]: return []
    def finish(self) -> list[Event]: return []
