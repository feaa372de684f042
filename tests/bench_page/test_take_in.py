"""A table is taken in through the page: as the command line would, and once; all else is refused."""

from __future__ import annotations

import io
import json
import re
import socket
import subprocess
import sys
import threading
import zipfile
from math import cos, pi
from urllib.parse import quote

import page_served as shared
import pytest
from click.testing import CliRunner
from page_tables import presses

from padlab.cli.main import cli

PAD = {
    "id": "A3",
    "material": "grey wool felt",
    "material_class": "felt",
    "lot": "2026-07",
    "outer_diameter": "19mm",
    "inner_diameter": "8mm",
    "thickness": "63thou",
}
SCRIPT = "<script>alert(1)</script>\"'{{7*7}}"


@pytest.fixture(scope="module")
def served(serve_bench, tmp_path_factory):
    spool = tmp_path_factory.mktemp("spool")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TMPDIR", str(spool))
        served = serve_bench()
    served.spool = spool
    return served


@pytest.fixture(scope="module")
def cookie(served):
    return served.come_in()


def on_disk(served):
    return [p for p in served.spool.rglob("*") if p.is_file() and p.parent.name == "spool"]


def runs(served):
    folder = served.shelf / "runs"
    return sorted(p.name for p in folder.iterdir()) if folder.is_dir() else []


def upload(served, cookie, data, name="A3 Messung.csv"):
    answer = served.ask("POST", f"/api/table?name={quote(name)}", data, cookie=cookie, origin=served.origin)
    told = json.loads(answer.body)
    return told["id"] if answer.status == 200 else told


def page(served, cookie, name, query=""):
    """The page of a table, when padlab has looked at it."""
    text = [""]

    def there():
        text[0] = served.ask("GET", f"/take-in/{name}{query}", cookie=cookie).body.decode()
        return 'id="follow"' not in text[0]

    shared.wait_until(there, 60)
    return text[0]


def confirm(served, cookie, **form):
    answer = served.ask("POST", "/api/take-in", json.dumps(form), cookie=cookie, origin=served.origin)
    return answer.status, json.loads(answer.body)


def form_of(name, **other):
    columns = [
        {"column": 0, "quantity": "time", "unit": "s", "right": True},
        {"column": 1, "quantity": "force", "unit": "N", "way": "up", "right": True},
        {"column": 2, "quantity": "displacement", "unit": "mm", "way": "down", "right": True},
    ]
    return {
        "id": name,
        "reading": 0,
        "kind": "pad",
        "decimal": "comma",
        "columns": columns,
        "pad": PAD,
    } | other


def ended(served, cookie, work):
    told = [{}]

    def over():
        told[0] = json.loads(served.ask("GET", f"/api/made/{work['id']}", cookie=cookie).body)
        return told[0]["state"] != "running"

    shared.wait_until(over, 100)
    return told[0]


def taken(served, cookie, data, name="t.csv", **form):
    table = upload(served, cookie, data, name)
    page(served, cookie, table)
    status, work = confirm(served, cookie, **form_of(table, **form))
    assert status == 200, work
    told = ended(served, cookie, work)
    return table, told


# -- the job --------------------------------------------------------------------------------------------


