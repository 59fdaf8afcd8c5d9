"""Commands that take in logs of others and give ours out."""

from __future__ import annotations

import typer

app = typer.Typer()
