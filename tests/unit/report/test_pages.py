"""The page of a comparison: same bytes, stands alone, harmless, understood."""

from __future__ import annotations

import dataclasses
import os
import re
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest

from padlab.calibration.budget import Source, Unknown
from padlab.errors import InputError
from padlab.marks import mark
from padlab.report.pages import comparison_page, write_comparison

STORED = Path(__file__).parents[2] / "truth" / "pages"

# each is text that a stock, lot, pad, rig or note may carry
HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style></title><svg onload=alert(1)>",
    "$x^$ and $\\frac{1}{0}$",
    "[/] [bold]felt",
    "{{ 7 * 7 }}{% raw %}",
    "felt\x1b[31mred\x00\x07",
    "felt\u202egnp.exe\u2066\u200f",
    "two\nlines\r\nof felt",
    "lone \ud800 surrogate",
    "フェルト שלום 🎺",
    "&lt;b&gt; &amp; ' \" `",
    "W" * 3000,
    "",
    "%s %(x)s {0}",
]

HARMLESS = set(
    "html head meta title style body header main section footer h1 h2 h3 p dl dt dd div span small strong br "
    "a ul li table caption thead tbody tr th td figure figcaption "
    "svg desc defs g path use text clippath rect pattern input label".split()
)


def hostile(comparison, text):
    """The comparison with ``text`` wherever something from outside is printed."""
    marks = (mark("lot_apart", text, text), mark("zero_drifted", text, text))
    first = comparison.ranking[0].material

    def name(material):
        return text if material == first else material

    return dataclasses.replace(
        comparison,
        touch=dataclasses.replace(comparison.touch, name=text),
        ranking=tuple(
            dataclasses.replace(
                row,
                material=name(row.material),
                marks=marks,
                lot_rows=tuple(dataclasses.replace(lot, lot=text) for lot in row.lot_rows),
            )
            for row in comparison.ranking
        ),
        pads=tuple(
            dataclasses.replace(
                pad, material=name(pad.material), lot=text, pad=text, run=text, rig=text, reason=text,
                procedure=text, calibrations=(text, text), start_utc=text, marks=marks,
            )
            for pad in comparison.pads
        ),
        pairs=tuple(dataclasses.replace(p, a=name(p.a), b=name(p.b)) for p in comparison.pairs),
        unranked=tuple(dataclasses.replace(u, material=text, reason=text) for u in comparison.unranked),
        versions={text: text},
        rigs=tuple(
            dataclasses.replace(
                rig, rig=text, calibrations=(text,),
                stocks=tuple(
                    dataclasses.replace(
                        s, material=name(s.material),
                        budget=dataclasses.replace(
                            s.budget, sources=(*s.budget.sources, Source(text, 1e-4)),
                            unknown=(Unknown(text, text),)),
                    )
                    for s in rig.stocks
                ),
            )
            for rig in comparison.rigs
        ),
    )  # fmt: skip


def test_the_same_comparison_gives_the_same_bytes_but_for_the_date_line(comparisons):
    first = comparison_page(comparisons["least"](), made_on="2026-07-04").splitlines()
    second = comparison_page(comparisons["least"](), made_on="2031-01-01").splitlines()
    assert len(first) == len(second)
    assert [(a, b) for a, b in zip(first, second, strict=True) if a != b] == [
        ("<p>Made on 2026-07-04</p>", "<p>Made on 2031-01-01</p>")
    ]


def test_the_same_bytes_in_another_process_with_another_matplotlibrc(comparisons, renew, tmp_path):
    (tmp_path / "matplotlibrc").write_text(
        "font.size: 22\nsvg.fonttype: path\naxes.grid: True\naxes.facecolor: red\npath.sketch: 1, 100, 2\n",
        encoding="utf-8",
    )
    program = (
        "import runpy, sys; made = runpy.run_path(sys.argv[1]);"
        "sys.stdout.buffer.write(made['pages']()['full.html'].encode())"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(STORED / "renew.py")],
        env={**os.environ, "MATPLOTLIBRC": str(tmp_path), "PYTHONHASHSEED": "77", "TZ": "Asia/Tokyo"},
        capture_output=True,
        timeout=120,
        check=True,
    )
    assert done.stdout.decode() == renew["pages"]()["full.html"]


