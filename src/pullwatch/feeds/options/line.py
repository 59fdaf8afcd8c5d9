"""What a feed of text lines may be told in the setup file."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from pullwatch.feeds.options.base import Options


class LineField(BaseModel):
    """One field of a text line: by `key` (key=value, or a name in the header line) or by `column` (from 1)."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    channel: str
    key: str = ""
    column: Annotated[int, Field(ge=0)] = 0
    unit: str = ""
    """Unit of the number in the line, when it is not the channel's own (`AFR@14.7`, `psi`, `bar`, …)."""
    suffix: str = ""
    """The text that stands behind the number in the line ("14.2psi"). Without it the number is garbled."""


class Readiness(BaseModel):
    """The word in the line that says whether the sensor behind the other fields has proved itself."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    key: str = ""
    column: Annotated[int, Field(ge=0)] = 0
    good: Annotated[list[str], Field(min_length=1)]
    """Words that mean ready. With any other word the line's values are NOT_READY: a fault, never a number."""


class SerialLineOptions(Options):
    """Lines of text over a serial port or `socket://HOST:PORT`: `key=value`, columns, or columns under a header."""

    kind: Literal["serial-line"]
    baud: Annotated[int, Field(gt=0)] = 115_200
    separator: str = ";"
    """Between the fields of a line; a single space stands for any run of white space, "\\t" for a tab."""
    assign: str = "="
    """Between a key and its value; a single space stands for any run of white space."""
    header: bool = False
    """The columns are named by a header line, which may come again: each field's `key` is a name in it."""
    decimal_comma: bool = False
    """Numbers are written 0,853."""
    comment: str = ""
    """Lines that start with this are passed over (and counted as read)."""
    begins: str = ""
    """Only lines that start with this are read; the others are passed over. It counts as part of column 1."""
    fields: Annotated[list[LineField], Field(min_length=1)]
    ready: Readiness | None = None
