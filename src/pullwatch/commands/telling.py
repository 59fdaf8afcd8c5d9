"""Commands about being told: sound, broker, phone page, readiness."""

from __future__ import annotations

import typer

app = typer.Typer()
