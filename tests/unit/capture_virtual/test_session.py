"""What the rig says after an opening, and what faults do to it."""

from itertools import islice

import numpy as np
import pytest

from padlab.capture.rig import read_rig, rig_from_table
from padlab.capture.virtual.faults import KINDS, parse_fault
from padlab.capture.virtual.session import VirtualRig
from padlab.capture.wire import reader_for
from padlab.errors import InputError

BENCH = read_rig("bench")


def first(**keywords):
    return next(VirtualRig(BENCH, pad_kind="blank", **keywords).blocks())


def numbers(block):
    return np.array([[int(n) for n in line.split(b",")] for line in block.lines])


def fed(block, rig=BENCH):
    reader = reader_for(rig.instrument[0], whole_from_start=True)
    return reader.feed(b"".join(block.lines)), reader.counts


def test_lines_are_the_rig_files_own_with_counter_and_clock_from_nought():
    block = first()
    readings, counts = fed(block)
    assert (counts.bad_lines, counts.lost_lines) == (0, 0)
    assert len(readings) == len(block.lines)
    assert readings.values[0, 0] == 0
    assert readings.values[:, 1] / 1e6 == pytest.approx(block.time_s, abs=2e-5 + 2e-4 * block.time_s[-1])
    assert readings.values[:, 2].max() / 1000 == pytest.approx(19.5, rel=0.1)


def test_every_opening_tells_the_same_and_the_next_pass_goes_on_with_the_same_piece():
    rig = VirtualRig(BENCH, material="soft neoprene", procedure="blank")
    one, two = list(islice(rig.blocks(), 2)), list(islice(rig.blocks(), 2))
    assert [b.lines for b in one] == [b.lines for b in two]
    counter = np.concatenate([numbers(b)[:, 0] for b in one])
    assert np.array_equal(counter, np.arange(len(counter)))
    tops = [b.motion.travel_mm.max() for b in one]
    assert tops[1] > tops[0]                                      # worked in by the first pass
    assert [b.ends_pass for b in one] == [True, True]


def test_seed_changes_noise_and_errors_but_the_rig_keeps_its_errors_for_every_pad():
    assert first(seed=1).lines != first(seed=2).lines
    assert VirtualRig(BENCH, seed=1, lot=1).errors == VirtualRig(BENCH, seed=1, lot=2, pad=5).errors
    assert VirtualRig(BENCH, seed=1).errors != VirtualRig(BENCH, seed=2).errors


def test_nobody_presses_when_the_hand_is_still_nor_after_a_single_pass():
    still = list(islice(VirtualRig(BENCH, hand="still").blocks(), 3))
    assert np.abs(np.concatenate([numbers(b)[:, 2] for b in still])).max() < 100
    assert not any(b.ends_pass for b in still)
    once = list(islice(VirtualRig(BENCH, pad_kind="spring").blocks(once=True), 3))
    assert [b.ends_pass for b in once] == [True, False, False]
    assert np.abs(numbers(once[1])[:, 2]).max() < 100
    assert numbers(once[1])[0, 0] == len(once[0].lines)


def test_greeting_and_answer_fit_the_rigs_identity():
    [voice] = VirtualRig(BENCH, hand="still").voices
    assert voice.greeting == b"# bench-a virtual, invented data\n"
    assert voice.talk().hear(b"?\n", np.zeros(2)) == b"# bench-a\n"
    assert voice.talk().hear(b"hello\n", np.zeros(2)) == b""


def test_a_player_on_the_touch_cap():
    cap = read_rig("touch-cap")
    block = next(VirtualRig(cap, pad_kind="player").blocks())
    readings, counts = fed(block, cap)
    assert counts.bad_lines == 0
    assert len(block.lines) == pytest.approx(200 * 123, rel=0.05)
    assert 5 < readings.values[:, 2].max() / 1000 < 45


@pytest.mark.parametrize("text", [
    "unplug", "unplug@", "@5", "melt@5", "drift@-1", "drift@nan", "drift@1e9", ""])
def test_a_fault_that_is_none_is_refused(text):
    with pytest.raises(InputError):
        parse_fault(text)