def test_it_is_taken_in_as_the_command_line_would(served, cookie, tmp_path):
    data = presses()
    table = upload(served, cookie, data)
    text = page(served, cookie, table)
    chosen = re.findall(r'<option value="([^"]*)"[^>]* selected', text)
    assert chosen == [
        "pad",
        "comma",
        "time",
        "s",
        "",
        "force",
        "N",
        "up",
        "displacement",
        "mm",
        "down",
        "",
        "",
    ]
    status, work = confirm(
        served, cookie, **form_of(table, date="2026-07-04", time="14:30", note="from the harbour's band room")
    )
    assert status == 200, work
    told = ended(served, cookie, work)["told"]
    assert any("5 presses" in line for line in told["words"])
    done = served.ask("GET", f"/take-in/{table}", cookie=cookie).body.decode()
    assert "is on the shelf" in done
    assert f'href="/run/{told["run"]}"' in done

    (tmp_path / "A3.toml").write_text("".join(f'{k} = "{v}"\n' for k, v in PAD.items()), "utf-8")
    (tmp_path / "A3 Messung.csv").write_bytes(data)
    by_command = CliRunner().invoke(
        cli,
        [
            "import",
            str(tmp_path / "A3 Messung.csv"),
            "--pad",
            str(tmp_path / "A3.toml"),
            "--out",
            str(tmp_path / "s"),
            "--start",
            "2026-07-04T14:30",
            "--note",
            "from the harbour's band room",
            "--column",
            "time=Zeit [s]:s",
            "--column",
            "force=Kraft [N]:N",
            "--column",
            "displacement=Messuhr (mm):-mm",
        ],
    )
    assert by_command.exit_code == 0, by_command.output
    (other,) = (tmp_path / "s" / "runs").iterdir()
    mine = served.shelf / "runs" / told["run"]
    for name in ("raw/ORIGINAL", "samples.csv"):
        assert (mine / name).read_bytes() == (other / name).read_bytes()
    a, b = (json.loads((p / "datapackage.json").read_text("utf-8"))["padlab"] for p in (mine, other))
    for held in (a, b):  # what the page always says is left open at the command line
        del held["table"]["delimiter"], held["table"]["decimal"]
    assert a == b


def test_gauge_readings_of_a_lot(served, cookie):
    _, told = taken(
        served,
        cookie,
        b"No,reading thou\nP1,63\nP2,62.5\nP3,64\n",
        "lot.csv",
        kind="gauge",
        decimal="point",
        material="cream wool felt",
        lot="2026-12",
        foot="0.5N,6mm",
        columns=[
            {"column": 0, "quantity": "pad", "right": True},
            {"column": 1, "quantity": "thickness", "unit": "thou", "right": True},
        ],
    )
    assert told["state"] == "done", told
    assert told["told"]["words"] == ["3 pads, 1588 um (62.5 thou) to 1626 um (64.0 thou)"]


def test_a_pad_over_its_service(served, cookie):
    _, told = taken(
        served,
        cookie,
        b"presses,h mm\n0,1.600\n100000,1.590\n500000,1.578\n",
        "wear.csv",
        kind="wear",
        decimal="point",
        stop="down",
        control=True,
        columns=[
            {"column": 0, "quantity": "strokes", "right": True},
            {"column": 1, "quantity": "thickness", "unit": "mm", "right": True},
        ],
    )
    assert told["state"] == "done", told
    held = json.loads((served.shelf / "runs" / told["told"]["run"] / "datapackage.json").read_text("utf-8"))
    assert (held["padlab"]["stop"], held["padlab"]["control"]) == ("down", True)


def test_the_record_of_a_machine(served, cookie, tmp_path):
    pyarrow, parquet = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    k = range(40 * 50)
    force = [max(0.0, 6 * (1 - cos(2 * pi * i / 50)) - 1) for i in k]
    parquet.write_table(
        pyarrow.table({"t": [i / 50 for i in k], "F": force, "x": [0.02 * f for f in force]}),
        tmp_path / "r.parquet",
    )
    table = upload(served, cookie, (tmp_path / "r.parquet").read_bytes(), "r.parquet")
    assert 'value="strokes" selected' in page(served, cookie, table)
    form = form_of(table, kind="strokes", decimal="")
    form["columns"][2]["way"] = "up"
    status, told = confirm(served, cookie, **form | {"pad": {**PAD, "thickness": ""}})
    assert (status, told["error"]["where"]["fields"]) == (400, ["pad.thickness"])
    status, work = confirm(served, cookie, **form)
    assert status == 200, work
    assert ended(served, cookie, work)["state"] == "done"


