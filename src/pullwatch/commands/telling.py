"""Commands about being told: sound, broker, phone page, readiness."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pullwatch.commands.common import Exit, Root, SetupFile, find_session, plan_of, refuse, root_of

app = typer.Typer()


@app.command()
def pit(
    session: Annotated[
        str | None, typer.Argument(metavar="[SESSION]", help="One session; none: always the one that began last.")
    ] = None,
    sessions: Root = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Where to listen; 0: any that is free.")] = 8321,
    network: Annotated[
        bool, typer.Option("--network", help="For phones in the same network too; without, this machine alone.")
    ] = False,
    private: Annotated[
        bool, typer.Option("--private", help="Show position and street speed too; without, they stay here.")
    ] = False,
    logbook: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The logbook that slips go into.", envvar="PULLWATCH_LOGBOOK")
    ] = None,
) -> None:
    """Serve a small page for a phone or tablet: alarms, what is closest to its limit, and how old each value is.

    The address that is printed holds a token: with it a page may acknowledge, mark and write into the logbook.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.pit.starting import run_pit

    try:
        folder: Path | None = None if session is None else find_session(session, sessions)
        run_pit(root_of(sessions), folder, port=port, network=network, private=private, logbook=logbook)
    except PullwatchError as error:
        refuse(str(error))


@app.command(name="sound-check")
def sound_check(
    setup: Annotated[
        Path | None, typer.Argument(metavar="[SETUP]", help="The setup file whose [sound] is heard; none: the default.")
    ] = None,
    device: Annotated[
        str | None,
        typer.Option(help="Sound device: 'default', 'null' (silent), or a part of its name. Else what [sound] says."),
    ] = None,
) -> None:
    """Play every signal in turn, named before it sounds: whoever is to hear them knows them then.

    Says which device plays, and plainly when there is none. Exit code 1: nothing can be heard.
    """
    from pullwatch.annunciators.driving import signs, unknown
    from pullwatch.sentinel.devices import NULL, WAV
    from pullwatch.sentinel.trial import play_all
    from pullwatch.setup.equipment import of
    from pullwatch.setup.equipment.sound import SoundSection

    plan = None if setup is None else plan_of(setup)
    section = (None if plan is None else of(plan.equipment, "sound", SoundSection)) or SoundSection()
    if plan is not None:
        if section.for_driver(plan.profile):
            print(f"Profile {plan.profile}: a driver hears it, never asked to acknowledge; {signs(plan.channels)}.")
            for words in unknown(plan.channels):
                print(f"  {words}")
        else:
            print(f"Profile {plan.profile}: a crew hears it; every signal repeats until it is acknowledged.")
    where = device or section.device
    print(f"Device {where}, volume {section.volume:g}.")
    for words in section.cautions(device):
        print(f"  {words}")
    if not play_all(where, section.volume, lambda words: print(words, flush=True)):
        raise typer.Exit(Exit.STOOD)
    if where != NULL and not where.startswith(WAV):
        print("Were all four heard, over the engine and with the helmet on? If not, a lamp or an earphone has to tell.")


@app.command()
def publish(
    session: Annotated[
        str, typer.Argument(metavar="[SESSION]", help="A session folder, its name, or 'last': the one being recorded.")
    ] = "last",
    sessions: Root = None,
    setup: Annotated[
        Path | None,
        typer.Option("--setup", metavar="FILE", help="The setup whose [broker] is used; none: the recorded one."),
    ] = None,
) -> None:
    """Publish a session to the MQTT broker of its [broker]: alarms, thinned samples, feeds. `watch` starts this itself.

    After an outage it goes on where it was. A session of before goes out marked as a replay. Exit code 1: not all of
    it was handed over; the same command sends the rest.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.publish.command import run_publish

    try:
        all_of_it = run_publish(find_session(session, sessions), None if setup is None else plan_of(setup))
    except PullwatchError as error:
        refuse(str(error))
    raise typer.Exit(Exit.FINE if all_of_it else Exit.STOOD)


@app.command()
def far(
    host: Annotated[
        str | None, typer.Argument(metavar="[HOST]", help="The broker; none: the one of the setup's [broker].")
    ] = None,
    setup: Annotated[Path | None, typer.Option("--setup", metavar="FILE", help="A setup that has a [broker].")] = None,
    car: Annotated[str | None, typer.Option(help="Only the car of this name.")] = None,
    port: Annotated[int | None, typer.Option(min=1, max=65535, help="None: 8883 with TLS, 1883 without.")] = None,
    topic: Annotated[str | None, typer.Option(help="What the topics begin with; none: pullwatch.")] = None,
    tls: Annotated[
        bool | None, typer.Option("--tls", help="Encrypted, the broker checked by what this system trusts.")
    ] = None,
    ca_file: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Encrypted, the broker checked by this certificate.")
    ] = None,
    user: Annotated[str | None, typer.Option(help="Name at the broker.")] = None,
    password_file: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A file whose first line is the password.")
    ] = None,
    password_env: Annotated[
        str | None, typer.Option(metavar="NAME", help="The environment variable that holds it.")
    ] = None,
    seconds: Annotated[float | None, typer.Option(min=0.0, help="Look for so long; none: until Ctrl-C.")] = None,
) -> None:
    """See a car from far away through its broker: alarms first, then what is closest to its limit, with every age.

    Exit code 1: no car was heard of.
    """
    from pullwatch.errors import PullwatchError
    from pullwatch.publish.command import run_far, whole

    said = {"port": port, "topic": topic, "tls": tls, "ca_file": whole(ca_file), "user": user}
    said |= {"password_file": whole(password_file), "password_env": password_env}
    try:
        heard = run_far(host, said, None if setup is None else plan_of(setup), car, seconds)
    except PullwatchError as error:
        refuse(str(error))
    raise typer.Exit(Exit.FINE if heard else Exit.STOOD)


@app.command()
def ready(
    setup: SetupFile,
    sessions: Root = None,
    device: Annotated[
        str, typer.Option(help="Sound device: 'default', 'null' (silent), or a part of its name.")
    ] = "default",
    stands: Annotated[
        bool, typer.Option("--stands", help="You say that the car stands, where no channel of speed tells it.")
    ] = False,
    trip_test: Annotated[
        bool, typer.Option("--trip-test/--no-trip-test", help="Trip every rule by a test signal, in a second watchdog.")
    ] = True,
    ask: Annotated[bool, typer.Option("--ask/--no-ask", help="Ask for a sweep of the throttle.")] = True,
) -> None:
    """Look at everything that can be looked at before the first run: sensors, clock, disk, sound, every rule.

    Go or no-go with reasons; it never blocks, and is put on the record. With the key on or idling; while `watch` runs
    its session is listened to, and what watches is not touched. Exit code 1: something speaks against it.
    """
    import sys

    from pullwatch.errors import PullwatchError
    from pullwatch.ready.running import Readiness

    plan = plan_of(setup)
    asks = input if ask and sys.stdin.isatty() else None
    checks = Readiness(
        plan, setup.resolve().parent, root_of(sessions), device=device, ask=asks, stands=stands, trip_test=trip_test
    )
    try:
        fine = checks.run()
    except PullwatchError as error:
        refuse(str(error))
    raise typer.Exit(Exit.FINE if fine else Exit.STOOD)
