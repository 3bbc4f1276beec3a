"""Groundnote: a practice room that hears how notes land.

The flow, one way, room by room::

    microphone block ─ hearing.cleaning ─ hearing.pitch ─ hearing.notes ─ hearing.landings
      ─ hearing.shifts ─ log.logbook ─ log.weeks ─ (web) page
    pedal ─ practice.pedalboard ─ practice.drone ─ loudspeaker

``hearing`` and ``practice`` are pure: arrays and vocabulary in, arrays and vocabulary out. Devices,
clock, disk and network live at the edges: ``devices``, ``log.logfile``, ``control``, ``daemon``.
``web`` imports this package; nothing here imports ``web``.
"""

import os

# Here, since numpy reads it once, when it is first imported, and every process of ours begins here:
# for arrays as small as the ear's, a second thread makes linear algebra ten times slower.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
