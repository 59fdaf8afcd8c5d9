"""Brings sessions to the review: reads, decodes, asks the pure parts, prints. It never runs in the watching process."""
