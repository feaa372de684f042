"""``padlab import TABLE`` without columns says what the table probably holds, as it could be typed."""

import json
import shlex

from click.testing import CliRunner

from padlab.cli.main import cli

PAD = """id = "A3"
material = "grey wool felt"
material_class = "felt"
lot = "2026-07"
outer_diameter = "19mm"
inner_diameter = "8mm"
thickness = "63thou"
"""


def run(*arguments):
    return CliRunner().invoke(cli, [*map(str, arguments)])


def pressed(path):
    from math import cos, pi

    rows = ["Zeit [s];Kraft [N];Messuhr (mm)"]
    for k in range(900):
        force = 9 * (1 - cos(2 * pi * k / 300))
        rows.append(f"{k / 50:.2f};{force:.3f};{3 - 0.4 * (force / 18) ** 0.5:.4f}".replace(".", ","))
    path.write_text("\n".join(rows) + "\n", "utf-8")
    return path


def test_what_is_printed_can_be_typed(tmp_path):
    table, pad = pressed(tmp_path / "A3 Messung.csv"), tmp_path / "A3.toml"
    pad.write_text(PAD, "utf-8")
    told = run("import", table)
    assert told.exit_code == 0, told.output
    typed = shlex.split(told.stdout)
    assert typed[:2] == ["padlab", "import"]
    assert "displacement=Messuhr (mm):-mm" in typed
    assert "look at every unit" in told.stderr
    typed[typed.index("PAD.toml")], typed[typed.index("SHELF")] = str(pad), str(tmp_path / "shelf")
    done = run(*typed[1:])
    assert done.exit_code == 0, done.output
    assert len(list((tmp_path / "shelf" / "runs").iterdir())) == 1


def test_nothing_is_taken_in_by_a_guess(tmp_path):
    told = run("import", pressed(tmp_path / "t.csv"), "--out", tmp_path / "shelf")
    assert told.exit_code == 2
    assert "--column" in told.stderr
    assert not (tmp_path / "shelf").exists()
    assert run("import", tmp_path / "t.csv", "--column", "time=Zeit [s]:s").exit_code == 2


def test_as_json_with_what_is_open(tmp_path):
    (tmp_path / "t.csv").write_text("t,F,a\n0.0,1,2\n0.1,2,3\n", "utf-8")
    told = json.loads(run("import", tmp_path / "t.csv", "--json").stdout)["readings"]
    assert [c["quantity"] for c in told[0]["columns"]] == ["time", "force", None]
    assert told[0]["kind"] is None
    assert "its kind" in told[0]["open"]


def test_names_from_a_table_are_printed_as_plain_text(tmp_path):
    (tmp_path / "t.csv").write_text("t\x1b[31m [s],F [N]\n0,1\n1,2\n", "utf-8")
    told = run("import", tmp_path / "t.csv")
    assert "\x1b" not in told.stdout + told.stderr


def test_every_mistake_of_a_table_is_told(tmp_path):
    (tmp_path / "t.csv").write_text("t,F,x\n0,1,2\n1,x,\n2,3,4\n3,,5\n", "utf-8")
    from padlab.errors import TableError

    told = run(
        "import",
        tmp_path / "t.csv",
        "--kind",
        "blank",
        "--column",
        "time=t:s",
        "--column",
        "force=F:N",
        "--column",
        "displacement=x:mm",
        "--out",
        tmp_path / "s",
    )
    assert isinstance(told.exception, TableError)
    assert [m.split(":")[0] for m in told.exception.where["mistakes"]] == [
        "no number (row 3, column 'F')",
        "an empty cell (row 3, column 'x')",
        "an empty cell (row 5, column 'F')",
    ]
    assert not (tmp_path / "s").exists()


def test_mistakes_are_told_up_to_a_number(tmp_path):
    (tmp_path / "t.csv").write_text("n,h\n" + "x,1.6\n" * 5000, "utf-8")
    told = run(
        "import",
        tmp_path / "t.csv",
        "--kind",
        "check",
        "--column",
        "time=n:s",
        "--column",
        "displacement=h:mm",
        "--out",
        tmp_path / "s",
    )
    assert len(told.exception.where["mistakes"]) == 21
    assert "broken off" in told.exception.where["mistakes"][-1]
