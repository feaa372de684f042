"""A filled-in form becomes an instrument file that says the same, whatever was typed."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from padlab.errors import InputError, RunError
from padlab.records.instrument import instrument_from_bytes
from padlab.records.instrument_form import HEAD, NUMBERS, STOP, TICKS, instrument_toml, table_of_form
from padlab.records.instruments_kept import instruments_kept, keep_instrument, kept_bytes

TEXT = st.text(max_size=60)
FIELDS = st.dictionaries(
    st.one_of(
        st.sampled_from([key for key in HEAD if key not in NUMBERS]),
        st.builds(
            "valve.{}.{}.{}".format,
            st.integers(1, 9),
            st.sampled_from(["down", "up"]),
            st.sampled_from([key for key in STOP if key not in TICKS]),
        ),
    ),
    TEXT,
)


@given(FIELDS)
def test_what_was_typed_is_read_again(fields):
    """TOML's own reader (Python's) is the judge of the writing."""
    table, mistakes = table_of_form(fields)
    assert mistakes == []
    again = tomllib.loads(instrument_toml(table))
    assert again.get("valve", []) == table["valve"]
    assert {k: v for k, v in again.items() if k != "valve"} == {
        k: v for k, v in table.items() if k != "valve"
    }
    for name, typed in fields.items():
        place = name.split(".")
        kept = (
            again
            if len(place) == 1
            else next((v for v in again.get("valve", []) if v["name"] == place[1]), {}).get(place[2], {})
        )
        assert kept.get(place[-1], "") == typed.strip()


def test_half_a_character_is_no_fault():
    text = instrument_toml(table_of_form({"label": "a\ud800b"})[0])
    assert tomllib.loads(text)["label"] == "a\ufffdb"


def test_numbers_and_ticks():
    table, mistakes = table_of_form(
        {
            "label": "a",
            "strokes_per_day": " 3000 ",
            "days_per_week": "inf",
            "wear_share": "half",
            "valve.1.up.parts_tight": True,
            "valve.1.up.stops_on_pad": False,
            "valve.2.up.method": 7,
            "valve.2.side.method": "x",
        }
    )
    assert table["strokes_per_day"] == 3000
    assert table["valve"] == [{"name": "1", "up": {"parts_tight": True}}]
    assert [m.partition(":")[0] for m in mistakes] == [
        "days_per_week",
        "wear_share",
        "valve.2.up.method",
        "valve.2.side.method",
    ]


def test_a_whole_form_is_an_instrument():
    stop = {
        "port_error": "6thou",
        "read_at": "4N",
        "holding_force": "2.6N",
        "fitted": "ring",
        "fitted_thickness": "52thou",
        "outer_diameter": "19mm",
        "inner_diameter": "8mm",
        "parts_tight": True,
        "stops_on_pad": True,
    }
    fields = {"label": "b", **{f"valve.3.down.{key}": value for key, value in stop.items()}}
    one = instrument_from_bytes(instrument_toml(table_of_form(fields)[0]).encode(), source="the form")
    assert [(v.name, [s.side for s in v.stops]) for v in one.valves] == [("3", ["down"])]
    assert one.valves[0].stops[0].port_error_mm == pytest.approx(6 * 0.0254)


def test_instruments_kept_on_a_shelf(tmp_path):
    folder = tmp_path / "instruments"
    folder.mkdir()
    for name in ("b.toml", "a.toml", "a.fitted-2026-01-02.json", "a.fitted-2026-03-02.json", "a.txt"):
        (folder / name).write_text(name, encoding="utf-8")
    (folder / "c.toml").mkdir()
    (folder / "d.toml").symlink_to(folder / "a.toml")
    assert [one.name for one in instruments_kept(tmp_path)] == [
        "a.toml",
        "b.toml",
        "a.fitted-2026-03-02.json",
        "a.fitted-2026-01-02.json",
    ]
    assert kept_bytes(tmp_path, "b.toml") == b"b.toml"
    for name in ("a.txt", "d.toml", "c.toml", "../x", ""):
        with pytest.raises(InputError, match="no instrument"):
            kept_bytes(tmp_path, name)


def test_a_linked_folder_of_instruments_is_refused(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "shelf").mkdir()
    (tmp_path / "shelf" / "instruments").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(RunError, match="link"):
        instruments_kept(tmp_path / "shelf")


@pytest.mark.parametrize(
    ("label", "name"),
    [
        ("Band Cornet 3", "band-cornet-3.toml"),
        ("../../etc/passwd", "etc-passwd.toml"),
        ("\x00\u202e", "instrument.toml"),
        ("a" * 500, "a" * 60 + ".toml"),
        ("x.fitted-2026-01-01", "x-fitted-2026-01-01.toml"),
    ],
)
def test_an_instrument_is_kept_under_a_name_of_its_own(tmp_path, label, name):
    assert keep_instrument(tmp_path, "a", label) == name
    assert keep_instrument(tmp_path, "a", label) == name
    other = keep_instrument(tmp_path, "b", label)
    assert other == name.replace(".toml", "-2.toml")
    assert [p.name for p in sorted(tmp_path.rglob("*.toml"))] == sorted([name, other])
    assert kept_bytes(tmp_path, name) == b"a"


def test_an_instrument_is_not_written_through_a_link(tmp_path):
    outside = tmp_path / "outside.toml"
    outside.write_text("whole", encoding="utf-8")
    (tmp_path / "instruments").mkdir()
    (tmp_path / "instruments" / "a.toml").symlink_to(outside)
    assert keep_instrument(tmp_path, "x", "a") == "a-2.toml"
    assert outside.read_text("utf-8") == "whole"