@pytest.mark.parametrize("name", ["full", "least", "nothing"])
def test_the_page_stands_alone_and_runs_nothing(comparisons, page_of, name):
    page = page_of(comparison_page(comparisons[name](), made_on="today"))
    assert page.open == []
    for tag, attributes in page.elements:
        assert tag not in {
            "script",
            "link",
            "iframe",
            "object",
            "embed",
            "form",
            "img",
            "base",
            "foreignobject",
        }
        for attribute, value in attributes.items():
            assert not attribute.startswith("on")
            if attribute in {"src", "href", "xlink:href", "action"}:
                assert value
                assert value.startswith("#"), (tag, attribute, value)
            elif not attribute.startswith("xmlns"):
                assert "//" not in (value or ""), (tag, attribute, value)
    for around, text in page.texts:
        if "style" in around:
            assert not re.search(r"@import|url\(|expression|javascript", text, re.I)


@pytest.mark.parametrize("name", ["full", "least", "nothing"])
def test_what_a_screen_reader_needs_is_there(comparisons, page_of, name):
    page = page_of(comparison_page(comparisons[name](), made_on="today"))
    ids = [a["id"] for _, a in page.elements if "id" in a]
    assert len(ids) == len(set(ids))
    assert [t for t, _ in page.elements].count("h1") == 1
    assert dict(page.elements)["html"] == {"lang": "en"}
    for tag, attributes in page.elements:
        for reference in (attributes.get("aria-labelledby") or "").split():
            assert reference in ids
        if (attributes.get("xlink:href") or "").startswith("#"):
            assert attributes["xlink:href"][1:] in ids
        if tag == "svg":
            assert attributes["role"] == "img"
            assert attributes["aria-labelledby"]
            assert "viewbox" in attributes
            assert "width" not in attributes
        if tag == "th":
            assert attributes.get("scope") in {"col", "row", "rowgroup"}


