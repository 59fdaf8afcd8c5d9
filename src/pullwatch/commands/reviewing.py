"""Commands between two runs: the answers and the logbook."""

from __future__ import annotations

import typer

app = typer.Typer()
