"""Taking in the logs other programs wrote, and giving ours out in open formats."""