def test_the_sheets_of_a_workbook_are_chosen_between(served, cookie):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.active.title = "remarks"
    for name, scale in (("A1", 1.0), ("A2", 2.0)):
        sheet = book.create_sheet(name)
        sheet.append(["t [s]", "F [N]"])
        for k in range(300):
            sheet.append([k / 50, scale * (1 - cos(k / 20))])
    data = io.BytesIO()
    book.save(data)
    table = upload(served, cookie, data.getvalue(), "touch.xlsx")
    assert ">A2</option>" in page(served, cookie, table)
    assert "sheet A2" in page(served, cookie, table, "?reading=1")
    status, work = confirm(
        served, cookie, **form_of(table, kind="touch", reading=1, columns=form_of("")["columns"][:2])
    )
    assert status == 200, work
    told = ended(served, cookie, work)["told"]
    held = json.loads((served.shelf / "runs" / told["run"] / "datapackage.json").read_text("utf-8"))
    assert held["padlab"]["table"]["sheet"] == "A2"
    assert held["padlab"]["table"]["name"] == "touch.xlsx"


# -- mistakes -------------------------------------------------------------------------------------------


def test_every_mistake_of_the_form_at_once_and_where_it_is(served, cookie):
    table = upload(served, cookie, presses(first="time"), "a.csv")
    page(served, cookie, table)
    before = runs(served)
    form = form_of(
        table,
        kind="pad",
        decimal="",
        date="2099-01-01",
        note=7,
        stop="left",
        pad={"id": "", "outer_diameter": "19"},
    )
    form["columns"][0] |= {"unit": "", "right": False}
    form["columns"][2] |= {"way": ""}
    status, told = confirm(served, cookie, **form)
    assert status == 400
    where = told["error"]["where"]
    assert {
        "c0.unit",
        "c0.right",
        "c2.way",
        "decimal",
        "date",
        "note",
        "stop",
        "pad.id",
        "pad.material",
        "pad.outer_diameter",
        "pad.lot",
    } <= set(where["fields"])
    assert len(where["fields"]) == len(where["mistakes"])
    assert runs(served) == before


def test_no_guess_is_taken_for_granted(served, cookie):
    """What padlab guessed and nobody confirmed is a mistake, column by column."""
    table = upload(served, cookie, presses(), "b.csv")
    page(served, cookie, table)
    form = form_of(table)
    for column in form["columns"]:
        del column["right"]
    status, told = confirm(served, cookie, **form)
    assert (status, told["error"]["where"]["fields"]) == (400, ["c0.right", "c1.right", "c2.right"])


def test_every_mistake_of_the_table_is_told_and_nothing_is_on_the_shelf(served, cookie):
    rows = presses(600).split(b"\n")
    rows[4], rows[9] = b"x;1,0;2,0", b"0,16;;"
    before = runs(served)
    table, told = taken(served, cookie, b"\n".join(rows), "c.csv")
    assert told["state"] == "failed"
    assert [m.split(":")[0] for m in told["fault"]["where"]["mistakes"]] == [
        "no number (row 5, column 'Zeit [s]')",
        "an empty cell (row 10, column 'Kraft [N]')",
        "an empty cell (row 10, column 'Messuhr (mm)')",
    ]
    assert runs(served) == before
    assert "row 10" in page(served, cookie, table)  # after a reload it is still told


def test_a_wrong_unit_is_refused_by_what_a_bench_can_do(served, cookie):
    before = runs(served)
    form = form_of("")["columns"]
    form[1] |= {"unit": "kN"}
    _, told = taken(served, cookie, presses(1700), "d.csv", columns=form)
    assert "no bench for pads can press" in told["fault"]["message"]
    assert runs(served) == before


