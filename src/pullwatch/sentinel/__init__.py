"""The sentinel: a small process of its own that owns the sound and says when the watching process is gone.

    patterns    what the signals sound like: pulses as samples
    player      which signal sounds now; hands frames to whatever takes them
    devices     the sound device, the null device, a WAV file; opened and reopened beside the watch
    vigil       when silence means "gone": plain arithmetic on times given to it
    wire        the bytes between the two processes
    process     the program: `python -m pullwatch.sentinel`
    trial       every signal once, for ears (`pullwatch sound-check`)
    link        the watching process's end: starts it, beats, passes alarms on, starts it again

Nothing here is imported by this file: the program must start fast.
"""
