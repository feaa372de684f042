"""The plan of the house, held by the import statements; and what start-up may cost."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import padlab

ROOT = Path(padlab.__file__).parent
ORDER = ["ground", "statistics", "records", "signals", "calibration", "fitting", "capture", "drift",
         "decisions", "report", "bench", "cli"]
ALLOWED = {
    "ground": set(),
    "statistics": {"ground"},
    "records": {"ground", "statistics"},
    "signals": {"ground", "statistics", "records"},
    "calibration": {"ground", "statistics", "records", "signals"},
    "fitting": {"ground", "statistics", "records", "signals", "calibration"},
    "capture": {"ground", "statistics", "records", "signals", "calibration"},
    "drift": {"ground", "statistics", "records", "signals", "calibration", "fitting"},
    "decisions": {"ground", "statistics", "records", "signals", "calibration", "fitting", "drift"},
    "report": {"ground", "statistics", "records", "signals", "calibration", "fitting", "drift", "decisions"},
    "bench": set(ORDER) - {"cli"},
    "cli": set(ORDER),
}
FILES = sorted(p for p in ROOT.rglob("*.py"))
FRONT_DOOR = ROOT / "__init__.py"  # names what it hands on; test_help_imports_nothing_heavy keeps it cheap
ONLY_IN = {
    "serial": {"capture/port.py"},
    "matplotlib": {"report/figures.py"},
    "lmfit": {"fitting/reference.py"},
}


def room(module):
    parts = module.split(".")
    return parts[1] if len(parts) > 1 and parts[1] in ORDER else "ground"


def imports(path):
    """Modules that a file imports, anywhere in it, as dotted names of files."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (a.name for a in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            for a in node.names:
                yield f"{node.module}.{a.name}"


@pytest.mark.parametrize("path", [p for p in FILES if p != FRONT_DOOR],
                         ids=lambda p: p.relative_to(ROOT).as_posix())
def test_imports_point_one_way(path):
    here = room("padlab." + ".".join(path.relative_to(ROOT).parts))
    for name in imports(path):
        if not name.startswith("padlab"):
            continue
        there = room(name)
        assert there == here or there in ALLOWED[here], f"{path.name} in {here} imports {name} in {there}"
        if ".capture.virtual" in name:
            assert here == "cli" or "virtual" in path.parts, f"{path.name} imports the virtual rig"


def test_only_its_command_opens_the_bench_page():
    users = {p.relative_to(ROOT).as_posix() for p in FILES
             if any(n.startswith("padlab.bench.") for n in imports(p))}
    assert {u for u in users if not u.startswith("bench/")} == {"cli/bench.py"}


@pytest.mark.parametrize("library", sorted(ONLY_IN))
def test_some_libraries_have_one_door(library):
    users = {p.relative_to(ROOT).as_posix() for p in FILES
             if any(n.split(".")[0] == library for n in imports(p))}
    doors = ONLY_IN[library]
    assert users <= doors | {u for u in users if library == "matplotlib" and u.startswith("report/")}


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_no_file_is_long(path):
    assert len(path.read_text("utf-8").splitlines()) <= 600


def test_the_public_names_are_what_they_say():
    assert padlab.__all__ == sorted(padlab.__all__)
    for name in padlab.__all__:
        thing = getattr(padlab, name)
        assert name == "__version__" or thing.__doc__


def test_an_unknown_public_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no name 'nothing'"):
        _ = padlab.nothing


def test_help_imports_nothing_heavy():
    code = ("import sys\nfrom padlab.cli.main import main\n"
            "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
            "heavy = 'pandas scipy lmfit matplotlib numpy serial rich pydantic'.split()\n"
            "heavy += 'starlette uvicorn websockets'.split()\n"
            "print([m for m in heavy if m in sys.modules])")
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.splitlines()[-1] == "[]"


def test_every_command_has_help():
    from click.testing import CliRunner

    from padlab.cli.main import COMMANDS, cli

    for name in COMMANDS:
        result = CliRunner().invoke(cli, [name, "--help"])
        assert result.exit_code == 0, (name, result.output)
        assert len(result.output) > 100


def test_every_mark_is_made_somewhere():
    """A mark in README's table that nothing makes is a promise not kept."""
    from padlab.marks import CODES

    text = "".join(p.read_text("utf-8") for p in FILES if p.name != "marks.py")
    assert [code for code in CODES if f'"{code}"' not in text] == []


def test_a_fault_of_padlab_itself_is_one_message(monkeypatch, capsys):
    from padlab.cli import main as front

    monkeypatch.setattr(front.cli, "main", lambda **_: 1 / 0)
    with pytest.raises(SystemExit) as ended:
        front.main(["rigs", "--json"])
    out, err = capsys.readouterr()
    assert ended.value.code == 1
    assert "a fault of padlab itself" in err
    assert "Traceback" not in err
    assert '"error"' in out
