"""choose, fitted, due from the command line, on two stocks of the sample runs."""

import dataclasses
import json
import shutil
from pathlib import Path

import pytest

from padlab.cli.choose import chosen, told
from padlab.units import MM_PER_THOU, both_lengths

TOP = Path(__file__).parents[3]
SAMPLES = TOP / "sample_runs"
STOCKS = ("dense green polymer", "grey wool felt")

GOOD = (SAMPLES / "instruments" / "band-cornet-3.toml").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    """A shelf with the ranked runs and the wear runs of two stocks, and the invented shop."""
    place = tmp_path_factory.mktemp("shelf")
    for run in sorted((SAMPLES / "runs").iterdir()):
        told = json.loads((run / "datapackage.json").read_text(encoding="utf-8"))["padlab"]
        pad = told.get("pad") or {}
        ranked = told["kind"] == "blank" or (told["kind"] == "wear" and pad.get("material") == STOCKS[0])
        ranked |= pad.get("material") in STOCKS and (told.get("procedure") or {}).get("name") == "standard"
        if ranked:
            shutil.copytree(run, place / "runs" / run.name, ignore=shutil.ignore_patterns("derived"))
    shutil.copy(SAMPLES / "shop.toml", place)
    return place


@pytest.fixture
def instrument(tmp_path):
    path = tmp_path / "cornet.toml"
    path.write_text(GOOD, encoding="utf-8")
    return path


def test_whole_way(padlab, shelf, instrument):
    """Chosen, fitted with checks, due, and cut again years later from another sheet."""
    code, out, _ = padlab("choose", instrument, shelf, "--json")
    assert code == 0
    told = json.loads(out)
    assert [(s["valve"], s["stop"]) for s in told["stops"]] == [
        ("1", "down"),
        ("1", "up"),
        ("2", "down"),
        ("2", "up"),
    ]
    assert [(n["valve"], n["stop"]) for n in told["no_cut"]] == [("3", "down"), ("3", "up")]
    first = told["stops"][0]
    assert {
        "material",
        "cut_mm",
        "cut_thou",
        "seated_mm",
        "gauge_foot_n",
        "gauge_foot_diameter_mm",
        "gauge_mm",
        "gauge_seated_mm",
        "go_thou",
        "no_go_thou",
        "sheet",
        "punch",
        "net_force_n",
        "loaded_thickness_mm",
        "check",
        "play_band_mm",
        "drift_p95_mm",
        "drift_p95_without_share_mm",
        "loss_fraction",
        "renew_after_years",
        "travel_to_metal_mm",
        "alternatives",
        "refused",
        "marks",
    } <= set(first)
    assert first["material"] == STOCKS[0]
    assert first["cut_mm"]["low"] < first["cut_mm"]["value"] < first["cut_mm"]["high"]
    assert first["go_thou"] - first["no_go_thou"] == 1.0
    assert first["check"]["at_n"] == 4.0
    assert first["renew_after_years"]["value"] == 8.0  # outlasts the service
    assert first["drift_p95_mm"]["value"] < first["drift_p95_without_share_mm"]["value"]
    assert set(told["stack"]) == {"up", "down"}
    assert (
        told["stack"]["down"]["share_over_8thou_cut"] < 0.01 < told["stack"]["down"]["share_over_8thou_built"]
    )

    code, out, err = padlab(
        "fitted",
        instrument,
        shelf,
        "--on",
        "2026-11-29",
        "--check",
        "1.down=-1thou",
        "--check",
        "1.up=6thou",
        "--skip",
        "2.up",
        "--lot",
        "2.down=2026-05",
        "--json",
    )
    assert code == 0, err
    kept = json.loads(out)
    path = Path(kept["file"])
    assert path == instrument.parent / "cornet.fitted-2026-11-29.json"
    assert [s["check"]["verdict"] for s in kept["stops"]] == ["right", "outside", "not read"]

    code, out, _ = padlab("due", instrument.parent)
    assert code == 0
    assert out.splitlines()[1].startswith("2034-11-29")
    code, out, _ = padlab("due", instrument.parent, "--json")
    rows = json.loads(out)["instruments"]
    assert {(r["valve"], r["stop"]) for r in rows} == {("1", "down"), ("1", "up"), ("2", "down")}
    assert {"label", "file", "fitted_on", "valve", "stop", "due_on", "marks"} <= set(rows[0])

    code, out, _ = padlab("choose", path, shelf, "--json")
    assert code == 0
    again = json.loads(out)["stops"]
    assert [(s["valve"], s["stop"]) for s in again] == [("1", "down"), ("1", "up"), ("2", "down")]
    assert again[0]["cut_thou"] == pytest.approx(first["cut_thou"], abs=1.0)
    assert again[0]["wanted_u_mm"] < first["wanted_u_mm"]  # read twice
    assert instrument.read_text(encoding="utf-8") == GOOD


