"""``padlab calibrate``: is the rig to be trusted, and what do its readings stand for?"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from padlab.cli.main import print_json
from padlab.cli.words import Number, WholeNumber, plain

if TYPE_CHECKING:
    from padlab.calibration.readings import ReadingTable
    from padlab.records.calibration import Calibration

Command = Callable[..., None]


@click.group(name="calibrate")
def command() -> None:
    """Find what a rig's readings stand for, and what they are worth.

    Without --out the answer is only printed; with it the calibration is kept on that shelf, dated,
    with an id and an expiry. A rig file names it (calibration = "ID" in a channel), or
    padlab remake RUN --calibration ID applies it to runs on file.

    Weights: over foam, feet clear, over half a kilogram tethered, never over the cell's limit.
    """


def _kept(f: Command) -> Command:
    """Options of everything that is kept on a shelf."""
    for add in (
        click.option("--json", "as_json", is_flag=True, help="Print one JSON object."),
        click.option("--valid-days", type=WholeNumber(1, 3660), default=365, show_default=True,
                     help="How long it is good for."),
        click.option("--rig", metavar="NAME", help="The rig it is for; then no other rig's run takes it."),
        click.option("--out", type=click.Path(path_type=Path), metavar="SHELF",
                     help="Keep it on this shelf."),
    ):
        f = add(f)
    return f


def _tabular(f: Command) -> Command:
    """Options of what is read from a table."""
    for add in (
        click.option("--sheet", metavar="NAME", help="The sheet, where a workbook has several."),
        click.option("--decimal", type=click.Choice(["point", "comma"]), help="Only where it fits two ways."),
        click.option("--delimiter", type=click.Choice(["comma", "semicolon", "tab"]),
                     help="Only where it fits two ways."),
    ):
        f = add(f)
    return f


def _for_channel(f: Command) -> Command:
    for add in (
        click.option("--at", "at", multiple=True, type=float, metavar="READING",
                     help="What does this reading stand for?"),
        click.option("--instrument", metavar="NAME", help="Which of the rig's instruments it is for."),
        click.option("--channel", metavar="NAME", help="Which of its channels."),
        click.option("--reference-uncertainty", "doubt", metavar="SHARE|QUANTITY",
                     help="Standard uncertainty of the references: 0.01% of each, or 0.5mN, 0.2um for all."),
        click.option("--column", "columns", multiple=True, required=True, metavar="ROLE=NAME[:UNIT]",
                     help="reference=NAME:UNIT, reading=NAME[:UNIT]; also direction=NAME (up, down), "
                          "series=NAME."),
    ):
        f = add(f)
    return f


@command.command(name="force", short_help="Force, from dead weights.")
@click.argument("table", metavar="TABLE")
@_for_channel
@click.option("--latitude", metavar="DEG", help="Of the bench, such as 50; needed where weights are given.")
@click.option("--height", metavar="M", help="Of the bench above the sea, such as 100.")
@click.option("--weight-density", type=Number(500, 30000), metavar="KG_M3",
              help="Of the weights, for the air they float in; steel (7850) if not given.")
@_tabular
@_kept
def force(table: str, latitude: str | None, height: str | None, weight_density: float | None,
          **options: Any) -> None:
    """Force from dead weights: the reading is fitted on the weight's force.

    padlab calibrate force weights.csv --column reference=mass:kg --column reading=counts
    --column direction=way --latitude 50 --height 100 --out shelf
    """
    _readings("force", table, latitude, height, weight_density, **options)


@command.command(name="displacement", short_help="Displacement, from gauge blocks.")
@click.argument("table", metavar="TABLE")
@_for_channel
@_tabular
@_kept
def displacement(table: str, **options: Any) -> None:
    """Displacement from gauge blocks: the reading is fitted on the block.

    padlab calibrate displacement blocks.csv --column reference=block:mm --column reading=counts --out shelf
    """
    _readings("displacement", table, None, None, None, **options)


@command.command(name="compliance")
@click.argument("runs", nargs=-1, required=True, metavar="RUN...")
@_kept
def compliance(runs: tuple[str, ...], **kept: Any) -> None:
    """The give of the bare frame, from five blank runs or more.

    padlab calibrate compliance RUN RUN RUN RUN RUN --out shelf
    """
    from padlab.calibration.compliance import compliance as find
    from padlab.calibration.compliance import compliance_answer, made_from
    from padlab.records.shelf import find_runs

    blanks = [r for r in find_runs(runs) if r.kind == "blank" or not _is_shelf(runs)]
    found = find(blanks)
    if kept["rig"] is None and blanks[0].rig is not None:
        kept["rig"] = blanks[0].rig.name
    _keep("compliance", compliance_answer(found), kept, frame=found.table,
          made_from=made_from(blanks))


@command.command(name="skew", short_help="How much later the displacement is seen than the force.")
@click.argument("runs", nargs=-1, required=True, metavar="RUN...")
@_kept
def skew(runs: tuple[str, ...], **kept: Any) -> None:
    """How much later the displacement is seen than the force, from a run on a steel spring.

    padlab calibrate skew RUN --out shelf
    """
    from padlab.calibration.skew import skew_answer, skew_of
    from padlab.records.shelf import find_runs

    springs = [r for r in find_runs(runs) if r.kind == "check" or not _is_shelf(runs)]
    found = skew_of(springs)
    if kept["rig"] is None and springs[0].rig is not None:
        kept["rig"] = springs[0].rig.name
    _keep("skew", skew_answer(found), kept, skew=None if kept["out"] is None else found.stored(),
          made_from={"runs": {r.id: r.raw_sha256 for r in springs}})


@command.command(name="repeatability", short_help="What of the scatter is the gauge's and the people's.")
@click.argument("table", metavar="TABLE")
@click.option("--column", "columns", multiple=True, required=True, metavar="ROLE=NAME",
              help="part=NAME, operator=NAME, reading=NAME[:UNIT].")
@click.option("--nested", is_flag=True, help="Each part was measured by one person only.")
@click.option("--no-pool", is_flag=True, help="Keep an interaction apart even where there is no sign of it.")
@_tabular
@_kept
def repeatability(table: str, columns: tuple[str, ...], nested: bool, no_pool: bool, delimiter: str | None,
                  decimal: str | None, sheet: str | None, **kept: Any) -> None:
    """How much of the scatter is the gauge's and the people's, how much the pads' own.

    padlab calibrate repeatability study.csv --column part=pad --column operator=who --column reading=um
    """
    from padlab.calibration.study import arrange, crossed_study, nested_study
    from padlab.records.tables import read_columns

    data, where = _data(table)
    roles = _roles(columns, need=("part", "operator", "reading"), units={"reading": ("length", "force")})
    numbers, texts, about = read_columns(
        data, number_names=[roles["reading"][0]], text_names=[roles["part"][0], roles["operator"][0]],
        delimiter=delimiter, decimal=decimal, sheet=sheet)
    arranged = arrange(texts[roles["part"][0]], texts[roles["operator"][0]], numbers[roles["reading"][0]],
                       nested=nested)
    study = nested_study(arranged) if nested else crossed_study(arranged, pool=not no_pool)
    share = study.gauge_share_percent
    _keep("repeatability", {
        "mean_squares": study.mean_squares,
        "degrees_of_freedom": study.degrees_of_freedom,
        "variance_components": {n: q.to_json() for n, q in study.variance_components.items()},
        "gauge_sd": study.gauge_sd,
        "gauge_share_percent": None if share is None else share.to_json(),
        "distinct_categories": study.distinct_categories,
        "interaction_p": study.interaction_p, "pooled": study.pooled, "unit": roles["reading"][1],
        "marks": [m.to_json() for m in study.marks],
    }, kept, made_from={**where, **about, "columns": list(columns)})


def _readings(kind: str, table: str, latitude: str | None, height: str | None, density: float | None,
              *, columns: tuple[str, ...], doubt: str | None, channel: str | None, instrument: str | None,
              at: tuple[float, ...], delimiter: str | None, decimal: str | None, sheet: str | None,
              **kept: Any) -> None:
    from math import isfinite

    from padlab.calibration.readings import ReadingTable, calibrate_readings, directions, readings_answer
    from padlab.records.tables import read_columns

    if not all(isfinite(a) for a in at):
        raise click.BadParameter("a reading is a finite number", param_hint="--at")
    own = "force" if kind == "force" else "length"
    units = {"reference": (own, "mass") if kind == "force" else (own,), "reading": (own,)}
    roles = _roles(columns, need=("reference", "reading"), may=("direction", "series"), units=units)
    data, where = _data(table)
    texts_wanted = [roles[r][0] for r in ("direction", "series") if r in roles]
    numbers, texts, about = read_columns(
        data, number_names=[roles["reference"][0], roles["reading"][0]], text_names=texts_wanted,
        delimiter=delimiter, decimal=decimal, sheet=sheet)
    reference, unit, factor = _reference(numbers[roles["reference"][0]], roles["reference"][1], own,
                                         latitude, height, density)
    reading_factor = _factor(roles["reading"][1], own)
    share, fixed = _doubt(doubt, own)
    direction = directions(texts[roles["direction"][0]]) if "direction" in roles else None
    series = tuple(texts[roles["series"][0]]) if "series" in roles else None
    filled: ReadingTable = ReadingTable(
        reference, numbers[roles["reading"][0]] * reading_factor, unit, factor, roles["reading"][1],
        reading_factor, direction, series, share, fixed)
    done = calibrate_readings(kind, filled)
    _keep(kind, readings_answer(done, at), kept, curve=done.fit.curve, channel=channel, instrument=instrument,
          reads="raw" if roles["reading"][1] is None else "value",
          made_from={**where, **about, "columns": list(columns), "latitude": latitude, "height": height,
                     "weight_density_kg_m3": density, "reference_uncertainty": doubt})


def _reference(values: Any, unit: str | None, own: str, latitude: str | None, height: str | None,
               density: float | None) -> tuple[Any, str, float]:
    """References in N or mm, the unit they are printed in, and its factor."""
    from padlab.calibration.gravity import STEEL_KG_PER_M3, weight_force_n
    from padlab.errors import InputError
    from padlab.units import FACTORS, factor

    assert unit is not None                      # _roles asks for it
    if unit not in FACTORS["mass"]:
        f = factor(unit, own)
        return values * f, unit, f
    if latitude is None or height is None:
        raise InputError("a weight presses differently at the equator and at the pole",
                         expected="--latitude DEG and --height M of the bench", seen=f"a reference in {unit}",
                         remedy="look both up on a map; standard gravity would be up to 0.3 % wrong")
    mass_kg = values * FACTORS["mass"][unit]
    return weight_force_n(mass_kg, latitude_deg=_plain_number(latitude, "--latitude", 90, ("deg", "°")),
                          height_m=_plain_number(height, "--height", 9000, ("m",)),
                          density_kg_per_m3=density or STEEL_KG_PER_M3), "N", 1.0


def _plain_number(text: str, name: str, largest: float, units: tuple[str, ...]) -> float:
    number = next((text[: -len(u)] for u in units if text.endswith(u)), text).strip()
    if re.fullmatch(r"[+-]?\d{1,5}(?:\.\d{1,9})?", number, re.ASCII) is None or abs(float(number)) > largest:
        raise click.BadParameter(f"{plain(text)[:40]!r} is not a number of {units[0]} up to {largest:g}",
                                 param_hint=name)
    return float(number)


def _doubt(text: str | None, own: str) -> tuple[float | None, float | None]:
    """Relative and fixed standard uncertainty of the references."""
    from padlab.units import parse_quantity

    if text is None:
        return None, None
    if text.endswith("%"):
        share = parse_quantity(text, "humidity") / 100          # the one kind that is a bare percentage
        if not 0 <= share < 1:
            raise click.BadParameter(f"{plain(text)[:40]} is no share", param_hint="--reference-uncertainty")
        return share, None
    fixed = parse_quantity(text, own)
    if fixed < 0:
        raise click.BadParameter("an uncertainty is not negative", param_hint="--reference-uncertainty")
    return None, fixed


def _factor(unit: str | None, own: str) -> float:
    from padlab.units import factor

    return 1.0 if unit is None else factor(unit, own)


def _roles(columns: Sequence[str], *, need: tuple[str, ...], may: tuple[str, ...] = (),
           units: Mapping[str, tuple[str, ...]]) -> dict[str, tuple[str, str | None]]:
    """What each ``ROLE=NAME[:UNIT]`` says: role -> (name, unit).

    The unit is what stands behind the last colon, if that is a unit; a reference must have one.
    """
    from padlab.errors import InputError
    from padlab.units import FACTORS

    roles: dict[str, tuple[str, str | None]] = {}
    for text in columns:
        role, equals, name = text.partition("=")
        if not equals or role not in (*need, *may) or not name.strip() or role in roles:
            raise InputError(f"{text[:80]!r} names no column", seen=repr(text[:80]),
                             expected="each of " + ", ".join(f"{r}=NAME" for r in (*need, *may)) + " once")
        offer = [u for kind in units.get(role, ()) for u in FACTORS[kind]]
        head, colon, unit = name.rpartition(":")
        bare = unit.strip().removeprefix("-") if role == "reading" else unit.strip()
        if colon and head.strip() and bare in offer:
            roles[role] = (head.strip(), unit.strip())
        elif role == "reference":
            raise InputError("the column for reference has no unit that padlab knows",
                             expected="reference=NAME:UNIT, UNIT one of "
                             + ", ".join(u for u in offer if u.isascii()), seen=repr(text[:80]))
        else:
            roles[role] = (name.strip(), None)
    missing = [r for r in need if r not in roles]
    names = [name for name, _ in roles.values()]
    if missing or len(set(names)) < len(names):
        raise InputError(f"no column for {missing[0]}" if missing else "one column is named for two things",
                         expected=", ".join(f"{r}=NAME" for r in need), seen=", ".join(columns)[:200],
                         remedy=f"add --column {missing[0]}=NAME" if missing else None)
    return roles


def _data(table: str) -> tuple[bytes, dict[str, Any]]:
    import hashlib

    from padlab.records.inside import read_named
    from padlab.records.tables import LIMIT

    data = read_named(table, limit=LIMIT)
    return data, {"table": Path(table).name[:200], "sha256": hashlib.sha256(data).hexdigest()}


def _is_shelf(runs: Sequence[str]) -> bool:
    return any((Path(n) / "runs").is_dir() for n in runs if "\0" not in n)


def _keep(kind: Any, answer: dict[str, Any], kept: dict[str, Any], **parts: Any) -> None:
    """Put it on the shelf if one is named, and print it."""
    from datetime import UTC, datetime, timedelta

    from padlab.records.calibration import Calibration, new_calibration_id, write_calibration

    name = None
    if kept["out"] is not None:
        now = datetime.now(UTC)
        name = new_calibration_id(now)
        calibration: Calibration = Calibration(
            id=name, kind=kind, made=now.isoformat(timespec="seconds"), rig=kept["rig"],
            expires=(now + timedelta(days=kept["valid_days"])).isoformat(timespec="seconds"),
            answer=answer, **parts)
        path = write_calibration(kept["out"], calibration)
        click.echo(f"kept as {plain(str(path))}, good for {kept['valid_days']} days", err=True)
    if kept["as_json"]:
        print_json({"id": name, **answer})
        return
    click.echo("\n".join(_summary(kind, answer)))
    for one in answer["marks"]:
        click.echo(plain(f"{one['weight']}: {one['about']}: {one['message']}"), err=True)


def _summary(kind: str, a: dict[str, Any]) -> list[str]:
    """A calibration in a technician's words."""
    if kind in ("force", "displacement"):
        return _curve_words(a)
    if kind == "compliance":
        return [f"the frame gives {_span(row['deflection_mm'], 1e3, 'um')} at {row['force_n']:g} N"
                for row in a["at"]]
    if kind == "skew":
        which = a["instrument"] or "the displacement"
        return [f"{plain(which)} is {_span(a['skew_s'], 1e3, 'ms')} late"]
    unit = f" {a['unit']}" if a["unit"] else ""
    lines = [f"the gauge and the people scatter by {a['gauge_sd']:.3g}{unit} (one standard deviation)"]
    if a["gauge_share_percent"]:
        lines.append(f"that is {_share(a['gauge_share_percent'])} of all the scatter seen")
    if a["distinct_categories"] is not None:
        lines.append(f"parts can be told apart into {a['distinct_categories']} classes")
    return lines


