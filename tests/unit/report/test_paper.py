"""The certificate as PDF: all that the page has, the same bytes, hostile words as plain ones."""

from __future__ import annotations

import io
import json
import re
import unicodedata
from html.parser import HTMLParser

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader, PdfWriter

from padlab.cli.main import main
from padlab.errors import FileFormatError, InputError
from padlab.report import certificate, paper, paper_sheet
from padlab.report.certificate import certified_files
from padlab.report.paper import on_paper
from padlab.report.paper_drawing import path_steps
from padlab.report.paper_sheet import Look, Sheet, Words, can_print

HOSTILE = {
    "markup": '<script>alert(1)</script> <b>"q"</b> &amp; &lt;',
    "mathtext": r"$\frac{1}{$ $x^2$ \unknown{",
    "terminal codes": "red \x1b[31m bell \x07 back\x08",
    "long word": "W" * 1500,
    "long line": "wool and felt " * 100,
    "other scripts": "毛毡 войлок φελλός 펠트",
    "right to left": "לבד لباد \u202eevil",
    "picture letters": "felt 🎺👩‍👩‍👧 🇫🇷 end",
    "combining": "Z͑ͫ̓a̴lg̷o e\u0301",
    "PDF itself": r"(paren) \) endstream endobj /Subject (content hash 0) %%EOF {nb}",
    "markdown": "**bold** __under__ --gone--",
}


def text_of(data: bytes) -> str:
    return "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages)


def bare(text: str) -> str:
    return re.sub(r"\s+", "", text)


class _Told(HTMLParser):
    """Every stretch of words that a person sees on a page, drawings too, and what only a listener hears."""

    def __init__(self):
        super().__init__()
        self.found, self._in = [], []

    def handle_starttag(self, tag, attrs):
        if tag not in paper.VOID:
            self._in.append(tag)

    def handle_endtag(self, tag):
        while self._in and self._in.pop() != tag:
            pass

    def handle_data(self, data):
        if data.strip() and not {"head", "style", "title", "desc"} & set(self._in):
            self.found.append(data)


def told(page: str) -> list[str]:
    reader = _Told()
    reader.feed(page)
    return reader.found


SPEC = """material = {material}
requested_by = {by}
producer_risk_quality = 0.01
producer_risk = 0.05
consumer_risk_quality = 0.08
consumer_risk = 0.10
[[characteristic]]
name = "thickness"
at = "gauge"
low = "61thou"
high = "65thou"
"""


@pytest.fixture
def shop(tmp_path, capsys):
    """Take in a lot of pads under any name, and write its certificates."""

    def padlab(*arguments):
        with pytest.raises(SystemExit) as left:
            main([str(a) for a in arguments])
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return int(left.value.code or 0), out, err

    def make(material="felt", *, by="the harbour-town workshop", pads=40, name="", out="c.pdf"):
        x = np.random.default_rng(5).normal(size=pads)
        rows = [f"{i}{name};{63 + 0.5 * v:.2f}" for i, v in enumerate(x)]
        (tmp_path / "t.csv").write_text("pad;thou\n" + "\n".join(rows) + "\n", "utf-8")
        code, _, err = padlab("import", tmp_path / "t.csv", "--kind", "gauge", "--material", material,
                              "--lot", "new", "--gauge-foot", "0.5N,6mm", "--column", "pad=pad", "--column",
                              "thickness=thou:thou", "--start", "2026-05-01", "--out", tmp_path / "shelf")
        assert code == 0, err
        text = SPEC.format(material=json.dumps(material, ensure_ascii=False),
                           by=json.dumps(by, ensure_ascii=False))
        (tmp_path / "s.toml").write_text(text, "utf-8")
        for file in (out, "c.html"):
            code, _, err = padlab("qualify", tmp_path / "shelf", "--spec", tmp_path / "s.toml", "--lot",
                                  "new", "--out", tmp_path / file)
            assert code == 0, err
        return (tmp_path / out).read_bytes(), (tmp_path / "c.html").read_text("utf-8")

    make.padlab, make.folder = padlab, tmp_path
    return make