@pytest.mark.parametrize("text", HOSTILE, ids=lambda t: ascii(t[:12]))
def test_hostile_text_reaches_page_and_drawings_as_plain_text(comparisons, page_of, text):
    full = comparisons["full"]()
    small = dataclasses.replace(full, ranking=full.ranking[:2], pads=(*full.pads[:2], full.pads[-1]))
    page = comparison_page(hostile(small, text), made_on=text)
    page.encode("utf-8")
    read = page_of(page)
    assert read.open == []
    assert {t for t, _ in read.elements} <= HARMLESS
    assert not [a for _, attributes in read.elements for a in attributes if a.startswith("on")]
    assert not [c for c in page if c != "\n" and unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp")]
    plain = " ".join("".join(c if ord(c) >= 32 else "?" for c in text).split())
    if text.isascii() and "\n" not in text:
        assert plain in read.words()
        if len(text) < 26:
            assert plain in read.words(drawings=True).replace(read.words(), "")


def test_lengths_are_printed_in_micrometres_and_thou_both(full_page, page_of):
    words = page_of(full_page).words()
    lengths = re.findall(r"[\d.]+ µm(.{0,12})", words)
    assert len(lengths) > 100
    assert all(re.match(r" ?\([\d.]+ (thou|to )", after) for after in lengths), lengths


@pytest.mark.parametrize("name", ["full", "least", "nothing"])
def test_a_technicians_words_only(comparisons, page_of, name):
    words = page_of(comparison_page(comparisons[name](), made_on="today")).words(drawings=True)
    assert not re.search(r"P95|AICc|tangent|secant|p-value|_mm\b", words, re.I)
    assert not re.search(r"\bNone\b|\bnan\b|\binf\b", words)  # Python's own words for what is not there
    assert "No conformity" in words
    assert "Local rules and licensed practice come first" in words


def test_the_first_words_are_the_answer_who_stays_within_and_who_was_not_ranked(full_page, page_of):
    words = page_of(full_page).words()
    told = [
        "Dense polymer lets the valve drift least: 19 notes of 20 within 11.2 µm (0.4 thou), "
        "95 % sure: 9.2 to 13.2 µm (0.4 to 0.5 thou).",
        "Not told apart from rubber cork. Its chance of being the best of them: 82 in 100.",
        "Stays within 8 thou dense polymer, rubber cork, sheet cork and synthetic felt",
        "Goes beyond 8 thou soft neoprene",
        "Not ranked old stock from the drawer: no run presses harder than 4 N net",
        "Runs left out 1: synthetic felt S359 (the force zero moved by 0.41 N during the run)",
        "The ranking: how far the port strays",
        "What can be told apart",
        "Dense polymer and rubber cork differ in drift by 1.9 µm (0.07 thou): not told apart, which takes",
        "This rig (bench-a) can tell apart pads that differ by 1.6 µm (0.06 thou) in give or more",
        "Drift against springback loss",
        "a guide to feel and spring, not to noise",
        "Position against finger force",
        "Sinking under a held note",
        "Pad by pad",
        "Where each number came from",
        "Cautions",
    ]
    # the first match of each, after the page's title, in this order
    body = words[words.index("Pad stocks compared") :]
    places = [body.index(t) for t in told]
    assert places == sorted(places)


def test_unknown_is_never_zero(comparisons, page_of):
    words = page_of(comparison_page(comparisons["least"](), made_on="today")).words()
    assert "Only rubber cork could be ranked: 19 notes of 20 within 13.1 µm (0.5 thou)" in words
    assert (
        "Not determined for any stock: give, sinking, playing band, warm-up, thinning and total drift"
        in words
    )
    assert not re.search(r"(?<![\d.])0(\.0+)? (µm|thou|mm|%)", words)
    assert "one lot only" in words


def test_micrometres_have_one_sign_on_a_page(comparisons, page_of):
    """What a mark says in the terminal's words has the page's sign too."""
    one = comparisons["least"]()
    noted = dataclasses.replace(one.pads[0], marks=(mark("replay_rough", "hold", "off by 63.3 um (rms)"),))
    page = page_of(comparison_page(dataclasses.replace(one, pads=(noted,)), made_on="today")).words()
    assert "off by 63.3 µm (rms)" in page
    assert " um " not in page


def test_nothing_ranked_says_so_with_the_reason(comparisons, page_of):
    page = page_of(comparison_page(comparisons["nothing"](), made_on="today"))
    assert "No stock could be ranked." in page.words()
    assert "grey wool felt: all runs were set aside" in page.words()
    assert "svg" not in {t for t, _ in page.elements}


def test_a_run_of_the_same_name_in_two_stocks_and_many_stocks_is_no_trouble(comparisons, page_of):
    full = comparisons["full"]()
    rows = tuple(
        dataclasses.replace(
            full.ranking[n % 6], rank=n + 1, material=f"stock {n}", letters="abcdefgh"[n // 5]
        )
        for n in range(15)
    )
    page = comparison_page(dataclasses.replace(full, ranking=rows, pairs=()), made_on="today")
    assert page_of(page).open == []
    assert len(page) < 700_000


def test_writing_replaces_the_old_page_at_once_and_leaves_nothing_behind(comparisons, tmp_path):
    out = tmp_path / "report.html"
    out.write_text("old", encoding="utf-8")
    write_comparison(comparisons["nothing"](), out, made_on="2026-07-04")
    assert out.read_bytes().decode() == comparison_page(comparisons["nothing"](), made_on="2026-07-04")
    assert b"\r" not in out.read_bytes()
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


def test_a_page_that_cannot_be_written_leaves_nothing_behind(comparisons, tmp_path):
    (tmp_path / "report.html").mkdir()
    with pytest.raises(InputError, match="report"):
        write_comparison(comparisons["nothing"](), tmp_path / "report.html", made_on="today")
    with pytest.raises(OSError, match="absent"):
        write_comparison(comparisons["nothing"](), tmp_path / "absent" / "report.html", made_on="today")
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


# WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text; relative luminance as defined there.
def luminance(colour: str) -> float:
    channels = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_text_contrast_in_light_and_dark():
    import padlab.report.axes as axes

    css = (Path(axes.__file__).parent / "templates" / "page.css").read_text(encoding="utf-8")
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    light, dark = ({k: v for k, v in re.findall(r"--(\w+): (#[0-9a-f]{6})", block)}
                   for block in re.findall(r":root \{(.*?)\}", css, re.S)[:2])  # fmt: skip
    for colours in (light, dark):
        for text in ("ink", "soft", "within", "beyond", "undecided", "care"):
            for ground in ("paper", "card"):
                assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    for text in (axes.INK, axes.MUTED, axes.TEAL, axes.RUST, axes.SLATE):
        for ground in (axes.CARD, axes.SHADE, axes.PAST_LIMIT):
            assert contrast(text, ground) >= 4.5, (text, ground)
