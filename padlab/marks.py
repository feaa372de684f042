"""Marks: what a number's reader must know, carried with the number from room to room.

A mark's weight says what a reader may do: ``note`` = read and go on; ``caution`` = the number
stands, printed with the mark; ``stop`` = not used for ranking, verdict or recommendation.
This table is the only place where a code gets its weight; README shows the same table.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Weight(StrEnum):
    """How much a mark weighs."""

    NOTE = "note"
    CAUTION = "caution"
    STOP = "stop"


CODES: dict[str, tuple[Weight, str]] = {
    # code: (weight, what it means in a technician's words)
    "uncalibrated": (Weight.CAUTION, "the rig's own stated scale and doubt were used, no calibration"),
    "no_blank": (Weight.NOTE, "the give of the bare frame was not measured; the rig file's value was used"),
    "bound_only": (Weight.CAUTION, "the frame gives so much that the pad's stiffness is only a bound"),
    "soft_frame": (Weight.CAUTION, "the frame gives over a fifth of what was seen; its blank run decides"),
    "frame_scale": (Weight.CAUTION, "the frame's give may stand in another scale than this run's positions"),
    "blank_set_aside": (Weight.CAUTION, "the blank run whose give was taken off was set aside"),
    "blank_too_light": (Weight.CAUTION, "the blank run ends at a lighter press: good only up to there"),
    "coarser_than_stated": (Weight.CAUTION, "the readings stand on coarser steps than the rig file states"),
    "zero_not_seen": (Weight.CAUTION, "the force was never seen unloaded: its zero is a guess"),
    "zero_not_checked": (Weight.NOTE, "the force zero was not seen again after the run"),
    "readings_missing": (Weight.CAUTION, "readings are missing in the record"),
    "spikes": (Weight.NOTE, "single readings far from their neighbours were replaced"),
    "loop_reversed": (Weight.STOP, "the pad seems to give back more than was put in: the clocks disagree"),
    "over_thickness": (Weight.STOP, "squeezed by more than its thickness: look at units and sizes"),
    "beyond_this_run": (Weight.NOTE, "asked for a force that this run does not reach"),
    "zero_drifted": (Weight.STOP, "the force zero moved during the run"),
    "not_conditioned": (Weight.CAUTION, "fewer than three working-in strokes before the recorded ones"),
    "not_steady": (Weight.NOTE, "strokes still changed when they were recorded"),
    "few_strokes": (Weight.CAUTION, "fewer than three usable recorded strokes"),
    "stroke_left_out": (Weight.NOTE, "a stroke was left out, with its reason"),
    "speed_uneven": (Weight.CAUTION, "the speed of pressing left the allowed band"),
    "no_hold": (Weight.NOTE, "no hold was recorded: nothing is known of sinking under a held note"),
    "hold_unsteady": (Weight.CAUTION, "the force wandered during the hold"),
    "sinking_rough": (Weight.NOTE, "the indicator is too coarse to tell this pad's sinking to a tenth"),
    "extrapolated": (Weight.CAUTION, "carried beyond what was measured"),
    "law_differs": (Weight.CAUTION, "the best-fitting law leaves the measured curve; the curve stands"),
    "curve_off": (Weight.CAUTION, "the strokes leave the curve: does the force fall on the way in?"),
    "law_not_good": (Weight.NOTE, "the law's fit is not good; numbers come from the measured curve"),
    "thickness_unknown": (Weight.CAUTION, "no thickness: the pad cannot be carried to another size"),
    "carried_far": (Weight.CAUTION, "the compared face differs from the tested one by more than 30 %"),
    "bounds_shape": (Weight.NOTE, "rubber-like: carried between the bounds of free and gripped faces"),
    "beyond_tested": (Weight.CAUTION, "some strokes press harder than the pad was tested"),
    "not_tested_hard_enough": (Weight.STOP, "too many strokes press harder than the pad was tested"),
    "not_bottomed": (Weight.CAUTION, "many strokes do not reach the stop"),
    "one_lot": (Weight.CAUTION, "one lot only: this ranks these pads, not the stock"),
    "few_lots": (Weight.NOTE, "two lots only: intervals are wide"),
    "lot_apart": (Weight.CAUTION, "one lot stands apart from the stock's others"),
    "repeats_disagree": (
        Weight.CAUTION, "runs of one pad disagree by more than their joint doubt; their mean is used"),
    "replay_rough": (
        Weight.CAUTION, "the model that replays a touch is off by over 4 % of the way where it was judged"),
    "few_touch_strokes": (Weight.CAUTION, "too few strokes to stand for a player"),
    "few_sessions": (
        Weight.CAUTION, "fewer than three sessions: how a touch differs from day to day is not known"),
    "no_replay": (Weight.NOTE, "this run cannot replay a touch; the formula stands"),
    "replay_outside": (Weight.CAUTION, "parts of the touch press harder than the model was fitted"),
    "fit_not_good": (Weight.CAUTION, "a fit behind this number is not good"),
    "gap": (Weight.CAUTION, "the rig fell silent or was unplugged; the gap is kept"),
    "bad_lines": (Weight.NOTE, "some lines from the rig were not readable and are counted"),
    "stands_still": (Weight.CAUTION, "the rig's clock or counter stood still while lines came"),
    "lost_lines": (Weight.CAUTION, "the rig's counter shows that lines were lost"),
    "interrupted": (Weight.CAUTION, "the recording ended before its procedure did"),
    "set_aside": (Weight.STOP, "set aside by a person, with a reason"),
    "temperature_moved": (Weight.CAUTION, "the temperature changed during the run"),
    "over_range": (Weight.CAUTION, "the force went over the rig's limit"),
    "not_ranked": (Weight.STOP, "nothing that can be ranked was measured"),
    "formula": (Weight.NOTE, "position from the formula, half the gap between the limbs joins the doubt"),
    "no_warm_up": (Weight.NOTE, "warm-up was not measured"),
    "rest_unknown": (Weight.NOTE, "rest before the warm-up is not on file"),
    "fewer_strokes_than_planned": (Weight.CAUTION, "the procedure went on with fewer good strokes"),
    "imported": (Weight.NOTE, "recorded elsewhere; the rig's doubt is not known to padlab"),
    "units_doubtful": (Weight.CAUTION, "a size that is unusual on a bench for pads: check the units"),
    "example_pad": (Weight.STOP, "the pad's file is still the example: its values are not this pad's"),
    "calibration_expired": (Weight.CAUTION, "recorded after a calibration of the rig had expired"),
    "beyond_calibration": (Weight.CAUTION, "the run goes beyond what the rig's calibration covers"),
    "few_repeats": (Weight.CAUTION, "too few repeats to test whether the calibration line is straight"),
    "curve_refused": (Weight.CAUTION, "no tried curve fits the calibration readings within their repeats"),
    "reference_doubt_unknown": (
        Weight.NOTE, "the doubt of the weights or gauge blocks is not known and not included"),
    "lowest_force_unverified": (Weight.CAUTION, "the lowest weight is heavier than the light touch"),
    "few_blanks": (Weight.CAUTION, "fewer than five blank runs measured the give of the frame"),
    "few_operators": (Weight.CAUTION, "two people only: what people add is hardly known"),
    "interaction_pooled": (Weight.NOTE, "no sign that people and parts interact: joined to the repeats"),
    "skew_uncertain": (Weight.CAUTION, "the skew of the instruments is known no better than 2 ms"),
    "overshot": (Weight.CAUTION, "a press went well over what was asked; the pad remembers it"),
    "indicator_moved": (Weight.CAUTION, "steel did not come back to where it was: something slipped"),
    "partly_read": (Weight.NOTE, "the run holds more than these numbers tell of"),
    "by_weights": (Weight.NOTE, "pressed by dead weights: the loss and the speed of a stroke are not known"),
    "place_unknown": (Weight.NOTE, "where the rig stands is not known: standard gravity, with its doubt"),
    "one_limb": (Weight.STOP, "weights from below only: where the pad stands on the way back is not known"),
    "gauge_thickness": (Weight.CAUTION, "thickness under the gauge's foot, not under the light touch"),
    "gauge_feet_differ": (Weight.CAUTION, "gauges with different feet read this lot"),
    "thickness_doubt_unknown": (
        Weight.NOTE, "thickness as written in the pads' files: its systematic doubt is not known"),
    "guard_band": (Weight.NOTE, "the limits are drawn in by the systematic part of the rig's doubt"),
    "pad_apart": (Weight.CAUTION, "a pad stands apart from the others; it stays in, find out why"),
    "not_normal": (Weight.CAUTION, "the pads do not follow the assumed distribution; they are counted"),
    "no_spread": (
        Weight.CAUTION, "all pads read alike: too coarse a reading for their spread; they are counted"),
    "one_place": (Weight.CAUTION, "all pads come from one place of the sheet"),
    "sheets_differ": (Weight.NOTE, "sheets differ: pads of one sheet count for less than as many sheets"),
    "no_reference": (Weight.CAUTION, "equivalence to the reference lot is not determined"),
    "same_readings": (
        Weight.CAUTION, "raw files of different pads are the same to the last byte: one may be a copy"),
    "standard_moved": (
        Weight.CAUTION, "what checks the rig or the gauge reads otherwise than before: not the pads moved"),
    "limits_provisional": (Weight.NOTE, "fewer than 20 lots: the limits of the chart are provisional"),
    "rig_doubt_unknown": (Weight.CAUTION, "the doubt of the instruments is not known and not included"),
    "this_lot_only": (Weight.CAUTION, "one lot only: the life is that of this lot, not of the stock"),
    "life_not_reached": (Weight.STOP, "too few paths come near the limit: no life can be told"),
    "paths_unreached": (
        Weight.CAUTION, "some pads would need over three times their readings; they count as lower bounds"),
    "laws_tied": (Weight.NOTE, "the readings do not tell the best laws apart; their spread joins the doubt"),
    "no_control": (Weight.NOTE, "no unloaded pad beside it: what warmth and damp did is in the loss"),
    "rest_short": (Weight.CAUTION, "not read after a day of rest: the loss may hold what comes back"),
    "between_readings": (Weight.CAUTION, "readings lie far apart around the asked strokes"),
    "start_unknown": (Weight.CAUTION, "first read after strokes: what was lost by then is not known"),
    "strokes_missed": (
        Weight.NOTE, "some strokes were counted by the machine and not read"),
    "strokes_unknown": (
        Weight.CAUTION, "strokes may have been made that nobody counted: the count is the least"),
    "thinning_elsewhere": (
        Weight.NOTE, "thinning is that of the pads that were worn, on their own face and at their own force"),
    "set_not_measured": (Weight.CAUTION, "set by the calendar was not measured at this stop: wear alone"),
    "touch_preset": (Weight.NOTE, "a preset stands for the player: record the touch"),
    "port_spread": (Weight.CAUTION, "the valve's own ports differ by over 8 thou: no pad can cure that"),
    "no_gauge": (Weight.CAUTION, "no shop gauge is described: what it will read is not known"),
    "small_foot": (Weight.CAUTION, "the gauge's foot is less than twice as wide as the pad is thick"),
    "no_first_press": (Weight.NOTE, "the first press was not recorded: a fresh pad will read differently"),
    "no_wear_data": (Weight.NOTE, "no wear on file that reaches so far: nothing is added, renewal not known"),
    "fitted_aged": (Weight.CAUTION, "the fitted pad has served: converted by curves of new pads, more doubt"),
    "metal_unknown": (Weight.CAUTION, "room before metal meets metal was not measured: press hard, listen"),
    "near_metal": (Weight.CAUTION, "at the hardest press metal may meet metal"),
    "no_sheet": (Weight.NOTE, "no sheet of this stock that would serve is in shop.toml"),
    "lot_not_tested": (Weight.NOTE, "the sheet's lot was not tested: how lots differ is in the interval"),
    "glued": (Weight.NOTE, "layers glued together: a thou more or less for each glue line"),
    "climate_unknown": (Weight.NOTE, "played over 5 K from where pads were tested: the effect is not known"),
    "from_fitting": (Weight.NOTE, "what the stop asks for comes from an earlier fitting and its check"),
    "only_service": (Weight.NOTE, "the pad outlasts the service that was asked for: look at it then"),
    "check_outside": (Weight.CAUTION, "the check after fitting read outside what a right pad reads"),
    "check_not_read": (Weight.CAUTION, "the port was not read again after fitting"),
    "no_punch": (Weight.NOTE, "no punch of this size is in shop.toml"),
    "not_arrhenius": (Weight.STOP, "its ageing follows no activation energy"),
    "few_temperatures": (Weight.CAUTION, "aged at fewer than three temperatures: whether it holds is open"),
    "ageing_far": (Weight.CAUTION, "carried over 30 K below the lowest test: extrapolated"),
    "ageing_refused": (Weight.STOP, "carried too far from the test to be used"),
}


@dataclass(frozen=True, order=True)
class Mark:
    """One mark: its code, what it concerns, and one plain sentence."""

    code: str
    about: str
    message: str

    def __post_init__(self) -> None:
        if self.code not in CODES:
            raise KeyError(f"mark code {self.code!r} is not in the table")

    @property
    def weight(self) -> Weight:
        """The weight of the code, from the one table."""
        return CODES[self.code][0]

    def to_json(self) -> dict[str, str]:
        """The mark as contracts print it."""
        return {"code": self.code, "about": self.about, "message": self.message,
                "weight": str(self.weight)}


def mark(code: str, about: str, message: str | None = None) -> Mark:
    """Make a mark; without a message the table's own sentence is used.

    >>> mark("no_blank", "run").weight
    <Weight.NOTE: 'note'>
    """
    return Mark(code, about, message or CODES[code][1])


def has_stop(marks: Iterable[Mark]) -> bool:
    """Whether any of the marks forbids ranking, verdict and recommendation."""
    return any(m.weight is Weight.STOP for m in marks)