def test_the_paper_says_all_that_the_page_says(shop):
    data, page = shop()
    seen = bare(text_of(data))
    pieces = told(page)
    assert len(pieces) > 200
    for piece in pieces:
        # A line may end within a piece, and a sheet's foot may stand between: word by word.
        for word in piece.split():
            assert word in seen, word
    whole = text_of(data)
    for words in ("Certificate of a delivered lot", "the harbour-town workshop", "Measured by", "Decided by",
                  "in the manner of", "No conformity", "Pinching and crushing", "sheet 1 of", "good lot"):
        assert words in re.sub(r"\s+", " ", whole), words
    reader = PdfReader(io.BytesIO(data))
    assert all((float(p.mediabox.width), float(p.mediabox.height)) == pytest.approx((595.28, 841.89), abs=0.1)
               for p in reader.pages)
    # Every pad is a dot of eight curves, in two drawings; nothing is a picture of points.
    drawn = b"".join(p.get_contents().get_data() for p in reader.pages)
    assert len(re.findall(rb" c$|\bc\b", drawn, re.MULTILINE)) >= 2 * 40 * 8
    assert not any("/XObject" in (p.get("/Resources") or {}) and p["/Resources"]["/XObject"]
                   for p in reader.pages)
    assert [o["/Title"] for o in reader.outline][:2] == ["Verdict", "Thickness under the gauge's foot"]


def test_heads_of_a_table_stand_on_every_sheet_that_it_runs_over(shop):
    data, _ = shop(pads=150)
    sheets = [page.extract_text() for page in PdfReader(io.BytesIO(data)).pages]
    with_rows = [s for s in sheets if re.search(r"^\d+\n?.*1\.[56]\d\d mm", s, re.MULTILINE)
                 and s.count(" mm (6") > 20]
    assert len(with_rows) >= 3
    assert all("Sheet, place" in s for s in with_rows)


def test_same_data_same_bytes_and_another_day_moves_the_date_line_only(shop, monkeypatch):
    made = {}
    write = certificate.write_certificate
    for name, day in (("a.pdf", "2026-06-01"), ("b.pdf", "2026-06-01"), ("d.pdf", "2027-01-02")):
        monkeypatch.setattr(certificate, "write_certificate",
                            lambda done, out, made_on, day=day: write(done, out, made_on=day))
        if not made:
            made[name], _ = shop(out=name)
        else:
            code, _, err = shop.padlab("qualify", shop.folder / "shelf", "--spec", shop.folder / "s.toml",
                                       "--lot", "new", "--out", shop.folder / name)
            assert code == 0, err
            made[name] = (shop.folder / name).read_bytes()
    assert made["a.pdf"] == made["b.pdf"]
    lines = [text_of(made[name]).splitlines() for name in ("a.pdf", "d.pdf")]
    assert [(a, b) for a, b in zip(*lines, strict=True) if a != b] == [("Made on 2026-06-01",
                                                                       "Made on 2027-01-02")]
    assert PdfReader(io.BytesIO(made["a.pdf"])).metadata["/CreationDate"] == "D:20000101000000Z"


@pytest.mark.parametrize("words", HOSTILE.values(), ids=HOSTILE.keys())
def test_hostile_words_are_printed_plainly_or_replaced_where_one_sees_it(shop, words):
    clean = "".join(c for c in words if c >= " ")[:200]                # TOML holds no terminal codes
    data, page = shop(clean, by=clean + " asks", name=" " + re.sub('[";]', "", clean[:40]))
    reader = PdfReader(io.BytesIO(data), strict=True)
    whole = text_of(data)
    assert "/JavaScript" not in str(reader.trailer["/Root"])
    seen = bare(whole)
    for word in clean.split()[:8]:
        for c in bare(word):
            unseen = unicodedata.category(c) == "Cf"                     # turns text round, joins letters
            assert c in seen or f"[U+{ord(c):04X}]" in seen or (unseen and "?" in seen), c
    if any(ord(c) > 0x2FFF for c in clean):
        assert "stand as their code points" in re.sub(r"\s+", " ", whole)
    assert certified_files(data) == certified_files(page.encode())


