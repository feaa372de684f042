"""Tables recorded elsewhere: read right, or refused whole with row and column."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from padlab.errors import InputError, TableError
from padlab.records.shelf import open_run
from padlab.records.tables import (
    Column,
    check_columns,
    import_table,
    parse_column,
    samples_of,
    samples_of_original,
)

NOW = datetime(2026, 7, 5, 9, tzinfo=UTC)
COLUMNS = [Column("time", "t", "s"), Column("force", "load", "N"), Column("displacement", "dial", "mm")]


def read(text: str | bytes, columns=COLUMNS, **how):
    data = text.encode() if isinstance(text, str) else text
    return samples_of(data, {"columns": [vars(c) for c in columns], **how})


def table(*rows: str, head: str = "t,load,dial") -> str:
    return "\n".join([head, *rows]) + "\n"


def test_plain_csv():
    samples, about = read(table("5.0,0,1.5", "5.5,2.25,1.75"))
    assert samples.to_dict("list") == {"time_s": [0.0, 0.5], "force_n": [0.0, 2.25],
                                       "displacement_mm": [1.5, 1.75]}
    assert about == {"format": "text", "encoding": "utf-8", "delimiter": "comma", "decimal": "point",
                     "time_zero_s": 5.0}


@pytest.mark.parametrize(("head", "rows"), [
    ("t;load;dial", ("0,0;1;1,25", "0,5;2;1,5")),
    ("t\tload\tdial", ("0,0\t1\t1,25", "0,5\t2\t1,5")),
    ("t\tload\tdial", ("0.0\t1\t1.25", "0.5\t2\t1.5")),
    ("t,load,dial", ('"0,0",1,"1,25"', '"0,5",2,"1,5"')),
    ("note,dial,load,t", ('"a, ""b""",1.25,1,0.0', ",1.5,2,0.5")),
    (" t , load , dial ", (" 0.0 , 1 , 1.25 ", "+.5,2e0,15.E-1")),
])
def test_delimiters_decimal_marks_and_quotes(head, rows):
    samples, _ = read(table(*rows, head=head))
    assert samples["time_s"].tolist() == [0.0, 0.5]
    assert samples["force_n"].tolist() == [1.0, 2.0]
    assert samples["displacement_mm"].tolist() == [1.25, 1.5]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("blank_rows_at_the_end", [0, 1, 3])
def test_encodings_and_line_ends(encoding, end, blank_rows_at_the_end):
    text = end.join(["t,Kraft µ,dial", "0,1,2", "1,2,3", *[""] * blank_rows_at_the_end])
    samples, _ = read(text.encode(encoding), [COLUMNS[0], Column("force", "Kraft µ", "N"), COLUMNS[2]])
    assert samples["force_n"].tolist() == [1.0, 2.0]


def test_units_and_signs():
    """Factors: the inch of 1959 and standard gravity; the sign of a unit turns the reading."""
    samples, _ = read(table("0,1,10", "500,2,8"), [
        Column("time", "t", "ms"), Column("force", "load", "kgf"), Column("displacement", "dial", "-thou")])
    assert samples["time_s"].tolist() == [0.0, 0.5]
    assert samples["force_n"].tolist() == [9.80665, 19.6133]
    np.testing.assert_allclose(samples["displacement_mm"], [-0.254, -0.2032], rtol=1e-15)