@pytest.mark.parametrize(
    "change",
    [
        {"reading": 9},
        {"reading": "0"},
        {"reading": True},
        {"reading": -1},
        {"kind": "rm"},
        {"kind": ["pad"]},
        {"columns": None},
        {"columns": "all"},
        {"columns": [7]},
        {"columns": [{"column": 99}]},
        {"columns": [{"column": "0"}]},
        {"columns": [{}] * 1000},
        {"columns": []},
        {"columns": [{"column": 0, "quantity": {"a": 1}}]},
        {"columns": [{"column": 0, "quantity": "time", "unit": ["s"], "right": True}]},
        {"pad": "A3"},
        {"pad": None},
        {"pad": {"x": 1}},
        {"pad": PAD | {"id": "y" * 5000}},
        {"date": 20260704},
        {"date": "2026-02-30"},
        {"time": "25:00"},
        {"note": "n" * 5000},
        {"stop": {"up": 1}},
        {"unasked": 1},
        {"id": "../../etc"},
        {"id": None},
        {"id": ["x"]},
        {"kind": "gauge"},
        {"kind": "strokes"},
        {"kind": "wear"},
    ],
    ids=lambda c: next(iter(c)),
)
def test_what_nobody_can_have_filled_in(served, cookie, change):
    if not hasattr(served, "hostile"):
        served.hostile = upload(served, cookie, presses(600), "e.csv")
        page(served, cookie, served.hostile)
    before = runs(served)
    status, told = confirm(served, cookie, **form_of(served.hostile, **change))
    assert status == 400
    assert told["error"]["message"]
    assert runs(served) == before


# -- once -----------------------------------------------------------------------------------------------


def test_two_who_confirm_at_once_make_one_run(served, cookie):
    table = upload(served, cookie, presses(2000), "twice.csv")
    page(served, cookie, table)
    before, answers = len(runs(served)), []
    threads = [
        threading.Thread(
            target=lambda n=n: answers.append(confirm(served, cookie, **form_of(table, note=f"person {n}")))
        )
        for n in range(6)
    ]
    for one in threads:
        one.start()
    for one in threads:
        one.join(60)
    good = [told for status, told in answers if status == 200]
    assert len(good) == 1, answers
    for status, told in answers:
        assert status == 200 or "taken in already" in told["error"]["message"]
    assert ended(served, cookie, good[0])["state"] == "done"
    assert len(runs(served)) == before + 1
    status, told = confirm(served, cookie, **form_of(table))
    assert status == 400
    assert told["error"]["where"]["run"] in runs(served)


def test_the_same_table_again_is_on_the_shelf_already(served, cookie):
    _, first = taken(served, cookie, presses(1800), "one.csv")
    before = runs(served)
    _, told = taken(served, cookie, presses(1800), "the same under another name.csv")
    assert told["state"] == "failed"
    assert told["fault"]["where"]["run"] == first["told"]["run"]
    assert runs(served) == before
    there = served.ask("GET", f"/run/{first['told']['run']}", cookie=cookie).body.decode()
    assert "none: recorded elsewhere, and the doubt of those instruments is not known" in there
    assert "own stated scale" not in there
    done = CliRunner().invoke(
        cli,
        ["amend", str(served.shelf / "runs" / first["told"]["run"]), "--set-aside", "the pad was another"],
    )
    assert done.exit_code == 0, done.output
    assert taken(served, cookie, presses(1800), "again.csv")[1]["state"] == "done"


def test_cancelled_half_way_nothing_stays(served, cookie):
    table = upload(served, cookie, presses(400_000), "long.csv")
    page(served, cookie, table)
    before = runs(served)
    status, work = confirm(served, cookie, **form_of(table))
    assert status == 200, work
    shared.wait_until(lambda: any(n.startswith(".new-") for n in runs(served)), 100, 0.002)
    served.ask("POST", "/api/cancel", json.dumps({"id": work["id"]}), cookie=cookie, origin=served.origin)
    assert ended(served, cookie, work)["state"] == "cancelled"
    assert runs(served) == before
    assert "Take it in" in page(served, cookie, table)  # it still waits


def test_while_other_work_goes_on_a_table_waits_and_says_so(served, cookie):
    works = []
    for count in (400_001, 400_002):
        table = upload(served, cookie, presses(count), f"{count}.csv")
        page(served, cookie, table)
        works.append((table, confirm(served, cookie, **form_of(table))[1]["id"]))
    waiting = upload(served, cookie, presses(600), "third.csv")
    text = page(served, cookie, waiting)
    # It is listed nowhere as a report; what lists or shows work goes on.
    assert served.ask("GET", "/shelf", cookie=cookie).status == 200
    assert served.ask("GET", f"/made/{works[0][1]}", cookie=cookie).status in (200, 404)
    for _, work in works:
        served.ask("POST", "/api/cancel", json.dumps({"id": work}), cookie=cookie, origin=served.origin)
    assert "not looked at it yet: other work goes on" in text
    assert "Take it in" in page(served, cookie, waiting)


