"""Judging: samples in, alarm changes out. Pure: no clock, no thread, no port; time is an argument."""
