"""``padlab qualify``: a delivered lot: accept, refuse or test more, with both risks known."""

from __future__ import annotations

from pathlib import Path

import click

from padlab.cli.main import print_json
from padlab.cli.pad_runs import fitted_by
from padlab.cli.terminal import say
from padlab.cli.words import plain


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
    from padlab.decisions.shelf_lot import judged_lot
    from padlab.drift.player import player
    from padlab.records.spec import read_spec

    done = judged_lot(shelf, read_spec(spec_file), lot, fit=fitted_by(),
                      player=lambda name: player(name, (str(shelf),)))
    if out is not None:
        from datetime import UTC, datetime

        from padlab.report.certificate import write_certificate

        write_certificate(done, out, made_on=f"{datetime.now(UTC):%Y-%m-%d}")
    if as_json:
        print_json(done.to_json())
        return
    say("\n".join(done.words()))
    if out is not None:
        click.echo(f"\nThe certificate: {plain(str(out))}")


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
        print_json(plan.to_json())
    else:
        say("\n".join(plan.words()))
