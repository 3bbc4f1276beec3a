"""The room as a user runs it, on a real full-duplex stream of a virtual sound card.

The daemon is a process of its own. A WAV is played into its microphone, its drone is recorded on
the way to the loudspeaker, the log is read while it grows, and the pages are asked over HTTP.
"""

import json
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import psutil
import pytest
import soundfile
from numpy.typing import NDArray

from appliance.control import Message, ask
from appliance.log.logfile import NoLogYetError
from appliance.log.reader import LogReader
from appliance.log.records import EventKind, NoteRow
from appliance.tuning import cents, nearest_note, note_hz, note_name, parse_note
from tests.soundcard import RATE_HZ, Microphone, SoundCard, Tap, wait_for

# What the invented player plays: note, cents off equal temperament.
PLAYED = (("D4", -14.0), ("E4", 3.0), ("F#4", -22.0), ("G4", 9.0), ("A4", 0.0))
NOTE_S, REST_S = 1.0, 0.6
LEVEL = 0.08  # RMS of the player at the microphone
STEADY_S = 3.0
TRIES = 10
DRONE = "D3"
STARTS_S = 60.0  # no promise: a machine that is busy with other work imports slowly


def write_take(path: Path, played_hz: float) -> NDArray[np.float32]:
    """Write one plain bowed-like tone (12 partials falling as 1/k) as a WAV, and read it back."""
    t = np.arange(round(NOTE_S * RATE_HZ)) / RATE_HZ
    envelope = np.minimum(1.0, np.minimum(t / 0.03, (NOTE_S - t) / 0.05))
    tone = sum(np.sin(2.0 * np.pi * k * played_hz * t + k * k) / k for k in range(1, 13))
    rest = np.zeros(round(REST_S * RATE_HZ))
    samples = np.concatenate([rest, LEVEL / np.std(tone) * tone * envelope, rest])
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_24")
    return np.asarray(soundfile.read(path, dtype="float32")[0], np.float32)


@dataclass
class Room:
    """A running daemon and what surrounds it."""

    card: SoundCard
    microphone: Microphone
    tap: Tap
    process: subprocess.Popen[bytes]
    log_path: Path
    socket: Path
    learnt: Message | None = None  # what had been lost when the ear last had time to learn

    def command(self, *words: str) -> str:
        """Run ``groundnote drone …`` as a user does."""
        line = [sys.executable, "-m", "appliance", "drone", *words, "--socket", str(self.socket)]
        return subprocess.run(line, check=True, capture_output=True, text=True, timeout=20).stdout

    def status(self) -> Message:
        return ask(self.socket, {"do": "status"})

    def lost(self) -> Message:
        """Count what the sound has lost so far, on either side."""
        sound = self.status()["sound"]
        return {**sound["flags"], "dropped": sound["dropped_blocks"], "tap": self.tap.xruns}

    def let_learn(self) -> None:
        """Give the ear four unbroken seconds to learn how the drone reaches the microphone."""
        for _ in range(TRIES):
            if self.learnt == (lost := self.lost()):
                return
            time.sleep(4.0)
            self.learnt = lost

    def rows(self) -> list[NoteRow]:
        try:
            with LogReader(self.log_path) as log:
                return log.notes(0.0, 1e12)
        except NoLogYetError:
            return []

    def gaps(self) -> list[EventKind]:
        with LogReader(self.log_path) as log:
            return [event.kind for event in log.events(0.0, 1e12)]

    def play(self, take: NDArray[np.float32]) -> tuple[list[NoteRow], float]:
        """Play a take; return its rows, and how long after its note's end they could be read."""
        before = len(self.rows())
        ends_s = time.monotonic() + REST_S + NOTE_S
        self.microphone.play(take)
        wait_for(lambda: len(self.rows()) > before or time.monotonic() > ends_s + 2.0)
        delay_s = time.monotonic() - ends_s
        wait_for(lambda: not self.microphone.playing)
        time.sleep(0.3)  # for whatever else it may have heard
        return self.rows()[before:], delay_s