def test_a_page_of_nothing_but_hostile_words_is_whole():
    cells = "".join(f"<td>{w.replace('<', '&lt;').replace(chr(27), '?')}</td>" for w in HOSTILE.values())
    page = (f"<html><head><title>t</title></head><body><h1>{'H' * 3000}</h1><p>{'p ' * 9000}</p>"
            f"<table><thead><tr>{'<th>' + 'Head' * 9 + '</th>'}</tr></thead><tbody><tr>{cells}</tr></tbody>"
            f"</table><dl><dt>{'d' * 500}</dt><dd>{'e' * 20000}</dd></dl><ul><li>{'l' * 9000}</li></ul>")
    data = on_paper(page, foot="F" * 500)
    whole = bare(text_of(data))
    for letter, least in (("H", 3000), ("p", 9000), ("d", 500), ("e", 20000), ("l", 9000)):
        assert whole.count(letter) >= least


SHEET = []


@settings(max_examples=60, deadline=None)
@given(st.lists(st.text(max_size=60), max_size=6), st.floats(8, 180))
def test_no_line_is_wider_than_its_place_and_no_letter_is_lost(texts, width):
    sheet = SHEET[0] if SHEET else SHEET.append(Sheet(foot="f")) or SHEET[0]
    lines = sheet.broken([Words(t, Look(9.0, "B" if n % 2 else "")) for n, t in enumerate(texts)], width)
    for line in lines:
        assert sum(wide for _, _, wide in line) <= width + 1e-6
    printed = "".join(text for line in lines for text, _, _ in line)
    assert bare(printed) == bare("".join(sheet.printable(t) for t in texts))


def test_check_takes_the_pdf_and_names_what_was_changed(shop):
    data, _ = shop()
    check = ("qualify", shop.folder / "shelf", "--check", shop.folder / "c.pdf")
    code, out, _ = shop.padlab(*check)
    assert (code, out.strip()) == (0, "all 1 raw files are those of the certificate")
    (run,) = {f.run for f in certified_files(data)}
    original = shop.folder / "shelf" / "runs" / run / "raw" / "ORIGINAL"
    original.write_bytes(original.read_bytes().replace(b"63.", b"62.", 1))
    code, _, err = shop.padlab(*check)
    assert code == 1
    assert f"raw/ORIGINAL of run {run} was changed" in err


def test_a_changed_pdf_is_found_and_one_saved_anew_is_refused_or_still_right(shop):
    data, _ = shop()
    (file,) = certified_files(data)
    with pytest.raises(FileFormatError, match="was changed"):
        certified_files(data.replace(file.sha256.encode(), b"0" * 64))
    with pytest.raises(FileFormatError, match="no certificate"):
        certified_files(b"%PDF-1.4 nothing")
    again = PdfWriter(clone_from=io.BytesIO(data))
    for page in again.pages:
        page.compress_content_streams()
    again.metadata = None
    stream = io.BytesIO()
    again.write(stream)
    with pytest.raises(FileFormatError, match="no certificate") as seen:
        certified_files(stream.getvalue())
    assert "saved anew" in seen.value.remedy


def test_without_its_package_the_extra_is_named_before_anything_is_fitted(shop, monkeypatch):
    def absent(name):
        raise paper_sheet.PackageNotFoundError(name)

    monkeypatch.setattr(paper_sheet, "distribution", absent)
    code, _, err = shop.padlab("qualify", "no such shelf", "--spec", "none.toml", "--lot", "x", "--out",
                               shop.folder / "c.PDF")
    assert code == 1
    assert "padlab[pdf]" in err
    with pytest.raises(InputError):
        can_print()


def test_a_drawing_is_read_step_by_step():
    assert [kind for kind, _ in path_steps("M 0 0 C 1 1 2 2 3 3 L 1e-3 -2 z")] == ["M", "C", "L", "Z"]
    with pytest.raises(KeyError):
        list(path_steps("1 2"))
