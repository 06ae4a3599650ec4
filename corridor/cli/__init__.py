"""The command line: one file per command; each parses, calls the library and prints."""

from corridor.cli.main import main

__all__ = ["main"]