def test_put_away(served, cookie):
    table = upload(served, cookie, presses(600), "away.csv")
    before = len(on_disk(served))
    answer = served.ask(
        "POST", "/api/put-away", json.dumps({"id": table}), cookie=cookie, origin=served.origin
    )
    assert answer.status == 200
    assert len(on_disk(served)) == before - 1
    assert served.ask("GET", f"/take-in/{table}", cookie=cookie).status == 404


# -- attacks --------------------------------------------------------------------------------------------


def test_a_gigabyte_is_refused_and_nothing_of_it_stays(served, cookie):
    before = on_disk(served)
    answer = served.ask(
        "POST", "/api/table?name=x", b"x", cookie=cookie, origin=served.origin, content_length=str(1 << 30)
    )
    assert answer.status == 413
    for lie in ("-1", "1e3", "9" * 40, "x"):
        answer = served.ask(
            "POST", "/api/table?name=x", b"x", cookie=cookie, origin=served.origin, content_length=lie
        )
        assert answer.status in (400, 413)
    sent = 0
    with socket.create_connection(("127.0.0.1", served.port), timeout=20) as wire:
        wire.sendall(
            (
                f"POST /api/table HTTP/1.1\r\nHost: {served.host}\r\nOrigin: {served.origin}\r\n"
                f"Cookie: {cookie}\r\nTransfer-Encoding: chunked\r\n\r\n"
            ).encode()
        )
        piece = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"
        try:
            while sent < 1 << 30:
                wire.sendall(piece)
                sent += 0x10000
        except OSError:
            pass
    assert sent < 128 << 20, "it was read"
    shared.wait_until(lambda: on_disk(served) == before)
    assert served.ask("GET", "/take-in", cookie=cookie).status == 200


def test_an_upload_that_is_broken_off_leaves_nothing(served, cookie):
    before = on_disk(served)
    for _ in range(5):
        with socket.create_connection(("127.0.0.1", served.port), timeout=20) as wire:
            wire.sendall(
                (
                    f"POST /api/table HTTP/1.1\r\nHost: {served.host}\r\nOrigin: {served.origin}\r\n"
                    f"Cookie: {cookie}\r\nContent-Length: 1000000\r\n\r\n"
                ).encode()
                + b"x" * 100_000
            )
            shared.wait_until(lambda: len(on_disk(served)) > len(before))
        shared.wait_until(lambda: on_disk(served) == before)


def test_a_third_upload_at_once_waits_its_turn(served, cookie):
    head = (
        f"POST /api/table HTTP/1.1\r\nHost: {served.host}\r\nOrigin: {served.origin}\r\n"
        f"Cookie: {cookie}\r\nContent-Length: 1000000\r\n\r\n"
    ).encode()
    before = on_disk(served)
    with (
        socket.create_connection(("127.0.0.1", served.port), timeout=20) as one,
        socket.create_connection(("127.0.0.1", served.port), timeout=20) as two,
    ):
        for wire in (one, two):
            wire.sendall(head + b"x")
        shared.wait_until(lambda: len(on_disk(served)) == len(before) + 2)
        answer = served.ask("POST", "/api/table", b"x", cookie=cookie, origin=served.origin)
        assert answer.status == 503
    shared.wait_until(lambda: on_disk(served) == before)


def test_who_may_not_brings_no_file(served, cookie):
    before = on_disk(served)
    for headers in (
        {},
        {"cookie": cookie},
        {"origin": served.origin},
        {"cookie": cookie, "origin": "http://evil.example"},
        {"cookie": "padlab_1=x", "origin": served.origin},
    ):
        for path in ("/api/table?name=x", "/api/take-in", "/api/put-away"):
            assert served.ask("POST", path, b"t,F\n1,2\n3,4\n", **headers).status == 403
    assert served.ask("GET", "/api/table", cookie=cookie).status == 405
    assert on_disk(served) == before


