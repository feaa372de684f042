"""What a table probably holds: guessed from names and numbers, not where two things can be meant."""

import gzip
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from padlab.records.first_rows import FirstRows, first_rows
from padlab.records.guessed import guess, unit_by_size
from padlab.records.header_words import read_name

STROKES = 400


def press(k, *, rate_hz=50.0, down=False):
    """Time, force and displacement of reading k: strokes of 18 N and 0.4 mm, six seconds each."""
    t = k / rate_hz
    f = 9 * (1 - math.cos(2 * math.pi * t / 6)) + 0.003 * (k * 37 % 11 - 5)
    x = 0.4 * (max(f, 0) / 18) ** 0.5
    return t, f, 3 - x if down else x


def table(header, columns, *, delimiter="comma", is_whole=True, form="text"):
    rows = tuple(tuple(map(str, row)) for row in zip(*columns, strict=True))
    return FirstRows(form, tuple(header), rows, is_whole, delimiter=delimiter if form == "text" else None)


def pressed(header, *, scale=(1, 1, 1), comma=False, down=False, count=STROKES):
    made = [
        [f"{v * s:.5f}" for v in column]
        for s, column in zip(
            scale, zip(*(press(k, down=down) for k in range(count)), strict=True), strict=True
        )
    ]
    if comma:
        made = [[v.replace(".", ",") for v in column] for column in made]
    return table(header, made, delimiter="semicolon" if comma else "comma")


STYLES = [
    (("t [s]", "F [N]", "x [mm]"), ("s", "N", "mm")),
    (("time (s)", "force (N)", "displacement (mm)"), ("s", "N", "mm")),
    (("t/s", "Kraft/N", "Weg/mm"), ("s", "N", "mm")),
    (("zeit_s", "kraft_n", "weg_mm"), ("s", "N", "mm")),
    (("time_s", "force_n", "displacement_mm"), ("s", "N", "mm")),
    (("Elapsed Time, ms", "Load gf", "dial thou"), ("ms", "gf", "thou")),
    (("Zeit in s", "Kraft in N", "Weg in µm"), ("s", "N", "um")),
    (("Temps (s)", "Charge (kgf)", "Déplacement (mm)"), ("s", "kgf", "mm")),
    (("Tiempo [sec]", "Fuerza [Newton]", "Recorrido [mm]"), ("s", "N", "mm")),
    (("tempo:s", "forza:N", "corsa:mm"), ("s", "N", "mm")),
    (("Tijd (sek)", "Kracht (N)", "Verplaatsing (micron)"), ("s", "N", "um")),
    (("tid;s", "kraft <N>", "väg {mm}"), ("s", "N", "mm")),
    (("TIME", "LOAD [LBF]", "POSITION [IN]"), ("s", "lbf", "in")),
    (("timeSeconds", "forceN", "travelMm"), ("s", "N", "mm")),
    (("s", "N", "mm"), ("s", "N", "mm")),
    (("msec", "grams force", "stroke [mm]"), ("ms", None, "mm")),
    (("clock", "Load cell 1 (N)", "Dial reading (thou)"), ("s", "N", "thou")),
    (("t", "F", "x"), ("s", None, None)),
]


@pytest.mark.parametrize(("header", "units"), STYLES, ids=[" ".join(h) for h, _ in STYLES])
def test_a_header_in_any_common_notation(header, units):
    scale = (1000 if units[0] == "ms" else 1, 1, 1)
    found = guess(pressed(header, scale=scale))
    assert [c.quantity for c in found.columns] == ["time", "force", "displacement"]
    assert found.kind == "pad"
    assert tuple(c.unit for c in found.columns) == units
    assert [c.counts_down for c in found.columns] == [None, False, False]


def test_decimal_commas_and_a_dial_that_counts_down():
    found = guess(pressed(("Zeit [s]", "Kraft [N]", "Weg [mm]"), comma=True, down=True))
    assert found.decimal == "comma"
    assert [c.as_typed() for c in found.columns] == [
        "time=Zeit [s]:s",
        "force=Kraft [N]:N",
        "displacement=Weg [mm]:-mm",
    ]
    assert found.is_open == []


def test_a_force_that_counts_down():
    found = guess(pressed(("t [s]", "F [N]", "x [mm]"), scale=(1, -1, 1)))
    assert [c.counts_down for c in found.columns] == [None, True, False]


@pytest.mark.parametrize(
    ("header", "wanted"),
    [
        (("thickness", "n"), {"thickness", "strokes"}),
        (("gauge mm", "presses"), {"thickness", "strokes"}),
        (("Dicke [mm]", "Datum"), {"thickness", "date"}),
        (("h/mm", "Lastwechsel"), {"thickness", "strokes"}),
    ],
)
def test_wear(header, wanted):
    second = [f"2026-0{k}-01" for k in range(1, 6)] if "date" in wanted else [0, 1e5, 2e5, 4e5, 8e5]
    found = guess(table(header, [[1.60, 1.59, 1.58, 1.57, 1.56], second]))
    assert {c.quantity for c in found.columns} == wanted
    assert found.kind == "wear"
    assert found.columns[0].unit == "mm"


