"""The command line: one file a command, loaded when it is called."""

from __future__ import annotations

import os
import sys
from importlib import import_module

import click

from holdwater import __version__
from holdwater.errors import HoldwaterError

COMMANDS: dict[str, str] = {
    "setup": "the first hour: one question at a time, until the config is written",
    "run": "run the service",
    "check": "say a config in words, or everything that is wrong with it",
    "status": "what is on hand now, and what to do",
    "node": "accept, list or retire sensor boxes",
    "note": "write down a load, a dip, a drained spigot, …",
    "notice": "list notices, mark them seen or quiet, read their texts",
    "tank": "dip chart and drawing of a tank",
    "export": "readings, levels, days, notices as CSV or JSON Lines",
    "graph": "the season as a picture",
    "sheet": "the week on one page",
    "freeze": "what may freeze tonight; score of the forecast",
    "calibrate": "correct a sensor by what a dip stick showed",
    "record": "write what comes in to a file",
    "replay": "feed such a file into a store",
    "quarantine": "look at messages that could not be read",
    "clock": "is the time trusted; give your word for it",
    "doctor": "what is wrong with disk, store, clock, broker, sensors, and the fix",
    "mirror": "copy readings and levels to a time-series server",
    "backup": "copy the store to a stick, checked",
    "verify": "check the store or a copy, value by value",
    "restore": "put a copy in the place of the store",
    "recompute": "work out all levels anew",
    "demo": "an invented household to look at",
}
"""Commands in the order a household meets them, with their one line of help."""


class Commands(click.Group):
    """Loads the module of a command when it is called, so that `holdwater status` does not pay for the page."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 -- the form that click asks for
        """Names in the order of `COMMANDS`."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """The command of that name."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(f"holdwater.cli.{cmd_name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """The list of commands, without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="holdwater")
def commands() -> None:
    """Keep the books of a household that lives on stored water.

    What is on hand in each tank and how sure that is, how long it lasts, what to do next.
    Start with: holdwater check FILE
    """


def main(arguments: list[str] | None = None) -> None:
    """Entry point: errors of the household or of the world are words and an exit code, never a traceback."""
    try:
        code = commands.main(args=arguments, prog_name="holdwater", standalone_mode=False)
    except HoldwaterError as error:
        click.echo(error.words(), err=True)
        sys.exit(error.exit_code)
    except click.exceptions.Exit as leave:
        sys.exit(leave.exit_code)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        sys.exit(130)
    except BrokenPipeError:
        # The reader of our output (head, less) has gone: no error, and Python must not complain at its exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    sys.exit(code if isinstance(code, int) else 0)
