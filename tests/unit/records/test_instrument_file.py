"""Instrument files and shop.toml: all mistakes at once, what a stop lacks, hostile TOML."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from padlab.errors import FileFormatError, InputError
from padlab.records.instrument import error_words, instrument_from_table, read_instrument
from padlab.records.shop import GaugeFoot, Shop, read_shop, shop_from_table
from padlab.records.starters import starter

STOP = {
    "port_error": "6thou",
    "read_at": "4N",
    "parts_tight": True,
    "stops_on_pad": True,
    "holding_force": "2.6N",
    "fitted": "ring",
    "fitted_thickness": "52thou",
    "outer_diameter": "19mm",
    "inner_diameter": "8mm",
}
UP = {**STOP, "read_at": "0N", "holding_force": "1.9N"}


def table(down=STOP, up=UP, **head):
    return {"label": "cornet", "valve": [{"name": "1", "down": down, "up": up}], **head}


def mistakes(given_table):
    with pytest.raises(FileFormatError) as caught:
        instrument_from_table(given_table, source="c.toml")
    return caught.value.where["mistakes"]


def missing(stop, side="down"):
    both = {"down": STOP, "up": UP, side: stop}
    read = instrument_from_table(table(**both), source="c.toml")
    return {
        lack.key.rpartition(".")[2]: lack.remedy for one in read.valves[0].lacking for lack in one.missing
    }


def test_a_whole_stop():
    read = instrument_from_table(
        table(service="8 years", renew_limit="3thou", strokes_per_day=3000, days_per_week=6), source="c.toml"
    )
    down, up = read.valves[0].stops
    assert (down.side, up.side) == ("down", "up")
    assert down.port_error_mm == pytest.approx(0.1524)
    assert down.port_error_uncertainty_mm == pytest.approx(0.0254)
    assert (down.loaded_outer_mm, down.loaded_inner_mm) == (19.0, 8.0)
    assert read.service_years == pytest.approx(8)
    assert read.valves[0].lacking == ()


@pytest.mark.parametrize(
    "key",
    [
        "port_error",
        "read_at",
        "parts_tight",
        "stops_on_pad",
        "holding_force",
        "fitted",
        "fitted_thickness",
        "outer_diameter",
        "inner_diameter",
    ],
)
def test_every_needed_line_is_asked_for(key):
    lacks = missing({k: v for k, v in STOP.items() if k != key})
    assert set(lacks) == {key}
    assert len(lacks[key]) > 15


def test_what_to_do_at_the_bench():
    assert "metal" in missing({**STOP, "stops_on_pad": False})["stops_on_pad"]
    assert "tighten" in missing({**STOP, "parts_tight": False})["parts_tight"]
    unknown = {k: v for k, v in STOP.items() if k != "fitted_thickness"}
    assert "setting ring" in missing({**unknown, "fitted": "unknown"})["fitted_loaded_thickness"]
    assert missing({**unknown, "fitted": "unknown", "fitted_loaded_thickness": "50thou"}) == {}
    assert "gauge" in missing({**unknown, "fitted": "grey wool felt"})["fitted_thickness"]


def test_a_stop_that_is_not_there_is_asked_for():
    read = instrument_from_table({"label": "c", "valve": [{"name": "1", "down": STOP}]}, source="c.toml")
    assert [one.side for one in read.valves[0].stops] == ["down"]
    assert read.valves[0].lacking[0].missing[0].key == "valve.1.up"


def test_all_mistakes_and_all_lacking_lines_at_once():
    bad = {
        **STOP,
        "read_at": "4",
        "holding_force": "2.6kg",
        "fitted_tickness": "52thou",
        "inner_diameter": "20mm",
    }
    lacking = {k: v for k, v in UP.items() if k not in ("fitted", "port_error")}
    found = mistakes(
        {
            "valve": [{"name": "1", "down": bad, "up": lacking}, {"name": "1", "down": STOP, "up": UP}],
            "service": "8",
            "strokes_per_day": 0,
        }
    )
    keys = {said.split(":")[0] for said in found}
    assert keys >= {
        "label",
        "service",
        "strokes_per_day",
        "valve.1.down.read_at",
        "valve.1.down.holding_force",
        "valve.1.down.fitted_tickness",
        "valve.1.name",
        "valve.1.up.fitted",
        "valve.1.up.port_error",
    }


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"read_at": "2.7N"}, "read_at"),
        ({"read_at": "1N"}, "read_at"),
        ({"inner_diameter": "19mm"}, "inner_diameter"),
        ({"loaded_outer_diameter": "20mm"}, "loaded_outer_diameter"),
        ({"port_error": "6mm"}, "port_error"),
        ({"fitted_thickness": "0mm"}, "fitted_thickness"),
        ({"metal_clearance": "-1thou"}, "metal_clearance"),
        ({"port_error": 6}, "port_error"),
        ({"parts_tight": "yes"}, "parts_tight"),
        ({"holding_force": "60N"}, "holding"),
    ],
)
def test_a_stop_that_cannot_be(change, key):
    assert any(key in said for said in mistakes(table(down={**STOP, **change})))


def test_a_port_read_while_the_piston_is_not_there():
    said = mistakes(table(up={**UP, "read_at": "2N"}))
    assert any("less than the holding force" in one for one in said)


@pytest.mark.parametrize(
    ("head", "key"),
    [
        ({"strokes_per_day": 3000}, "strokes_per_day"),
        ({"service": "1min"}, "service"),
        ({"renew_limit": "0.0001mm"}, "renew_limit"),
        ({"temperature": "400degC"}, "temperature"),
        ({"wear_share": 1.5}, "wear_share"),
        ({"wear_share": True}, "wear_share"),
        ({"player": "a name"}, "player"),
        ({"valve": []}, "valve"),
        ({"valve": {"name": "1"}}, "valve"),
        ({"valve": [1]}, "valve.0"),
        ({"valve": [{"name": 1, "down": STOP, "up": UP}]}, "valve.0.name"),
        ({"valve": [{"name": "1", "down": 3, "up": UP}]}, "valve.1.down"),
        ({"valve": [{"name": "1", "side": STOP}]}, "valve.0.side"),
    ],
)
def test_a_file_that_cannot_be(head, key):
    assert any(said.startswith(key) for said in mistakes({**table(), **head}))


@pytest.mark.parametrize(
    ("side", "thou", "words"),
    [
        ("down", 6, "too far down: a thicker pad lifts it"),
        ("down", -6, "too high: a thinner pad lets it down"),
        ("up", -3, "too high: a thicker pad holds it down"),
        ("up", 3, "too far down: a thinner pad lets it up"),
    ],
)
def test_signs_in_words(side, thou, words):
    assert error_words(side, thou * 0.0254).endswith(words)
    assert error_words(side, 0.0).endswith("on zero")


VALUE = st.one_of(
    st.text(max_size=20),
    st.integers(),
    st.floats(),
    st.booleans(),
    st.lists(st.integers(), max_size=2),
    st.dictionaries(st.text(max_size=5), st.text(max_size=5), max_size=2),
    st.sampled_from(["6thou", "4N", "ring", "19mm", "1e400mm", "nanmm", "0x10mm", "6thou\0"]),
)


@given(
    stop=st.dictionaries(
        st.sampled_from([*STOP, "zz", "loaded_inner_diameter", "port_spread"]), VALUE, max_size=12
    ),
    head=st.dictionaries(st.sampled_from(["label", "touch", "service", "wear_share", "temperature"]), VALUE),
)
@settings(max_examples=200, suppress_health_check=[HealthCheck.too_slow])
def test_whatever_is_written_is_read_or_refused(stop, head):
    try:
        read = instrument_from_table({**table(down=stop), **head}, source="c.toml")
    except FileFormatError as caught:
        said = caught.where["mistakes"]
    else:
        said = [type(read).__name__]
    assert said
    assert max(map(len, said)) < 600


def test_hostile_files(tmp_path):
    for name, data in (
        ("deep.toml", b"a=" + b"[" * 5000),
        ("nul.toml", b'label = "a\0b"\n'),
        ("latin.toml", b'label = "\xe9"\n'),
        ("big.toml", b"#" * (2 << 20)),
    ):
        path = tmp_path / name
        path.write_bytes(data)
        with pytest.raises(InputError):
            read_instrument(path)
    with pytest.raises(InputError):
        read_instrument("/dev/zero")
    with pytest.raises(InputError):
        read_instrument(tmp_path / "none.toml")


class TestShop:
    def test_the_starter_is_right(self):
        shop = shop_from_table(tomllib.loads(starter("shop")), source="shop.toml")
        assert shop.foot == GaugeFoot(0.5, 6.0)
        assert shop.sheets[0].thickness_mm == pytest.approx(80 * 0.0254)

    def test_nothing_is_known_without_it(self, tmp_path):
        assert read_shop(tmp_path) == Shop()

    @pytest.mark.parametrize(
        ("given_table", "key"),
        [
            ({"gauge_foot_force": "0.5N"}, "gauge_foot_force"),
            ({"gauge_foot_force": "0.5N", "gauge_foot_diameter": "6"}, "gauge_foot_diameter"),
            ({"gauge_foot_force": "0.5N", "gauge_foot_diameter": "900mm"}, "gauge_foot_diameter"),
            ({"gauge_foot_force": "0N", "gauge_foot_diameter": "whole"}, "gauge_foot_force"),
            ({"hardest_press": "900N"}, "hardest_press"),
            ({"shims": ["0mm"]}, "shims.0"),
            ({"shims": "3thou"}, "shims"),
            ({"sheets": [{"material": "felt"}]}, "sheets.0"),
            ({"sheets": [{"material": "felt", "lot": "1", "thickness": "90mm"}]}, "sheets.0.thickness"),
            ({"punches": [{"outer": "8mm", "inner": "19mm"}]}, "punches.0.inner"),
            ({"gauge": 1}, "gauge"),
        ],
    )
    def test_what_cannot_be(self, given_table, key):
        with pytest.raises(FileFormatError) as caught:
            shop_from_table(given_table, source="shop.toml")
        assert any(said.startswith(key) for said in caught.value.where["mistakes"])

    def test_foot_on_a_ring(self):
        """Against a fine grid of points; a foot wider than the ring presses the ring's width only."""
        import numpy as np

        for across in (3.0, 5.5, 6.0, 12.0):
            x, y = np.meshgrid(np.linspace(-10, 10, 1501), np.linspace(-10, 10, 1501))
            ring = (np.hypot(x, y) <= 9.5) & (np.hypot(x, y) >= 4.0)
            foot = np.hypot(x - 6.75, y) <= across / 2
            grid = float(np.mean(ring & foot)) * 400
            assert GaugeFoot(0.5, across).pressed_mm2(outer_mm=19, inner_mm=8) == pytest.approx(
                grid, rel=6e-3
            )
