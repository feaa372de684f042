"""Lives of pads: the interval of a new pad, its censored lives, and the distributions."""

import math

import numpy as np
import pytest
from scipy import integrate, stats

from padlab.statistics.lifetimes import Distribution, maximum_likelihood, new_pad

LOTS = {"a": [15.2, 15.5, 15.4], "b": [15.9, 15.7], "c": [15.1, 15.3]}


def test_lots_widen_the_interval():
    apart = new_pad(LOTS)
    alike = new_pad({lot: [y - np.mean(some) for y in some] for lot, some in LOTS.items()})
    assert apart.high90 - apart.low90 > 2 * (alike.high90 - alike.low90)
    assert apart.between > 0.2
    assert alike.between == 0.0
    assert apart.within == pytest.approx(alike.within)
    assert apart.centre_high95 - apart.centre > 0.5                      # two degrees of freedom only


def test_the_variance_is_without_bias():
    # V is the variance of (new pad of a new lot - centre): the mean over many studies says so.
    rng = np.random.default_rng(3)
    off, said = [], []
    for _ in range(1000):
        lots = {str(i): (rng.normal(0, 1.0) + rng.normal(0, 1, n)).tolist() for i, n in enumerate((3, 2, 2))}
        seen = new_pad(lots)
        off.append(rng.normal(0, math.sqrt(2)) - seen.centre)
        h, m = 3 / (1 / 3 + 1 / 2 + 1 / 2), 3
        means = [np.mean(v) for v in lots.values()]
        said.append((1 + 1 / m) * np.var(means, ddof=1) + (1 - 1 / h) * seen.within**2)
    assert np.mean(said) == pytest.approx(np.var(off), rel=0.12)


def test_the_bound_of_nine_in_ten_holds():
    rng = np.random.default_rng(4)
    true = -stats.norm.ppf(0.9) * math.sqrt(2)
    studies = [{str(i): (rng.normal() + rng.normal(0, 1, 3)).tolist() for i in range(4)} for _ in range(400)]
    held = [new_pad(lots).b10_lower95 < true for lots in studies]
    assert np.mean(held) > 0.93


def test_more_variance_widens_and_moves_nothing():
    plain, more = new_pad(LOTS), new_pad(LOTS, more_variance=0.04)
    assert more.centre == plain.centre
    assert more.high90 > plain.high90
    assert more.b10_lower95 < plain.b10_lower95
    assert more.centre_high95 > plain.centre_high95
    one, wider = new_pad({"a": LOTS["a"]}), new_pad({"a": LOTS["a"]}, more_variance=0.04)
    assert (wider.low90 < one.low90, wider.b10_lower95 < one.b10_lower95) == (True, True)


def test_nothing_is_told_of_one_pad_or_of_equal_lives():
    for lots in ({"a": [15.0]}, {"a": [15.0, 15.0]}):
        seen = new_pad(lots)
        assert seen.centre == 15.0
        assert (seen.low90, seen.b10_lower95, seen.centre_low95) == (None, None, None)
    with pytest.raises(ValueError, match="no life"):
        new_pad({})


def test_censored_lives_of_one_lot_give_the_mean_of_maximum_likelihood():
    # EM of a normal sample with one variance converges to the likelihood's own maximum in the mean.
    seen, beyond = [15.0, 15.2, 15.35, 15.1, 15.4], [15.45, 15.45]
    lives = np.exp([*seen, *beyond])
    theirs = maximum_likelihood(lives, [True] * 5 + [False] * 2, name="lognormal")
    ours = new_pad({"a": seen}, censored={"a": beyond})
    assert ours.centre == pytest.approx(theirs.parameters[0], abs=0.02)
    assert ours.centre > new_pad({"a": seen + beyond}).centre
    assert ours.high90 - ours.low90 > 2 * stats.t.ppf(0.95, 6) * np.std(seen + beyond)


def test_a_lot_that_shows_no_life_is_drawn_towards_the_others():
    ours = new_pad({"a": [15.0, 15.1], "b": [15.2, 15.3]}, censored={"c": [15.1, 15.1]})
    assert 15.1 < ours.centre < 16
    assert ours.about == "new lot"
    assert ours.low90 is not None


@pytest.mark.parametrize("d", [Distribution("lognormal", (2.0, 0.4), 0.0),
                               Distribution("weibull", (2.2, 9.0), 0.0)])
def test_quantiles_are_those_of_scipy(d):
    theirs = (stats.lognorm(0.4, scale=math.exp(2.0)) if d.name == "lognormal"
              else stats.weibull_min(2.2, scale=9.0))
    for share in (0.1, 0.5, 0.9):
        assert d.quantile(share) == pytest.approx(theirs.ppf(share), rel=1e-9)


def test_no_distribution_where_nothing_was_reached():
    assert maximum_likelihood([1.0, 2.0, 3.0], [True, False, False], name="weibull") is None
    assert maximum_likelihood([2.0, 2.0], [True, True], name="lognormal") is None


def test_likelihoods_are_those_of_the_lives_themselves():
    lives = [3.0, 5.0, 4.0, 8.0]
    found = maximum_likelihood(lives, [True, True, True, False], name="weibull")
    shape, scale = found.parameters
    law = stats.weibull_min(shape, scale=scale)
    assert found.log_likelihood == pytest.approx(law.logpdf(lives[:3]).sum() + law.logsf(8.0), rel=1e-9)
    assert integrate.quad(law.pdf, 0, np.inf)[0] == pytest.approx(1.0)