@pytest.fixture
def room(sound_card: SoundCard, tmp_path: Path) -> Iterator[Room]:
    microphone = Microphone(sound_card, "room-mic")
    settings, log_path, socket = (tmp_path / name for name in ("s.toml", "room.db", "c.sock"))
    settings.write_text(
        '[room]\nname = "north room"\n[sound]\ninput_device = "room-mic"\n'
        f'output_device = "system"\nreopen_after_s = 0.5\n[drone]\nnote = "{DRONE}"\n'
    )
    words = ["run", "--no-pedals", "--settings", str(settings), "--log", str(log_path)]
    process = subprocess.Popen(
        [sys.executable, "-m", "appliance", *words, "--socket", str(socket)],
        env=sound_card.environment,
    )
    tap = Tap(sound_card, "loudspeaker-tap")
    room = Room(sound_card, microphone, tap, process, log_path, socket)
    try:
        wait_for(lambda: socket.exists() or process.poll() is not None, STARTS_S)
        assert process.poll() is None, "the daemon did not start"
        wait_for(lambda: room.status()["sound"]["running"], STARTS_S)
        yield room
    finally:
        process.terminate()
        process.wait(timeout=20)
        for client in (room.tap, room.microphone):
            client.close()


def test_an_evening_in_the_room(room: Room, tmp_path: Path) -> None:
    room.tap.connect()
    room.microphone.hear_loudspeaker(-12.0)
    check_notes(room, tmp_path, drone_hz=None)
    sound, steady = record_drone(room)
    check_drone(sound, steady)
    room.command("on")
    room.let_learn()
    room.microphone.play(np.array([np.nan, np.inf, -np.inf], np.float32))  # a driver's slip
    check_notes(room, tmp_path, drone_hz=note_hz(parse_note(DRONE)))
    assert room.status()["log"]["slowest_commit_s"] < 1.0
    check_page(room, tmp_path)
    room.process.send_signal(signal.SIGTERM)
    assert room.process.wait(timeout=15) == 0
    assert all(row.sitting.ended_at is not None for row in room.rows())


def check_notes(room: Room, tmp_path: Path, drone_hz: float | None) -> None:
    """Every note played is heard once, where it was played, and soon in the log."""
    for name, off_cents in PLAYED:
        played_hz = note_hz(parse_note(name)) * 2.0 ** (off_cents / 1200.0)
        row, delay_s = play_note(room, write_take(tmp_path / "take.wav", played_hz), drone_hz)
        assert row.note.landing_hz is not None and row.note.settled_hz is not None
        landing, settled = (
            cents(hz, played_hz) for hz in (row.note.landing_hz, row.note.settled_hz)
        )
        print(f"{name}: landing {landing:+.2f} settled {settled:+.2f} cents, {delay_s:.3f} s")
        assert abs(landing) < 3.0 and abs(settled) < 3.0
        assert row.note.end_s - row.note.start_s == pytest.approx(NOTE_S, abs=0.15)
        assert row.note.drone_hz == (drone_hz and pytest.approx(drone_hz, rel=1e-4))
        assert delay_s < 1.0


def play_note(
    room: Room, take: NDArray[np.float32], drone_hz: float | None
) -> tuple[NoteRow, float]:
    """Play one note until it was played and heard without the sound card losing a block.

    A virtual sound card on a busy machine loses blocks, and says so; a note with a hole in it is
    no longer what was played, and under a drone the ear begins again after one.
    """
    for _ in range(TRIES):
        if drone_hz is not None:
            room.let_learn()
        lost = room.lost()
        rows, delay_s = room.play(take)
        if room.lost() == lost:
            assert len(rows) == 1, [(r.note.start_s, r.note.end_s, r.note.settled_hz) for r in rows]
            return rows[0], delay_s
    pytest.fail(f"no note without lost blocks: {room.lost()}; is the machine too busy?")