def test_gauge_readings():
    found = guess(
        table(
            ("Pad", "Blatt", "reading thou", "position"),
            [["A1", "A2", "A3"], ["1", "1", "2"], [63.0, 62.5, 64.0], ["left", "mid", "right"]],
        )
    )
    assert [c.quantity for c in found.columns] == ["pad", "sheet", "thickness", "place"]
    found = guess(table(("No", "thickness"), [[1, 2, 3], [63.0, 62.5, 64.0]]))
    assert ([c.quantity for c in found.columns], found.columns[1].unit, found.kind) == (
        ["pad", "thickness"],
        "thou",
        "gauge",
    )


@pytest.mark.parametrize(
    ("called", "kind"),
    [
        ("blank-2.csv", "blank"),
        ("Frame leer.csv", "blank"),
        ("A3.csv", "pad"),
        ("spring check.csv", "check"),
        ("blank check.csv", "pad"),
    ],
)
def test_a_bare_frame_is_known_by_the_name_of_its_file(called, kind):
    assert guess(pressed(("t [s]", "F [N]", "x [mm]")), called=called).kind == kind


def test_a_force_alone_is_a_touch_only_where_the_name_says_so():
    first = pressed(("t [s]", "F [N]", "x [mm]"))
    two = FirstRows("text", first.header[:2], tuple(r[:2] for r in first.rows), True, delimiter="comma")
    assert guess(two).kind is None
    assert guess(two, called="touch of the left hand.csv").kind == "touch"


def test_a_machine_s_record_is_known_by_its_form():
    first = pressed(("t", "F", "x"))
    assert guess(FirstRows("parquet", first.header, first.rows, False)).kind == "strokes"


def test_the_column_that_rises_is_time_if_it_is_the_only_one():
    assert guess(pressed(("Spalte 1", "F [N]", "x [mm]"))).columns[0].quantity == "time"
    t, f, x = zip(*(press(k) for k in range(STROKES)), strict=True)
    two = guess(table(("A", "B", "F [N]", "x [mm]"), [t, [2.5 * v + 1 for v in t], f, x]))
    assert [c.quantity for c in two.columns][:2] == [None, None]
    index = guess(table(("A", "F [N]", "x [mm]"), [range(STROKES), f, x]))
    assert index.columns[0].quantity is None


NOT_GUESSED = [
    ("two forces", ("t [s]", "F1 [N]", "F2 [N]"), (0, None, None)),
    ("a force in mm", ("t [s]", "F [mm]", "x [mm]"), (0, None, 2)),
    ("a rate", ("t [s]", "F [N]", "load rate [N/s]"), (0, 1, None)),
    ("a stiffness", ("t [s]", "F [N]", "N/mm"), (0, 1, None)),
    ("a foreign unit", ("t [s]", "Kraft [dyn]", "x [mm]"), (0, None, 2)),
    ("raw counts", ("t [s]", "force raw", "x [mm]"), (0, None, 2)),
    ("a voltage", ("t [s]", "F [N]", "dial [V]"), (0, 1, None)),
    ("the target beside it", ("t [s]", "F [N]", "F target [N]"), (0, 1, None)),
    ("nothing at all", ("a", "b", "c"), (None, None, None)),
]
QUANTITIES = ("time", "force", "displacement")


@pytest.mark.parametrize(("header", "meant"), [n[1:] for n in NOT_GUESSED], ids=[n[0] for n in NOT_GUESSED])
def test_what_can_be_meant_two_ways_is_not_guessed(header, meant):
    found = guess(pressed(header))
    assert [c.quantity for c in found.columns] == [None if m is None else QUANTITIES[m] for m in meant]


@pytest.mark.parametrize(
    ("name", "quantities"),
    [
        ("mm", {"displacement", "thickness"}),
        ("s", {"time", "displacement"}),
        ("weight [g]", {"force", "mass"}),
        ("pad temperature", {"pad", "temperature"}),
        ("position", {"displacement", "place"}),
        ("d [mm]", {"displacement", "thickness"}),
        ("m/s", set()),
        ("Temperature °F", set()),
    ],
)
def test_a_name_with_two_meanings_keeps_both(name, quantities):
    assert set(read_name(name).quantities) == quantities


@pytest.mark.parametrize("name", ["dial mil", "dial [mil]", "dial mils"])
def test_a_mil_is_no_unit(name):
    """A thousandth of an inch to some, a millimetre to others."""
    assert read_name(name).unit is None
    assert "displacement" in read_name(name).quantities


