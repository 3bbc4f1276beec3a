"""How the storage under a folder is, as far as Linux tells: space, wear, errors."""

import os
import shutil
from pathlib import Path

from appliance.checking.machine import Storage

SYS = Path("/sys")


def look_at(folder: Path, sys: Path = SYS) -> Storage:
    """Look at the storage that holds ``folder``; raises OSError where there is no such folder.

    Wear is what an eMMC or a card says of itself (JEDEC JESD84-B50: ``life_time``, two numbers,
    and ``pre_eol_info``); most SD cards say nothing. Errors are counted by ext4.
    """
    number = folder.stat().st_dev
    block = (sys / "dev" / "block" / f"{os.major(number)}:{os.minor(number)}").resolve()
    disk = block.parent if (block / "partition").exists() else block
    life = _numbers(disk / "device" / "life_time")
    reserve = _numbers(disk / "device" / "pre_eol_info")
    errors = _numbers(sys / "fs" / "ext4" / block.name / "errors_count")
    return Storage(
        free_mb=shutil.disk_usage(folder).free / 1e6,
        writable=os.access(folder, os.W_OK),
        life_tenths=max(life) if life else None,
        reserve=reserve[0] if reserve else None,
        errors=errors[0] if errors else None,
    )


def _numbers(file: Path) -> list[int]:
    """The numbers in a file of the kernel, decimal or 0x…; none where it cannot be read."""
    try:
        return [int(word, 0) for word in file.read_text(encoding="ascii").split()]
    except (OSError, ValueError):
        return []
