"""Make the invented deliveries again: gauge readings of lots, and of a steel ring that checks the gauge.

    python sample_runs/make_deliveries.py              # into sample_runs/deliveries (old runs are removed)
    python sample_runs/make_deliveries.py /tmp/shelf   # somewhere else

Everything is invented: a harbour-town workshop takes one delivery of cream wool felt after the other, cuts
trial pads from four sheets and reads them under its shop gauge. Lot 2026-09 is good, 2026-10 is cut unevenly
and too thin, and of 2026-11 only twenty pads were read so far. The tables are taken in by padlab import.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

SEED = 2026
THOU_MM = 0.0254
FIELDS = ("corner 1", "edge 1", "corner 2", "edge 2", "middle", "edge 3", "corner 3", "edge 4", "corner 4")
EARLIER = ("2026-03", "2026-04", "2026-05", "2026-06")
RING_READ_AT = ("2026-05", "2026-09", "2026-11")
JUDGED = {  # lot: (mean, sd between sheets, sd within a sheet [thou], pads read)
    "2026-09": (63.1, 0.15, 0.6, 36),
    "2026-10": (62.0, 0.5, 1.0, 36),
    "2026-11": (63.0, 0.15, 0.6, 20),
}
RING_THOU = 60.0


def main(folder: Path) -> None:
    """Draw every lot and take it in, each on its day, the ring beside it."""
    if (folder / "runs").exists():
        shutil.rmtree(folder / "runs")
    rng = np.random.default_rng(SEED)
    lots = {lot: (63.0 + rng.normal(0, 0.25), 0.15, 0.6, 12) for lot in EARLIER} | JUDGED
    with tempfile.TemporaryDirectory() as scratch:
        for lot, (mean, between, within, count) in lots.items():
            sheets = mean + rng.normal(0, between, 4)
            rows = [f"{lot[2:].replace('-', '')}-{i + 1:02d},{sheets[i % 4] + rng.normal(0, within):.1f},"
                    f"{i % 4 + 1},{FIELDS[(i // 4) % 9]}" for i in range(count)]
            take_in(folder, Path(scratch), "pad,thou,sheet,place", rows, lot=lot, day=f"{lot}-05",
                    more=["--material", "cream wool felt", "--column", "sheet=sheet", "--column",
                          "place=place"])
            if lot not in RING_READ_AT:
                continue
            ring = [f"reading {i + 1},{RING_THOU + rng.normal(0, 0.08):.2f}" for i in range(5)]
            take_in(folder, Path(scratch), "pad,thou", ring, lot="the workshop's ring", day=f"{lot}-05",
                    more=["--material", "steel ring", "--standard"])


def take_in(folder: Path, work: Path, head: str, rows: list[str], *, lot: str, day: str,
            more: list[str]) -> None:
    """One table through padlab's own door."""
    table = work / "readings.csv"
    table.write_text("\n".join([head, *rows]) + "\n", "utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "padlab.cli", "import", str(table), "--kind", "gauge", "--lot", lot,
         "--gauge-foot", "0.5N,6mm", "--column", "pad=pad", "--column", "thickness=thou:thou", "--start", day,
         "--note", "invented", "--out", str(folder), *more], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise SystemExit(done.stderr)
    print(lot, done.stderr.splitlines()[0], flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "deliveries")
