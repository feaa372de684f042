"""The drawings of single runs: there, readable without eyes, plain, and the same from the same data."""

from dataclasses import replace

import numpy as np
import pytest

from padlab.capture.virtual.simulate import simulated_run
from padlab.capture.virtual.weighed import simulate_weighed
from padlab.fitting.run_fit import fit_run
from padlab.report.pages import runs_page
from padlab.report.run_figures import run_figures

WHOLE = ["Loops, and the law", "Stiffness against force", "Working in", "Sinking under a held note",
         "What the best law leaves"]


@pytest.fixture(scope="module")
def felt():
    return fit_run(simulated_run("wool felt", 1, 1, seed=3)[0], drawn=True)


def headings(fit):
    return [one.heading for one in run_figures(fit, key="a")]


def test_a_whole_run_has_its_drawings(felt):
    assert headings(felt)[:5] == WHOLE


def test_without_being_asked_for_nothing_is_made(felt):
    assert fit_run(simulated_run("wool felt", 1, 1, seed=3)[0]).drawing is None
    assert run_figures(replace(felt, drawing=None), key="a") == ()


def test_what_was_not_recorded_is_not_drawn(felt):
    assert "Sinking under a held note" not in headings(replace(felt, creep=None))
    assert "What the best law leaves" not in headings(replace(felt, drawing=replace(felt.drawing, left=None)))


def test_every_drawing_is_told_in_words_and_its_ids_are_its_own(felt):
    drawn = [*run_figures(felt, key="a"), *run_figures(felt, key="b")]
    assert all("<title" in one.svg and "<desc" in one.svg and one.caption for one in drawn)
    ids = [part.split('"')[0] for one in drawn for part in one.svg.split(' id="')[1:]]
    assert len(ids) == len(set(ids))


def test_the_stroke_loops_lie_on_the_curve_and_the_band_holds_the_stiffness(felt):
    d, curves = felt.drawing, felt.curves
    travel = d.loading_mm[-1]
    for one in d.loops:
        up = one.force_n[: int(np.argmax(one.force_n)) + 1]
        inside = (up > 0.5) & (up < curves.good_to_n)
        on_curve = np.interp(up[inside], curves.force_n, d.loading_mm)
        assert np.abs(one.position_mm[: up.size][inside] - on_curve).max() < 0.03 * travel
    value, low, high = d.stiffness.T
    assert np.all((low < value) & (value < high))
    # The band is the interval that the table tells.
    row = next(r for r in felt.json["compression"]["tangent_stiffness_n_per_mm"] if r["force_n"] == 3.5)
    assert np.interp(3.5, d.stiffness_force_n, low) == pytest.approx(row["low"], rel=0.01)
    assert np.interp(3.5, d.stiffness_force_n, high) == pytest.approx(row["high"], rel=0.01)


def test_the_sinking_curve_passes_through_what_the_table_tells_and_beyond_holds_the_other_laws(felt):
    c = felt.creep
    for row in c.predicted:
        at = (row["at_s"],)
        if row["at_s"] > c.curve_law_t_s[-1]:
            continue
        for curve, number in ((c.curve_law_mm, row["mm"].value), (c.curve_low_mm, row["mm"].low),
                              (c.curve_high_mm, row["mm"].high)):
            assert np.interp(np.log(at), np.log(c.curve_law_t_s), curve)[0] == pytest.approx(number, rel=2e-3)
    past = c.curve_law_t_s > c.measured_to_s
    for other in c.curve_others_mm.values():
        assert np.all((c.curve_low_mm[past] <= other[past]) & (other[past] <= c.curve_high_mm[past]))


def test_working_in_is_steady_where_the_number_says_so(felt):
    w = felt.drawing.worked_in
    assert w.role[:3] == ("working-in",) * 3
    assert set(w.role[3:]) == {"recorded"}
    assert np.all(w.lost_mj > 0)


def test_dead_weights_have_no_strokes_and_still_a_curve():
    fit = fit_run(simulate_weighed("wool felt", seed=11), drawn=True)
    assert fit.drawing.loops == ()
    assert "Working in" not in headings(fit)
    first = run_figures(fit, key="a")[0]
    assert "Circles: the weights" in first.caption


def test_one_stroke_has_no_band_and_says_so():
    d = fit_run(simulated_run("wool felt", 1, 1, seed=3)[0], drawn=True)
    bare = d.drawing.stiffness.copy()
    bare[:, 1:] = np.nan
    d = replace(d, drawing=replace(d.drawing, stiffness=bare))
    assert "not determined" in run_figures(d, key="a")[1].caption


def test_the_page_is_the_same_from_the_same_data_and_plain(felt, page_of):
    nasty = replace(felt, pad=replace(felt.pad, material="<script>$x^$[/]"))

    def page():
        return runs_page([felt, nasty], pairs=(), not_fitted=(), made_on="today")

    assert page() == page()
    read = page_of(page())
    assert not any(tag == "script" for tag, _ in read.elements)
    assert sum(tag == "svg" for tag, _ in read.elements) == 2 * (1 + len(headings(felt)))
    ids = [attrs["id"] for _, attrs in read.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
