"""What should the play operators act on: g, or the logarithm of the force? Print the table that decides.

    python tests/experiments/play_domain.py [pads of each material]

Chosen by it: g. Means of eight pads of each virtual material, seeds 8500-8507 (no other test uses them): root
mean square in um of what was held back, and of a played minute that no fit saw.

It is run by hand (about 4 s a pad); no test imports it.
"""

import sys

import numpy as np

from padlab.calibration.frame import frame_of
from padlab.capture.virtual.simulate import simulate
from padlab.capture.virtual.stocks import MATERIALS
from padlab.fitting.prepared import prepare
from padlab.fitting.response_fit import fit_response
from padlab.fitting.run_fit import fit_run
from padlab.fitting.stranger import stranger


def main(pads: int) -> None:
    """Print one line a material."""
    print(f"{'':16}" + "".join(f"{on + ': held back':>22}{'passage':>9}" for on in ("g", "log force")))
    for material in MATERIALS:
        rows = []
        for seed in range(8_500, 8_500 + pads):
            fitted = simulate(material, seed=seed)
            passage = simulate(material, seed=seed, procedure="passage", errors=fitted.errors)
            prepared, curves = prepare(fitted.run, frame_of(fitted.run)), fit_run(fitted.run).curves
            began = next(e.from_s for e in passage.motion.events if e.do == "free")
            seen = prepare(passage.run, frame_of(passage.run))
            row = []
            for on in ("g", "log force"):
                model = fit_response(prepared, curves, operators_on=on)
                found = stranger(model, seen, played_from_s=began - passage.motion.time_s[0])
                row += [model.held_back.rms_mm, found.rms_mm]
            rows.append(row)
        mean = 1e3 * np.mean(rows, axis=0)
        print(f"{material:16}{mean[0]:22.2f}{mean[1]:9.2f}{mean[2]:22.2f}{mean[3]:9.2f}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 8)