REFUSED = {
    "ambiguous decimal mark": (table("0;1,234;0", "1;2,345;1", head="t;load;dial"),
                               "the decimal mark fits two ways", 2, "load"),
    "ambiguous thousands": (table("0\t1.234\t1", "1\t2.345\t2", head="t\tload\tdial"),
                            "the decimal mark fits two ways", 2, "load"),
    "both marks": (table("0;1.5;0", "1;2,5;1", head="t;load;dial"),
                   "points and commas both stand in the numbers", 3, "load"),
    "thousands and decimals": (table("0;1.234,5;0", "1;2;1", head="t;load;dial"),
                               "points and commas both stand in the numbers", 2, "load"),
    "time stands still": (table("0,1,1", "1,1,1", "1,1,1"), "time does not increase", 4, "t"),
    "time goes back": (table("0,1,1", "1,1,1", "0.5,1,1"), "time does not increase", 4, "t"),
    "time steps below 1 us": (table("0,1,1", "1e-9,1,1"), "time does not increase", 3, "t"),
    "text in numbers": (table("0,1,1", "1,heavy,1"), "no number", 3, "load"),
    "unit row": (table("s,N,mm", "0,1,1", "1,1,1"), "no number", 2, "t"),
    "NaN": (table("0,1,1", "1,1,NaN"), "no number", 3, "dial"),
    "inf": (table("0,1,1", "1,inf,1"), "no number", 3, "load"),
    "1e400": (table("0,1,1", "1,1e400,1"), "a number that is not finite", 3, "load"),
    "1e300": (table("0,1,1", "1,1e300,1"), "a force beyond any bench", 3, "load"),
    "hexadecimal": (table("0,1,1", "1,0x10,1"), "no number", 3, "load"),
    "underscore": (table("0,1,1", "1,1_000,1"), "no number", 3, "load"),
    "other digits": (table("0,1,1", "1,٣,1"), "no number", 3, "load"),
    "unit in the cell": (table("0,1 N,1", "1,2 N,1"), "no number", 2, "load"),
    "empty cell": (table("0,1,1", "1,,1"), "an empty cell", 3, "load"),
    "two columns of one name": (table("0,1,1,1", "1,1,1,1", head="t,load,dial,load"),
                                "two columns have one name", 1, "load"),
    "short row": (table("0,1,1", "1,1"), "a row has another number of cells than the header", 3, None),
    "long row": (table("0,1,1", "1,1,1,1"), "a row has another number of cells than the header", 3, None),
    "unquoted decimal commas": (table("0,0,1,5,1,5", "1,0,1,5,1,5"),
                                "a row has another number of cells than the header", 2, None),
    "empty row between": (table("0,1,1", "", "1,1,1"), "an empty row between the readings", 3, None),
    "missing column": (table("0,1", "1,1", head="t,load"), "no such column", 1, "dial"),
    "header only": (table(), "too few readings", None, None),
    "one reading": (table("0,1,1"), "too few readings", None, None),
    "empty": ("", "the table is empty", None, None),
    "blank": (" \n\n", "the table is empty", None, None),
    "NUL": (table("0,1,1", "1,\0,1"), "a NUL in the table", 3, None),
    "quote left open": (table("0,1,1", '1,"1,1'), "the table cannot be parted into cells", 3, None),
    "number of 100 000 digits": (table("0,1,1", "1,1," + "1" * 10**5), "no number", 3, "dial"),
    "header of 10^6 columns": (",".join(["t", "load", "dial", *(f"c{n}" for n in range(10**6))]) + "\n",
                               "the table has too many columns", 1, None),
    "10^6 columns of one name": ("t,load,dial" + ",x" * 10**6 + "\n",
                                 "the table has too many columns", 1, None),
}


@pytest.mark.parametrize("case", REFUSED)
def test_ambiguous_and_broken_tables_are_refused(case):
    text, message, row, column = REFUSED[case]
    with pytest.raises(TableError) as caught:
        read(text)
    assert caught.value.message.startswith(message)
    assert (caught.value.where.get("row"), caught.value.where.get("column")) == (row, column)
    assert caught.value.expected
    assert caught.value.seen


def test_delimiter_that_fits_two_ways():
    """Names that hold the other delimiter: the header can be parted both ways, and both give the name."""
    columns = [Column("time", "t", "s"), Column("force", "load", "N")]
    text = "x;t;y,t,load,z;load;w\n0,1,2,3\n"
    with pytest.raises(TableError, match="the delimiter fits two ways") as caught:
        read(text, columns)
    assert caught.value.where == {"row": 1}
    with pytest.raises(TableError, match="too few readings"):
        read(text, columns, delimiter="comma")


