"""Are the bands of a replay what they say? Counted on a played minute that neither fit nor band has seen.

400 pads, the rig's errors drawn anew for each (about three seconds a pad): ``pytest -m long tests/studies``.
``PADLAB_STUDY_PADS`` and ``PADLAB_STUDY_WORKERS`` make it smaller or quicker. Seeds are used nowhere else.
"""

import os
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
import pytest

from padlab.calibration.frame import frame_of
from padlab.capture.virtual.simulate import simulate
from padlab.capture.virtual.stocks import MATERIALS
from padlab.fitting.prepared import prepare
from padlab.fitting.response_fit import fit_response
from padlab.fitting.run_fit import fit_run
from padlab.fitting.stranger import stranger

PADS = int(os.environ.get("PADLAB_STUDY_PADS", "400"))
WORKERS = int(os.environ.get("PADLAB_STUDY_WORKERS", "1"))


def one_pad(number):
    """Material, share inside the band, rms error, width of the band, rms of the best curve, way; of a pad."""
    material = list(MATERIALS)[number % len(MATERIALS)]
    seed = 90_000 + number
    pad = {"lot": 1 + number % 5, "pad": 1 + number % 7, "seed": seed}
    fitted = simulate(material, **pad)
    passage = simulate(material, **pad, procedure="passage", errors=fitted.errors)
    model = fit_response(prepare(fitted.run, frame_of(fitted.run)), fit_run(fitted.run).curves)
    began = next(e.from_s for e in passage.motion.events if e.do == "free") - passage.motion.time_s[0]
    seen = stranger(model, prepare(passage.run, frame_of(passage.run)), played_from_s=began)
    return material, seen.in_band_share, seen.rms_mm, seen.band_mm, seen.static_rms_mm, seen.range_mm


@pytest.mark.long
@pytest.mark.timeout(3 * 3600)
def test_bands_of_many_pads():
    if WORKERS > 1:
        with ProcessPoolExecutor(WORKERS, mp_context=get_context("spawn")) as pool:
            rows = list(pool.map(one_pad, range(PADS)))
    else:
        rows = [one_pad(n) for n in range(PADS)]
    materials = np.array([r[0] for r in rows])
    share, rms, width, static, way = np.array([r[1:] for r in rows]).T
    worst = np.argsort(rms)[-max(len(rows) // 10, 1):]
    print(f"\n{len(rows)} pads: mean share inside {share.mean():.3f}; median width over error "
          f"{np.median(width / rms):.2f}; median width {1e3 * np.median(width):.2f} um, of the worst tenth "
          f"{1e3 * np.median(width[worst]):.2f} um ({np.mean(width[worst] > np.median(width)):.2f} wider)")
    for material in MATERIALS:
        mine = materials == material
        off = rms[mine] / np.maximum(0.04 * way[mine], 0.003)
        print(f"  {material:15} {mine.sum():4d} pads: inside {share[mine].mean():.3f}, lowest "
              f"{share[mine].min():.3f}; error {1e3 * np.median(rms[mine]):.2f} um, at most "
              f"{1e3 * rms[mine].max():.2f} um; of what is allowed at most {off.max():.2f}; "
              f"of the best curve's {np.median(rms[mine] / static[mine]):.2f}")
    assert 0.92 <= share.mean() <= 0.98
    assert np.median(width / rms) <= 6.0
    assert np.median(width[worst]) > np.median(width)
