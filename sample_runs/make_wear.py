"""Make the wear runs among these sample runs again: readings of pads over an endurance test, imported.

    python sample_runs/make_wear.py            # into sample_runs/ itself (its old wear runs are removed)
    python sample_runs/make_wear.py /tmp/runs  # somewhere else

Everything here is invented: the harbour-town workshop lets a small crank press its pads day and night, and
takes them out now and then: it weighs them, gauges them at 0.25 N, lets them rest for a day, and gauges them
again. One pad of each stock lies beside the crank, unloaded. The numbers come from :func:`readings`, a rule
of thumb with random pads, no model of a real one.
"""

import csv
import json
import random
import shutil
import sys
import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from padlab.records.columns import parse_column
from padlab.records.pad import Pad
from padlab.records.shelf import Shelf
from padlab.records.tables import import_table

SEED = 2026
BEGAN = datetime(2026, 11, 26, 8, tzinfo=UTC)
COLUMNS = [parse_column(c) for c in (
    "strokes=presses", "thickness=gauge:mm", "rest=rested:h", "mass=balance:mg", "temperature=room:degC",
    "humidity=damp:%")]
GAUGE_UM = 0.7        # scatter of a reading: the mean of five
DAMP_UM = 0.35        # what one per cent of humidity does to a felt or cork


@dataclass(frozen=True)
class Stock:
    """An invented stock: how much 3 thou takes, and how much of it at once."""

    name: str
    material_class: str
    letters: str
    thickness_mm: float
    last_strokes: float
    each_um: float          # rubbed off per 100,000 strokes
    settles_um: float       # packed together in the first tens of thousands
    comes_back_um: float    # regained in a day of rest
    lots: tuple[tuple[str, int], ...]
    damp: float


STOCKS = (
    Stock("grey wool felt", "felt", "GWF", 1.9, 3e5, 11.5, 22.0, 14.0,
          (("2026-03", 3), ("2026-05", 2), ("2026-07", 2)), 1.0),
    Stock("soft black neoprene", "neoprene", "SBN", 2.2, 2.5e5, 17.0, 9.0, 18.0, (("2026-05", 3),), 0.1),
    Stock("dense green polymer", "polymer", "DGP", 1.2, 3.6e6, 0.90, 5.0, 1.5,
          (("2026-03", 2), ("2026-05", 2), ("2026-07", 2)), 0.0),
)


def main(folder: Path) -> None:
    """Write each pad's table, and import it as a workshop would."""
    for held in sorted((folder / "runs").glob("*/datapackage.json")) if (folder / "runs").is_dir() else []:
        if json.loads(held.read_text("utf-8"))["padlab"]["kind"] == "wear":
            shutil.rmtree(held.parent)
    draw, ids, number = np.random.default_rng(SEED), random.Random(SEED), 0
    with tempfile.TemporaryDirectory() as scratch:
        for stock in STOCKS:
            pads = [(lot, str(k + 1), False) for lot, count in stock.lots for k in range(count)]
            of_lot = {lot: float(np.exp(draw.normal(0, 0.10))) for lot, _ in stock.lots}
            for lot, pad, is_control in [*pads, (stock.lots[0][0], "control", True)]:
                speed = 0.0 if is_control else of_lot[lot] * float(np.exp(draw.normal(0, 0.13)))
                label = f"{stock.letters}{lot[-1]}-{pad}"
                table = Path(scratch) / f"{label}.csv"
                thickness = stock.thickness_mm + float(draw.normal(0, 0.02))
                write_table(table, readings(stock, thickness, speed, draw))
                run = import_table(
                    table, Shelf(folder), kind="wear", columns=COLUMNS, now=BEGAN + timedelta(minutes=number),
                    start_utc=BEGAN + timedelta(minutes=number), stop="down", control=is_control, rng=ids,
                    note="invented: a crank at 3 strokes a second",
                    pad=Pad(label, stock.name, stock.material_class, lot, 19.0, 8.0, round(thickness, 3)))
                print(run.id, stock.name, label, flush=True)
                number += 1


def readings(stock: Stock, thickness_mm: float, speed: float, draw: np.random.Generator) -> list[list[str]]:
    """Rows of one pad's table; ``speed`` 0 is a pad that nobody presses."""
    rows = []
    for share in (0.0, 0.004, 0.008, 0.016, 0.03, 0.06, 0.12, 0.25, 0.4, 0.55, 0.7, 0.85, 1.0):
        presses = round(share * stock.last_strokes, -2)
        damp = 50 + 6 * np.sin(9 * share) + draw.normal(0, 1)
        rubbed = stock.each_um * speed * presses / 1e5
        packed = stock.settles_um * np.tanh(speed) * presses / (presses + 8e3)
        tired = stock.comes_back_um * np.tanh(speed) * min(presses / 2e4, 1.0) ** 0.3
        swells = stock.damp * DAMP_UM * (damp - 50)
        mass = 1.2 * 233.263 * (thickness_mm - rubbed / 1e3) * 0.35
        for rest_h, still in ((0.1, tired), (24.0, 0.0)) if presses else ((24.0, 0.0),):
            gauge = thickness_mm - (rubbed + packed + still - swells + draw.normal(0, GAUGE_UM)) / 1e3
            rows.append([f"{presses:.0f}", f"{gauge:.4f}", f"{rest_h:g}",
                         f"{mass + draw.normal(0, 0.02):.2f}", f"{21 + draw.normal(0, 0.4):.1f}",
                         f"{damp:.0f}"])
    return rows


def write_table(path: Path, rows: list[list[str]]) -> None:
    """As the workshop's spreadsheet would."""
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerows(
            [["presses", "gauge", "rested", "balance", "room", "damp"], *rows])


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
