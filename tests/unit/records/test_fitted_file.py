"""Fittings on file: plain, dated, never written over; damaged ones are named and the others go on."""

from __future__ import annotations

import json
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from padlab.errors import FileFormatError, InputError
from padlab.records.fitted import (
    Ends,
    Fitted,
    FittedStop,
    FittedTouch,
    fittings_in,
    instrument_name,
    is_fitted_file,
    read_fitted,
    write_fitted,
)


def stop(valve="1", side="down", **more):
    given_lines = dict(
        valve=valve,
        side=side,
        wanted_mm=1.4,
        wanted_u_mm=0.026,
        holding_n=2.5,
        read_at_n=4.0,
        outer_mm=19.0,
        inner_mm=8.0,
        loaded_outer_mm=19.0,
        loaded_inner_mm=8.0,
        metal_clearance_mm=None,
        fitted_loaded_mm=1.3,
        material="felt",
        material_class="felt",
        lot="a",
        cut_mm=1.6,
        shims_mm=[],
        layers=1,
        loaded_mm=Ends(value=1.4, low=1.35, high=1.45),
        check_at_n=4.0,
        check_expected_mm=Ends(value=-0.05, low=-0.1, high=0.0),
        check_fresh_mm=-0.07,
        check_found_mm=None,
        check_seated=True,
        thinning_mm=None,
        renew_years=None,
    )
    return FittedStop(**{**given_lines, **more})


def fitted(on=date(2026, 11, 29), stops=None, **more):
    return Fitted(
        **{
            **dict(
                format="padlab fitted 1",
                label="cornet",
                fitted_on=on,
                shelf="shelf",
                padlab="0.1.0",
                touch=FittedTouch(
                    name="medium", median_n=6.0, gsd=1.5, hold_median_s=0.4, hold_gsd=3.0, holding_n=2.5
                ),
                strokes_per_day=3000.0,
                days_per_week=6.0,
                service_years=8.0,
                renew_limit_mm=0.0762,
                temperature_c=None,
                wear_share=0.5,
                stops=stops or [stop()],
            ),
            **more,
        }
    )


def test_there_and_back(tmp_path):
    one = fitted(stops=[stop(), stop(side="up", check_found_mm=0.01, renew_years=Ends(value=8.0))])
    path = write_fitted(one, tmp_path / "cornet 3.toml")
    assert path.name == "cornet 3.fitted-2026-11-29.json"
    assert read_fitted(path) == one
    assert is_fitted_file(path)
    assert instrument_name(path) == "cornet 3"


def test_nothing_is_written_over(tmp_path):
    first = write_fitted(fitted(), tmp_path / "c.toml")
    before = first.read_bytes()
    second = write_fitted(fitted(note="again"), tmp_path / "c.toml")
    third = write_fitted(fitted(), second)  # cut again from a fitting: the same instrument
    assert [p.name for p in (first, second, third)] == [
        "c.fitted-2026-11-29.json",
        "c.fitted-2026-11-29-2.json",
        "c.fitted-2026-11-29-3.json",
    ]
    assert first.read_bytes() == before
    found, lost = fittings_in(tmp_path)
    assert [p for p, _ in found] == [first, second, third]
    assert not lost


def test_order_of_days_and_numbers(tmp_path):
    for _ in range(11):
        write_fitted(fitted(), tmp_path / "c.toml")
    write_fitted(fitted(on=date(2025, 1, 2)), tmp_path / "c.toml")
    names = [p.name for p, _ in fittings_in(tmp_path)[0]]
    assert names[0] == "c.fitted-2025-01-02.json"
    assert names[-1] == "c.fitted-2026-11-29-11.json"  # not 2 after 11


@pytest.mark.parametrize(
    "data", [b"", b"{}", b"null", b"[" * 100_000, b"\xff\xfe", b'{"format": "padlab fitted 1"}', b"{" * 2000]
)
def test_damaged(tmp_path, data):
    write_fitted(fitted(), tmp_path / "good.toml")
    (tmp_path / "bad.fitted-2026-11-29.json").write_bytes(data)
    with pytest.raises(FileFormatError):
        read_fitted(tmp_path / "bad.fitted-2026-11-29.json")
    found, lost = fittings_in(tmp_path)
    assert [p.name for p, _ in found] == ["good.fitted-2026-11-29.json"]
    assert [p.name for p, _ in lost] == ["bad.fitted-2026-11-29.json"]


KEYS = [
    "wanted_mm",
    "holding_n",
    "cut_mm",
    "side",
    "valve",
    "check_found_mm",
    "loaded_mm",
    "layers",
    "material",
]


@given(
    key=st.sampled_from(KEYS),
    value=st.one_of(
        st.none(),
        st.booleans(),
        st.text(max_size=5),
        st.just(-1e9),
        st.just(1e300),
        st.lists(st.integers(), max_size=2),
    ),
)
def test_a_changed_value_is_read_or_refused(key, value):
    stored = json.loads(fitted().model_dump_json())
    stored["stops"][0][key] = value
    try:
        read = Fitted.model_validate_json(json.dumps(stored))
    except ValidationError:
        return
    kept = getattr(read.stops[0], key)
    assert kept == value or key in ("check_found_mm", "material", "valve")


@pytest.mark.parametrize("text", ["NaN", "Infinity", "1e999"])
def test_no_number_that_is_none(tmp_path, text):
    data = fitted().model_dump_json().replace('"wanted_mm":1.4', f'"wanted_mm":{text}')
    path = tmp_path / "c.fitted-2026-11-29.json"
    path.write_text(data)
    with pytest.raises(FileFormatError):
        read_fitted(path)


def test_links_are_not_followed(tmp_path):
    outside, inside = tmp_path / "outside", tmp_path / "inside"
    outside.mkdir()
    inside.mkdir()
    path = write_fitted(fitted(), outside / "c.toml")
    (inside / path.name).symlink_to(path)
    (inside / "folder").symlink_to(outside)
    assert fittings_in(inside) == ([], [])


def test_no_folder(tmp_path):
    with pytest.raises(InputError):
        fittings_in(tmp_path / "none")
    with pytest.raises(InputError):
        write_fitted(fitted(), tmp_path / "none" / "c.toml")


def test_a_stop_stands_once():
    with pytest.raises(ValidationError):
        fitted(stops=[stop(), stop()])
    with pytest.raises(ValidationError):
        Ends(value=1.0, low=2.0, high=3.0)
