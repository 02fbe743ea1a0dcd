"""Entry point: gathers the commands and turns every deliberate error into one line and an exit status.

0: all is done. 1: the results are there, but not all that was asked for. 2: nothing could be had.
"""

import importlib
import signal
import sys
import warnings
from types import FrameType
from typing import Annotated, Any

import typer

from fetsim.cli.options import spread
from fetsim.cli.streams import complain, notices, open_closed_streams, safe_output
from fetsim.errors import FetsimError, PartlyDone

COMMANDS = (
    "render", "show", "idle", "measure", "compare", "trims", "spread", "drawer", "wish", "sheet",
    "suspects", "fit", "turn", "signals", "faults",
)  # fmt: skip
"""Each is a module of this package with a function of the same name, whose docstring is the help text, or with an
``application`` that is a group of commands."""

USAGE_ERROR: Any = typer.BadParameter.__base__
"""What the option parser raises for words it does not know; its own name for this differs between releases."""

INTERRUPTED = 130  # exit status of a program ended by Ctrl-C (POSIX shells: 128 + SIGINT)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; exits the process."""
    wanted = sys.argv[1:] if arguments is None else arguments
    open_closed_streams()
    if arguments is None:
        _end_on_signals()
        if not sys.warnoptions:  # warnings of libraries, with lines of their source, are for developers: python -W
            warnings.simplefilter("ignore")
    sys.exit(_run(wanted))


def _run(wanted: list[str]) -> int:
    """The exit status."""
    try:
        with safe_output(), notices():
            status = int(_application(wanted)(args=wanted, prog_name="fetsim", standalone_mode=False) or 0)
        return _interrupted() if status == INTERRUPTED else status  # the option parser turns Ctrl-C into this
    except FetsimError as error:
        complain(str(error))
        return 1 if isinstance(error, PartlyDone) else 2
    except USAGE_ERROR as error:
        if error.message.startswith("Usage:"):  # the help itself, for a command without a word
            error.show()
        else:
            named = _meant(wanted) if error.ctx is not None and error.ctx.parent is None else ""
            named = named or (f"; see {error.ctx.command_path} --help" if error.ctx is not None else "")
            complain(f"{error.format_message().rstrip('.')}{named}")
        return 2
    except (KeyboardInterrupt, typer.Abort):
        return _interrupted()
    except SystemExit as ending:
        return _interrupted() if ending.code == INTERRUPTED else int(ending.code or 0)


def _meant(wanted: list[str]) -> str:
    """For the name of a measurement without ``measure`` in front."""
    from fetsim.cli.measure import measurements

    first = next((word for word in wanted if not word.startswith("-")), "")
    return f"; it is fetsim measure {first}" if first in measurements() else ""


def _interrupted() -> int:
    complain("interrupted; nothing was written")
    return INTERRUPTED


def _end_on_signals() -> None:
    """End on a polite request (SIGTERM) or a closed terminal as on Ctrl-C, so that unfinished files are deleted."""
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:  # ignored: started to outlive it
            signal.signal(number, _end)


def _end(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _application(arguments: list[str]) -> typer.Typer:
    app = typer.Typer(
        help="Component-level simulation of feedback FET compressors.",
        add_completion=False,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    app.callback()(_no_command)
    # only the command that is called gets imported, so that it starts quickly
    named = [name for name in arguments if name in COMMANDS]
    for name in () if arguments[:1] == ["--version"] else named[:1] or COMMANDS:
        module = importlib.import_module(f"fetsim.cli.{name}")
        if hasattr(module, "application"):
            app.add_typer(module.application(arguments), name=name)
        else:
            app.command(name)(spread(getattr(module, name)))
    return app


def _version(wanted: bool) -> None:
    if wanted:
        from fetsim import __version__

        typer.echo(f"fetsim {__version__}")
        raise typer.Exit


def _no_command(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="print the version of fetsim")
    ] = False,
) -> None:
    """Component-level simulation of feedback FET compressors."""
