"""Makes tests/truth/data/life_fits.json: lives fitted by an independent library, censoring included.

    python -m venv lives
    lives/bin/pip install lifelines==0.30.3
    lives/bin/python tests/truth/make_life_fits.py

The library wants an older pandas than padlab: it stands in an environment of its own, its answers are kept.
"""

import json
import warnings
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
LIMIT_UM = 76.2
SLOPES = (1.31, 1.62, 1.10, 1.87, 1.44, 1.23, 1.65)          # um per 100,000 strokes


def sets():
    lives = [LIMIT_UM / s * 1e5 for s in SLOPES]
    yield "seven pads", lives, [True] * 7
    yield "seven pads, three unreached", lives, [n < 5.5e6 for n in lives]
    fans = np.loadtxt(HERE / "data/generator_fans.csv", delimiter=",", skiprows=1)
    yield "generator fans", fans[:, 0].tolist(), (fans[:, 1] == 1).tolist()
    rng = np.random.default_rng(2026)
    drawn = np.exp(15 + 0.4 * rng.normal(size=40))
    bound = np.exp(15 + 0.4 * rng.normal(size=40))
    yield "forty drawn", np.minimum(drawn, bound).tolist(), (drawn <= bound).tolist()


def main():
    import lifelines  # not where padlab's own tests run

    out = {"library": f"lifelines {lifelines.__version__}", "sets": []}
    for name, lives, reached in sets():
        scale = float(np.median(lives))
        entry = {"name": name, "lives": lives, "reached": reached}
        for fitter, label in ((lifelines.LogNormalFitter(), "lognormal"),
                              (lifelines.WeibullFitter(), "weibull")):
            fitter._scipy_fit_options = {"ftol": 1e-14, "gtol": 1e-10}
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                fitter.fit(np.array(lives) / scale, reached)
            values = ((fitter.mu_ + np.log(scale), fitter.sigma_) if label == "lognormal"
                      else (fitter.rho_, fitter.lambda_ * scale))
            entry[label] = [*map(float, values), float(fitter.log_likelihood_ - sum(reached) * np.log(scale))]
        out["sets"].append(entry)
    (HERE / "data/life_fits.json").write_text(json.dumps(out, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
