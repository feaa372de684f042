"""What a narrow terminal shows: no line broken in a name, no column gone; a file gets whole lines."""

import sys
from pathlib import Path

import pytest

SAMPLES = Path(__file__).parents[3] / "sample_runs"
PAD = next(p for p in sorted((SAMPLES / "runs").iterdir()) if p.name.endswith("-g4gzng"))


@pytest.fixture
def narrow(padlab, monkeypatch):
    """A command on a terminal of so many columns: its lines on stdout."""

    def call(columns, *arguments):
        monkeypatch.setenv("COLUMNS", str(columns))
        monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
        code, out, _ = padlab(*arguments)
        assert code == 0
        return out.splitlines()

    return call


@pytest.mark.parametrize("columns", [60, 80])
def test_no_column_of_the_shelf_is_gone_and_no_name_broken(narrow, columns):
    lines = narrow(columns, "shelf", SAMPLES, "--material", "sheet cork")
    assert max(map(len, lines)) <= columns
    words = " ".join(lines)
    for name in ("20261125T143010Z-zzkspk", "2026-07", "SC7-3", "standard", "complete"):
        assert name in words
    assert sum("sheet cork" in line for line in lines) == 12
    assert "\x1b" not in words


@pytest.mark.parametrize("columns", [60, 80])
def test_lines_break_between_words_and_the_rest_stands_in(narrow, padlab, columns):
    lines = narrow(columns, "fit", PAD)
    assert max(map(len, lines)) <= columns
    whole = padlab("fit", PAD)[1]
    assert " ".join(whole.split()) == " ".join(" ".join(lines).split())      # not a word is lost or broken
    at = next(n for n, line in enumerate(lines) if line.startswith("  replays a touch"))
    assert lines[at + 1].startswith("      ")


def test_a_file_gets_whole_lines(padlab, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    out = padlab("fit", PAD)[1]
    assert any(len(line) > 100 for line in out.splitlines())
    shown = padlab("shelf", SAMPLES)[1].splitlines()
    at = shown[0].index("material")
    assert all(line[at - 1] == " " for line in shown)


def test_a_comparison_fits_a_narrow_terminal(narrow):
    two = [p for p in sorted((SAMPLES / "runs").iterdir()) if p.name.endswith(("-g4gzng", "-f6q88s"))]
    lines = narrow(80, "compare", *two)
    assert max(map(len, lines)) <= 80
    assert any(line.startswith("1  grey wool felt  ") for line in lines)
    assert any("! one lot only" in line for line in lines)


def test_cautions_stand_below_their_row_and_not_at_the_right_edge():
    from padlab.cli.terminal import in_columns

    rows = [(["2034-11-29", "band cornet 3"], ["the port was not read again after fitting"])]
    for width in (None, 40):
        below = [line for line in in_columns(["renew on", "instrument"], rows, width) if "!" in line]
        assert below[0].startswith("      ! the port")
