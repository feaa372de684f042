"""Workbooks made to explode: refused within limits, in little time and memory."""

from __future__ import annotations

import io
import random
import struct
import tracemalloc
import zipfile

import openpyxl
import pytest

from padlab.errors import TableError
from padlab.records.first_rows import first_rows
from padlab.records.tables import read_columns
from padlab.records.workbook import read_workbook

SHEET = "xl/worksheets/sheet1.xml"
START = '<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
END = "</sheetData></worksheet>"
HEAD = '<row r="1"><c r="A1" t="inlineStr"><is><t>t</t></is></c></row>'


def parts() -> dict[str, bytes]:
    book = openpyxl.Workbook()
    book.active.append(["t"])
    book.active.append([1])
    stream = io.BytesIO()
    book.save(stream)
    with zipfile.ZipFile(stream) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(**changes: bytes) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in {**parts(), **changes}.items():
            archive.writestr(name, data)
    return stream.getvalue()


def sheet(rows: str) -> bytes:
    return packed(**{SHEET: (START + rows + END).encode()})


def shrunken_promise() -> bytes:
    """A directory that promises 100 bytes for a part of 50 MB."""
    data = bytearray(packed(**{SHEET: b" " * 50_000_000}))
    at = data.index(b"PK\x01\x02")
    while data[at + 46:at + 46 + len(SHEET)] != SHEET.encode():
        at = data.index(b"PK\x01\x02", at + 4)
    data[at + 24:at + 28] = struct.pack("<I", 100)
    return bytes(data)


LAUGHS = (b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">'
          b'<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">]><worksheet>&c;</worksheet>')

HOSTILE = {
    "50 MB of blanks in a few KB": lambda: packed(**{SHEET: b" " * 50_000_000}),
    "strings of 40 MB": lambda: packed(**{"xl/sharedStrings.xml": bytes(range(32, 96)) * 650_000,
                                          "xl/media/noise": random.Random(1).randbytes(400_000)}),
    "entities": lambda: packed(**{SHEET: LAUGHS}),
    "entities in UTF-16": lambda: packed(**{SHEET: LAUGHS.decode().encode("utf-16")}),
    "entities in another encoding": lambda: packed(**{
        SHEET: LAUGHS.replace(b'"1.0"', b'"1.0" encoding="cp037"', 1)}),
    "outside entity": lambda: packed(**{
        SHEET: b'<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]><worksheet>&a;</worksheet>'}),
    "2000 parts": lambda: packed(**{f"xl/media/{n}": b"" for n in range(2000)}),
    "row a thousand million": lambda: sheet(HEAD + '<row r="999999999"><c r="A999999999"><v>1</v></c></row>'),
    "column ZZZZ": lambda: sheet(HEAD + '<row r="2"><c r="ZZZZ2"><v>1</v></c></row>'),
    "column XFD": lambda: sheet(HEAD + '<row r="2"><c r="XFD2"><v>1</v></c></row>'),
    "row that is no number": lambda: sheet(HEAD + '<row r="x"><c r="A2"><v>1</v></c></row>'),
    "string that is not there": lambda: sheet(HEAD + '<row r="2"><c r="A2" t="s"><v>99999</v></c></row>'),
    "XML cut off": lambda: packed(**{SHEET: START.encode() + b"<row"}),
    "sheet is empty": lambda: packed(**{SHEET: b""}),
    "no workbook in it": lambda: packed(**{"xl/workbook.xml": b""}),
    "deep XML": lambda: packed(**{SHEET: (START + "<a>" * 200_000).encode()}),
    "size that lies": shrunken_promise,
    "cut in half": lambda: packed()[:2000],
    "only the first bytes": lambda: b"PK\x03\x04",
    "a ZIP of something else": lambda: _zip({"readme.txt": b"hello"}),
}


def _zip(files: dict[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return stream.getvalue()


@pytest.mark.timeout(60)
@pytest.mark.parametrize("case", HOSTILE)
def test_hostile_workbook_is_refused_cheaply(case):
    data = HOSTILE[case]()
    tracemalloc.start()
    try:
        with pytest.raises(TableError) as caught:
            read_workbook(data, ["t"])
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert caught.value.expected
    assert len(str(caught.value)) < 1000
    assert peak < 150e6


def test_honest_workbook_passes_the_same_gate():
    assert list(read_workbook(packed(), ["t"]).rows()) == [(2, (1,))]


def test_names_inside_the_archive_are_never_unpacked_to_disk(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    read_workbook(packed(**{"../../escaped.txt": b"x", "/tmp/escaped.txt": b"x"}), ["t"])
    assert list(tmp_path.iterdir()) == []


def test_a_damaged_workbook_is_not_taken_for_a_text_in_another_encoding(tmp_path):
    """Without its beginning, without its end, and where nothing of it can be known."""
    whole = packed()
    noise = random.Random(1).randbytes(3000)
    for name, data, words in (
        ("no beginning", b"\xa6\x07\x91\xe3" + whole[4:], "the workbook is damaged"),
        ("no end", whole[:-60], "the workbook is damaged"),
        ("noise", noise, "neither text nor a workbook"),
    ):
        file = tmp_path / f"{name}.xlsx"
        file.write_bytes(data)
        for read in (lambda file=file: first_rows(file),
                     lambda data=data: read_columns(data, number_names=["t"])):
            with pytest.raises(TableError, match=words) as refused:
                read()
            assert "UTF-8 (row" not in str(refused.value)
            assert "save it again" in str(refused.value)


def test_a_text_in_an_old_encoding_is_still_told_as_one():
    text = "Zeit;Kraft\n0;1\n# Prüfstand im Hafen: größer, süßer\n".encode("latin-1") * 20
    with pytest.raises(TableError, match="not in UTF-8"):
        read_columns(text, number_names=["Kraft"])
