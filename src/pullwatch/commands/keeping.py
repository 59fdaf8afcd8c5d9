"""Commands that look after recordings: whole, copied, packed, protected, found again."""

from __future__ import annotations

import typer

app = typer.Typer()
