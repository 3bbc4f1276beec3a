"""What an emulated PC's kernel begins with (an initrd): a shell, some modules, and what to do."""

import re
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

BEGIN = """#!/bin/busybox sh
b=/bin/busybox
$b mount -t proc p /proc; $b mount -t devtmpfs d /dev
"""


def in_order(modules: dict[str, Path], wanted: Sequence[str]) -> list[str]:
    """The modules, each after those that it needs."""
    found: list[str] = []

    def add(name: str) -> None:
        needs = re.search(rb"depends=([^\0]*)\0", modules[name].read_bytes())
        for other in needs[1].decode().replace("-", "_").split(",") if needs else []:
            if other in modules:
                add(other)
        if name not in found:
            found.append(name)

    for name in wanted:
        add(name)
    return found


def first_files(debian: Path, wanted: Sequence[str], script: str, packed: Path) -> Path:
    """Pack them from the unpacked packages linux-image and busybox-static.

    ``script`` is lines of shell in which ``$b`` is busybox; the modules are there by then.
    """
    modules = {file.stem.replace("-", "_"): file for file in debian.glob("lib/modules/**/*.ko")}
    order, tree = in_order(modules, wanted), debian / "initrd"
    for place in ("bin", "modules", "proc", "dev", "mnt"):
        (tree / place).mkdir(parents=True)
    busybox = shutil.copy(debian / "bin" / "busybox", tree / "bin" / "busybox")
    for name in order:
        shutil.copy(modules[name], tree / "modules" / f"{name}.ko")
    insert = "\n".join(f"$b insmod /modules/{name}.ko" for name in order)
    (tree / "init").write_text(f"{BEGIN}{insert}\n{script}")
    (tree / "init").chmod(0o755)
    names = "\n".join(str(one.relative_to(tree)) for one in sorted(tree.rglob("*")))
    packed.write_bytes(
        subprocess.run(
            [busybox, "cpio", "-o", "-H", "newc"],
            input=names.encode(),
            capture_output=True,
            cwd=tree,
            check=True,
        ).stdout
    )
    return packed
