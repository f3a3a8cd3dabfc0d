"""Runs the command line as `python -m taptest`."""

from taptest.cli import entry

entry()
