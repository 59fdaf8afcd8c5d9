"""Packing a session after a clean stop, and unpacking it again. The form is `recording.packing`."""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING

from pullwatch.errors import SessionError
from pullwatch.recording.packing import FACTS, pack_part, unpacked
from pullwatch.recording.session import PACKED_NAME, PART_NAME, info

if TYPE_CHECKING:
    from pathlib import Path


def pack(folder: Path) -> tuple[int, int]:
    """Pack every part of a session; return its size before and after, bytes.

    Raises SessionError unless it was stopped in order and stands whole in its folder, or if it is packed already.
    """
    one = info(folder)
    if one.packed:
        raise SessionError(folder, "is packed already.")
    if one.status != "whole":
        todo = "Only a session that ended in order is packed: pullwatch repair makes a clean one of it."
        raise SessionError(folder, f"is {one.status}.", todo)
    if one.in_memory:
        raise SessionError(folder, "stands partly in memory only.", "Bring it home first.")
    raw = sorted(path for path in folder.iterdir() if PART_NAME.fullmatch(path.name))
    try:
        for part in raw:
            pack_part(part)
        facts = {"start": one.start, "length": one.length, "car": one.car, "alarms": one.alarms}
        facts["imported"] = one.imported
        (folder / FACTS).write_text(json.dumps(facts), encoding="utf-8")
        for part in raw:
            part.unlink()
    except OSError as error:
        raise SessionError(
            folder, f"cannot be packed: {error.strerror or error}.", "What is raw stays as it is."
        ) from error
    return one.size, info(folder).size


def unpack(folder: Path) -> None:
    """Put the raw parts of a packed session back. Raises SessionError if it is not packed, or a part is damaged."""
    packed = sorted(path for path in folder.iterdir() if PACKED_NAME.fullmatch(path.name))
    if not packed:
        raise SessionError(folder, "is not packed.")
    try:
        for part in packed:
            raw = part.with_name(part.name.replace(".packed.mcap", ".mcap"))
            if not raw.exists():
                growing = raw.with_suffix(".arriving")
                shutil.copyfile(unpacked(part), growing)
                growing.rename(raw)
        for part in packed:
            part.unlink()
        (folder / FACTS).unlink(missing_ok=True)
    except OSError as error:
        raise SessionError(folder, f"cannot be unpacked: {error.strerror or error}.") from error
