"""Finding one's feet: what is plugged in (`ports`), what it says (`listen`), and the five numbers (`setup`).

    ports      serial ports and CAN adapters by identity
    hearing    opens a port for reading, hears for some seconds, finds the usual speed of a serial line
    heard      the bytes of one hearing; pure, as are the next seven
    lines      lines of text: separator, columns or key=value, what each column held
    sentences  NMEA 0183
    packets    binary: do the same bytes come back at one distance?
    frames     a CAN bus: identifiers, how often, which bytes move
    sorting    which of these it is
    guesses    what a column may be, by its name and its numbers
    telling    all of it in words
    starting   a starting setup from it
    files      writes a setup whole or not at all, and only what loads
    listen     the command
    numbers    the five numbers, read with their units and checked for nonsense
    arming     limits and rules from them
    questions  the command `setup`

Whatever is guessed here is called a guess, in print and in the file: a setup arms nothing on it before a person has
confirmed it.
"""
