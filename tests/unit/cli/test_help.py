"""What every command says of itself: whole drawings, no marks of the program that shows it, no jargon."""

import click
import pytest

from padlab.cli.main import COMMANDS, cli


def helps(group=cli, name="padlab"):
    """The help of every command, those below a command too, by name."""
    with click.Context(group, info_name=name) as ctx:
        found = {name: ctx.get_help()}
        for one in group.list_commands(ctx):
            command = group.get_command(ctx, one)
            if isinstance(command, click.Group):
                found |= helps(command, f"{name} {one}")
            else:
                with click.Context(command, info_name=one, parent=ctx) as below:
                    found[f"{name} {one}"] = below.get_help()
    return found


@pytest.mark.parametrize("columns", ["60", "80", "200"])
def test_the_drawing_of_the_valve_keeps_its_lines(padlab, monkeypatch, columns):
    monkeypatch.setenv("COLUMNS", columns)
    code, out, _ = padlab("choose", "--help")
    assert code == 0
    lines = [line.strip() for line in out.splitlines()]
    assert "==[down pad]==  <- cap      a thicker UP pad lets it rise less when it is let go:" in lines
    assert "| piston  |   port" in lines


def test_no_help_shows_a_mark_that_was_meant_for_the_program():
    found = helps()
    assert {f"padlab {name}" for name in COMMANDS} <= set(found) | {"padlab calibrate"}
    assert [name for name, text in found.items() if "\\b" in text or "\b" in text] == []
