"""The ``padlab`` command: finds the one file that holds a command, and turns failures into words.

Exit 0 = done; 1 = the input or the measurement is at fault; 2 = usage.
"""

from __future__ import annotations

import json
import os
import sys
from importlib import import_module
from typing import Any

import click

from padlab import __version__
from padlab.errors import PadlabError, TableError
from padlab.one_thread import one_thread

COMMANDS: dict[str, tuple[str, str]] = {
    # command: (module, one line of help). The module is imported only when its command is used.
    "rigs": ("padlab.cli.rigs", "List the rigs, or check one whole and show its wiring."),
    "virtual-rig": ("padlab.cli.virtual_rig", "Serve a bench rig made of physics on a real port."),
    "capture": ("padlab.cli.capture", "Record a run from a rig."),
    "import": ("padlab.cli.import_", "Take in a table recorded elsewhere."),
    "shelf": ("padlab.cli.shelf", "What is on file, newest first."),
    "amend": ("padlab.cli.amend", "Correct a pad, add a note, set a run aside; dated, beside the old."),
    "new": ("padlab.cli.new", "Write a commented file to fill in."),
    "calibrate": ("padlab.cli.calibrate", "Is the rig to be trusted, and what do its readings stand for?"),
    "remake": ("padlab.cli.remake", "Make everything derived again, from the raw readings."),
    "fit": ("padlab.cli.fit", "Stiffness, springback loss, sinking and set of a run."),
    "replay": ("padlab.cli.replay", "Where the valve would stand under a recorded touch, pad by pad."),
    "touch": ("padlab.cli.touch", "How hard and how long a player presses, from recorded sessions."),
    "life": ("padlab.cli.life", "When pads will need renewing, from readings over their service."),
    "compare": ("padlab.cli.compare", "Rank stocks by how far they let the valve drift; one HTML page."),
    "qualify": ("padlab.cli.qualify", "Accept, refuse or test more of a delivered lot."),
    "choose": ("padlab.cli.choose", "Which pad for every stop of an instrument, and how thick to cut it."),
    "fitted": ("padlab.cli.fitted", "Keep on file what was cut and fitted, and what the check read."),
    "due": ("padlab.cli.due", "Instruments by the date on which their pads are to be renewed."),
    "bench": ("padlab.cli.bench", "The local page: record, fit and compare in a browser."),
}


class LateGroup(click.Group):
    """A group that imports a command's file only when the command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The commands, in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the one command asked for."""
        if cmd_name not in COMMANDS:
            return None
        from padlab.cli.words import say_notes

        say_notes()
        command: click.Command = import_module(COMMANDS[cmd_name][0]).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing any of them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


@click.group(cls=LateGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="padlab")
def cli() -> None:
    """Measure, rank and choose the pads that stop the pistons of brass instruments.

    A quantity is typed with its unit: 3thou, 0.08mm, 12.5N, 350gf.
    """


def print_json(answer: dict[str, Any]) -> None:
    """Print exactly one JSON object on stdout, in ASCII: what a name holds cannot reach the terminal.

    NaN and Infinity are a defect and raise.
    """
    click.echo(json.dumps(answer, allow_nan=False).replace("\x7f", "\\u007f"))


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; no traceback ever reaches a user."""
    arguments = sys.argv[1:] if arguments is None else arguments
    one_thread()
    try:
        code = cli.main(args=arguments, prog_name="padlab", standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("stopped", err=True)
        sys.exit(1)
    except click.ClickException as fault:
        fault.show()
        sys.exit(2)
    except PadlabError as fault:
        also = fault.where.get("mistakes", [])[1:] if isinstance(fault, TableError) else []
        _say(fault.to_json(), str(fault) + "".join(f"\n  also: {one}" for one in also), arguments)
        sys.exit(1)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except (OSError, MemoryError, RecursionError, UnicodeError) as fault:
        _say(PadlabError(str(fault) or type(fault).__name__).to_json(), str(fault), arguments)
        sys.exit(1)
    except Exception as fault:
        _say(*_unforeseen(fault), arguments)
        sys.exit(1)
    sys.exit(code if isinstance(code, int) else 0)


def _unforeseen(fault: Exception) -> tuple[dict[str, Any], str]:
    """A fault of padlab itself, in words that a developer can use; PADLAB_TRACEBACK=1 shows it whole."""
    import traceback

    if os.environ.get("PADLAB_TRACEBACK"):
        traceback.print_exception(fault)
    last = traceback.extract_tb(fault.__traceback__)[-1]
    place = f"{os.path.basename(last.filename)}:{last.lineno}"
    told = PadlabError(f"a fault of padlab itself: {type(fault).__name__}: {fault}", seen=f"at {place}",
                       remedy="nothing recorded is lost; please report this line with what you did")
    return told.to_json(), str(told)


def _say(error: dict[str, Any], words: str, arguments: list[str]) -> None:
    from padlab.cli.words import plain

    click.echo("padlab: " + plain(words), err=True)
    if "--json" in arguments:
        print_json({"error": error})