def test_the_cuts_come_first_and_every_caution_is_said_once(padlab, shelf, instrument):
    code, out, err = padlab("choose", instrument, shelf)
    assert code == 0, err
    told = json.loads(padlab("choose", instrument, shelf, "--json")[1])["stops"]
    first, *blocks = out.split("\n\n")[1:]
    assert [line.split(":")[0].strip() for line in first.splitlines()][:len(told)] == [
        f"{stop['valve']} {stop['stop']}" for stop in told]
    for stop, line in zip(told, first.splitlines(), strict=False):
        assert f"{stop['material']}, {stop['cut_thou']:g} thou" in line
    said = [line.split("  ", 2)[1:] for line in blocks[-1].splitlines()[1:]]
    numbered = {number: words for number, words in said}
    assert len(set(numbered.values())) == len(said)
    for stop, block in zip(told, blocks, strict=False):
        named = block.split("cautions: ")[1].splitlines()[0].split(", ")
        of_the_stop = {f"{m['weight']}: {m['about']}: {m['message']}" for m in stop["marks"]
                       if m["weight"] != "note"}
        assert {numbered[n] for n in named} == of_the_stop
    # No number stands without its interval.
    doubt = both_lengths(1.95996 * told[0]["wanted_u_mm"])
    wanted = both_lengths(told[0]["wanted_loaded_mm"])
    assert f"wanted under the usual press: {wanted}, known to {doubt}" in out
    drift = told[0]["drift_p95_mm"]
    low, high = (drift[end] / MM_PER_THOU for end in ("low", "high"))
    assert (f"[{1e3 * drift['low']:.1f} to {1e3 * drift['high']:.1f} um "
            f"({low:.1f} to {high:.1f} thou)]") in out


def test_shims_stand_beside_every_cut_that_counts_on_them(shelf, instrument):
    """A cut without its shims is 8 thou too thin: the line that is read at the bench says them."""
    choice, _ = chosen(instrument, str(shelf))
    first, *rest = choice.stops
    best = dataclasses.replace(first.best, sheet=dataclasses.replace(
        first.best.sheet, shims_mm=(3 * MM_PER_THOU, 5 * MM_PER_THOU)))
    lines = told(dataclasses.replace(choice, stops=(dataclasses.replace(first, best=best), *rest)))
    of_the_stop = [line for line in lines if f"{best.cut_thou:g} thou (" in line][:2]
    assert len(of_the_stop) == 2                            # the first line, and the head of its block
    assert all("mm) with 3 + 5 thou of shim" in line for line in of_the_stop)
    assert any(line.endswith(f"sheet of lot {best.sheet.lot} with 3 + 5 thou of shim") for line in lines)


def test_what_only_outlasts_its_service_has_no_bare_date(padlab, shelf, instrument):
    """Neither a year nor a date stands there as if it were the pad's end; and no stop is passed over."""
    _, out, _ = padlab("choose", instrument, shelf)
    assert "outlasts the service of 8 years: look at it then" in out
    assert "renew after 8 years" not in out
    _, out, _ = padlab("fitted", instrument, shelf, "--on", "2026-11-29", "--skip", "2.up")
    assert "valve 2, up stop: skipped, nothing is kept of it" in out
    for side in ("down", "up"):
        assert f"valve 3, {side} stop: NO CUT, nothing is kept of it" in out
    _, out, _ = padlab("due", instrument.parent)
    head, first, *_ = out.splitlines()
    assert first[head.index("95 % between"):].startswith("end of service")
    assert "end of service: the pad outlasts the service that was asked for: look at it then" in out
    assert "not determined: no wear on file that reaches so far" in out


