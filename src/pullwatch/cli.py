"""The command line. Every command imports what it needs when it runs, so that `watch` is armed within a second."""

from __future__ import annotations

import typer

from pullwatch.commands import acting, exchange, keeping, preparing, recorded, reviewing, telling, watching, whatif

CAUTION = (
    "pullwatch watches and tells. It never controls the engine and never replaces the ECU's own protections. "
    "A helper watches the screen, never the driver. Closed course or dyno only; "
    "local codes and licensed practice decide."
)

app = typer.Typer(
    name="pullwatch",
    help=f"Watch a turbocharged engine live, alarm in time to lift, record every run whole.\n\n{CAUTION}",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
for group in (watching, telling, preparing, acting, recorded, reviewing, whatif, exchange, keeping):
    app.add_typer(group.app)


def main() -> None:
    """Run the command line."""
    app()