def _curve_words(a: dict[str, Any]) -> list[str]:
    unit, reading = a["reference_unit"], a["reading_unit"] or "counts"
    shape = "a straight line" if a["degree"] == 1 else f"a curve of degree {a['degree']}"
    lines = [plain(f"{shape} from {a['from']:g} to {a['to']:g} {unit}; one reading scatters by "
                   f"{a['residual_sd']:.3g} {reading}")]
    for i, (q, sd) in enumerate(zip(a["coefficients"], a["coefficient_sd"], strict=True)):
        lines.append(f"  coefficient {i}  {q['value']:.10g}  (standard deviation {sd:.3g})")
    if a["lowest_verified"] is not None:
        lines.append(f"verified from {a['lowest_verified']:.4g} {unit} up")
    for one in a["class_from"]:
        lines.append(f"class {one['class']:g} (in the manner of the standard) from {one['from']:.4g} "
                     f"{unit} up")
    for check in a["checks"]:
        if check["worst"] is None:
            lines.append(f"  {check['check']}: not determined")
        else:
            lines.append(f"  {check['check']}: {check['worst']:.3g} {'%' if check['unit'] == '%' else unit} "
                         f"at {check['at']:.4g} {unit}" + (f"; {check['limits']}" if check["limits"] else ""))
    for row in a["at"]:
        lines.append(f"reading {row['reading']:.10g} = {_span(row, 1, unit)}")
    return lines


def _share(q: dict[str, float | None]) -> str:
    """A share in per cent, to the digits that its interval leaves a meaning."""
    from padlab.units import three_digits

    value, low, high = q["value"], q["low"], q["high"]
    if value is None:
        return "not determined"
    if low is None or high is None:
        return f"{three_digits(value)[0]} %"
    known, *ends = three_digits(value, low, high)
    return f"{known} % (95 %: {' to '.join(ends)})"


def _span(q: dict[str, float | None], by: float, unit: str) -> str:
    if q["value"] is None:
        return "not determined"
    known = f"{q['value'] * by:.5g} {unit}"
    if q["low"] is None or q["high"] is None:
        return known
    return f"{known} (95 %: {q['low'] * by:.5g} to {q['high'] * by:.5g})"