def test_what_is_said_settles_what_is_ambiguous():
    text = table("0;1,234;0", "1;2,345;1", head="t;load;dial")
    assert read(text, decimal="comma")[0]["force_n"].tolist() == [1.234, 2.345]
    with pytest.raises(TableError, match="no number"):
        read(text, decimal="point")


@pytest.mark.parametrize(("data", "row"), [
    ("t;Kraft;dial\n0;1;1\n1;ü;1\n".encode("latin-1"), 3),
    (b"t,load,dial\n0,1,\xff\n", 2),
])
def test_old_encodings_are_refused_with_the_place(data, row):
    with pytest.raises(TableError, match="not in UTF-8") as caught:
        read(data)
    assert "0x" in caught.value.seen
    assert caught.value.where == {"row": row}


def test_utf16_without_its_mark_and_utf32_are_refused():
    with pytest.raises(TableError, match="NUL"):
        read(table("0,1,1", "1,1,1").encode("utf-16-le"))
    with pytest.raises(TableError, match="UTF-32"):
        read(table("0,1,1", "1,1,1").encode("utf-32"))


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])   # a busy machine is no fault
@given(st.lists(st.tuples(st.integers(1, 999_999), st.integers(-10**7, 10**7), st.integers(-10**6, 10**6)),
                min_size=2, max_size=30),
       st.sampled_from([(",", "."), (";", ","), (";", "."), ("\t", ","), ("\t", ".")]))
def test_any_table_written_clearly_reads_back(rows, style):
    """Six decimals, so that no number looks like thousands: what is written is what is read."""
    delimiter, mark = style
    time = np.cumsum([r[0] for r in rows])
    cells = [(f"{t / 1e6:.6f}", f"{f / 1e3:.6f}", f"{x / 1e3:.6f}")
             for t, (_, f, x) in zip(time, rows, strict=True)]
    text = "\n".join([delimiter.join(("t", "load", "dial")),
                      *(delimiter.join(c.replace(".", mark) for c in row) for row in cells)])
    samples, _ = read(text)
    np.testing.assert_array_equal(samples["time_s"], [float(c[0]) - float(cells[0][0]) for c in cells])
    np.testing.assert_array_equal(samples["force_n"], [float(c[1]) for c in cells])
    np.testing.assert_array_equal(samples["displacement_mm"], [float(c[2]) for c in cells])


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])   # a busy machine is no fault
@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(data):
    """Whatever the bytes: samples with finite numbers, or one clear refusal."""
    for head in (b"", b"t,load,dial\n", b"t;load;dial\n0;1;1\n", b"\xff\xfe", b"PK\x03\x04"):
        try:
            samples, _ = read(head + data)
        except TableError:
            continue
        assert np.isfinite(samples.to_numpy()).all()
        assert (np.diff(samples["time_s"]) > 0).all()


def test_columns_are_split_at_the_first_equals_and_the_last_colon():
    assert parse_column("force=a=b:c:lbf") == Column("force", "a=b:c", "lbf")
    for bad in ("", "force", "force=load", "force=load:", "force=:N", "weight=load:N", "=a:N",
                "force=load:mm"):
        with pytest.raises(InputError):
            parse_column(bad)


def test_columns_must_suit_the_kind():
    check_columns("pad", COLUMNS)
    check_columns("touch", COLUMNS[:2])
    check_columns("check", [COLUMNS[0], COLUMNS[2]])
    for kind, columns in (("pad", COLUMNS[:2]), ("touch", [COLUMNS[0]]), ("check", [COLUMNS[0]]),
                          ("wear", COLUMNS), ("gauge", COLUMNS), ("nonsense", COLUMNS),
                          ("pad", [*COLUMNS, Column("temperature", "dial", "degC")]),
                          ("pad", [*COLUMNS, Column("force", "load2", "N")])):
        with pytest.raises(InputError):
            check_columns(kind, columns)


