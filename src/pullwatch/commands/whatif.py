"""Commands that ask a recording what other rules would have done."""

from __future__ import annotations

import typer

app = typer.Typer()
