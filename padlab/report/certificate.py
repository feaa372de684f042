"""A :class:`~padlab.decisions.certified.Certified` -> one HTML page that stands alone, with a place to sign.

The same records give the same bytes, but for the line that says when the page was made; so does the PDF,
which is the page on paper (:mod:`padlab.report.paper`). The page names every
raw file with its SHA-256; :func:`certified_files` reads them back, so that years later a changed file shows.
"""

from __future__ import annotations

import html
import re
from pathlib import Path

from padlab import __version__
from padlab.cautions import CAUTIONS
from padlab.decisions.batch import CharacteristicResult, p_words
from padlab.decisions.certified import Certified, equivalence_words, size_words
from padlab.errors import FileFormatError
from padlab.records.descriptor import RUN_ID
from padlab.records.traces import RawFile, content_hash
from padlab.report import batch_figures, numbers
from padlab.report.pages import environment, write_page
from padlab.report.paper import on_paper
from padlab.words import one_line, shortened

VERDICTS = {"accept": "accepted", "refuse": "refused", "test_more": "test more pads"}
LOOKS = {"accept": "within", "refuse": "beyond", "test_more": "undecided"}

_FILE = re.compile(r'<code data-run="([^"<>]{1,80})" data-file="([^"<>]{1,300})">([0-9a-f]{64})</code>')
ATTACHED = "raw-files.sha256"
"""What ``sha256sum -c`` reads in the folder of the shelf."""
_LISTED = re.compile(rb"^([0-9a-f]{64})  runs/([0-9A-Za-z-]{1,80})/(raw/[^\r\n]{1,300})$", re.MULTILINE)
_SUBJECT = re.compile(rb"/Subject \(content hash ([0-9a-f]{64})\)")
_WHOLE = re.compile(r'<code data-content="sha256">([0-9a-f]{64})</code>')


def certificate_page(done: Certified, *, made_on: str) -> str:
    """The certificate; ``made_on`` is the only thing on it that is not of the records."""
    from markupsafe import Markup

    result = done.result
    rows = [
        {
            "r": r,
            "words": VERDICTS[r.verdict],
            "look": LOOKS[r.verdict],
            "facts": _facts(r),
            "outside": _share_words(r.share_outside),
            "limits": _nice(batch_figures.limits_words(r.characteristic)),
            "pads": Markup(batch_figures.pads_figure(r, key=f"pads{n}")) if r.readings.pads else None,
            "curve": Markup(batch_figures.acceptance_figure(r.plan, key=f"curve{n}")),
            "shape": Markup(batch_figures.shape_figure(r, key=f"shape{n}"))
            if r.normality is not None
            else None,
        }
        for n, r in enumerate(result.characteristics)
    ]
    charts = [
        (o, Markup(batch_figures.over_time_figure(o, lot=result.lot, key=f"time{n}")))
        for n, o in enumerate(done.over_time)
    ]
    pads = {p.pad: p for r in result.characteristics for p in r.readings.pads}
    values = {(n, name): "" for n in range(len(rows)) for name in pads} | {
        (n, p.pad): _nice(size_words(p.value, r.characteristic))
        for n, r in enumerate(result.characteristics)
        for p in r.readings.pads
    }
    places = {name: ", ".join(text for text in (p.sheet, p.place) if text) for name, p in pads.items()}
    return (
        environment()
        .get_template("certificate.html.j2")
        .render(
            names=sorted(pads),
            values=values,
            places=places,
            made_on=made_on,
            version=__version__,
            done=done,
            result=result,
            spec=result.plan.spec,
            plan=result.plan,
            rows=rows,
            charts=charts,
            verdict=VERDICTS[result.verdict],
            look=LOOKS[result.verdict],
            content=done.content_sha256,
            moved=sorted({_nice(m.message) for m in done.marks if m.code == "standard_moved"}),
            cautions=CAUTIONS,
            size=lambda v, c: _nice(size_words(v, c)),
        )
    )


def certificate_pdf(done: Certified, *, made_on: str) -> bytes:
    """The same certificate on A4, with the list of its raw files attached as ``sha256sum`` reads it.

    Raises
    ------
    InputError
        The package that writes PDF is not installed.
    """
    result = done.result
    about = f"{result.plan.spec.material}, lot {result.lot}: {VERDICTS[result.verdict]}"
    lines = "".join(f"{f.sha256}  runs/{f.run}/{f.file}\n" for f in done.files)
    return on_paper(
        certificate_page(done, made_on=made_on),
        foot=f"{shortened(one_line(about), 90)}; content hash {done.content_sha256[:16]}",
        subject=f"content hash {done.content_sha256}",
        attached={ATTACHED: lines.encode("utf-8")},
    )


def write_certificate(done: Certified, out: Path, *, made_on: str) -> None:
    """Write the certificate whole or not at all; as PDF where the name ends so."""
    if is_pdf(out):
        write_page(out, "--out", lambda: certificate_pdf(done, made_on=made_on))
    else:
        write_page(out, "--out", lambda: certificate_page(done, made_on=made_on))


def is_pdf(path: Path) -> bool:
    """Whether a name asks for a PDF."""
    return path.suffix.lower() == ".pdf"


