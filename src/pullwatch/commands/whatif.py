"""Commands that ask a recording what other rules would have done, or how its bytes read by a corrected setup."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pullwatch.commands.common import Exit, Root, find_session, plan_of, refuse

if TYPE_CHECKING:
    from pullwatch.whatif.many import Task

app = typer.Typer()

Names = Annotated[
    list[str],
    typer.Argument(metavar="SESSION...", help="Session folders, names, 'last', or a folder that holds sessions."),
]


@app.command()
def whatif(
    session: Names,
    sessions: Root = None,
    rules: Annotated[
        Path | None, typer.Option("--rules", metavar="SETUP", help="Judge by the rules of this setup instead.")
    ] = None,
    now: Annotated[
        Path | None,
        typer.Option("--now", metavar="SETUP", help="The same, and say what is written otherwise than then."),
    ] = None,
    vary: Annotated[
        str, typer.Option(metavar="NUMBER", help='A number to sweep: "limit.leanest", "rule.lean under boost.dose", …')
    ] = "",
    first: Annotated[str, typer.Option("--from", metavar="VALUE", help="With --vary: the first value.")] = "",
    last: Annotated[str, typer.Option("--to", metavar="VALUE", help="With --vary: the last value.")] = "",
    step: Annotated[str, typer.Option("--step", metavar="VALUE", help="With --vary: from one to the next.")] = "",
    every: Annotated[
        bool, typer.Option("--every", help="With --vary: a line for every value, also where nothing changes.")
    ] = False,
) -> None:
    """Replay sessions under changed rules: which alarms would be added, removed, earlier, later, and the margin.

    With --vary one number is swept over a range, everything it does not touch being judged once. Exit code 1:
    something would have been told otherwise.
    """
    if (rules is not None) + (now is not None) + bool(vary) == 0:
        refuse("Say what should be otherwise: --rules SETUP, --now SETUP, or --vary NUMBER --from A --to B --step C.")
    if rules is not None and now is not None:
        refuse("--rules and --now each name a setup: take one of them.")
    if vary and not (first and last and step):
        refuse("--vary needs --from, --to and --step.")
    if not vary and (first or last or step or every):
        refuse("--from, --to, --step and --every belong to --vary.")
    from pullwatch.whatif.many import Task

    setup = rules if rules is not None else now
    plan = None if setup is None else plan_of(setup).to_dict()
    if vary:
        task = Task("sweep", plan, name=vary, span=(first, last, step), every=every)
    else:
        task = Task("compare", plan, texts=now is not None)
    _report(task, session, sessions)


@app.command()
def redecode(
    session: Names,
    setup: Annotated[Path, typer.Option("--setup", metavar="SETUP", help="The corrected setup file.")],
    sessions: Root = None,
    into: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Where the second reading goes (of one session).")
    ] = None,
) -> None:
    """Read old sessions again by a corrected scale, delay or DBC: a second reading beside the first, which stays.

    Replay, alarms and whatif say which reading they are of.
    """
    from pullwatch.whatif.many import Task

    if into is not None and len(session) != 1:
        refuse("--into names one folder: read sessions again one by one, or leave it out.")
    _report(Task("redecode", plan_of(setup).to_dict(), into="" if into is None else str(into)), session, sessions)


def _report(task: Task, names: list[str], sessions: Path | None) -> None:
    from pullwatch.errors import PullwatchError
    from pullwatch.whatif.many import FAILED, each, sessions_in
    from pullwatch.whatif.redecoding import LEAD

    try:
        folders = [folder for name in names for folder in sessions_in(find_session(name, sessions))]
    except PullwatchError as error:
        refuse(str(error))
    if task.what == "redecode" and len(folders) > 1:
        if task.into:
            refuse("--into names one folder: read sessions again one by one, or leave it out.")
        folders = [folder for folder in folders if not folder.name.startswith(LEAD)]
    worst = 0
    for report in each(task, folders):
        worst = max(worst, report.outcome)
        for line in report.lines:
            print(line, flush=True)
    raise typer.Exit(Exit.UNUSABLE if worst == FAILED else Exit.STOOD if worst else Exit.FINE)
