"""The recording: what the path took and judged, in a session folder that survives a crash, and its readers."""
