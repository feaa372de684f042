"""What all tabs see: figures, noise, zero, points; and what the readings rest on, in few words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from padlab.bench.bench import Bench
from padlab.bench.live import NOISE_LOOKS, Live, Seen, shape_of
from padlab.capture.prompts import Said
from padlab.capture.rig import read_rig
from padlab.capture.watch import ChannelLook, Look
from padlab.records.calibration import Calibration, Skew, write_calibration

RIGS = Path(__file__).parents[2] / "rigs"


def look(force_n=1.0, noise_n=0.003, mm=2.5, mean_n=None):
    mean = force_n if mean_n is None else mean_n
    channels = (
        ChannelLook("force", "N", force_n, noise_n, mean),
        ChannelLook("displacement", "mm", mm, 0.001, mm),
    )
    return [Look("main", 50.0, channels, 0, 0)]


def test_a_press_is_no_noise_unless_it_lasts():
    live = Live()
    for _ in range(NOISE_LOOKS):
        live.look(look())
    for _ in range(8):                                # two seconds of a hand
        live.look(look(noise_n=2.0))
    assert live.state()["figures"]["noise_n"] == 0.003
    for _ in range(4):
        live.look(look(noise_n=2.0))
    assert live.state()["figures"]["noise_n"] == 2.0
    live.look(look(noise_n=None))  # too few readings for any: nothing is made up
    assert live.state()["figures"]["noise_n"] == 2.0


def test_zero_is_the_mean_of_a_second_and_goes_with_the_rig():
    live = Live()
    assert not live.zero(True)
    for force, mean in ((1.3, 1.0), (0.8, 1.2), (1.0, 1.1), (1.2, 1.1)):
        live.look(look(force, mean_n=mean))
    assert live.zero(True)
    assert live.state()["zero"] == {"force_n": pytest.approx(1.1), "displacement_mm": pytest.approx(2.5)}
    live.look(look(3.1, mm=2.6))
    figures = live.state()["figures"]
    assert (figures["force_n"], figures["displacement_mm"]) == (pytest.approx(2.0), pytest.approx(0.1))
    assert not live.zero(False)
    live.look(look(3.1))
    assert live.state()["figures"]["force_n"] == 3.1
    live.zero(True)
    live.forget()
    assert (live.state()["zero"], live.state()["figures"]) == (None, {})


def test_one_quantity_that_is_not_read_is_not_known():
    live = Live()
    live.look([Look("cap", 200.0, (ChannelLook("force", "N", 0.5, 0.01, 0.5),), 0, 0)])
    assert live.zero(True)
    assert live.state()["zero"]["displacement_mm"] is None
    assert live.state()["figures"]["displacement_mm"] is None


def test_a_tab_is_told_what_it_does_not_know_and_nothing_twice():
    live, seen = Live(), Seen()
    first = live.news(seen)
    assert first["state"]["phase"] == "no rig"
    assert live.news(seen) == {}
    live.look(look())
    live.say(Said("hands off"))
    news = live.news(seen)
    assert news["figures"]["force_n"] == 1.0
    assert [one["text"] for one in news["state"]["said"]] == ["hands off"]
    live.look(look(1.5))
    assert set(live.news(seen)) == {"figures", "progress"}  # the state is the same
    live.look(look(1.5))
    assert live.news(seen) == {}
    late = Seen()
    assert set(live.news(late)) >= {"state", "figures", "loop", "points"}


class TestShape:
    def test_few_are_all_drawn(self):
        assert shape_of(np.arange(8.0), np.zeros(8), most=8).tolist() == list(range(8))

    def test_a_loop_keeps_its_ends_and_its_size(self):
        t = np.linspace(0, 2 * np.pi, 5000)
        across, up = np.sin(t), 9 - 9 * np.cos(t)
        up[2345] += 3.0  # one reading that stands out
        kept = shape_of(across, up, most=200)
        assert kept.size <= 200 + 1
        ends = {int(across.argmax()), int(across.argmin()), int(up.argmin()), 4999}
        assert ends | {2345} <= set(kept.tolist())
        assert (np.diff(kept) > 0).all()
        between = np.interp(np.arange(5000), kept, up[kept])
        assert np.abs(np.delete(between - up, slice(2300, 2400))).max() < 0.2


BENCH = (RIGS / "bench.toml").read_text("utf-8")
SKEW = Skew("main", "dial", 0.02, 0.001, 5)
KEPT = Calibration(
    "cal-20240101T000000Z-k3v9qa",
    "skew",
    "2024-01-01T00:00:00+00:00",
    "2999-01-01T00:00:00+00:00",
    rig="bench",
    skew=SKEW,
)


@pytest.mark.parametrize(
    ("kept", "words", "weight"),
    [
        (None, "calibration missing", "stop"),
        (KEPT, "calibrated until 2999-01-01", "good"),
        (replace(KEPT, expires="2025-01-01T00:00:00+00:00"), "calibration expired on 2025-01-01", "caution"),
    ],
)
def test_what_a_reading_rests_on(tmp_path, kept, words, weight):
    named = f'resolution = 0.001\ncalibration = "{KEPT.id}"\nlimit'
    (tmp_path / "own.toml").write_text(BENCH.replace("resolution = 0.001\nlimit", named), "utf-8")
    bench = Bench(tmp_path / "shelf", read_rig(str(tmp_path / "own.toml")))
    if kept is not None:
        write_calibration(tmp_path / "shelf", kept)
    bench.trust_anew()  # a calibration may have come meanwhile
    force, place = bench.live.state()["rig"]["trust"]
    assert (force["quantity"], force["words"], force["weight"]) == ("force", words, weight)
    assert (place["words"], place["weight"]) == ("not calibrated", "caution")
