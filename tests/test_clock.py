"""Clocks: the machine's own, and one advanced by hand."""

import subprocess
import sys
import time
from pathlib import Path

import pytest

from appliance.devices.clock import Clock, SimulatedClock, SystemClock, kernel_clock_synchronised
from appliance.vocabulary import Instant


def test_the_system_clock_tells_both_times_and_the_boot() -> None:
    clock: Clock = SystemClock()
    before_wall, before_monotonic = time.time(), time.monotonic()
    now = clock.now()
    assert before_wall <= now.wall_s <= time.time()
    assert before_monotonic <= now.monotonic_s <= time.monotonic()
    assert now.boot_id == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    assert now.synchronised is kernel_clock_synchronised()


def test_two_processes_of_one_boot_agree_on_boot_and_monotonic_time() -> None:
    tell = (
        "from appliance.devices.clock import SystemClock as C; n = C().now();"
        "print(n.boot_id, n.monotonic_s)"
    )
    before = SystemClock().now()
    root = Path(__file__).parents[1]
    told = subprocess.run(
        [sys.executable, "-c", tell], cwd=root, capture_output=True, text=True, check=True
    )
    boot_id, monotonic_s = told.stdout.split()
    assert boot_id == before.boot_id
    assert before.monotonic_s <= float(monotonic_s) <= SystemClock().now().monotonic_s


@pytest.mark.parametrize(
    ("state", "maxerror_us", "synchronised"),
    [(0, 5_000, True), (5, 15_999_999, True), (5, 16_000_000, False), (-1, 0, False)],
)
def test_the_kernels_error_estimate_decides(
    monkeypatch: pytest.MonkeyPatch, state: int, maxerror_us: int, synchronised: bool
) -> None:
    """The kernel stands in: a test cannot set the machine's clock."""

    class Kernel:
        def __init__(self, *_: object, **__: object) -> None: ...

        def adjtimex(self, timex: object) -> int:
            content = timex._obj  # type: ignore[attr-defined]
            assert content.modes == 0  # reads, and never sets
            content.maxerror = maxerror_us
            return state

    monkeypatch.setattr("ctypes.CDLL", Kernel)
    assert kernel_clock_synchronised() is synchronised


def test_the_layout_agrees_with_the_kernel() -> None:
    """The real call fills ``maxerror`` with a plausible estimate: 0 to 16 s, in microseconds."""
    import ctypes  # noqa: PLC0415 - only this test looks under the lid

    from appliance.devices.clock import _Timex  # noqa: PLC0415

    timex = _Timex()
    timex.maxerror = -1
    if ctypes.CDLL(None).adjtimex(ctypes.byref(timex)) < 0:
        pytest.skip("this kernel does not tell an unprivileged process about its clock")
    assert 0 <= timex.maxerror <= 16_000_000


def test_a_simulated_clock_stands_still_until_advanced() -> None:
    clock: Clock = SimulatedClock(1000.0, monotonic_s=5.0, boot_id="b", synchronised=False)
    assert clock.now() == clock.now() == Instant(1000.0, 5.0, "b", False)


def test_advancing_moves_both_clocks() -> None:
    clock = SimulatedClock(1000.0)
    clock.advance(2.5)
    clock.advance(0.0)
    assert clock.now() == Instant(1002.5, 2.5, "simulated", True)


@pytest.mark.parametrize("seconds", [-0.1, float("nan")])
def test_time_never_runs_backwards(seconds: float) -> None:
    clock = SimulatedClock(1000.0)
    with pytest.raises(ValueError, match="cannot advance"):
        clock.advance(seconds)
    assert clock.now().wall_s == 1000.0
