"""[recording]: a second place for every session."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from pullwatch.setup.sections import EquipmentSection


class RecordingSection(EquipmentSection):
    """[recording]: where each session is copied to while it is recorded; another medium, or it is no second copy."""

    copy_to: Annotated[str, Field(min_length=1, max_length=400, pattern=r"^[^\x00-\x1f\x7f]+$")]
    """A folder on another medium: a memory stick, a second card. It may be plugged in later."""
