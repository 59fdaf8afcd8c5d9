"""What is common to the options of every kind of feed."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field


class Options(BaseModel):
    """Common to every feed. Unknown keys are refused, with the nearest valid name.

    A kind names its channels in one of two ways, and nothing else has to be told where they stand: a table
    `channels` (channel name to where it is found), or a list `fields` whose elements have a `channel`.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_-]*$")]
    kind: str
    port: str

    @property
    def gives(self) -> tuple[str, ...]:
        """The names of the channels the feed gives, in file order."""
        channels: dict[str, Any] = getattr(self, "channels", {})
        fields: list[Any] = getattr(self, "fields", [])
        return (*channels, *(field.channel for field in fields))