def test_every_kind_of_fault_is_read():
    assert [parse_fault(f"{kind}@3").kind for kind in KINDS] == list(KINDS)


def test_lost_lines_are_seen_by_the_counter():
    readings, counts = fed(first(faults=(parse_fault("lost@5"),)))
    assert (counts.lost_lines, counts.bad_lines) == (50, 0)
    assert 250 not in readings.values[:, 0]


def test_joined_lines_make_one_bad_line():
    block = first(faults=(parse_fault("join@5"),))
    readings, counts = fed(block)
    assert counts.bad_lines == 1
    assert len(readings) == len(block.lines) - 2


def test_garbage_spoils_a_line_and_is_counted():
    clean, _ = fed(first())
    spoiled, counts = fed(first(faults=(parse_fault("garbage@5"),)))
    assert counts.bad_lines >= 1
    assert len(clean) - 3 <= len(spoiled) < len(clean)


def test_saturation_sticks_at_the_cells_limit_for_a_second():
    force = numbers(first(faults=(parse_fault("saturation@5"),)))[:, 2]
    assert np.all(force[251:299] == 25000)
    assert np.sum(force == 25000) == pytest.approx(50, abs=1)


def test_drift_moves_the_zero_by_half_a_newton_and_stays():
    rig = VirtualRig(BENCH, pad_kind="blank", faults=(parse_fault("drift@3"),))
    clean = VirtualRig(BENCH, pad_kind="blank")
    moved = [numbers(b)[:, 2] - numbers(c)[:, 2] for b, c in zip(
        islice(rig.blocks(), 2), islice(clean.blocks(), 2), strict=True)]
    assert np.all(moved[0][:150] == 0)
    assert moved[0][-1] == pytest.approx(500, abs=2)
    assert moved[1] == pytest.approx(500, abs=2)


def test_slip_makes_one_poor_stroke():
    motion = first(faults=(parse_fault("slip@8"),)).motion
    peaks = [motion.force_n[(motion.time_s >= e.from_s) & (motion.time_s <= e.to_s)].max()
             for e in motion.events]
    assert sum(p < 12 for p in peaks) == 1


def rig_like(**changes):
    table = {
        "name": "odd", "instrument": [{
            "name": "main", "url": "loop://", "protocol": "lines",
            "pattern": r"(?P<force>-?[0-9]+),(?P<room>[0-9]+)",
            "channel": [{"column": "force", "quantity": "force", "unit": "gf", "scale": 1.0},
                        {"column": "room", "quantity": "temperature", "unit": "degC", "scale": 0.1}],
            **changes}]}
    return rig_from_table(table, source="a test")


def test_any_rig_with_lines_of_columns_can_be_played_in_its_own_units():
    rig = VirtualRig(rig_like(), pad_kind="blank")
    assert not rig.may_be_quick
    assert rig.voices[0].greeting == b""
    block = next(rig.blocks())
    readings, counts = fed(block, rig.rig)
    assert counts.bad_lines == 0
    assert readings.values[:, 0].max() == pytest.approx(19.5 / 9.80665e-3, rel=0.1)
    assert set(readings.values[:, 1]) == {210.0}


def test_lines_that_are_no_columns_are_written_as_their_pattern_says():
    rig = VirtualRig(rig_like(pattern=r"F(?P<force>[+-][0-9]{6}) T(?P<room>[0-9]+)"), pad_kind="blank")
    block = next(rig.blocks())
    readings, counts = fed(block, rig.rig)
    assert block.lines[0].startswith(b"F")
    assert (counts.bad_lines, len(readings)) == (0, len(block.lines))


def test_a_rig_that_cannot_be_played_is_refused_with_the_reason():
    with pytest.raises(InputError, match="column extra"):
        VirtualRig(rig_like(pattern=r"(?P<force>-?[0-9]+),(?P<room>[0-9]+),(?P<extra>[0-9]+)"))
    with pytest.raises(InputError, match="no instrument 'dial'"):
        VirtualRig(BENCH, faults=(parse_fault("dial:unplug@3"),))