def record_drone(room: Room) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Record the drone from before its start until after its stop, and its steady part.

    Only a recording in which neither side lost a block speaks of the daemon.
    """
    for _ in range(TRIES):
        before = room.lost()
        room.tap.forget()
        assert room.command("on").startswith(f"drone on, {DRONE}, 146.832 Hz")
        time.sleep(0.5)
        steady_from = room.tap.recorded().size
        time.sleep(STEADY_S)
        steady_to = room.tap.recorded().size
        room.command("off")
        time.sleep(0.6)
        sound = room.tap.recorded()
        if room.lost() == before:
            return sound, sound[steady_from:steady_to]
    pytest.fail(f"no recording without lost blocks: {room.lost()}; is the machine too busy?")


def check_drone(sound: NDArray[np.float32], steady: NDArray[np.float32]) -> None:
    level_dbfs = 20.0 * np.log10(np.sqrt(np.mean(steady.astype(float) ** 2)))
    error_cents = cents(fundamental_hz(steady, 146.832), note_hz(parse_note(DRONE)))
    jump, steady_jump = (float(np.max(np.abs(np.diff(x)))) for x in (sound, steady))
    print(f"drone {level_dbfs:.3f} dBFS, {error_cents:+.4f} cents, jump {jump / steady_jump:.4f}")
    assert level_dbfs == pytest.approx(-24.0, abs=0.1)
    assert abs(error_cents) < 0.01
    assert jump <= steady_jump * (1.0 + 1e-6)  # starting and stopping add no click
    assert not sound[: RATE_HZ // 100].any() and not sound[-RATE_HZ // 10 :].any()


def fundamental_hz(tone: NDArray[np.float32], near_hz: float) -> float:
    """Return the fundamental from its phase advance between the tone's two halves."""
    half = tone.size // 2
    t = np.arange(half) / RATE_HZ
    probe = np.hanning(half) * np.exp(-2j * np.pi * near_hz * t)
    turn = np.angle(np.sum(probe * tone[half : 2 * half]) / np.sum(probe * tone[:half]))
    whole = near_hz * half / RATE_HZ
    return float((whole + (turn / (2 * np.pi) - whole + 0.5) % 1.0 - 0.5) * RATE_HZ / half)


def check_page(room: Room, tmp_path: Path) -> None:
    """The week on the page and for programs tells of the notes just played."""
    words = ["--log", str(room.log_path), "--port", "0", "--host", "127.0.0.1"]
    words += ["--settings", str(tmp_path / "s.toml")]
    with subprocess.Popen(
        [sys.executable, "-m", "web", *words],
        stdout=subprocess.PIPE,
        text=True,
    ) as web:
        try:
            assert web.stdout is not None
            address = web.stdout.readline().split("http://")[1].split("/")[0]
            page = (
                urllib.request.urlopen(f"http://{address}/?open=counted", timeout=10)
                .read()
                .decode()
            )
            week = json.load(
                urllib.request.urlopen(f"http://{address}/week.json?open=counted", timeout=10)
            )
        finally:
            web.terminate()
    settled_hz = [row.note.settled_hz for row in room.rows()]
    assert week["total"]["count"] == sum(hz is not None for hz in settled_hz)
    names = {note_name(nearest_note(hz)) for hz in settled_hz if hz is not None}
    assert names >= {name for name, _ in PLAYED}
    assert {line["note"] for line in week["notes"]} == names
    for name in names:
        assert name.replace("#", "♯") in page or name in page


def test_the_sound_server_dies_and_comes_back(room: Room, tmp_path: Path) -> None:
    room.command("on")
    room.tap.connect()
    wait_for(room.tap.sounding)
    for client in (room.tap, room.microphone):
        client.close()
    room.card.stop()
    wait_for(lambda: not room.status()["sound"]["running"])
    status = room.status()
    assert "has gone" in status["sound"]["trouble"]
    assert status["drone"]["on"]
    room.card.start()
    room.microphone, room.tap = Microphone(room.card, "room-mic"), Tap(room.card, "tap-again")
    began_s = time.monotonic()
    wait_for(lambda: room.status()["sound"]["running"])
    print(f"back after {time.monotonic() - began_s:.1f} s")
    assert time.monotonic() - began_s < 5.0
    room.tap.connect()
    wait_for(room.tap.sounding)  # the drone goes on by itself
    row, _ = play_note(room, write_take(tmp_path / "take.wav", 440.0), note_hz(parse_note(DRONE)))
    assert row.note.settled_hz == pytest.approx(440.0, rel=1e-3)
    assert room.gaps() == [EventKind.SOUND_GONE, EventKind.SOUND_BACK]
    room.process.send_signal(signal.SIGTERM)
    assert room.process.wait(timeout=15) == 0


