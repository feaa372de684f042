"""What one run says of its pad, line by line, for the page of single runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from padlab.fitting.results import RunFit, Verdict
from padlab.marks import Weight
from padlab.report.numbers import between, length, share, share_between, thickness
from padlab.statistics.quantity import Quantity
from padlab.units import thou, three_digits

_WEIGHTS = {Weight.STOP: "not used", Weight.CAUTION: "caution", Weight.NOTE: "note"}


@dataclass(frozen=True)
class RunTold:
    """A run in words: ``numbers`` are (what, value, 95 % interval), ``marks`` (weight, words)."""

    heading: str
    numbers: tuple[tuple[str, str, str], ...]
    marks: tuple[tuple[str, str], ...]
    worth: str


CURVE = ("Give", "Position at", "Stiffness")
BESIDE = {
    "bound_only": (CURVE, "a bound only"),
    "curve_off": (CURVE, "the strokes leave the curve"),
    "zero_drifted": (CURVE, "the force zero moved"),
    "few_strokes": ((*CURVE, "Springback"), "fewer than three strokes"),
    "loop_reversed": (("Springback",), "more comes back than was put in"),
    "hold_unsteady": (("Sinks", "Position held"), "the force wandered"),
}
"""Marks that stand beside the numbers they weigh on, as well as below all of them."""


def tell_run(fit: RunFit) -> RunTold:
    """One run in words."""
    told = fit.json
    compression, hysteresis, creep = told["compression"], told["hysteresis"], told["creep"]
    ends = compression["secant_stiffness_n_per_mm"]
    lines = [("Thickness, fresh", thickness(fit.thickness_mm), _thickness_between(fit.thickness_mm))]
    lines.append(_length(f"Give from {ends['from_n']:g} to {ends['to_n']:g} N net", compression["give_mm"]))
    lines += [_length(f"Position at {row['force_n']:g} N net", row) for row in compression["position_mm"]]
    lines += [_stiffness(f"Stiffness at {row['force_n']:g} N net", row)
              for row in compression["tangent_stiffness_n_per_mm"]]
    if hysteresis:
        loss = _quantity(hysteresis["loss_fraction"])
        lines.append(("Springback loss", share(loss) + _unless_good(hysteresis["verdict"]),
                      share_between(loss)))
    if creep:
        sinks = _quantity(creep["fraction_per_decade"])
        lines.append((f"Sinks in ten times the time, held at {creep['hold_force_n']:.1f} N",
                      share(sinks, most_decimals=1) + _unless_good(creep["verdict"]),
                      _fine_between(sinks)))
        for row in creep["predicted_mm"]:
            beyond = ", extrapolated" if row["extrapolated"] else ""
            lines.append(_length(f"Position held for {row['at_s']:g} s{beyond}", row))
    if told["compression_set"]:
        after = f"Set after {told['compression_set']['after_s']:.0f} s"
        lines.append(_length(after, told["compression_set"]["set_mm"]))
    if told["warm_up_mm"]:
        lines.append(_length("Warm-up, first 50 presses", told["warm_up_mm"]))
    return RunTold(
        f"{fit.pad.material}, lot {fit.pad.lot}, pad {fit.pad.id}",
        tuple(_with_marks(line, fit) for line in lines),
        tuple((_WEIGHTS[m.weight], m.message if m.about in m.message else f"{m.about}: {m.message}")
              for m in sorted(fit.marks, key=lambda m: (list(_WEIGHTS).index(m.weight), m.code, m.about))),
        "" if fit.budget is None else _capital(str(told["budget"]["verdict"])).replace(" um", " µm") + ".",
    )


def _with_marks(line: tuple[str, str, str], fit: RunFit) -> tuple[str, str, str]:
    what, value, interval = line
    codes = {m.code for m in fit.marks}
    words = [said for code, (rows, said) in BESIDE.items() if code in codes and what.startswith(rows)]
    return what, "; ".join([value, *words]), interval


def _unless_good(verdict: str) -> str:
    return "" if verdict == "good" else f", {Verdict(verdict).words}"


def _fine_between(value: Quantity | None) -> str:
    """The interval of a share of a few per cent: an end of 0.2 % is not 0."""
    if value is None or value.low is None or value.high is None or value.high - value.low >= 0.2:
        return share_between(value)
    return f"{100 * value.low:.1f} to {100 * value.high:.1f} %"


def _thickness_between(value: Quantity | None) -> str:
    if value is None or value.low is None or value.high is None:
        return ""
    return f"{value.low:.3f} to {value.high:.3f} mm ({thou(value.low):.1f} to {thou(value.high):.1f} thou)"


def _quantity(stored: dict[str, Any] | None) -> Quantity | None:
    if stored is None or stored["value"] is None:
        return None
    return Quantity(stored["value"], stored["low"], stored["high"])


def _length(what: str, stored: dict[str, Any] | None) -> tuple[str, str, str]:
    found = _quantity(stored)
    return what, length(found), "" if found is None else between(found)


def _stiffness(what: str, stored: dict[str, Any]) -> tuple[str, str, str]:
    found = _quantity(stored)
    if found is None:
        return what, length(None), ""
    if found.low is None or found.high is None:
        return what, f"{three_digits(found.value)[0]} N/mm", ""
    value, low, high = three_digits(found.value, found.low, found.high)
    return what, f"{value} N/mm", f"{low} to {high} N/mm"


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]