def certified_files(page: bytes) -> tuple[RawFile, ...]:
    """The raw files that a certificate names, a page or a PDF.

    Raises
    ------
    FileFormatError
        No certificate, or its list is not the one that its own hash was made of.
    """
    is_paper = page.startswith(b"%PDF-")
    files, whole = _of_pdf(page) if is_paper else _of_page(page.decode("utf-8", "replace"))
    if whole is None or any(RUN_ID.fullmatch(f.run) is None for f in files):
        raise FileFormatError(
            "this is no certificate of padlab",
            expected="a page or a PDF that padlab qualify wrote",
            seen=f"{len(files)} raw files named",
            remedy="a PDF that another program saved anew has lost its list: ask for the original"
            if is_paper
            else None,
        )
    if content_hash(files) != whole:
        raise FileFormatError(
            "this certificate was changed",
            expected=f"content hash {whole}",
            seen=content_hash(files),
            remedy="ask for the original",
        )
    return files


def _of_page(page: str) -> tuple[tuple[RawFile, ...], str | None]:
    whole = _WHOLE.search(page)
    found = (RawFile(html.unescape(run), html.unescape(file), sha) for run, file, sha in _FILE.findall(page))
    return tuple(found), None if whole is None else whole.group(1)


def _of_pdf(data: bytes) -> tuple[tuple[RawFile, ...], str | None]:
    """From the attached list, which stands in the file as it is, and the hash in its properties."""
    whole = _SUBJECT.search(data)
    found = (RawFile(run.decode(), file.decode("utf-8", "replace"), sha.decode())
             for sha, run, file in _LISTED.findall(data))
    return tuple(found), None if whole is None else whole.group(1).decode()


def _share_words(share: float | None) -> str:
    """A share in per cent; below a hundredth of one nobody can tell it from nothing."""
    if share is None:
        return "not determined"
    return "less than 0.01 %" if share < 1e-4 else f"{100 * share:.2g} %"


def _nice(words: str) -> str:
    return numbers.in_micrometres(words)


def _facts(r: CharacteristicResult) -> list[tuple[str, str]]:
    """What else the data say, in words; whatever is not known is said to be so."""
    c, told = r.characteristic, []
    if r.sd is not None:
        told.append(("Spread of the pads", f"standard deviation {size_words(r.sd, c)}"))
    if r.guard is None and r.readings.pads:
        told.append(("Guard band", "none: the systematic doubt of what measured the pads is not known"))
    elif r.guard:
        told.append(
            (
                "Guard band",
                f"limits drawn in by {size_words(r.guard, c)}, the systematic part of the rig's "
                "doubt (95 %); its random part is in the pads' spread already",
            )
        )
    t = r.tolerance
    if t is not None:
        where = {
            (True, True): lambda: f"between {size_words(t.low, c)} and {size_words(t.high, c)}",
            (True, False): lambda: f"above {size_words(t.low, c)}",
            (False, True): lambda: f"below {size_words(t.high, c)}",
        }[(t.low is not None, t.high is not None)]()
        told.append(
            (
                f"{100 * t.share:.0f} % of the lot",
                f"lie {where}, {100 * t.confidence:.0f} % sure (tolerance interval, exact factor "
                f"{t.factor:.4f})",
            )
        )
    if r.capability is not None:
        q = r.capability
        how = "approximate interval" if c.is_two_sided else "exact interval"
        told.append(
            (
                "Room to the nearer limit",
                f"{q.value:.2f} times three standard deviations; 95 % between "
                f"{q.low:.2f} and {q.high:.2f} (capability, {how})",
            )
        )
    told += [
        ("Beside it", f"{what}: {size_words(mean, c)} (mean of {n} pads)")
        for what, mean, n in r.readings.kept_apart
    ]
    if r.normality is not None:
        told.append(
            (
                "Shape",
                f"{'not ' if r.normality.is_refused else ''}taken for {c.distribution} (Shapiro and "
                f"Wilk: p {p_words(r.normality.p)}, refused below {r.normality.level:g})",
            )
            if c.distribution != "any"
            else ("Shape", "not asked: pads are counted")
        )
    if r.outlying is not None:
        names = ", ".join(r.readings.pads[i].pad for i in r.outlying.places)
        told.append(
            (
                "Pads that stand apart",
                f"{names or 'none'} (Rosner's test at {r.outlying.level:g}); none was taken out",
            )
        )
    if r.sheets is not None:
        told.append(
            (
                "Sheets",
                f"variance between sheets {r.sheets.between:.3g}, within {r.sheets.within:.3g}; the "
                f"pads are worth {r.sheets.mean_n:.1f} for the mean",
            )
        )
    if r.bad_lot_accepted is not None and r.good_lot_refused is not None:
        told.append(
            (
                "Risks of the rule as applied",
                f"a lot at the consumer's quality is accepted "
                f"{100 * r.bad_lot_accepted:.1f} % of the time at most, one at the producer's refused "
                f"{100 * r.good_lot_refused:.1f} %",
            )
        )
    if r.characteristic.margin is not None:
        told.append(
            ("Same as the reference lot?", equivalence_words(r) + "; beside the verdict, not part of it")
        )
    return [(head, _nice(words)) for head, words in told]