def test_import_keeps_the_original_and_makes_a_whole_run(tmp_path, shelf, pad):
    data = table("0,5;0,0;1,50;<b>", "0,6;1,25;1,40;x", head="t;load;dial;note").encode("utf-8-sig")
    path = tmp_path / "press.csv"
    path.write_bytes(data)
    columns = [*COLUMNS[:2], Column("displacement", "dial", "-mm")]
    run = import_table(path, shelf, kind="pad", columns=columns, now=NOW, pad=pad)
    assert (run.folder / "raw" / "ORIGINAL").read_bytes() == data
    assert [m.code for m in run.marks] == ["imported", "rig_doubt_unknown"]
    assert (run.state, run.rig, run.procedure) == ("complete", None, None)
    assert (run.folder / "samples.csv").read_text() == (
        "time_s,force_n,displacement_mm\n0.000000,0.00000,-1.50000\n0.100000,1.25000,-1.40000\n")
    assert [p.name for p in (shelf.folder / "runs").iterdir()] == [run.id]
    assert open_run(run.folder) == run
    pd.testing.assert_frame_equal(samples_of_original(run).round(5), run.samples)


def test_refused_table_writes_nothing(tmp_path, shelf, pad):
    path = tmp_path / "press.csv"
    path.write_text(table("0,1,1", "1,x,1"))
    with pytest.raises(TableError):
        import_table(path, shelf, kind="pad", columns=COLUMNS, now=NOW, pad=pad)
    assert not shelf.folder.exists()


def workbook(*rows, sheets=("readings",)) -> bytes:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name in sheets:
        page = book.create_sheet(name)
        for row in rows:
            page.append(row)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def test_workbook_is_read():
    data = workbook(("t", "load", "dial", None), (0, 1.5, 2), (0.5, 2, 2.25), ())
    samples, about = read(data)
    assert samples.to_dict("list") == {"time_s": [0.0, 0.5], "force_n": [1.5, 2.0],
                                       "displacement_mm": [2.0, 2.25]}
    assert (about["format"], about["sheet"]) == ("xlsx", "readings")


@pytest.mark.parametrize(("rows", "message", "row", "column"), [
    ([("t", "load", "dial"), (0, 1, 1), (1, "2,5", 1)], "text where a number belongs", 3, "load"),
    ([("t", "load", "dial"), (0, 1, 1), (1, True, 1)], "no number", 3, "load"),
    ([("t", "load", "dial"), (0, 1, 1), (datetime(2026, 7, 5), 1, 1)], "no number", 3, "t"),
    ([("t", "load", "dial"), (0, 1, 1), (1, "=1+1", 1)], "an empty cell", 3, "load"),
    ([("t", "load", "dial"), (0, 1, 1), (1, None, 1)], "an empty cell", 3, "load"),
    ([("t", "load", "load"), (0, 1, 1), (1, 1, 1)], "two columns have one name", 1, "load"),
    ([("t", "load", "dial"), (0, 1, 1), (), (1, 1, 1)], "an empty row between the readings", 3, None),
    ([("t", "load", "dial"), (0, 1, 1), (1, 1, 1, 5)],
     "a row has another number of cells than the header", 3, None),
    ([(0, 1, 1), (1, 1, 1)], "the first row is no header", 1, None),
    ([("t", "load", "dial"), (0, 1, 1), (0, 1, 1)], "time does not increase", 3, "t"),
    ([], "the sheet is empty", None, None),
])
def test_doubtful_workbooks_are_refused(rows, message, row, column):
    with pytest.raises(TableError) as caught:
        read(workbook(*rows))
    assert caught.value.message.startswith(message)
    assert (caught.value.where.get("row"), caught.value.where.get("column")) == (row, column)


def test_workbook_with_several_sheets_needs_a_name():
    rows = ("t", "load", "dial"), (0, 1, 1), (1, 2, 2)
    data = workbook(*rows, sheets=("first", "second"))
    with pytest.raises(TableError, match="several sheets"):
        read(data)
    assert len(read(data, sheet="second")[0]) == 2
    with pytest.raises(TableError, match="no such sheet"):
        read(data, sheet="third")
