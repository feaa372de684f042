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
    assert "==[down pad]==  <- cap   a thicker UP pad lets it rise less when let go:" in lines
    assert "| piston  |   port" in lines


def test_no_help_shows_a_mark_that_was_meant_for_the_program():
    found = helps()
    assert {f"padlab {name}" for name in COMMANDS} <= set(found) | {"padlab calibrate"}
    assert [name for name, text in found.items() if "\\b" in text or "\b" in text] == []


def test_every_option_is_explained_and_in_words_of_the_bench():
    found = helps()
    for name, text in found.items():
        for word in ("FLOAT", "INTEGER", "RANGE", "creep"):
            assert word not in text, f"{word} in {name} --help"
        listed = text.partition("Commands:\n")[2].splitlines()
        assert [line for line in listed if line.endswith("...")] == [], f"cut short in {name} --help"

    def silent(group, name):
        with click.Context(group) as ctx:
            for one in group.list_commands(ctx):
                command = group.get_command(ctx, one)
                if isinstance(command, click.Group):
                    yield from silent(command, f"{name} {one}")
                yield from (f"{name} {one} {option.opts[0]}" for option in command.params
                            if isinstance(option, click.Option) and not option.help)

    assert list(silent(cli, "padlab")) == []


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["life", "x", "--limit", "3thou", "--days-per-week", "6", "--strokes-per-day", "2,000"],
         "'2,000' has a comma in its number; write it without, such as 2000 or 2.5"),
        (["life", "x", "--limit", "3thou", "--days-per-week", "six", "--strokes-per-day", "2000"],
         "'six' is not a valid number"),
        (["fit", "x", "--workers", "2.5"], "'2.5' is not a valid whole number"),
        (["shelf", "x", "--since", "29.11.2026"], "'29.11.2026' is no date; write it as 2026-11-29"),
        (["import", "x", "--start", "29.11.2026"],
         "'29.11.2026' is no date; write it as 2026-11-29 or 2026-11-29T14:30"),
    ],
)
def test_a_number_or_a_date_written_otherwise_is_told_how(padlab, arguments, words):
    code, _, err = padlab(*arguments)
    assert code == 2
    assert words in err


def test_a_unit_that_is_nearly_right_is_offered(padlab):
    for typed, meant in (("5mils", "5thou"), ("40microns", "40um"), ("0.2inches", "0.2in")):
        code, _, err = padlab("compare", "x", "--limit", typed)
        assert code == 2
        assert f"try: write it as {meant}" in err
    for typed, meant in (("5lbs", "5lbf"), ("12newtons", "12N")):
        assert f"try: write it as {meant}" in padlab("fit", "x", "--at-force", typed)[2]


def test_what_was_named_in_place_of_a_shelf_is_told(padlab, tmp_path, monkeypatch):
    (tmp_path / "sample_runs" / "runs").mkdir(parents=True)
    (tmp_path / "empty").mkdir()
    (tmp_path / "A3.toml").write_text("x = 1\n")
    monkeypatch.chdir(tmp_path)
    for name, words in (
        ("sample_run", "did you mean 'sample_runs'?"),
        ("empty", "seen: a folder without runs\n  try: padlab capture RIG PROCEDURE --out SHELF"),
        ("A3.toml", "seen: a file\n  try: name the shelf or the run's folder"),
        (".", "seen: a folder of shelves\n  try: name one of them: 'sample_runs'"),
        ("C:\\shelf\\runs", "'C:\\shelf\\runs' is no run and no shelf"),
    ):
        code, _, err = padlab("fit", name)
        assert code == 1
        assert words in err
    assert "seen: a file" in padlab("shelf", "A3.toml")[2]
    assert "puts one there" in padlab("shelf", "empty")[2]
    assert "'C:\\a\\b.csv' cannot be read" in padlab("import", "C:\\a\\b.csv")[2]


def test_no_help_is_wider_than_an_ordinary_terminal(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    wide = [line for text in helps().values() for line in text.splitlines() if len(line) > 80]
    assert wide == []
