"""Publishing a session to an MQTT broker, and seeing a remote car through one. Nothing here runs where judging does."""
