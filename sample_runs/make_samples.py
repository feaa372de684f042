"""Make these sample runs again, from nothing: the virtual rig, a real port, and padlab's own capture.

    python sample_runs/make_samples.py            # into sample_runs/ itself (old runs are removed)
    python sample_runs/make_samples.py /tmp/runs  # somewhere else

Everything here is invented: a harbour-town workshop that looks after the band's cornets, baritones
and euphoniums tests six stocks, three lots of each, three pads of each lot. One lot is softer than
its stock (synthetic felt 2026-05), and during one run the zero of the force drifts (sheet cork
2026-03, pad 2). It takes about ten minutes; faster, and many idle readings would be kept at each end.
"""

import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from padlab.capture.virtual.simulate import as_pad
from padlab.capture.virtual.stocks import make_pad
from padlab.records.packing import pack
from padlab.records.shelf import open_run

STOCKS = {  # the virtual material, and what the workshop calls it
    "wool felt": "grey wool felt",
    "synthetic felt": "white synthetic felt",
    "sheet cork": "sheet cork",
    "rubber cork": "rubber cork",
    "soft neoprene": "soft black neoprene",
    "dense polymer": "dense green polymer",
}
LOTS = {"2026-03": 1, "2026-05": 2, "2026-07": 3}
SOFT_LOT = ("synthetic felt", "2026-05", 1.7)
DRIFTING_RUN = ("sheet cork", "2026-03", 2)
SEED = 2026          # draws the stocks, the lots, the pads, and the errors of the one rig
ROOM = ["--temperature", "21degC", "--humidity", "50%"]


def main(folder: Path) -> None:
    """Capture every run, then pack them."""
    if (folder / "runs").exists():
        shutil.rmtree(folder / "runs")
    with tempfile.TemporaryDirectory() as scratch:
        work = Path(scratch)
        blank = capture(folder, work, "bench", "blank", rig=["--pad-kind", "blank"])
        capture(folder, work, "touch-cap", "touch", rig=["--rig", "touch-cap", "--pad-kind", "player"],
                note="invented player: two minutes of a march on the baritone")
        for material, stock in STOCKS.items():
            for lot, lot_number in LOTS.items():
                for number in (1, 2, 3):
                    one_pad(folder, work, blank, material, stock, lot, lot_number, number)
    for run in sorted((folder / "runs").iterdir()):
        pack(open_run(run))
    (folder / ".cautions-shown").unlink(missing_ok=True)


def one_pad(folder: Path, work: Path, blank: str, material: str, stock: str, lot: str, lot_number: int,
            number: int) -> None:
    """A standard run of each pad; the first pad of a lot also warms up, after a night's rest."""
    softness = SOFT_LOT[2] if (material, lot) == SOFT_LOT[:2] else 1.0
    piece = as_pad(make_pad(material, lot=lot_number, pad=number, seed=SEED, lot_softness=softness))
    letters = "".join(word[0] for word in stock.split()).upper()
    file = work / "pad.toml"
    file.write_text(
        f'id = "{letters}{lot[-1]}-{number}"\nmaterial = "{stock}"\n'
        f'material_class = "{piece.material_class}"\nlot = "{lot}"\n'
        f'outer_diameter = "{piece.outer_diameter_mm:g}mm"\n'
        f'inner_diameter = "{piece.inner_diameter_mm:g}mm"\n'
        f'thickness = "{piece.thickness_mm:.2f}mm"\n', "utf-8")
    rig = ["--material", material, "--lot", str(lot_number), "--pad", str(number),
           "--soft-lot", str(softness)]
    faults = ["--fault", "drift@40"] if (material, lot, number) == DRIFTING_RUN else []
    more = ["--pad", str(file), "--blank", blank, *ROOM]
    capture(folder, work, "bench", "standard", rig=[*rig, *faults], more=more)
    if number == 1:
        capture(folder, work, "bench", "warm-up", rig=rig, more=[*more, "--conditioning", "rested overnight"])


def capture(folder: Path, work: Path, rig_name: str, procedure: str, *, rig: list[str],
            more: list[str] | None = None, note: str | None = None) -> str:
    """Serve one pass of the virtual rig and record it; returns the run's id."""
    padlab = [sys.executable, "-m", "padlab.cli"]
    transport = ["--tcp", "0"] if sys.platform == "win32" else []
    serve = [*padlab, "virtual-rig", "--procedure", procedure, "--seed", str(SEED), "--speed", "150",
             "--once", *rig, *transport]
    with (work / "rig.log").open("w") as log, subprocess.Popen(
            serve, stdout=subprocess.PIPE, stderr=log, text=True) as server:
        assert server.stdout is not None
        url = server.stdout.readline().strip()
        record = [*padlab, "capture", rig_name, procedure, "--out", str(folder), "--url", url, "--json",
                  *(more or []), *(["--note", note] if note else [])]
        done = subprocess.run(record, capture_output=True, text=True, check=False)
        server.terminate()
    if done.returncode != 0:
        raise SystemExit(f"{' '.join(record)} failed:\n{done.stderr}\n{done.stdout}")
    answer = json.loads(done.stdout)
    print(answer["run"], procedure, answer["state"], *(m["code"] for m in answer["marks"]), flush=True)
    return str(answer["run"])


if __name__ == "__main__":
    from make_wear import main as make_wear  # beside this file

    where = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    main(where)
    make_wear(where)
