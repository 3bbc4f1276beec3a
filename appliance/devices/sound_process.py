"""``python -m appliance.devices.sound_process FD``: serves an interface over the connection FD.

A process that does nothing but sound never waits for the hearing's Python, and one that ends takes
a sound library with it that has lost its device.

All that touches no device is loaded at once, which takes a small machine seconds. PortAudio, which
looks for devices once, when it is loaded, waits until they are asked for: so a process can stand
ready before the device that is waited for is plugged in.
"""

import os
import sys
from contextlib import suppress
from multiprocessing.connection import Connection
from typing import Any

import appliance.devices.blocks
import appliance.devices.loudspeaker  # noqa: F401 - to have it loaded, with numpy and the settings
from appliance.vocabulary import DeviceError

REAL_TIME_PRIORITY = 5  # above everything that is not real time, below any sound server's


def _come_first() -> None:
    """Ask the kernel to let this process, which does little and never long, run before others.

    A page being rendered must not make the drone click. Without the permission (RLIMIT_RTPRIO,
    usual in the group audio) it goes on as it is.
    """
    with suppress(PermissionError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(REAL_TIME_PRIORITY))


def main() -> None:
    """Serve the connection whose file descriptor is the first argument."""
    link: Connection[Any, Any] = Connection(int(sys.argv[1]))
    link.poll(None)
    from appliance.devices.sound import serve  # noqa: PLC0415 - see above

    _come_first()
    try:
        serve(link)
    except DeviceError as error:
        link.send(str(error))
    except EOFError:
        pass  # the room has gone
    # Past PortAudio's own leave-taking, which aborts when its sound server has died.
    os._exit(0)


if __name__ == "__main__":
    main()
