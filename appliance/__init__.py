"""Groundnote: a practice room that hears how notes land.

The flow, one way, room by room::

    microphone block ─ hearing.cleaning ─ hearing.pitch ─ hearing.notes ─ hearing.landings
      ─ hearing.shifts ─ log.logbook ─ log.weeks ─ (web) page
    pedal ─ practice.pedalboard ─ practice.drone ─ loudspeaker

``hearing`` and ``practice`` are pure: arrays and vocabulary in, arrays and vocabulary out. Devices,
clock, disk and network live at the edges: ``devices``, ``log.logbook``, ``control``, ``daemon``.
``web`` imports this package; nothing here imports ``web``.
"""
