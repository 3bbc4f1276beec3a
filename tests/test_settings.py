"""Settings: every fault is one sentence that names file, key and what is allowed."""

import string
from dataclasses import asdict, fields, replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from appliance.settings import DroneSettings, PedalSettings, RoomSettings, Settings, check, load
from appliance.vocabulary import SettingsError

same_folder = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])


def _fault(folder: Path, text: str) -> str:
    file = folder / "room.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load(file)
    sentence = str(caught.value)
    assert sentence.startswith(str(file)), sentence
    assert "\n" not in sentence
    return sentence


def _loaded(folder: Path, text: str) -> Settings:
    file = folder / "room.toml"
    file.write_text(text, encoding="utf-8")
    return load(file)


def test_an_empty_file_gives_the_defaults_and_the_defaults_keep_their_own_rules(
    tmp_path: Path,
) -> None:
    assert _loaded(tmp_path, "") == Settings()
    check(Settings())


def test_a_key_changes_and_its_neighbours_keep_their_defaults(tmp_path: Path) -> None:
    found = _loaded(tmp_path, '[room]\na4_hz = 442\ninstrument = "Double Bass"\n[web]\nport = 0\n')
    assert found.room == RoomSettings(a4_hz=442.0, instrument="Double Bass")
    assert found.web.port == 0
    assert found.drone == DroneSettings()


def test_a_whole_number_serves_where_a_float_is_due(tmp_path: Path) -> None:
    a4_hz = _loaded(tmp_path, "[room]\na4_hz = 442\n").room.a4_hz
    assert a4_hz == 442.0
    assert type(a4_hz) is float


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    assert _loaded(tmp_path, "\ufeff[room]\nband_cents = 5\n").room.band_cents == 5.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[drone]\nlevel_dbfs = -3", ["[drone] level_dbfs", "from -60 to -9 dBFS", "-3"]),
        ("[drone]\nlevel_dbfs = 24", ["[drone] level_dbfs", "write -24"]),
        ("[drone]\nfade_s = 150", ["[drone] fade_s", "0.05 to 5 seconds", "write 0.15"]),
        ("[drone]\nfade_ms = 150", ["[drone] fade_ms", "fade_s", "0.05 to 5 seconds"]),
        ("[sound]\nsample_rate_hz = 48", ["[sound] sample_rate_hz", "kHz", "write 48000"]),
        (
            "[room]\nsitting_ends_after_silent_s = 10",
            ["sitting_ends_after_silent_s", "minutes", "write 600"],
        ),
        ("[room]\na4_hz = 399.9", ["[room] a4_hz", "400 to 480 Hz"]),
        ("[room]\na4 = 442", ["[room] a4", "did you mean a4_hz", "400 to 480 Hz"]),
        ("[room]\na4_hz = nan", ["[room] a4_hz", "400 to 480 Hz"]),
        ("[room]\na4_hz = inf", ["[room] a4_hz", "400 to 480 Hz"]),
        (f"[room]\na4_hz = 0x1{'0' * 5000}", ["[room] a4_hz", "400 to 480 Hz"]),
        ("[room]\na4_hz = true", ["[room] a4_hz", "a number", "true"]),
        ('[room]\na4_hz = "440"', ["[room] a4_hz", "a number", "'440'"]),
        ("[sound]\nblock_frames = 512.0", ["[sound] block_frames", "a whole number"]),
        ("[sound]\nblock_frames = false", ["[sound] block_frames", "a whole number"]),
        ("[web]\nport = true", ["[web] port", "a whole number", "true"]),
        ("[pedals]\nhold_s = true", ["[pedals] hold_s", "a number", "true"]),
        ("[sound]\ndevice = 1", ["[sound] device", "text in quotes"]),
        ('[room]\nname = "  "', ["[room] name", "not empty"]),
        ('[room]\ntuning = "meantone"', ["[room] tuning", "just, pythagorean, equal"]),
        ('[drone]\ntimbre = "red"', ["[drone] timbre", "did you mean reed"]),
        ('[drone]\nnote = "C8"', ["[drone] note", "C1 to C7", "C8"]),
        ('[drone]\nnote = "B0"', ["[drone] note", "C1 to C7"]),
        ('[drone]\nnote = "H3"', ["[drone] note", "C1 to C7"]),
        ('[room]\ninstrument = "vila"', ["[room] instrument", "did you mean viola", "cello"]),
        ('[room]\ntime_zone = "Europe/Nowhere"', ["[room] time_zone", "IANA", "Europe/Nowhere"]),
        ('[room]\ntime_zone = "Europe"', ["[room] time_zone", "IANA"]),
        ('[room]\ntime_zone = "../etc/passwd"', ["[room] time_zone", "IANA"]),
        ("[dron]\n", ["[dron]", "did you mean drone", "pedals"]),
        ("room = 3", ["[room]", "table"]),
        ("[[room]]\n", ["[room]", "table"]),
        ("a4_hz = 442", ["a4_hz", "[room]"]),
        ("[drone]\na4_hz = 442", ["[drone] a4_hz", "[room]"]),
        ("[web]\ncolour = 1", ["[web] colour", "host, port"]),
        ('[web]\n"a\\nb" = 1', ["[web]", "host, port"]),
        ("[pedals]\nleft_pin = 22", ["left_pin", "right_pin", "different pins"]),
        ("[room\n", ["TOML", "line 1"]),
        ("a = " + "[" * 20000, ["TOML"]),
    ],
)
def test_a_fault_names_the_key_and_what_is_allowed(
    tmp_path: Path, text: str, words: list[str]
) -> None:
    sentence = _fault(tmp_path, text)
    for word in words:
        assert word in sentence, sentence


