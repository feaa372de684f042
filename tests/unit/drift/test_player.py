"""A player by name: on a command line a file too, from a page only what the shelf knows."""

from __future__ import annotations

from pathlib import Path

import pytest

from padlab.drift.player import player, player_on
from padlab.drift.touch import PRESETS
from padlab.errors import InputError, RunError

SAMPLES = Path(__file__).parents[3] / "sample_runs"
TOUCH, PAD = "20261125T142652Z-tkp1se", "20261125T142826Z-thxm9p"


def test_the_same_player_by_either_name():
    for name in PRESETS:
        assert player(name) == player_on(SAMPLES, name) == PRESETS[name]
    assert player(str(SAMPLES / "runs" / TOUCH)) == player_on(SAMPLES, TOUCH)


def test_a_file_serves_a_command_line_only(tmp_path):
    file = tmp_path / "touch9.toml"
    file.write_text('median_force = "7N"\n', encoding="utf-8")
    assert player(str(file)).median_n == 7
    with pytest.raises(InputError, match="no touch that is known here"):
        player_on(SAMPLES, str(file))


@pytest.mark.parametrize("name", ["soft", "", str(SAMPLES / "runs" / TOUCH), f"../runs/{TOUCH}", PAD, "7"])
def test_what_is_no_touch_of_the_shelf(name):
    with pytest.raises((InputError, RunError)):
        player_on(SAMPLES, name)
