"""``padlab qualify``: a delivered lot: accept, refuse or test more, with both risks known."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from padlab.cli.main import print_json
from padlab.cli.words import plain

if TYPE_CHECKING:
    from padlab.decisions.batch_plan import BatchPlan


@click.command(name="qualify")
@click.option("--plan", "plan_file", metavar="SPEC.toml", help="Only plan: how many pads, by which rule.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(plan_file: str | None, as_json: bool) -> None:
    """Accept, refuse or test more of a delivered lot.

    padlab qualify --plan spec.toml
    """
    if plan_file is None:
        raise click.UsageError("give --plan SPEC.toml")
    from padlab.decisions.batch_plan import plan_batch
    from padlab.records.spec import read_spec

    plan = plan_batch(read_spec(plan_file))
    if as_json:
        print_json(plan_json(plan))
    else:
        click.echo(plain("\n".join(plan_words(plan))))


def plan_json(plan: BatchPlan) -> dict[str, Any]:
    """The object of ``--plan``."""
    return {
        "n": plan.n, "sheets": plan.spec.sheets, "per_sheet": plan.per_sheet, "places": plan.places,
        "characteristics": [{
            "name": p.characteristic.name, "n": p.n, "acceptance_constant": p.acceptance_constant,
            "rule": p.kind, "rule_words": p.rule_words,
            "producer_risk": p.risks.producer_risk, "consumer_risk": p.risks.consumer_risk,
            "operating_curve": [[share, least] for share, least, _ in p.operating_curve],
            "operating_curve_most": [[share, most] for share, _, most in p.operating_curve],
            "smaller": [{"n": c.n, "consumer_risk": c.consumer_risk} for c in p.smaller],
        } for p in plan.characteristics],
    }


def plan_words(plan: BatchPlan) -> list[str]:
    """The plan as a technician reads it."""
    spec, m = plan.spec, len(plan.characteristics)
    risks = spec.risks
    lines = [f"{spec.material}: test {plan.n} pads"]
    if spec.sheets:
        lines[0] = (f"{spec.material}: test {plan.total} pads, {plan.per_sheet} from each of {plan.sheets} "
                    "sheets")
    lines += [f"  taken from {plan.places} of 9 fields of a sheet (corners, edges, middle), drawn by lot",
              f"  a lot with {risks.producer_quality:.3g} outside is accepted at least "
              f"{1 - risks.producer_risk:.3g} of the time,",
              f"  a lot with {risks.consumer_quality:.3g} outside at most {risks.consumer_risk:.3g} of the "
              "time"]
    if m > 1:
        lines.append(f"  {m} characteristics must all pass: each may refuse a good lot "
                     f"{risks.producer_risk:g}/{m} = {risks.producer_risk / m:.3g} of the time")
    for p in plan.characteristics:
        lines += ["", f"{p.characteristic.words}: {p.n} pads; {p.rule_words}",
                  "  share outside   accepted"]
        lines += [f"  {share:12.2%}    {least:.4f}" + (f" to {most:.4f}" if most - least > 5e-5 else "")
                  for share, least, most in p.operating_curve]
        lines += [f"  with {c.n} pads a lot at {risks.consumer_quality:.3g} would pass {c.consumer_risk:.0%} "
                  "of the time" for c in p.smaller]
        if p.known_spread_n is not None:
            lines.append(f"  (were the spread known from many lots: {p.known_spread_n:.1f} pads)")
    return lines
