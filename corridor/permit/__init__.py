"""Zones and permits: geometry true to the ground, seasons, and the tables an authority asks for.

Pure functions on layers and alignments; files are read in `corridor.io` and
written in `corridor.publish`.
"""
