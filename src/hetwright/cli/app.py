"""The command tree. A command's module is imported when it is called, not before."""

from __future__ import annotations

import io
import os
import sys
from importlib import import_module

import click

from hetwright import __version__
from hetwright.errors import BenchError, InputFault

from .output import one_line

__all__ = ["app", "run"]

STOPPED = 130
"""Exit status after an interruption, as shells have it."""

# name -> (module, attribute, what it does in a line)
COMMANDS = {
    "card": ("hetwright.cli.card", "card", "Write a set card from a valve line-up, or check one."),
    "demo": ("hetwright.cli.demo", "demo", "The main job on an invented set, start to finish."),
    "normals": ("hetwright.cli.normals", "normals", "What every point ought to read, on your meter."),
    "suspects": ("hetwright.cli.suspects", "suspects", "Which faults explain the readings, and what to check next."),
}


class LazyGroup(click.Group):
    """A group that knows its commands' names and one-line helps without importing them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, attribute, _ = COMMANDS[cmd_name]
        command = getattr(import_module(module), attribute)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name][2]) for name in sorted(COMMANDS)])


@click.command(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Mains and HT can kill. Unplug, discharge through a resistor, measure, then work; local codes come first.",
)
@click.version_option(__version__, prog_name="hetwright")
def app() -> None:
    """Hetwright: the bench companion of a person who restores valve radios.

    Write a card from the valve line-up, take a few readings, and be told what each point ought to read, which
    faults explain what was read, and the one check worth making next.
    """


def run(arguments: list[str] | None = None) -> int:
    """Run the command line and return its exit status: 0 done, 2 wrong input, 3 not computed.

    Whatever goes wrong is said on standard error in one line a fault. A fault of our own is one too; with
    ``HETWRIGHT_TRACE`` set it shows where it happened.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # a terminal that cannot show µ or ▲ shows ? instead of ending the work
            stream.reconfigure(errors="replace")
    try:
        status = _run(arguments)
        sys.stdout.flush()
    except BrokenPipeError:
        # whoever was reading has seen enough
        _say_no_more()
        return 0
    except OSError as error:
        _complain(f"the output could not be written ({error.strerror or error})")
        _say_no_more()
        return 3
    return status


def _say_no_more() -> None:
    """What is still waiting to be written goes nowhere, so that the end of the program does not stumble over it."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _complain(text: str) -> None:
    print(one_line(text), file=sys.stderr)


def _run(arguments: list[str] | None) -> int:
    try:
        outcome = app.main(args=arguments, prog_name="hetwright", standalone_mode=False)
        return outcome if isinstance(outcome, int) else 0
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.ClickException as problem:
        where = f"{problem.ctx.command_path}: " if isinstance(problem, click.UsageError) and problem.ctx else ""
        _complain(f"{where}{problem.format_message()} Try --help.")
        return 2
    except (click.Abort, KeyboardInterrupt):
        _complain("stopped")
        return STOPPED
    except InputFault as fault:
        for complaint in fault.complaints:
            _complain(str(complaint))
        return 2
    except BenchError as failed:
        _complain(f"could not be computed: {failed}")
        return 3
    except SystemExit:
        # the command toolkit's own answer to a closed pipe
        return 0
    except OSError:
        raise
    except Exception as error:
        if os.environ.get("HETWRIGHT_TRACE"):
            raise
        what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
        _complain(f"could not be computed, by a fault of Hetwright's own: {what}. HETWRIGHT_TRACE=1 shows where.")
        return 3