def test_elsewhere_the_cap_is_as_small_as_it_was(served, cookie):
    for path in ("/api/take-in", "/api/put-away", "/api/table/", "/api/Table", "/api/tables"):
        answer = served.ask("POST", path, b"x" * 70_000, cookie=cookie, origin=served.origin)
        assert answer.status == 413


def test_a_thousand_uploads_keep_the_last_few(served, cookie):
    last = [upload(served, cookie, b"t,F\n1,2\n%d,4\n" % n, f"{n}.csv") for n in range(1000)][-8:]
    assert len(on_disk(served)) == 8
    waiting = served.ask("GET", "/take-in", cookie=cookie).body.decode()
    assert re.findall(r'href="/take-in/(\w+)"', waiting) == last[::-1]


@pytest.mark.parametrize(
    "name",
    [
        "../../../tmp/evil.csv",
        "..\\..\\evil.csv",
        "/etc/passwd",
        "C:\\x.csv",
        "",
        "\x00",
        "a" * 1000,
        "\u202etxt.csv",
        SCRIPT + ".csv",
        "con",
        ".",
        "..",
        "%2e%2e%2f",
    ],
)
def test_a_name_is_shown_and_never_a_path(served, cookie, name):
    table = upload(served, cookie, presses(300), name)
    text = page(served, cookie, table)
    assert "<script>alert" not in text
    assert "\u202e" not in text
    for path in on_disk(served):
        assert re.fullmatch(r"[0-9a-f]{16}", path.name)
    assert not [p for p in served.spool.rglob("*evil*")]


def test_script_in_the_cells_is_plain_text(served, cookie):
    cell = SCRIPT.replace('"', "")
    data = f"t [s],F {cell},{cell}\n0,1,{cell}\n1,2,{cell}\n2,3,{cell}\n".encode()
    text = page(served, cookie, upload(served, cookie, data, "h.csv"))
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    assert "<script>alert" not in text
    assert "49" not in re.findall(r"<t[hd][^>]*>([^<]*)<", text)


@pytest.mark.parametrize(
    "beyond", ["../../etc/passwd", "..%2f..%2fetc%2fpasswd", "%00", "x" * 500, "{{7*7}}"]
)
def test_an_id_is_looked_up(served, cookie, beyond):
    assert served.ask("GET", f"/take-in/{beyond}", cookie=cookie).status in (400, 404)


@pytest.mark.parametrize("reading", ["-1", "9", "0x0", "../1", "٣", "1" * 900, "<b>"])
def test_a_reading_that_is_not_there_is_the_first(served, cookie, reading):
    table = upload(served, cookie, presses(300), "r.csv")
    assert 'data-reading="0"' in page(served, cookie, table, f"?reading={quote(reading)}")


def bomb():
    """A workbook of 300 MB of spaces in some hundred kB."""
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("xl/worksheets/sheet1.xml", b" " * (300 << 20))
    return data.getvalue()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (None, "beyond the limits"),
        (b"PK\x03\x04" + b"x" * 1000, "damaged"),
        (b"\x00" * 1000, "NUL"),
        (b"PAR1" + b"\xff" * 1000, "Parquet"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "spreadsheet"),
        (b'"' * 200_001, "parted into cells"),
        (b"a;b\n" + b"1;2\n" * 9 + b"3\n", "another number of cells"),
        (b"GIF89a\xff\xfe", "UTF-8"),
        (b"x\n" * 100, "one column"),
    ],
    ids=lambda v: str(v)[:12],
)
def test_a_file_that_is_no_table_is_told_and_the_page_goes_on(served, cookie, data, words):
    text = page(served, cookie, upload(served, cookie, bomb() if data is None else data, "x.xlsx"))
    assert words in text
    assert "cannot be taken in" in text
    assert served.ask("GET", "/shelf", cookie=cookie).status == 200


@pytest.mark.skipif(sys.platform != "linux", reason="the limit is kept on Linux")
def test_a_table_that_fills_the_memory_ends_alone():
    asked = "from padlab.bench.made_table import bounded_memory as b; b(); bytearray(4 << 30)"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=False)
    assert "MemoryError" in done.stderr