@pytest.mark.parametrize(
    ("sound", "said"),
    [
        ('input_device = "gramophone"', "No sound input device has 'gramophone' in its name"),
        ('input_device = "mic"', "Several sound input devices have 'mic' in their name"),
        ('input_device = "SYSTEM"\nmicrophone_channel = 5', "has 2 microphone channel(s)"),
    ],
)
def test_a_device_that_does_not_fit_is_one_sentence(
    sound_card: SoundCard, tmp_path: Path, sound: str, said: str
) -> None:
    microphones = [Microphone(sound_card, name) for name in ("mic-left", "mic-right")]
    settings = tmp_path / "s.toml"
    settings.write_text(f'[sound]\noutput_device = "system"\n{sound}\n')
    words = ["run", "--no-pedals", "--settings", str(settings), "--log", str(tmp_path / "r.db")]
    words += ["--socket", str(tmp_path / "c.sock")]
    ran = subprocess.run(
        [sys.executable, "-m", "appliance", *words],
        env=sound_card.environment,
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    for microphone in microphones:
        microphone.close()
    # a first start tells the owner's code before it
    sentences = [line for line in ran.stderr.splitlines() if "owner" not in line]
    assert (ran.returncode, ran.stdout, len(sentences)) == (2, "", 1)
    assert said in ran.stderr
    if "channel" not in said:
        assert "'mic-left', 'mic-right'" in ran.stderr


def test_a_patient_room_opens_before_its_interface_is_there(
    sound_card: SoundCard, tmp_path: Path
) -> None:
    """Started by a service manager while the plug is out, and while there are no pins at all."""
    sound_card.stop()
    settings, socket = tmp_path / "s.toml", tmp_path / "c.sock"
    settings.write_text(
        '[sound]\ninput_device = "late-mic"\noutput_device = "system"\nreopen_after_s = 0.5\n'
    )
    words = ["run", "--patient", "--settings", str(settings), "--log", str(tmp_path / "r.db")]
    process = subprocess.Popen(
        [sys.executable, "-m", "appliance", *words, "--socket", str(socket)],
        env=sound_card.environment,
        cwd=tmp_path,  # where a copy of the settings is kept
    )
    try:
        wait_for(socket.exists)
        wait_for(lambda: ask(socket, {"do": "status"})["sound"]["trouble"])
        wait_for(lambda: ask(socket, {"do": "status"})["pedals"]["trouble"])  # opened after it
        status = ask(socket, {"do": "status"})
        assert "'late-mic' in its name" in status["sound"]["trouble"]
        assert "pins cannot be opened" in status["pedals"]["trouble"]
        sound_card.start()
        microphone = Microphone(sound_card, "late-mic")
        wait_for(lambda: ask(socket, {"do": "status"})["sound"]["running"])
        assert ask(socket, {"do": "status"})["sound"]["trouble"] is None
        microphone.close()
    finally:
        process.terminate()
        assert process.wait(timeout=20) == 0


def test_a_sound_process_that_hangs_is_replaced(room: Room) -> None:
    room.command("on")
    (sound,) = psutil.Process(room.process.pid).children()
    sound.suspend()
    began_s = time.monotonic()
    wait_for(lambda: room.status()["sound"]["reopened"] == 1, 30.0)
    print(f"replaced after {time.monotonic() - began_s:.1f} s")
    wait_for(lambda: room.status()["sound"]["running"])
    room.tap.connect()
    wait_for(room.tap.sounding)  # the drone goes on by itself
    wait_for(lambda: room.gaps() == [EventKind.SOUND_GONE, EventKind.SOUND_BACK])
    room.process.send_signal(signal.SIGTERM)
    assert room.process.wait(timeout=15) == 0
