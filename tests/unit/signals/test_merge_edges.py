"""Several instruments on one axis, where the times are known exactly; and what is known of their skew."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from padlab.errors import RunError
from padlab.records.calibration import Calibration, Skew, write_calibration
from padlab.records.rig_record import Channel, Instrument, RigRecord
from padlab.records.run import Run
from padlab.signals.merge import (
    TARGET_S,
    axis_s,
    instrument_times,
    lead_of,
    merge,
    samples_from_raw,
    skew_marks,
    time_doubt_s,
)

ID = "cal-20260704T081530Z-k3v9q{}"


def instrument(name: str, *, clock: bool = True, counter: bool = False) -> Instrument:
    quantity = {"cell": "force", "dial": "displacement", "warm": "temperature"}[name]
    unit = {"force": "N", "displacement": "mm", "temperature": "degC"}[quantity]
    return Instrument(
        name, "lines", (("count",) if counter else ()) + (("clock",) if clock else ()) + (quantity,),
        (Channel(quantity, quantity, unit),), counter="count" if counter else None,
        counter_modulus=256 if counter else None, clock="clock" if clock else None,
        clock_s_per_tick=1e-3 if clock else None)


def run_of(*instruments: Instrument, folder: Path = Path("nowhere"), calibrations: tuple[str, ...] = (),
           ) -> Run:
    return Run(id="r", folder=folder, kind="check", state="complete", start_utc="2026-01-01T00:00:00Z",
               rig=RigRecord("two", instruments), calibrations=calibrations)


def said(quantity: str, host_s: np.ndarray, values: np.ndarray, *, rate: float | None = None) -> pd.DataFrame:
    """What an instrument sent, with no delay; with a clock where it has a rate."""
    table = {"host_s": host_s, quantity: values}
    return pd.DataFrame(table if rate is None else {**table, "clock": np.round(host_s * rate * 1000)})


CELL_S = np.arange(2.0, 32.0, 0.02)
DIAL_S = np.arange(0.0, 40.0, 0.1)


def both() -> dict[str, pd.DataFrame]:
    return {"cell": said("force", CELL_S, CELL_S, rate=1.0),
            "dial": said("displacement", DIAL_S, DIAL_S, rate=1.0)}


# -- the axis --------------------------------------------------------------------------------------


def test_the_axis_goes_on_at_its_own_mean_rate_before_and_after_its_readings() -> None:
    """The cell's clock runs 3 % fast; the dial begins 2 s before the cell and ends 8 s after it."""
    run = run_of(instrument("cell"), instrument("dial", clock=False))
    times = instrument_times(run, {"cell": said("force", CELL_S, CELL_S, rate=1.03),
                                   "dial": said("displacement", DIAL_S, DIAL_S)})
    assert times["cell"] == pytest.approx(1.03 * (CELL_S - 2.0), abs=2e-3)
    assert times["dial"] == pytest.approx(1.03 * (DIAL_S - 2.0), abs=4e-3)


@pytest.mark.parametrize(("late", "early", "expected_s"), [("cell", "dial", -0.3), ("dial", "cell", 0.3)])
def test_zero_is_the_first_reading_of_the_force_whoever_is_late(
        late: str, early: str, expected_s: float) -> None:
    """A ramp over time: the dial's value at the cell's first reading tells what was taken off."""
    run = run_of(instrument("cell"), instrument("dial"))
    raw = both()
    for skew in ({late: (0.3, 1e-4)}, {late: (0.3, 1e-4), early: (0.0, 0.0)}):
        merged = merge(run, raw, skew_s=skew)
        first = merged.samples.iloc[0]
        assert first["time_s"] == 0.0
        assert first["displacement_mm"] - first["force_n"] == pytest.approx(expected_s, abs=2e-3)


def test_where_the_axis_comes_from() -> None:
    """From the force; from the only one that has a clock, where the force has none; not from one of two."""
    def axis(*instruments: Instrument) -> str:
        tables = {i.name: said(i.channels[0].quantity, DIAL_S, DIAL_S, rate=1.0 if i.clock else None)
                  for i in instruments}
        return merge(run_of(*instruments), tables).axis

    warm = instrument("warm")
    assert axis(instrument("dial"), instrument("cell")) == "cell"
    assert axis(instrument("dial"), instrument("cell", clock=False)) == "dial"
    assert axis(instrument("dial"), instrument("cell", clock=False), warm) == "cell"
    assert axis(instrument("dial", clock=False), warm) == "warm"
    assert lead_of([warm, instrument("dial")]).name == "dial"
    assert lead_of([warm]).name == "warm"


def test_an_instrument_without_a_clock_starts_at_nought_too() -> None:
    cell = instrument("cell", clock=False)
    assert axis_s(cell, said("force", 7.0 + CELL_S, CELL_S))[0] == 0.0


@pytest.mark.parametrize("reset", [False, True])
def test_a_count_is_believed_until_it_was_reset(reset: bool) -> None:
    """Ten lines lost of a count that wraps at 256 leave a hole of ten steps; so does the host's time."""
    cell = instrument("cell", clock=False, counter=True)
    count = np.delete(np.arange(1000), np.arange(500, 510))
    table = said("force", 0.02 * count, count).assign(count=count % 256)
    if reset:
        table.loc[700, "count"] = table.loc[699, "count"]
    assert axis_s(cell, table) == pytest.approx(0.02 * count, abs=1e-6)


def test_rows_stand_where_no_more_than_one_reading_in_a_row_is_missing() -> None:
    """Of a dial read ten times a second: 0.2 s are bridged, 0.3 s are not."""
    run = run_of(instrument("cell"), instrument("dial"))
    cell = said("force", CELL_S, CELL_S, rate=1.0)
    for missing, longest in (([100], 0.02), ([100, 101], 0.30)):
        dial_s = np.delete(DIAL_S, missing)
        samples = samples_from_raw(
            run, {"cell": cell, "dial": said("displacement", dial_s, dial_s, rate=1.0)})
        assert np.diff(samples["time_s"]).max() == pytest.approx(longest, abs=0.025)


