"""A recorded touch through several pads -> one HTML file that stands alone."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from padlab import __version__
from padlab.cautions import CAUTIONS
from padlab.decisions.comparison import LIMIT_MM
from padlab.decisions.stocks import verdict_of
from padlab.drift.replay import TouchHistory
from padlab.drift.through import Through
from padlab.marks import Weight
from padlab.records.pad import F0_N
from padlab.report.pages import environment, write_page
from padlab.report.story import VERDICT_WORDS
from padlab.report.strips import force_strip, position_strip, strip_height_mm


def replay_page(rows: Sequence[Through], *, touch: str, history: TouchHistory, made_on: str) -> str:
    """The page of a replay: the touch, a strip a pad on one scale, the table, the marks.

    Parameters
    ----------
    rows : sequence of Through
        One or more, along ``history``.
    touch : str
        What the recording is called.
    made_on : str
        The date to print; the only thing on the page that is not of the replay.
    """
    from markupsafe import Markup

    time = history.time_s - history.time_s[0]
    away = [row.displacement_mm - row.home_mm for row in rows]
    # Between notes the finger is off: the pad comes back farther than the valve ever stands.
    pressed = history.net_n >= F0_N
    shown = [np.where(pressed, a, np.nan) for a in away]
    known = [a[pressed] for a in away if pressed.any()]
    height = strip_height_mm(known, limit_mm=LIMIT_MM)
    strips = [Markup(position_strip(
        time, s, height_mm=height, limit_mm=LIMIT_MM, key=f"strip{n}", is_outside=row.is_outside,
        name=f"pad {row.pad} of {row.material}",
        half_band_mm=float(np.nanmedian(row.high_mm - row.low_mm)) / 2,
    )) for n, (row, s) in enumerate(zip(rows, shown, strict=True))]
    marks = [(row, m) for row in rows for m in row.marks
             if m.weight is not Weight.NOTE or m.code == "no_replay"]
    verdicts = [verdict_of(row.p95_mm, LIMIT_MM) for row in rows]
    return environment().get_template("replay.html.j2").render(
        made_on=made_on, version=__version__, cautions=CAUTIONS, touch=touch, notes=int(history.ends.size),
        least=min(row.p95_mm.value for row in rows), most=max(row.p95_mm.value for row in rows),
        rows=list(zip(rows, strips, verdicts, [VERDICT_WORDS[v] for v in verdicts], strict=True)),
        marks=marks, limit_mm=LIMIT_MM,
        force=Markup(force_strip(time, history.net_n, key="force")),
        heading="replay" if all(row.method == "replay" for row in rows) else "method as said on each line")


def write_replay(rows: Sequence[Through], out: Path, *, touch: str, history: TouchHistory,
                 made_on: str) -> None:
    """Write the page; what stood there before stays whole until the new page is."""
    write_page(out, "--out", lambda: replay_page(rows, touch=touch, history=history, made_on=made_on))
