"""``padlab fit --check-with-lmfit``: what both found, number beside number."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from padlab.errors import FitError
    from padlab.fitting.checked import LawCheck
    from padlab.fitting.results import RunFit


def told(checks: Sequence[LawCheck]) -> list[str]:
    """The laws of one run as lines of a table."""
    from padlab.fitting.checked import AGREES
    from padlab.words import one_line

    lines = [f"  checked with lmfit{'':<20}{'padlab':>16}{'lmfit':>16}{'relative difference':>22}"]
    for check in checks:
        verdict = {True: "the same", False: f"DIFFERS by more than {AGREES:g}", None: "need not be the same"}
        lines.append("    " + one_line(f"{check.law}, {check.about}: {check.verdict.words}, "
                                       f"{verdict[check.agrees]}"))
        for p in check.parameters:
            lines.append(_row(f"{p.name} [{p.unit}]", p.value, p.lmfit_value, p.value_differs))
            lines.append(_row("  standard error", p.standard_error, p.lmfit_standard_error,
                              p.standard_error_differs))
    lines.append("    (standard errors as of independent points, which is what lmfit takes them for)")
    if any(check.about == "sinking" for check in checks):
        lines += ["    (sinking as it was recorded: what a wandering force may have shaken in is in it,",
                  "    and half of that is taken off the sinking under a held note above)"]
    return lines


def fault(fits: Sequence[RunFit]) -> FitError | None:
    """What is wrong where a good fit is not what lmfit finds; None where all is well."""
    from padlab.errors import FitError
    from padlab.fitting.checked import AGREES

    apart = [f"{c.law} ({c.about}) of run {f.run}" for f in fits for c in f.checks if c.agrees is False]
    if not apart:
        return None
    return FitError("lmfit finds something else", expected=f"a relative difference up to {AGREES:g}",
                    seen="; ".join(apart[:8]) + ("" if len(apart) <= 8 else f"; and {len(apart) - 8} more"),
                    remedy="do not use these numbers; please report these runs")


def _row(name: str, ours: float | None, theirs: float | None, differs: float | None) -> str:
    return (f"      {name:<32}{_number(ours):>16}{_number(theirs):>16}"
            f"{'not known' if differs is None else f'{differs:.1e}':>22}")


def _number(value: float | None) -> str:
    return "not determined" if value is None or value != value else f"{value:.8g}"
