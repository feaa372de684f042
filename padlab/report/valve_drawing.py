"""One valve in section, with both pads, and how each of its ports was found: signs that an eye can check.

    button          At the right two windows: the port in the casing (dashed) and the piston's (grey), pressed
    [down pad]      and at rest. The arrow goes from the aligned place to where the piston stands: an arrow
    == cap ==       that points down is a positive error, however large; its length is no scale.
    [ up pad ]
    | piston |--port

>>> 'id="v-down-arrow"' in valve_drawing("1", down_mm=0.1, up_mm=None, key="v")
True
"""

from __future__ import annotations

from xml.sax.saxutils import escape

from padlab.records.instrument import SIDES, Side, error_words
from padlab.units import thou
from padlab.words import one_line

INK, SOFT, PALE, PISTON = "#1f2630", "#525b67", "#9aa3ae", "#dfe3e8"
WHEN: dict[Side, str] = {"down": "pressed", "up": "at rest"}
MINUS = "\N{MINUS SIGN}"
FARTHEST_MM = 0.3
"""Where the length of an arrow ends to grow (design choice)."""


def valve_drawing(name: str, *, down_mm: float | None, up_mm: float | None, key: str,
                  not_read: str = "not read") -> str:
    """The valve as an ``<svg>`` element for a page.

    Parameters
    ----------
    name : str
        Of the valve; any text is safe.
    down_mm, up_mm : float, optional
        Port errors with the valve pressed and at rest, + = piston too far down; None: not known.
    key : str
        Starts all ids; no other drawing of the page has it.
    not_read : str
        What a window says whose error is not known.
    """
    errors: dict[Side, float | None] = {"down": down_mm, "up": up_mm}
    said = [f"{side} stop: {not_read if e is None else error_words(side, e)}" for side, e in errors.items()]
    words = _plain(f"Valve {name}. " + ". ".join(said))
    windows = "".join(_window(side, errors[side], key, top=4 + 62 * place, not_read=not_read)
                      for place, side in enumerate(SIDES))
    return (f'<svg viewBox="-14 0 222 124" role="img" aria-labelledby="{key}-title {key}-desc" '
            f'font-size="9.5" fill="{INK}" stroke-linecap="round">'
            f'<title id="{key}-title">{_plain(f"Valve {name} in section")}</title>'
            f'<desc id="{key}-desc">{words}</desc>{_section(key)}{windows}</svg>')


def signed(length_mm: float, decimals: int | None = None) -> str:
    """A port error in thou with its sign, rounded as `both_lengths` rounds, or to ``decimals``.

    >>> signed(0.1524), signed(-0.0584), signed(0.001), signed(0.001, 1), signed(0.0)
    ('+6.0', '−2.3', '+0.04', '0.0', '0.0')
    """
    value = thou(length_mm)
    if decimals is None:
        decimals = 1 if abs(value) >= 0.095 or value == 0 else 2
    text = f"{abs(value):.{decimals}f}"
    sign = "" if float(text) == 0 else "+" if value > 0 else MINUS
    return f"{sign}{text}"


def _plain(text: str) -> str:
    return escape(one_line(text).replace(" um", " µm"))


def _arrow(name: str, *, x: float, from_y: float, to_y: float, width: float = 1.8) -> str:
    """A vertical arrow; ids ``name-arrow`` (its line) and ``name-head``."""
    on = 1.0 if to_y > from_y else -1.0
    half, back = 1.9 * width, to_y - on * 2.6 * width
    return (f'<line id="{name}-arrow" x1="{x:g}" y1="{from_y:g}" x2="{x:g}" y2="{back:.4g}" '
            f'stroke="{INK}" stroke-width="{width:g}"/>'
            f'<polygon id="{name}-head" fill="{INK}" points="{x:g},{to_y:.4g} '
            f'{x - half:.4g},{back:.4g} {x + half:.4g},{back:.4g}"/>')


