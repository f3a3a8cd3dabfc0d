"""The one door to everything: `taptest COMMAND ...`.

Each command is a module of `taptest.commands` with two functions, `add_arguments(parser)` and `run(arguments)`, and is
imported only when it is the one asked for, so that the door opens at once. An error meant for the user ends in one
sentence on standard error and exit code 2; 0 means that all went well, 130 that the user stopped it.
"""

import argparse
import contextlib
import os
import signal
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import NoReturn

from taptest import __version__
from taptest.errors import TaptestError

COMMANDS: tuple[tuple[str, str, str], ...] = (
    ("import", "taptest.commands.take_in", "make a visit from tables and audio files"),
    ("desk", "taptest.commands.desk", "open the local pages for the whole job"),
    ("record", "taptest.commands.record", "record a visit on site: the guided round"),
    ("known-level", "taptest.commands.known_level", "check microphone and striker where the level is known"),
    ("judge", "taptest.commands.judge", "judge a visit: where the water ends and what follows"),
    ("report", "taptest.commands.report", "write the one-page report of a visit, and its boundary picture"),
    ("photograph", "taptest.commands.photograph", "add a photograph to a visit, for its report"),
    ("company", "taptest.commands.company", "set the company and logo that stand on the report"),
    ("list", "taptest.commands.list_visits", "list many visits; find them by site, tank, day and finding"),
    ("history", "taptest.commands.history", "tell one tank's visits over time, and when its margin is gone"),
    ("size", "taptest.commands.size", "size a tank by several standards, from a list of sizes"),
    ("pack", "taptest.commands.pack", "write a visit into one zip file"),
    ("unpack", "taptest.commands.unpack", "make a visit out of such a file"),
    ("demo", "taptest.commands.demo", "judge the example visits that come with taptest"),
    ("simulate", "taptest.commands.simulate", "make simulated visits with their truth"),
    ("trial", "taptest.commands.trial", "judge visits that carry their truth, and print the score table"),
)
"""Name, module and one line of help of every command, in the order in which they are needed."""

DESCRIPTION = """\
Tap a closed expansion tank, record it, and learn where the water ends and what follows from it.
"""
EXAMPLES = """\
examples:
  taptest demo
  taptest import visits/cellar --tank tank.toml --points points.csv
  taptest judge visits/cellar
  taptest report visits/cellar --out report

"taptest COMMAND --help" explains each command. The report supports a decision and replaces no pressure check.
"""


STOPPED = "taptest: stopped; what was saved before is kept."


def entry() -> NoReturn:
    """Run as a program of its own: ask for nothing more once the command is over, and end at once.

    A model of a tank that is still being computed for a round that is over would hold the end up for a minute.
    """
    if hasattr(signal, "SIGTERM"):
        signal.signal(signal.SIGTERM, signal.default_int_handler)  # whoever ends the program ends it in order, too
    try:
        code = main()
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    except KeyboardInterrupt:
        print(STOPPED, file=sys.stderr)
        code = 130
    computing = (sys.modules.get(name) for name in ("taptest.capture.estimate", "taptest.shell.sweep"))
    if any(module is not None and module.computing() for module in computing):
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(OSError, ValueError):
                stream.flush()
        os._exit(code)
    sys.exit(code)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    _let_every_console_print()
    _compute_without_waiting()
    given = list(sys.argv[1:] if argv is None else argv)
    parser = _parser(next((word for word in given if not word.startswith("-")), ""))
    arguments = parser.parse_args(given)
    if arguments.command is None:
        parser.print_help()
        return 0
    try:
        code: int = arguments.run(arguments)
        sys.stdout.flush()
    except TaptestError as error:
        print(f"taptest: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print(STOPPED, file=sys.stderr)
        return 130
    except BrokenPipeError:
        # The reader of the output has gone, as with "| head": nothing is wrong, and nothing more can be said.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        where = f" {error.filename}" if error.filename else ""
        print(f"taptest: The system refuses{where}: {error.strerror or error}. Check path and rights.", file=sys.stderr)
        return 2
    return code


def _parser(chosen: str) -> argparse.ArgumentParser:
    """Build the parser; only the chosen command's module is imported for its arguments."""
    parser = argparse.ArgumentParser(
        prog="taptest",
        description=DESCRIPTION,
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"taptest {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")
    for name, module_name, line in COMMANDS:
        if name != chosen:
            commands.add_parser(name, help=line)
            continue
        module = import_module(module_name)
        command = commands.add_parser(
            name,
            help=line,
            description=module.DESCRIPTION,
            epilog=module.EXAMPLES,
            formatter_class=argparse.RawDescriptionHelpFormatter,
            allow_abbrev=False,
        )
        module.add_arguments(command)
        command.set_defaults(run=module.run)
    return parser


def _compute_without_waiting() -> None:
    """Keep matrix products to one thread, unless the user says otherwise.

    They are all small here: on a busy computer threads would wait for each other ten times longer than they work.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
        os.environ.setdefault(name, "1")


def _let_every_console_print() -> None:
    """Let a console that lacks a letter print a question mark in its place instead of failing."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
