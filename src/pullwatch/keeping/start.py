"""Starting the copying beside a session that is being recorded, as a process of its own that outlives it."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pullwatch.setup.equipment import of
from pullwatch.setup.equipment.recording import RecordingSection

if TYPE_CHECKING:
    from pullwatch.setup import Plan

NICE: Final = 19
LOG: Final = "copying.log"
_started: list[subprocess.Popen[bytes]] = []
"""Kept so that nobody asks for their end: they end by themselves, once the session is copied whole."""


def start(folder: Path, plan: Plan) -> str | None:
    """Start copying the session in `folder` if the setup has a [recording]; return what a person is told of it."""
    section = of(plan.equipment, "recording", RecordingSection)
    if section is None:
        return None
    target = Path(section.copy_to).expanduser()
    if not target.is_absolute():
        return f'nothing is copied: copy_to = "{section.copy_to}" is no whole path'
    nice = shutil.which("nice")
    command = [] if nice is None else [nice, "-n", str(NICE)]
    command += [sys.executable, "-m", "pullwatch", "copy", str(folder), "--to", str(target), "--follow"]
    try:
        with (folder.parent / LOG).open("ab") as out:
            _started.append(
                subprocess.Popen(  # noqa: S603 - our own program, no shell
                    command, stdin=subprocess.DEVNULL, stdout=out, stderr=out, start_new_session=True
                )
            )
    except OSError as error:
        return f"nothing is copied: {error.strerror or error}"
    return f"copying to {target}; what is said of it is in {folder.parent / LOG}"
