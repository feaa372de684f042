"""``padlab qualify``: a delivered lot: accept, refuse or test more, with both risks known."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from padlab.cli.main import print_json
from padlab.cli.words import plain

if TYPE_CHECKING:
    from padlab.decisions.batch_plan import BatchPlan
    from padlab.decisions.certified import Certified
    from padlab.records.spec import Spec


@click.command(name="qualify")
@click.argument("shelf", required=False, type=click.Path(path_type=Path), metavar="[SHELF]")
@click.option("--plan", "plan_file", metavar="SPEC.toml", help="Only plan: how many pads, by which rule.")
@click.option("--spec", "spec_file", metavar="SPEC.toml", help="What the lot must keep to.")
@click.option("--lot", metavar="LOT", help="The lot that is judged.")
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="CERTIFICATE.html|.pdf",
    help="The certificate: a page, or a PDF where the name ends so (padlab[pdf]).",
)
@click.option(
    "--check",
    "certificate",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="CERTIFICATE.html|.pdf",
    help="Are the raw samples on SHELF still those of this certificate?",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    shelf: Path | None,
    plan_file: str | None,
    spec_file: str | None,
    lot: str | None,
    out: Path | None,
    certificate: Path | None,
    as_json: bool,
) -> None:
    """Accept, refuse or test more of a delivered lot.

    padlab qualify --plan spec.toml

    padlab qualify sample_runs --spec spec.toml --lot 2026-09 --out certificate.html
    """
    if plan_file is not None:
        if (shelf, spec_file, lot, out, certificate) != (None,) * 5:
            raise click.UsageError("--plan stands alone: nothing has been measured yet")
        _plan(plan_file, as_json)
        return
    if shelf is None:
        raise click.UsageError("give --plan SPEC.toml, or SHELF --spec SPEC.toml --lot LOT")
    if certificate is not None:
        if (spec_file, lot, out) != (None, None, None):
            raise click.UsageError("--check goes with a SHELF alone")
        _check(shelf, certificate, as_json)
        return
    if spec_file is None or lot is None:
        raise click.UsageError("SHELF needs --spec SPEC.toml and --lot LOT")
    if out is not None and not out.parent.is_dir():
        raise click.BadParameter(f"there is no folder {plain(str(out.parent))}", param_hint="--out")
    if out is not None and out.suffix.lower() == ".pdf":
        from padlab.report.paper_sheet import can_print

        can_print()
    from padlab.records.spec import read_spec

    done = _judged(shelf, read_spec(spec_file), lot)
    if out is not None:
        from datetime import UTC, datetime

        from padlab.report.certificate import write_certificate

        write_certificate(done, out, made_on=f"{datetime.now(UTC):%Y-%m-%d}")
    if as_json:
        print_json(done.to_json())
        return
    click.echo(plain("\n".join(done.words())))
    if out is not None:
        click.echo(f"\nThe certificate: {plain(str(out))}")


def _judged(shelf: Path, spec: Spec, lot: str) -> Certified:
    """Everything of the stock on the shelf, fitted where it must be, and the verdict on one lot."""
    from padlab.cli.compare import player
    from padlab.cli.pad_runs import fit_all
    from padlab.decisions.batch_plan import plan_batch
    from padlab.decisions.batch_readings import Unfitted
    from padlab.decisions.certified import Stock, certify
    from padlab.drift.touch import net_strokes
    from padlab.errors import RunError
    from padlab.fitting.many import Asked
    from padlab.records.gauge import readings_of
    from padlab.records.shelf import find_runs

    plan = plan_batch(spec)
    strokes = None
    if spec.touch is not None:
        touch = player(spec.touch, (str(shelf),))
        strokes = net_strokes(touch, holding_n=touch.holding_n if spec.holding_n is None else spec.holding_n)
    on_file = find_runs([shelf])
    pads = [
        r
        for r in on_file
        if r.kind == "pad"
        and r.pad is not None
        and r.pad.material == spec.material
        and (spec.rig is None or (r.rig is not None and r.rig.name == spec.rig))
        and str((r.procedure or {}).get("name")) != "warm-up"
    ]
    asks_wear = any(c.name == "wear" for c in spec.characteristics)
    wear = [
        r
        for r in on_file
        if asks_wear and r.kind == "wear" and r.pad is not None and r.pad.material == spec.material
    ]
    gauges = [r for r in on_file if r.kind == "gauge" and r.gauge is not None]
    own = [
        r
        for r in gauges
        if r.gauge is not None
        and r.gauge.material == spec.material
        and not r.gauge.is_standard
        and r.set_aside is None
    ]
    lots = sorted(
        {r.pad.lot for r in (*pads, *wear) if r.pad} | {r.gauge.lot for r in own if r.gauge}
    )
    for wanted, why in ((lot, "to judge"), (spec.reference_lot, "to hold it against")):
        if wanted is not None and wanted not in lots:
            raise RunError(
                f"there is no lot {wanted[:60]!r} of {spec.material[:60]!r} {why}",
                expected="a lot on this shelf",
                seen=", ".join(repr(n[:60]) for n in lots[:30]) or "none",
                remedy="padlab shelf SHELF lists what is on file; names are spelt as in the pad files",
            )
    if all(c.name == "wear" or c.by_gauge for c in spec.characteristics):
        pads = []
    fits, failed = fit_all(pads, Asked())
    checks = [
        r
        for r in on_file
        if (r.kind == "check" and r.set_aside is None)
        or (r.gauge is not None and r.gauge.is_standard and r.set_aside is None)
    ]
    stock = Stock(
        fits=tuple(fits),
        unfitted=tuple(
            (n.run.pad.lot, Unfitted(n.run.id, n.run.pad.id, n.fault.message))
            for n in failed
            if n.run.pad is not None
        ),
        gauges=tuple((r, readings_of(r)) for r in own),
        checks=tuple(checks),
        runs=tuple(pads + own + wear),
        wear=tuple(wear),
    )
    return certify(plan, stock, lot=lot, strokes=strokes)


def _check(shelf: Path, certificate: Path, as_json: bool) -> None:
    """Hold the raw files that a certificate names against those on the shelf."""
    from padlab.errors import RunError
    from padlab.records.inside import read_named
    from padlab.records.traces import changed_files, raw_files_as_they_are
    from padlab.report.certificate import certified_files

    then = certified_files(read_named(str(certificate), limit=16 << 20))
    changed = changed_files(then, raw_files_as_they_are(shelf, {f.run for f in then}))
    if changed:
        raise RunError(
            f"{len(changed)} raw file(s) are not those of the certificate: " + "; ".join(changed[:20]),
            expected="the SHA-256 that the certificate prints",
            seen="; ".join(changed[:3]),
            remedy="bring the files back from a copy, or judge the lot anew",
            where={"changed": changed},
        )
    if as_json:
        print_json({"files": len(then), "changed": []})
    else:
        click.echo(f"all {len(then)} raw files are those of the certificate")


def _plan(file: str, as_json: bool) -> None:
    from padlab.decisions.batch_plan import plan_batch
    from padlab.records.spec import read_spec

    plan = plan_batch(read_spec(file))
    if as_json:
        print_json(plan_json(plan))
    else:
        click.echo(plain("\n".join(plan_words(plan))))


def plan_json(plan: BatchPlan) -> dict[str, Any]:
    """The object of ``--plan``."""
    return {
        "n": plan.n,
        "sheets": plan.spec.sheets,
        "per_sheet": plan.per_sheet,
        "places": plan.places,
        "characteristics": [
            {
                "name": p.characteristic.name,
                "n": p.n,
                "acceptance_constant": p.acceptance_constant,
                "rule": p.kind,
                "rule_words": p.rule_words,
                "producer_risk": p.risks.producer_risk,
                "consumer_risk": p.risks.consumer_risk,
                "operating_curve": [[share, least] for share, least, _ in p.operating_curve],
                "operating_curve_most": [[share, most] for share, _, most in p.operating_curve],
                "smaller": [{"n": c.n, "consumer_risk": c.consumer_risk} for c in p.smaller],
            }
            for p in plan.characteristics
        ],
    }


def plan_words(plan: BatchPlan) -> list[str]:
    """The plan as a technician reads it."""
    spec, m = plan.spec, len(plan.characteristics)
    risks = spec.risks
    lines = [f"{spec.material}: test {plan.n} pads"]
    if spec.sheets:
        lines[0] = (
            f"{spec.material}: test {plan.total} pads, {plan.per_sheet} from each of {plan.sheets} sheets"
        )
    lines += [
        f"  taken from {plan.places} of 9 fields of a sheet (corners, edges, middle), drawn by lot",
        f"  a lot with {risks.producer_quality:.3g} outside is accepted at least "
        f"{1 - risks.producer_risk:.3g} of the time,",
        f"  a lot with {risks.consumer_quality:.3g} outside at most {risks.consumer_risk:.3g} of the time",
    ]
    if m > 1:
        lines.append(
            f"  {m} characteristics must all pass: each may refuse a good lot "
            f"{risks.producer_risk:g}/{m} = {risks.producer_risk / m:.3g} of the time"
        )
    for p in plan.characteristics:
        c = p.characteristic
        about = c.words + (f" ({c.condition_words})" if c.condition_words else "")
        lines += ["", f"{about}: {p.n} pads; {p.rule_words}", "  share outside   accepted"]
        lines += [
            f"  {share:12.2%}    {least:.4f}" + (f" to {most:.4f}" if most - least > 5e-5 else "")
            for share, least, most in p.operating_curve
        ]
        lines += [
            f"  with {fewer.n} pads a lot at {risks.consumer_quality:.3g} would pass "
            f"{100 * fewer.consumer_risk:.0f} % of the time"
            for fewer in p.smaller
        ]
        if p.known_spread_n is not None:
            lines.append(f"  (were the spread known from many lots: {p.known_spread_n:.1f} pads)")
    return lines