def _section(key: str) -> str:
    """The valve halfway: neither pad is squeezed, so that both are seen."""

    def box(x: float, y: float, width: float, height: float, fill: str, line: str = INK) -> str:
        return (f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" fill="{fill}" '
                f'stroke="{line}" stroke-width=".8"/>')

    def label(y: float, words: str, to_x: float) -> str:
        return (f'<text x="33" y="{y + 3.2:g}" text-anchor="end" fill="{SOFT}">{words}</text>'
                f'<line x1="35" y1="{y:g}" x2="{to_x:g}" y2="{y:g}" stroke="{PALE}" stroke-width=".6"/>')

    spring = "68,104 76,106 60,109 76,112 60,115 68,117"
    return "".join((
        label(5.5, "button", 50), label(15.5, "down pad", 53), label(29.5, "cap", 43),
        label(46, "up pad", 49),
        label(88, "piston", 49),
        box(65, 9, 6, 42, "#fff"),                                            # stem
        f'<rect x="51" y="2" width="34" height="9" rx="3" fill="#fff" stroke="{INK}" stroke-width=".8"/>',
        box(54, 11, 28, 8, INK),                                              # down pad
        box(44, 25, 21, 9, "#fff"), box(71, 25, 21, 9, "#fff"),               # cap, with the stem's hole
        box(44, 34, 5, 88, "#fff"), box(87, 34, 5, 36, "#fff"), box(87, 92, 5, 30, "#fff"),    # casing
        box(50, 50, 36, 54, PISTON),                                          # piston
        box(50, 42, 36, 8, "#6d7682"),                                        # up pad
        f'<path d="M92 70h9M92 92h9" stroke="{INK}" stroke-width=".8"/>',     # the slide's tube
        f'<circle cx="77" cy="81" r="8" fill="#fff" stroke="{INK}" stroke-width=".8"/>',
        f'<text x="75" y="101.5" font-size="8" text-anchor="middle" fill="{SOFT}">port</text>',
        f'<polyline points="{spring}" fill="none" stroke="{INK}" stroke-width=".8"/>',
        box(49, 118, 38, 4, "#fff"),
        _arrow(f"{key}-minus", x=57, from_y=74, to_y=60, width=1.3),
        _arrow(f"{key}-plus", x=57, from_y=80, to_y=94, width=1.3),
        f'<text x="62" y="68" font-size="11" font-weight="700">{MINUS}</text>',
        '<text x="62" y="97" font-size="11" font-weight="700">+</text>'))


def _window(side: Side, error_mm: float | None, key: str, *, top: float, not_read: str) -> str:
    """One port as it was found."""
    name, x, y = f"{key}-{side}", 128.0, top + 30
    head = (f'<text x="108" y="{top + 5:g}" font-weight="700">{WHEN[side]}'
            '<tspan font-weight="400" font-size="8.5"> [thou]</tspan></text>')
    casing = (f'<circle id="{name}-casing" cx="{x:g}" cy="{y:g}" r="12" fill="none" stroke="{INK}" '
              'stroke-width=".9" stroke-dasharray="3 2"/>')
    line = f'<line x1="108" y1="{y:g}" x2="172" y2="{y:g}" stroke="{PALE}" stroke-width=".7"/>'
    if error_mm is None:
        said = f'<text id="{name}-number" x="{x + 18:g}" y="{y - 3:g}">{_plain(not_read)}</text>'
        return head + line + casing + said
    grown = min(abs(error_mm), FARTHEST_MM) / FARTHEST_MM
    turn = (error_mm > 0) - (error_mm < 0)
    piston = (f'<circle id="{name}-piston" cx="{x:g}" cy="{y + turn * (3 + 5 * grown):.4g}" r="12" '
              f'fill="{PISTON}" stroke="{INK}" stroke-width=".9"/>')
    arrow = _arrow(name, x=x + 19, from_y=y, to_y=y + turn * (13 + 9 * grown)) if turn else ""
    beside = y + {1: 19, 0: 5, -1: -7}[turn]
    words = (f'<text id="{name}-number" x="{x + 26:g}" y="{beside:g}" font-size="15" '
             f'font-weight="700">{signed(error_mm)}</text>')
    return head + piston + line + casing + arrow + words