def test_three_calls_from_a_faulty_file_to_a_cut(padlab, shelf, instrument):
    """First every mistake and every missing line, then what is left, then the cuts."""
    faulty = (
        GOOD.replace('read_at = "4N"', 'read_at = "4"', 1)
        .replace('service = "8 years"', 'service = "8"')
        .replace("stops_on_pad = true", "stops_on_pad = false", 1)
        .replace("label =", "lable =")
        .replace('fitted_thickness = "52thou"\n', "", 1)
    )
    instrument.write_text(faulty, encoding="utf-8")
    code, out, err = padlab("choose", instrument, shelf)
    assert (code, out) == (1, "")
    for key in (
        "label",
        "lable",
        "service",
        "valve.1.down.read_at",
        "valve.1.down.stops_on_pad",
        "valve.1.down.fitted_thickness",
        "valve.3.up.fitted_loaded_thickness",
    ):
        assert key in err, key
    second = faulty.replace('read_at = "4"', 'read_at = "4N"').replace('service = "8"', 'service = "8 years"')
    instrument.write_text(second.replace("lable =", "label ="), encoding="utf-8")
    code, out, _ = padlab("choose", instrument, shelf)
    assert code == 0
    assert "valve 1, down stop: NO CUT" in out
    assert "micrometer" in out
    assert "stops on metal" in out
    instrument.write_text(GOOD, encoding="utf-8")
    code, out, _ = padlab("choose", instrument, shelf)
    assert code == 0
    assert "valve 1, down stop: dense green polymer, cut to" in out


@pytest.mark.parametrize(
    "arguments",
    [
        ("--check", "1.down"),
        ("--check", "down=1thou"),
        ("--check", "1.down=1"),
        ("--check", "1.down=900thou"),
        ("--check", "1.down=1thou", "--check", "1.down=2thou"),
        ("--cut", "1.down=0mm"),
        ("--skip", "1"),
        ("--on", "29.11.2026"),
        ("--on", "2026-02-30"),
        ("--stock", "1.down="),
        ("--note", ""),
        ("--note", "x" * 3000),
    ],
)
def test_mistyped(padlab, shelf, instrument, arguments):
    code, out, err = padlab("fitted", instrument, shelf, *arguments)
    assert (code, out) == (2, "")
    assert err
    assert list(instrument.parent.iterdir()) == [instrument]


@pytest.mark.parametrize(
    "arguments", [("--stock", "1.down=gold"), ("--check", "9.up=1thou"), ("--skip", "3.up")]
)
def test_what_was_not_offered(padlab, shelf, instrument, arguments):
    code, out, err = padlab("fitted", instrument, shelf, *arguments)
    assert (code, out) == (1, "")
    assert "expected:" in err
    assert list(instrument.parent.iterdir()) == [instrument]


def test_faults_of_files(padlab, shelf, instrument, tmp_path):
    (shelf / "shop.toml").rename(tmp_path / "kept.toml")
    try:
        (shelf / "shop.toml").write_text("gauge_foot_force = 3\nshims = 4\n", encoding="utf-8")
        code, _, err = padlab("choose", instrument, shelf)
        assert code == 1
        assert "gauge_foot_force" in err
        assert "shims" in err
    finally:
        (tmp_path / "kept.toml").replace(shelf / "shop.toml")
    assert padlab("choose", tmp_path / "none.toml", shelf)[0] == 1
    assert padlab("choose", instrument, tmp_path / "no-shelf")[0] == 1
    assert padlab("due", tmp_path / "none")[0] == 1
    bad = tmp_path / "cornet.fitted-2026-11-29.json"
    bad.write_text("{}", encoding="utf-8")
    assert padlab("choose", bad, shelf)[0] == 1
    code, out, _ = padlab("due", tmp_path)
    assert code == 0
    assert "not read" in out
