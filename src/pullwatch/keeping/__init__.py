"""Keeping recordings: whole, in two places, small, protected, and found again.

intact    is it what was recorded: the hash chain, and the seal that stands for all of it
copying   the second copy on another medium, while recording and after it
packing   a session made small after a clean stop (the form is `recording.packing`)
shelf     notes, protection, finding, and which sessions stand in one place only
"""
