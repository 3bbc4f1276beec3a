"""Gaps: stretches of time in which the room could not hear, as the log and the pages know them."""

from appliance.devices.blocks import SoundReport
from appliance.log.records import EventKind
from appliance.log.writer import LogWriter
from appliance.vocabulary import Instant


class Gaps:
    """Watches the sound device and logs when it has gone and when it is back."""

    def __init__(self, writer: LogWriter) -> None:
        """Begin with a device that is there."""
        self._writer = writer
        self._gone = False
        self._reopened = 0
        self._device = ""

    def watch(self, report: SoundReport, now: Instant) -> None:
        """Take how the device is; one that went and came between two looks is logged as well."""
        self._device = report.device or self._device
        back = report.reopened != self._reopened
        if not self._gone and (back or not report.running):
            self._writer.add_event(EventKind.SOUND_GONE, now, self._device)
            self._gone = True
        if self._gone and report.running:
            self._writer.add_event(EventKind.SOUND_BACK, now, self._device)
            self._gone = False
        self._reopened = report.reopened
