"""Feeds: each owns one port and yields raw records with the stamp of the read; reopens by itself; counts everything."""
