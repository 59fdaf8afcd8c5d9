"""What a table that was taken in may be told: written by `pullwatch import`, kept in the recording's plan."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from pullwatch.feeds.options.base import Options


class TableField(BaseModel):
    """One column of the table and the channel it goes to: number × scale + offset, in `unit`."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    channel: str
    column: Annotated[int, Field(ge=1)]
    """Counting from 1, in the rows as they are recorded (the table's columns of numbers)."""
    name: str = ""
    """What the column is called in the file."""
    unit: str = ""
    """Unit of number × scale + offset, when it is not the channel's own (`AFR@14.7`, `psi`, `bar`, …)."""
    scale: FiniteFloat = 1.0
    offset: FiniteFloat = 0.0


class TableOptions(Options):
    """Rows of numbers out of a file that somebody else recorded. It is read once, and never watched.

    `port` is the name of the file.
    """

    kind: Literal["table"]
    columns: Annotated[int, Field(ge=1, le=100_000)]
    """Numbers in a row."""
    fields: Annotated[list[TableField], Field(min_length=1)]
