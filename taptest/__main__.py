"""Runs the command line as `python -m taptest`."""

import sys

from taptest.cli import main

sys.exit(main())
