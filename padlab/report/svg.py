"""One matplotlib figure -> one small ``<svg>`` element that can stand inside a page.

matplotlib writes a whole document: a date, its version, ids that clash when two figures share a
page, six decimals, a list of typefaces on every word. What leaves here has a title and a
description for those who cannot see it, ids of its own, two decimals (1/100 of a point, far
below what paper shows, and above what differs between processors) and real, selectable text in
the page's typeface.
"""

from __future__ import annotations

import io
import re
import warnings
from typing import TYPE_CHECKING
from xml.etree import ElementTree

from padlab.words import plain

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_SVG = "http://www.w3.org/2000/svg"
_XLINK_HREF = "{http://www.w3.org/1999/xlink}href"
_NUMBER = re.compile(r"-?\d+\.\d+(?:e[+-]?\d+)?")
_REFERENCE = re.compile(r"url\(#([^)]+)\)")
_ROTATED_BY_NOTHING = re.compile(r"^rotate\(-?0 [^)]*\)$")


def inline_svg(figure: Figure, *, key: str, title: str, description: str) -> str:
    """Draw the figure as an ``<svg>`` element for a page.

    Parameters
    ----------
    figure : Figure
        Made through the object interface; its typeface is replaced by the page's.
    key : str
        A word that no other figure of the page has; it starts all ids.
    title, description : str
        What the figure is, and what it shows, in words; any text is safe.

    Returns
    -------
    str
        Scales with its container: it has a ``viewBox`` and neither width nor height.
    """
    stream = io.StringIO()
    with warnings.catch_warnings():
        # The browser draws the words, with typefaces that matplotlib's own may lack a letter of.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font", category=UserWarning)
        warnings.filterwarnings(
            "ignore", message="Matplotlib currently does not support", category=UserWarning
        )
        figure.savefig(stream, format="svg", metadata=dict.fromkeys(("Date", "Creator", "Type", "Format")))
    # The document is matplotlib's own, made a line above: there is no hostile XML to defend against.
    root = ElementTree.fromstring(stream.getvalue())
    _drop(root, "metadata")
    _drop(root, "style")  # it would reach every other drawing of the page
    for attribute in ("width", "height", "version"):
        root.attrib.pop(attribute, None)
    root.set("style", "stroke-linejoin: round; stroke-linecap: butt")
    _simplify(root, key)
    for place, (tag, text) in enumerate((("title", title), ("desc", description))):
        element = ElementTree.Element(f"{{{_SVG}}}{tag}", {"id": f"{key}-{tag}"})
        element.text = plain(text)
        root.insert(place, element)
    root.set("role", "img")
    root.set("aria-labelledby", f"{key}-title {key}-desc")
    ElementTree.register_namespace("", _SVG)
    ElementTree.register_namespace("xlink", "http://www.w3.org/1999/xlink")
    return ElementTree.tostring(root, encoding="unicode")


def _drop(root: ElementTree.Element, tag: str) -> None:
    for parent in root.iter():
        for child in [c for c in parent if c.tag == f"{{{_SVG}}}{tag}"]:
            parent.remove(child)


def _simplify(root: ElementTree.Element, key: str) -> None:
    used = {m for e in root.iter() for v in e.attrib.values() for m in _REFERENCE.findall(v)}
    used |= {e.attrib[_XLINK_HREF][1:] for e in root.iter() if _XLINK_HREF in e.attrib}
    names: dict[str, str] = {}
    for element in root.iter():
        name = element.attrib.pop("id", "")
        if name in used:
            element.set("id", names.setdefault(name, f"{key}-{len(names)}"))
    for element in root.iter():
        for attribute, value in element.attrib.items():
            if attribute in ("id", "viewBox"):
                continue
            if attribute == _XLINK_HREF:
                element.set(attribute, "#" + names[value[1:]])
                continue
            value = _REFERENCE.sub(lambda m: f"url(#{names[m.group(1)]})", value)
            element.set(attribute, _NUMBER.sub(_two_decimals, value).replace("\n", "").strip())
        if _ROTATED_BY_NOTHING.match(element.attrib.get("transform", "")):
            del element.attrib["transform"]
        if element.tag == f"{{{_SVG}}}text":
            style = element.attrib.get("style", "").split("; ")
            element.set("style", "; ".join(s for s in style if not s.startswith("font-family")))
        elif element.text is not None and not element.text.strip():
            element.text = None
        element.tail = "\n" if element.tag == f"{{{_SVG}}}g" else None


def _two_decimals(match: re.Match[str]) -> str:
    text = f"{float(match.group()):.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