@pytest.mark.parametrize(("text", "decimal"), [("1,234", None), ("1,23", "comma"), ("12", "point")])
def test_a_decimal_mark_that_fits_two_ways(text, decimal):
    found = guess(table(("t [s]", "F [N]"), [["1", "2"], [text, text]], delimiter="semicolon"))
    assert found.decimal == decimal
    assert ("its decimal mark" in found.is_open) == (decimal is None)


@pytest.mark.parametrize(
    ("quantity", "numbers", "unit"),
    [
        ("time", np.arange(0, 100, 0.02), "s"),
        ("time", np.arange(0, 100_000, 20.0), "ms"),
        ("time", np.arange(0, 100_000_000, 20_000.0), "us"),
        ("time", np.arange(0, 1000, 0.1), "s"),
        ("time", np.arange(0, 2_000_000, 1.0), "ms"),
        ("time", np.arange(0, 30_000, 0.1), None),
        ("time", np.zeros(9), None),
        ("force", [0.0, 1500.0], None),
        ("force", [0.0, 18.0], None),
        ("force", [0.0, 250_000.0], None),
        ("displacement", [0.0, 0.4], None),
        ("displacement", [0.0, 3000.0], "um"),
        ("thickness", [1.6, 1.5], "mm"),
        ("thickness", [63.0, 61.0], "thou"),
        ("thickness", [1600.0, 1580.0], "um"),
        ("thickness", [0.063, 0.061], "in"),
        ("mass", [1.0, 2.0], None),
    ],
)
def test_a_unit_by_size_only_where_one_is_possible(quantity, numbers, unit):
    assert unit_by_size(quantity, np.asarray(numbers), is_whole=True) == unit


def test_a_table_that_goes_on_tells_no_size():
    assert unit_by_size("displacement", np.array([0.0, 3000.0]), is_whole=False) is None


def test_a_cell_that_is_no_number_does_not_hide_what_its_column_is():
    first = pressed(("t [s]", "F [N]", "x [mm]"))
    rows = (("0.0", "", "n/a"), *first.rows[1:])
    found = guess(FirstRows("text", first.header, rows, True, delimiter="comma"))
    assert [c.quantity for c in found.columns] == ["time", "force", "displacement"]
    assert [c.counts_down for c in found.columns] == [None, False, False]


SAMPLES = sorted((Path(__file__).parents[3] / "sample_runs").rglob("samples.csv.gz"))


@pytest.mark.parametrize("down", [False, True])
def test_no_sample_run_is_read_the_wrong_way(tmp_path, down):
    """Seventy runs by a (virtual) hand, as they are and with a dial that counts down: right, or left open."""
    told = {True: 0, None: 0}
    for path in SAMPLES:
        (first,) = first_rows(written(tmp_path, gzip.decompress(path.read_bytes())))
        rows = first.rows
        if down and "displacement_mm" in first.header:
            at = first.header.index("displacement_mm")
            rows = tuple((*row[:at], str(3 - float(row[at])), *row[at + 1 :]) for row in rows)
        found = guess(FirstRows("text", first.header, rows, first.is_whole, delimiter="comma"))
        by_name = {c.name: c for c in found.columns}
        for name, column in by_name.items():
            assert name == f"{column.quantity}_{(column.unit or '').lower()}"
        if "displacement_mm" in by_name:
            way = by_name["displacement_mm"].counts_down
            assert way in (down, None), path
            told[True if way is not None else None] += 1
    assert told[True] > 20 * told[None]


@given(
    header=st.lists(st.text(max_size=40), min_size=1, max_size=6),
    cells=st.lists(
        st.one_of(st.text(max_size=12), st.floats().map(str), st.dates().map(str)), min_size=1, max_size=6
    ),
    called=st.text(max_size=20),
    form=st.sampled_from(["text", "xlsx", "parquet"]),
)
def test_whatever_a_table_holds_it_is_looked_at(header, cells, called, form):
    rows = tuple(tuple(cells[(i + k) % len(cells)] for i in range(len(header))) for k in range(3))
    found = guess(FirstRows(form, tuple(header), rows, True, delimiter="comma"), called=called)
    assert [c.name for c in found.columns] == header
    for c in found.columns:
        assert c.unit is None or c.quantity is not None


@pytest.mark.parametrize("name", [" " * 5000 + "[", "_" * 5000, "a/" * 3000, "(" * 5000, "aB" * 3000])
def test_a_long_name_takes_no_longer(name):
    read_name(name)


# -- the first rows themselves -----------------------------------------------------------------------------


def written(tmp_path, text, name="t.csv"):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


