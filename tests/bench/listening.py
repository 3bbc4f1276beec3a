"""The ear as a user runs it: a take becomes a WAV, ``groundnote listen`` hears it."""

import contextlib
import io
import json
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

import appliance.listening  # noqa: F401  to import it belongs to a process's start, not to a take
from appliance.__main__ import main
from appliance.vocabulary import Arrival, HeardNote, Vibrato
from tests.tones import Scene


def listen(take: Scene) -> tuple[list[HeardNote], float]:
    """Notes of a take, and the processor seconds the command took after its process had begun."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "take.wav")
        sent = np.zeros_like(take.mic) if take.sent is None else take.sent
        channels = np.column_stack([take.mic, sent])
        soundfile.write(path, channels, int(take.sample_rate_hz), subtype="PCM_24")
        printed = io.StringIO()
        began = time.process_time()
        with contextlib.redirect_stdout(printed):
            status = main(["listen", str(path), "--instrument", take.instrument, "--json"])
        spent = time.process_time() - began
    assert status == 0
    return [_note(json.loads(line)) for line in printed.getvalue().splitlines()], spent


def _note(fields: dict[str, Any]) -> HeardNote:
    """A printed note; what the command does not print is left empty."""
    vibrato = fields["vibrato"]
    return HeardNote(
        start_s=fields["start_s"],
        end_s=fields["end_s"],
        landing_hz=fields["landing_hz"],
        landing_uncertainty_cents=fields["landing_uncertainty_cents"],
        settled_hz=fields["settled_hz"],
        arrival=Arrival(fields["arrival"]),
        slide_s=fields["slide_s"],
        vibrato=Vibrato(vibrato["rate_hz"], vibrato["extent_cents"]) if vibrato else None,
        shift=None,
        drone_hz=fields["drone_hz"],
        reference_hz=fields["reference_hz"],
        measurable=fields["measurable"],
        repeat=False,
        level_db=float("nan"),
    )