def test_an_empty_file_is_told_at_once(served, cookie):
    told = upload(served, cookie, b"")
    assert told["error"]["message"] == "the file is empty"


def test_a_guest_of_the_network_brings_no_table_and_no_disk_means_no_upload():
    """The door itself, asked as a server asks it: who only watches is refused before a byte is read."""
    import asyncio

    from padlab.bench.door import Door, Guest, Place

    place = Place("127.0.0.1", 1, may_drive=False)
    door = Door(None, [place], on_used=lambda place: None)
    door._guests["k"] = Guest(place)
    sent, asked = [], []

    async def receive():
        asked.append(1)
        return {"type": "http.request", "body": b"x", "more_body": False}

    async def send(message):
        sent.append(message)

    scope = {
        "type": "http",
        "method": "POST",
        "path": "/api/table",
        "server": ("127.0.0.1", 1),
        "query_string": b"",
        "headers": [
            (b"host", b"127.0.0.1:1"),
            (b"origin", b"http://127.0.0.1:1"),
            (b"cookie", b"padlab_1=k"),
        ],
    }
    asyncio.run(door(dict(scope), receive, send))
    assert (sent[0]["status"], asked) == (403, [])
    driver = Place("127.0.0.1", 1)
    door = Door(None, [driver], on_used=lambda place: None)
    door._guests["k"] = Guest(driver)
    asyncio.run(door(dict(scope), receive, send))
    assert (sent[2]["status"], asked) == (403, [])


def test_a_guest_of_the_network_sees_no_table_and_begins_no_work(tmp_path):
    from starlette.requests import Request

    from padlab.bench.bench import Bench
    from padlab.bench.door import Guest, Place
    from padlab.bench.take_in import TakeIn
    from padlab.bench.work import Works

    room = TakeIn(Bench(tmp_path / "shelf"), Works(tmp_path))
    (tmp_path / "coming").write_bytes(presses(300))
    table = room.tables.keep(tmp_path / "coming", "secret.csv")
    scope = {
        "type": "http",
        "method": "GET",
        "path": "/",
        "headers": [],
        "query_string": b"",
        "path_params": {"name": table.id},
    }
    for may_drive in (False, True):
        shown = room.table(Request({**scope, "guest": Guest(Place("192.0.2.5", 1, may_drive=may_drive))}))
        assert (b"secret.csv" in shown.body) == may_drive
        assert (table.look is not None) == may_drive
    room.works.close()


def test_an_upload_that_comes_too_slowly_ends(monkeypatch, tmp_path):
    """One byte and then nothing, and a byte now and then for ever: both end, and nothing stays."""
    import asyncio

    from padlab.bench import door as room

    monkeypatch.setattr(room, "PIECE_S", 0.2)
    monkeypatch.setattr(room, "UPLOAD_S", 0.5)
    place = room.Place("127.0.0.1", 1)
    scope = {
        "type": "http",
        "method": "POST",
        "path": "/api/table",
        "server": ("127.0.0.1", 1),
        "query_string": b"",
        "headers": [
            (b"host", b"127.0.0.1:1"),
            (b"origin", b"http://127.0.0.1:1"),
            (b"cookie", b"padlab_1=k"),
        ],
    }

    async def silent(count=[0]):  # noqa: B006
        count[0] += 1
        if count[0] > 1:
            await asyncio.Event().wait()
        return {"type": "http.request", "body": b"x", "more_body": True}

    async def trickle():
        await asyncio.wait([asyncio.ensure_future(asyncio.Event().wait())], timeout=0.02)
        return {"type": "http.request", "body": b"x", "more_body": True}

    for receive in (silent, trickle):
        door = room.Door(None, [place], on_used=lambda place: None, spool=tmp_path)
        door._guests["k"] = room.Guest(place)
        sent = []

        async def send(message, sent=sent):
            sent.append(message)

        asyncio.run(asyncio.wait_for(door(dict(scope), receive, send), 10))
        assert sent[0]["status"] == 408
        assert list(tmp_path.iterdir()) == []