def test_files_that_cannot_be_read_are_named(tmp_path: Path) -> None:
    for path in (tmp_path / "missing.toml", tmp_path):
        with pytest.raises(SettingsError, match="cannot be read") as caught:
            load(path)
        assert str(path) in str(caught.value)


def test_a_file_that_is_no_text_is_named(tmp_path: Path) -> None:
    file = tmp_path / "take.wav"
    file.write_bytes(b"RIFF\xff\xfe\x00\x80")
    with pytest.raises(SettingsError, match="TOML"):
        load(file)


@pytest.mark.parametrize(
    ("broken", "key"),
    [
        (Settings(room=RoomSettings(a4_hz=500.0)), r"\[room\] a4_hz"),
        (Settings(drone=DroneSettings(note="A9")), r"\[drone\] note"),
        (Settings(drone=DroneSettings(level_dbfs=0.0)), r"\[drone\] level_dbfs"),
        (Settings(pedals=PedalSettings(left_pin=27)), "different pins"),
    ],
)
def test_settings_built_in_code_keep_the_same_rules(broken: Settings, key: str) -> None:
    with pytest.raises(SettingsError, match=key):
        check(broken)


def _toml(value: object) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    return str(value).lower()


def test_all_settings_survive_the_way_through_a_file(tmp_path: Path) -> None:
    changed = replace(
        Settings(),
        room=RoomSettings("attic", "Europe/Vienna", "cello", 415.0, 12.5, "equal", 900.0, "a.db"),
        drone=DroneSettings("Bb2", "warm", "fifth", -30.0, 0.5, 2.0),
    )
    text = "".join(
        f"[{table}]\n" + "".join(f"{key} = {_toml(value)}\n" for key, value in pairs.items())
        for table, pairs in asdict(changed).items()
    )
    assert _loaded(tmp_path, text) == changed


@same_folder
@given(a4_hz=st.floats(allow_nan=True, allow_infinity=True) | st.integers())
def test_a4_is_taken_exactly_inside_its_range(tmp_path: Path, a4_hz: float) -> None:
    text = f"[room]\na4_hz = {a4_hz}\n"
    if 400 <= a4_hz <= 480:
        assert _loaded(tmp_path, text).room.a4_hz == a4_hz
    else:
        assert "from 400 to 480 Hz" in _fault(tmp_path, text)


@same_folder
@given(key=st.text(string.ascii_lowercase + "_", min_size=1))
def test_any_unknown_key_is_an_error_that_names_it(tmp_path: Path, key: str) -> None:
    if key in {each.name for each in fields(DroneSettings)}:
        return
    assert f"[drone] {key}" in _fault(tmp_path, f"[drone]\n{key} = 1\n")


@same_folder
@given(junk=st.binary(max_size=200))
def test_no_bytes_raise_anything_but_a_settings_error(tmp_path: Path, junk: bytes) -> None:
    file = tmp_path / "room.toml"
    file.write_bytes(junk)
    try:
        load(file)
    except SettingsError as error:
        assert str(file) in str(error)
