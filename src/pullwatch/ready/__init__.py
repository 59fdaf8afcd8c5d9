"""Ready: the checks an experienced person makes before the first run, and what each came to.

    items      what a check came to: fine, not so, or cannot tell; never "safe"
    machine    clock, disk, sound and sentinel of this computer
    listening  some seconds of the car: from the session being watched, else from the ports themselves
    engine     key on or idling: do the readings fit each other
    making     values under which a rule must trip
    encoding   values into the bytes that each feed would bring
    trial      every rule tripped by a test signal through the decoders, by a second watchdog
    running    the whole, as `pullwatch ready` prints it

Nothing here touches the watchdog that watches. The outcome is recorded; it never blocks anybody.
"""
