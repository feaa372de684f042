"""``padlab touch`` on recorded sessions: words, JSON as its readers rely on, page, and what is refused."""

import json
import re
from pathlib import Path

import numpy as np
import pytest

from padlab.records.shelf import find_runs

RUNS = Path(__file__).parents[3] / "sample_runs"
TOUCH = next(r for r in find_runs([str(RUNS)]) if r.kind == "touch")
RAMP = np.arange(1, 8) / 8
PAD = next(r for r in find_runs([str(RUNS)]) if r.kind == "pad")


@pytest.fixture
def sessions(tmp_path, padlab):
    """A shelf of four imported sessions; the last is played twice as hard."""
    for k, median in enumerate((6.0, 6.0, 6.0, 12.0)):
        peaks = median * 1.3 ** np.random.default_rng(k).standard_normal(80)
        strokes = (np.r_[p * RAMP, np.full(60, p), p * RAMP[::-1], np.zeros(40)] for p in peaks)
        force = np.concatenate([np.zeros(60), *strokes])
        rows = [f"{i / 200:.3f},{f:.4f}" for i, f in enumerate(force)]
        table = tmp_path / f"touch{k}.csv"
        table.write_text("\n".join(["t,f", *rows]) + "\n")
        code, _, err = padlab("import", table, "--kind", "touch", "--column", "time=t:s", "--column",
                              "force=f:N", "--out", tmp_path / "shelf", "--note", f"session {k} <b>&{k}")
        assert code == 0, err
    return tmp_path / "shelf"


def test_json_words_and_page(padlab, sessions, tmp_path):
    code, out, _ = padlab("touch", sessions, "--out", tmp_path / "t.html", "--json")
    assert code == 0
    told = json.loads(out)
    assert (told["strokes"], told["sessions"], told["enough"]) == (320, 4, True)
    for name in ("plateau_n", "plateau_time_weighted_n", "duration_s", "rate_n_per_s"):
        assert list(told[name]) == ["q05", "q25", "q50", "q75", "q95"]
        assert sorted(told[name].values()) == list(told[name].values())
    assert told["duration_s"]["q50"] == pytest.approx(0.37, abs=0.011)
    assert told["median_n"]["low"] < told["median_n"]["value"] < told["median_n"]["high"]
    hard = told["by_session"][-1]["run"]
    assert {(p["a"], p["b"]) for p in told["pairs"] if p["told_apart"]} == {
        (s["run"], hard) for s in told["by_session"][:-1]}
    page = (tmp_path / "t.html").read_text()
    assert page.count("<svg") == 3
    assert "session 1 &lt;b&gt;&amp;1" in page
    assert "<b>&" not in page
    code, words, _ = padlab("touch", sessions)
    assert code == 0
    assert "320 strokes in 4 sessions" in words
    assert "enough to stand for the player" in words
    assert words.count("not told apart") == 3


def test_the_same_recordings_make_the_same_page_but_for_the_date(padlab, tmp_path):
    pages = []
    for name in ("a.html", "b.html"):
        assert padlab("touch", TOUCH.folder, "--out", tmp_path / name)[0] == 0
        pages.append([line for line in (tmp_path / name).read_text().splitlines() if "Made on" not in line])
    assert pages[0] == pages[1]


def test_one_short_session_says_what_it_is_not(padlab):
    code, out, _ = padlab("touch", RUNS)
    assert code == 0
    assert "not enough to stand for the player" in out
    assert "caution: touch: fewer than three sessions" in out
    told = json.loads(padlab("touch", TOUCH.folder, "--json")[1])
    assert (told["median_n"]["low"], told["pairs"], told["enough"]) == (None, [], False)
    assert {m["code"] for m in told["marks"]} == {"few_touch_strokes", "few_sessions", "uncalibrated"}


def test_what_is_set_aside_is_listed_and_not_used(padlab, sessions):
    last = max(find_runs([str(sessions)]), key=lambda r: r.note)
    assert padlab("amend", last.folder, "--set-aside", "another finger")[0] == 0
    _, out, _ = padlab("touch", sessions)
    assert "240 strokes in 3 sessions" in out
    assert f"left out: run {last.id}: set aside: another finger" in out


def test_what_is_no_touch_is_refused(padlab, tmp_path):
    code, _, err = padlab("touch", PAD.folder)
    assert code == 1
    assert "touch" in err
    code, out, _ = padlab("touch", tmp_path, "--json")
    assert code == 1
    assert "error" in json.loads(out)
    assert padlab("touch", TOUCH.folder, "--out", tmp_path / "t.pdf")[0] == 2
    assert padlab("touch", TOUCH.folder, "--out", tmp_path / "no" / "t.html")[0] == 2


def test_the_summary_stands_in_columns_and_says_what_a_spread_means(padlab):
    _, out, _ = padlab("touch", TOUCH.folder)
    rows = [line for line in out.splitlines() if "half of them" in line]
    assert len(rows) == 4
    assert len({re.search(r"\d+\.\d+ N|\d+\.\d+ s", row).start() for row in rows}) == 1
    for row in rows:                                    # as many digits in the ends as in the middle
        assert len({len(number.partition(".")[2]) for number in re.findall(r"\d+\.\d+", row)}) == 1
    low, high, median, spread = map(float, re.search(
        r"two notes of three lie between (\S+) and (\S+) N \(touch file: median_force = \"(\S+)N\", "
        r"force_spread = (\S+)\)", out).groups())
    assert (low, high) == pytest.approx((median / spread, median * spread), abs=0.05)
    assert out.isascii()
