"""Programs that pretend to be the hardware, on the wire. Nothing here knows pullwatch; all they share is bytes."""
