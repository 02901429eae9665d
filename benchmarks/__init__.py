"""Measurements of speed and memory, run by hand; not part of the installed program."""
