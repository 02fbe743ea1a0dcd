"""Entry point: gathers the commands and turns every deliberate error into one line and an exit status.

0: all is done. 1: the results are there, but not all that was asked for. 2: nothing could be had.
"""

import importlib
import signal
import sys
from types import FrameType

import typer

from fetsim.errors import FetsimError, PartlyDone

COMMANDS = ("render", "show", "idle", "measure", "compare")
"""Each is a module of this package with a function of the same name, whose docstring is the help text, or with an
``application`` that is a group of commands."""

INTERRUPTED = 130  # exit status of a program ended by Ctrl-C (POSIX shells: 128 + SIGINT)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; exits the process."""
    wanted = sys.argv[1:] if arguments is None else arguments
    if arguments is None:
        signal.signal(signal.SIGTERM, _end)
    try:
        _application(wanted)(args=wanted, prog_name="fetsim")
    except FetsimError as error:
        for line in str(error).splitlines():
            print(f"fetsim: {line}", file=sys.stderr)
        sys.exit(1 if isinstance(error, PartlyDone) else 2)
    except KeyboardInterrupt:
        sys.exit(_interrupted())
    except SystemExit as ending:
        # typer turns Ctrl-C into this exit status
        sys.exit(_interrupted() if ending.code == INTERRUPTED else ending.code)


def _interrupted() -> int:
    print("fetsim: interrupted; nothing was written", file=sys.stderr)
    return INTERRUPTED


def _end(number: int, frame: FrameType | None) -> None:
    """Ends on a polite request (SIGTERM) as on Ctrl-C, so that unfinished files are deleted."""
    raise KeyboardInterrupt


def _application(arguments: list[str]) -> typer.Typer:
    app = typer.Typer(
        help="Component-level simulation of feedback FET compressors.",
        add_completion=False,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    app.callback()(_no_options)
    # only the command that is called gets imported, so that it starts quickly
    named = [name for name in arguments if name in COMMANDS]
    for name in named[:1] or COMMANDS:
        module = importlib.import_module(f"fetsim.cli.{name}")
        if hasattr(module, "application"):
            app.add_typer(module.application(arguments), name=name)
        else:
            app.command(name)(getattr(module, name))
    return app


def _no_options() -> None:
    """Component-level simulation of feedback FET compressors."""
