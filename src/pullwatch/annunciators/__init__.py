"""Annunciators: sinks that tell people. Each takes what the watchdog changed and passes it on without waiting.

console    lines in a terminal
sound      the sentinel's signals
driving    where the driver is: on a pass, lifted, standing
"""