@pytest.mark.parametrize(("mark", "name"), [(",", "comma"), (";", "semicolon"), ("\t", "tab")])
def test_the_delimiter_is_the_one_that_parts_every_row_alike(tmp_path, mark, name):
    (found,) = first_rows(written(tmp_path, f"t{mark}F\n" + f"1{mark}2\n" * 3))
    assert (found.delimiter, found.header, len(found.rows), found.is_whole) == (name, ("t", "F"), 3, True)


def test_a_comma_in_the_header_of_a_table_of_semicolons(tmp_path):
    (found,) = first_rows(written(tmp_path, "t, s;F, N;x\n0,0;1,5;2,25\n0,1;1,6;2,5\n"))
    assert (found.delimiter, found.header) == ("semicolon", ("t, s", "F, N", "x"))


def test_two_delimiters_that_fit_are_both_given(tmp_path):
    found = first_rows(written(tmp_path, "a;b,c\n1;2,3\n4;5,6\n"))
    assert [one.delimiter for one in found] == ["comma", "semicolon"]


def test_a_long_table_is_not_read_whole(tmp_path):
    (found,) = first_rows(written(tmp_path, "t,F\n" + "1,2\n" * 5000), most=100)
    assert (len(found.rows), found.is_whole) == (100, False)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("t\n1\n2\n", "one column only"),
        ("1,2\n3,4\n5,6\n", "no header"),
        ("t,F\n1,2,3\n", "another number of cells"),
        ("t,t\n1,2\n", "one name"),
        (b"\xff\xfe\x00", "UTF"),
        ("t,F\n", "too few"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "spreadsheet"),
        (b"t,F\n\xe9,2\n", "UTF-8"),
    ],
)
def test_what_the_importer_would_refuse_is_refused(tmp_path, text, words):
    from padlab.errors import TableError

    with pytest.raises(TableError, match=words):
        first_rows(written(tmp_path, text))


def test_the_sheets_of_a_workbook_that_hold_a_table(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.active.title = "cover"
    book.active.append(["a workshop in a harbour town"])
    for name in ("A1", "A2"):
        sheet = book.create_sheet(name)
        sheet.append(["t [s]", "F [N]", None])
        for k in range(5):
            sheet.append([k / 50, 1.5 * k])
    book.save(tmp_path / "b.xlsx")
    found = first_rows(tmp_path / "b.xlsx")
    assert [(one.sheet, one.header[:2], len(one.rows)) for one in found] == [
        ("A1", ("t [s]", "F [N]"), 5),
        ("A2", ("t [s]", "F [N]"), 5),
    ]


def test_the_first_rows_of_a_machine_s_record(tmp_path):
    pyarrow, parquet = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    rows = pyarrow.table({"t": [0.0, 0.1, 0.2], "F": [0.0, 1.0, 2.0], "x": [0.0, 0.1, 0.2]})
    parquet.write_table(rows, tmp_path / "r.parquet")
    (found,) = first_rows(tmp_path / "r.parquet", most=2)
    assert (found.format, found.header, found.rows) == (
        "parquet",
        ("t", "F", "x"),
        (("0", "0", "0"), ("0.1", "1", "0.1")),
    )
    (tmp_path / "cut.parquet").write_bytes((tmp_path / "r.parquet").read_bytes()[:-20])
    from padlab.errors import TableError

    with pytest.raises(TableError, match="Parquet"):
        first_rows(tmp_path / "cut.parquet")


def test_a_text_that_is_meant_a_thousand_times_is_not_read(tmp_path):
    """A kilobyte of file that would be 200 MB of texts; what is no number is told by its kind."""
    pyarrow, parquet = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    texts = pyarrow.DictionaryArray.from_arrays(
        pyarrow.array([0] * 200, "int32"), pyarrow.array(["y" * 1_000_000])
    )
    table = pyarrow.table({"t": [k / 50 for k in range(200)], "who": texts, "F": [1.0] * 200})
    parquet.write_table(table, tmp_path / "r.parquet", compression="zstd")
    assert (tmp_path / "r.parquet").stat().st_size < 5000
    pool = pyarrow.default_memory_pool()
    before = pool.max_memory()
    (found,) = first_rows(tmp_path / "r.parquet")
    assert pool.max_memory() - before < 50e6
    assert found.rows[1][0::2] == ("0.02", "1")
    assert "string" in found.rows[1][1]
    parquet.write_table(pyarrow.table({"who": texts}), tmp_path / "t.parquet")
    from padlab.errors import TableError

    with pytest.raises(TableError, match="no column holds numbers"):
        first_rows(tmp_path / "t.parquet")


def test_a_name_of_a_column_is_no_book(tmp_path):
    from padlab.errors import TableError

    (tmp_path / "t.csv").write_text("t," + "N" * 5000 + "\n0,1\n1,2\n", "utf-8")
    with pytest.raises(TableError, match="too long a name"):
        first_rows(tmp_path / "t.csv")
