"""The commands, one module for each moment of an evening. Each imports what it needs when it runs."""
