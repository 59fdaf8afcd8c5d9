"""Commands of a person while a session is watched."""

from __future__ import annotations

from typing import Annotated

import typer

from pullwatch.commands.common import Root, SetupFile, plan_of, refuse, root_of, send

app = typer.Typer()


@app.command()
def acknowledge(
    rule: Annotated[str | None, typer.Argument(metavar="[RULE]", help="Name of the rule; none: all of them.")] = None,
    sessions: Root = None,
) -> None:
    """Acknowledge alarms of the session being watched: seen, by you. The sound stops."""
    send({"act": "acknowledge", "rule": rule}, sessions)


@app.command()
def reset(
    rule: Annotated[str | None, typer.Argument(metavar="[RULE]", help="Name of the rule; none: all of them.")] = None,
    sessions: Root = None,
) -> None:
    """Reset latched alarms that are acknowledged and whose condition is gone."""
    send({"act": "reset", "rule": rule}, sessions)


@app.command()
def shelve(
    rule: Annotated[str, typer.Argument(metavar="RULE", help="Name of the rule; a critical one cannot be shelved.")],
    minutes: Annotated[float, typer.Option(help="For how long, up to half an hour.")] = 10.0,
    sessions: Root = None,
) -> None:
    """Hide a rule for a time. It is told again, if it still stands, when the time is over."""
    send({"act": "shelve", "rule": rule, "minutes": minutes}, sessions)


@app.command()
def unshelve(
    rule: Annotated[str, typer.Argument(metavar="RULE", help="Name of the rule.")], sessions: Root = None
) -> None:
    """Show a shelved rule again before its time is over."""
    send({"act": "unshelve", "rule": rule}, sessions)


@app.command("out-of-service")
def out_of_service(
    rule: Annotated[str, typer.Argument(metavar="RULE", help="Name of the rule.")], sessions: Root = None
) -> None:
    """Take a rule out, by name, until it is put back: its sensor is known to be broken. Later sessions keep it out."""
    send({"act": "out-of-service", "rule": rule}, sessions)


@app.command("in-service")
def in_service(
    rule: Annotated[str, typer.Argument(metavar="RULE", help="Name of the rule.")], sessions: Root = None
) -> None:
    """Put a rule back that was taken out of service."""
    send({"act": "in-service", "rule": rule}, sessions)


@app.command()
def reload(setup: SetupFile, sessions: Root = None) -> None:
    """Judge by the rules of a changed setup from now on, without a gap. Feeds and channels must be the same.

    A wrong file changes nothing. A rule that is no longer in it leaves its latch standing until acknowledged and reset.
    """
    import getpass

    from pullwatch.errors import ActError
    from pullwatch.watching import send_reload

    plan = plan_of(setup)
    try:
        print(send_reload(root_of(sessions), plan, getpass.getuser()))
    except ActError as error:
        refuse(str(error))


@app.command()
def note(text: Annotated[str, typer.Argument(help="What to write down.")], sessions: Root = None) -> None:
    """Write something down in the session being watched: what was changed, seen or heard."""
    send({"act": "note", "text": text}, sessions)


@app.command()
def mark(text: Annotated[str, typer.Argument(help="What to note.")] = "", sessions: Root = None) -> None:
    """Mark this moment in the session being watched."""
    send({"act": "mark", "text": text}, sessions)
