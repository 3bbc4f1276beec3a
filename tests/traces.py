"""What is left of somebody in the bytes of files."""

from pathlib import Path

from appliance.log import backups


def traces(folder: Path, signs: tuple[bytes, ...]) -> list[str]:
    """Files below a folder in which anything of somebody can still be found, byte by byte."""
    found = []
    for file in sorted(folder.rglob("*")):
        if file.is_file() and file.name != backups.ERASED:
            content = file.read_bytes()
            found += [f"{file.name}: {sign!r}" for sign in signs if sign in content]
    return found