def test_a_dial_that_spoke_once_is_no_fault() -> None:
    """There is no usual step of one reading, and no row but one at that very moment."""
    run = run_of(instrument("cell"), instrument("dial", clock=False))
    samples = samples_from_raw(run, {"cell": said("force", CELL_S, CELL_S, rate=1.0),
                                     "dial": said("displacement", np.array([12.0]), np.array([0.5]))})
    assert list(samples) == ["time_s", "force_n", "displacement_mm"]
    assert len(samples) <= 1


def test_of_four_readings_straight_lines_are_drawn() -> None:
    """Five bear a local cubic."""
    run = run_of(instrument("cell"), instrument("dial"))
    cell = said("force", CELL_S, CELL_S, rate=1.0)
    for count, straight in ((4, True), (5, False)):
        at = 10.0 + np.arange(count) * 0.1
        samples = samples_from_raw(run, {"cell": cell, "dial": said(
            "displacement", at, np.arange(count) ** 2.0, rate=1.0)})
        lines = np.interp(samples["force_n"], at, np.arange(count) ** 2.0)
        assert np.allclose(samples["displacement_mm"], lines, atol=1e-6) is straight


# -- what is refused -------------------------------------------------------------------------------


def test_what_cannot_be_merged_is_refused_by_name() -> None:
    run = run_of(instrument("cell"), instrument("dial"))
    raw = both()
    with pytest.raises(RunError, match="a skew is given for scale, which run r does not have"):
        merge(run, raw, skew_s={"scale": (0.1, 0.01)})
    elsewhere = replace(run, id="e", rig=None)
    for call in (merge, instrument_times):
        with pytest.raises(RunError, match="run r has no readings"):
            call(run, {"dial": raw["dial"].iloc[:0]})
        with pytest.raises(RunError, match="run e has no readings"):
            call(elsewhere, raw)
    with pytest.raises(RunError, match="run e has no rig"):
        samples_from_raw(elsewhere, raw)


# -- the skew --------------------------------------------------------------------------------------


def calibrated(shelf: Path, *skews: tuple[str, str, float]) -> Run:
    """A run that names calibrations of skew: (late, early, standard uncertainty), in that order."""
    ids = [ID.format(k) for k in range(len(skews))]
    for name, (late, early, u) in zip(ids, skews, strict=True):
        write_calibration(shelf, Calibration(
            name, "skew", "2026-07-04T08:15:30+00:00", "2027-07-04T08:15:30+00:00", rig="two",
            skew=Skew(late, early, 0.023, u, 5)))
    return run_of(instrument("cell"), instrument("dial"), folder=shelf / "runs" / "r",
                  calibrations=tuple(ids))


def test_one_instrument_for_both_has_no_doubt_of_time() -> None:
    one = Instrument("main", "lines", ("force", "displacement"), (
        Channel("force", "force", "N"), Channel("displacement", "displacement", "mm")))
    assert time_doubt_s(run_of(one)) == 0.0
    assert time_doubt_s(run_of(one, instrument("warm"))) == 0.0
    assert skew_marks(run_of(one)) == ()
    assert time_doubt_s(replace(run_of(one), rig=None)) == 0.0


def test_two_of_which_nothing_is_known_are_marked() -> None:
    run = run_of(instrument("cell"), instrument("dial"))
    assert time_doubt_s(run) is None
    [mark] = skew_marks(run)
    assert mark.code == "skew_uncertain"
    assert "not known" in mark.message


@pytest.mark.parametrize(("u_s", "marked"), [(TARGET_S, False), (1.001 * TARGET_S, True)])
def test_a_skew_must_be_known_to_two_milliseconds(tmp_path: Path, u_s: float, marked: bool) -> None:
    run = calibrated(tmp_path, ("dial", "cell", u_s))
    assert time_doubt_s(run) == pytest.approx(u_s)
    assert [m.code for m in skew_marks(run)] == (["skew_uncertain"] if marked else [])


def test_the_last_skew_that_a_run_names_counts_alone(tmp_path: Path) -> None:
    run = calibrated(tmp_path, ("cell", "dial", 0.5), ("dial", "cell", 1e-3))
    assert time_doubt_s(run) == pytest.approx(1e-3)
    other = calibrated(tmp_path / "other", ("warm", "cell", 1e-3))
    assert time_doubt_s(other) is None                   # it says nothing of the dial


def test_what_a_merge_tells_of_its_doubt() -> None:
    """The skew's, and how far each clock strays; none where no skew is known; short runs tell no stray."""
    run = run_of(instrument("cell"), instrument("dial"))
    raw = both()
    unknown = merge(run, raw)
    assert unknown.time_uncertainty_s is None
    assert [(i.skew_s, i.skew_uncertainty_s) for i in unknown.instruments] == [(None, None)] * 2
    known = merge(run, raw, skew_s={"dial": (0.023, 0.003)})
    strays = [i.stray_s for i in known.instruments]
    assert known.time_uncertainty_s == pytest.approx(np.hypot(0.003, np.hypot(*strays)), rel=1e-9)
    assert [(i.skew_s, i.skew_uncertainty_s) for i in known.instruments] == [(0.0, 0.0), (0.023, 0.003)]
    brief = {name: table.iloc[100:160] for name, table in raw.items()}
    short = merge(run, brief, skew_s={"dial": (0.023, 0.003)})
    assert [i.stray_s for i in short.instruments] == [None, None]
    assert short.time_uncertainty_s == 0.003
