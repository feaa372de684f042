"""Make the stored pages again: ``python tests/truth/pages/renew.py``; read the difference, then commit it.

The comparisons are invented, shaped like those of a harbour-town workshop that looks after a
band's cornets, baritones and euphoniums: no number here was measured, and none is checked against
the outside. What is stored is the page that padlab makes of them.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from padlab.calibration.budget import Budget, Source, Unknown
from padlab.decisions.rows import (
    CarriedTo,
    Comparison,
    CreepCurve,
    LotRow,
    PadRow,
    PairRow,
    PositionCurve,
    StockRow,
    TouchSummary,
    Unranked,
)
from padlab.decisions.told_apart import RigRow, StockBudget
from padlab.marks import Mark, mark
from padlab.report.pages import comparison_page
from padlab.statistics.quantity import Quantity

HERE = Path(__file__).parent
MADE_ON = "a day in an invented year"

STOCKS = [
    # name, class, drift um, scale N, loss, sinking a decade, lots, letters, tested to (finger N)
    ("dense polymer", "polymer", 11.2, 40.0, 0.06, 0.010, 3, "a", 20.5),
    ("rubber cork", "cork", 13.1, 24.0, 0.17, 0.025, 3, "ab", 20.5),
    ("sheet cork", "cork", 16.9, 18.0, 0.21, 0.030, 3, "b", 20.5),
    ("synthetic felt", "felt", 148.0, 5.0, 0.33, 0.040, 3, "c", 20.5),
    ("grey wool felt", "felt", 196.0, 3.2, 0.41, 0.055, 3, "c", 16.0),
    ("soft neoprene", "neoprene", 312.0, 2.0, 0.14, 0.060, 2, "d", 20.5),
]


def around(value: float, relative: float) -> Quantity:
    return Quantity(value, value * (1 - relative), value * (1 + relative))


def stock(rank: int, line: tuple, *, limit_mm: float = 0.2032, marks: tuple[Mark, ...] = ()) -> StockRow:
    name, kind, drift_um, scale, loss, creep, lots, letters, to_n = line
    drift = around(drift_um * 1e-3, 0.18)
    finger = np.linspace(2.75, to_n, 40)
    position = 2.3 * drift.value * np.log1p((finger - 2.75) / scale) / np.log1p(6 / scale)
    time = np.geomspace(0.1, 600, 45)
    held = position[12] * (1 + creep * np.log10(time))
    verdict = "within" if drift.high < limit_mm else "beyond" if drift.low > limit_mm else "undecided"
    return StockRow(
        rank=rank,
        material=name,
        material_class=kind,
        lots=lots,
        pads=3 * lots,
        drift_play_p95_mm=drift,
        drift_total_p95_mm=None,
        includes=("give", "hold"),
        missing=("warm_up", "thinning", "service"),
        give_mm=around(2 * drift.value, 0.12),
        hold_mm=around(position[12] * creep, 0.3),
        warm_up_mm=around(0.3 * drift.value, 0.4) if rank % 2 else None,
        thinning_mm=None,
        play_band_mm=around(1.9 * drift.value, 0.15),
        loss_fraction=around(loss, 0.15),
        letters=letters,
        probability_best=(0.823, 0.17, 0.004, 0.0, 0.0, 0.0)[rank - 1],
        verdict=verdict,
        marks=marks,
        lot_rows=tuple(
            LotRow(
                f"2026-0{3 + n}",
                3,
                drift.value * (0.93, 1.02, 1.06 if rank != 5 else 1.6)[n],
                rank == 5 and n == 2,
            )
            for n in range(lots)
        ),
        position=PositionCurve(finger, position, position * 0.9, position * 1.1),
        creep=CreepCurve(
            time,
            held,
            held * (1 - 0.06 - 0.02 * np.clip(np.log10(time / 60), 0, None)),
            held * (1 + 0.06 + 0.02 * np.clip(np.log10(time / 60), 0, None)),
            time > 60,
        ),
    )


def pads_of(row: StockRow) -> list[PadRow]:
    made = []
    for lot in row.lot_rows:
        for n in range(3):
            own = around(lot.drift_play_p95_mm * (0.96 + 0.04 * n), 0.05)
            place = f"{row.rank}{lot.lot[-1]}{n}"
            made.append(
                PadRow(
                    run=f"20260704T08{int(place) % 60:02d}30Z-k3v{place}",
                    pad=f"{row.material[0].upper()}{place}",
                    material=row.material,
                    lot=lot.lot,
                    drift_play_p95_mm=own,
                    give_mm=around(2 * own.value, 0.04),
                    hold_mm=around(0.04 * own.value, 0.2),
                    used=True,
                    marks=(
                        mark("uncalibrated", "rig"),
                        *((mark("no_hold", "run"),) if place == "232" else ()),
                    ),
                    loss_fraction=row.loss_fraction,
                    rig="bench-a",
                    procedure="standard",
                    temperature_c=21.4 + 0.1 * n,
                    start_utc=f"2026-07-04T08:{int(place) % 60:02d}:30Z",
                    tested_outer_mm=19.0,
                    tested_inner_mm=8.0,
                    thickness_mm=around(1.62 + 0.01 * n, 0.004),
                    scale=1.0,
                    tested_to_n=18.0,
                )
            )
    return made


def apart(difference: float, told: bool) -> Quantity:
    """A difference whose interval holds 0 just where the two are not told apart."""
    half = abs(difference) * (0.4 if told else 1.7)
    return Quantity(difference, difference - half, difference + half)


def rig() -> RigRow:
    """A rig that knows most of its doubts; nothing is known of warmth, and of one stock nothing repeated."""
    stocks = []
    for n, (name, _, drift, *_) in enumerate(STOCKS):
        give = 2 * drift / 1e3
        own = Source("repeat strokes", 4e-4 + 0.004 * give, 4)
        sources = (
            Source("indicator scale", 0.003 * give, systematic=True),
            Source("indicator, place by place", 3e-4),
            Source("indicator step", 2.9e-4, sensitivity=0.0),
            Source("force zero", 1e-4 + 5e-4 * give),
            Source("force scale", 0.001 * give, systematic=True),
            Source("frame, blank 20260704T070000Z-bare01", 5e-5, systematic=True),
            *(() if n == 5 else (own,)),
        )
        unknown = (Unknown("temperature", "the rig file does not say what warmth does"),)
        budget = Budget(sources, unknown)
        stocks.append(StockBudget(name, 9, give, budget, None if n == 5 else 3.2 * own.contribution))
    return RigRow("bench-a", ("force-20260101", "displacement-20260101"), 0.5, 12.5, tuple(stocks))


def full() -> Comparison:
    """Six stocks, ties, a lot that stands apart, a run left out, a stock not ranked."""
    rows = tuple(
        stock(
            n + 1,
            line,
            marks=(mark("lot_apart", line[0], "lot 2026-05 stands apart from the stock's other lots"),)
            if n == 4
            else (mark("few_lots", line[0]),)
            if n == 5
            else (),
        )
        for n, line in enumerate(STOCKS)
    )
    pads = [p for row in rows for p in pads_of(row)]
    pads.append(
        PadRow(
            run="20260704T093030Z-drft7a",
            pad="S359",
            material="synthetic felt",
            lot="2026-05",
            drift_play_p95_mm=None,
            give_mm=None,
            hold_mm=None,
            used=False,
            marks=(mark("zero_drifted", "run"),),
            role="left out",
            reason="the force zero moved by 0.41 N during the run",
            rig="bench-a",
            procedure="standard",
            temperature_c=21.6,
            start_utc="2026-07-04T09:30:30Z",
            tested_outer_mm=19.0,
            tested_inner_mm=8.0,
        )
    )
    pairs = tuple(
        PairRow(
            a.material,
            b.material,
            apart(a.drift_play_p95_mm.value - b.drift_play_p95_mm.value,
                  told := not {*a.letters} & {*b.letters}),
            told,
        )
        for n, a in enumerate(rows)
        for b in rows[n + 1 :]
    )
    return Comparison(
        touch=TouchSummary("medium", "down", 6.0, 1.5, 0.4, 3.0, 2.5, 3.5, 0.027, 0.011, 0.0018),
        carried_to=CarriedTo(19.0, 8.0, 1.3081, "commonest face tested", "middle of the tested pads"),
        ranking=rows,
        pads=tuple(pads),
        pairs=pairs,
        unranked=(
            Unranked("old stock from the drawer", "no run presses harder than 4 N net; test it to 17.5 N"),
        ),
        limit_mm=0.2032,
        smallest_difference_mm=0.0041,
        marks=(mark("formula", "comparison"),),
        rigs=(rig(),),
    )


def least() -> Comparison:
    """One pad of one stock, next to nothing known."""
    row = stock(1, STOCKS[1])
    bare = StockRow(
        rank=1,
        material="rubber cork",
        material_class="cork",
        lots=1,
        pads=1,
        drift_play_p95_mm=Quantity(row.drift_play_p95_mm.value),
        drift_total_p95_mm=None,
        includes=("give",),
        missing=("hold", "warm_up", "thinning", "service"),
        give_mm=None,
        hold_mm=None,
        warm_up_mm=None,
        thinning_mm=None,
        play_band_mm=None,
        loss_fraction=None,
        letters="",
        probability_best=None,
        verdict="undecided",
        marks=(mark("one_lot", "rubber cork"), mark("no_hold", "rubber cork")),
    )
    pad = PadRow(
        "20260704T081530Z-k3v9qa",
        "R1",
        "rubber cork",
        "2026-03",
        Quantity(row.drift_play_p95_mm.value),
        None,
        None,
        True,
        (mark("imported", "run"),),
    )
    return Comparison(
        touch=TouchSummary("light", "up", 0.5, None, 1.0, 5.0, 2.5, 2.0, 0.11, None, 0.0),
        carried_to=CarriedTo(19.0, 8.0, None, "commonest face tested", "not known"),
        ranking=(bare,),
        pads=(pad,),
        pairs=(),
        unranked=(),
        limit_mm=0.2032,
        smallest_difference_mm=None,
        marks=(),
        replication="measurement",
        spread_rule="none",
    )


def nothing() -> Comparison:
    """Nothing could be ranked."""
    return Comparison(
        touch=TouchSummary("hard", "down", 10.0, 1.5, 0.4, 3.0, 2.5, 7.5, 0.001, None, 0.05),
        carried_to=CarriedTo(19.0, 8.0, None, "asked for", "not known"),
        ranking=(),
        pads=(),
        pairs=(),
        unranked=(Unranked("grey wool felt", "all runs were set aside"),),
        limit_mm=0.0762,
        smallest_difference_mm=None,
        marks=(),
        replication="measurement",
        spread_rule="none",
    )


COMPARISONS = {"full": full, "least": least, "nothing": nothing}


def pages() -> dict[str, str]:
    """Each stored page's file name and what should stand in it."""
    return {f"{name}.html": comparison_page(make(), made_on=MADE_ON) for name, make in COMPARISONS.items()}


if __name__ == "__main__":
    import matplotlib

    for name, page in pages().items():
        (HERE / name).write_text(page, encoding="utf-8", newline="\n")
        sys.stdout.write(f"{HERE / name}: {len(page)} characters\n")
    (HERE / "matplotlib.txt").write_text(f"{matplotlib.__version__}\n", encoding="utf-8", newline="\n")
