"""A run: what was measured, on what, with what, when and how.

A Run is a value. It is opened from its folder by :mod:`padlab.records.shelf`; its samples are
read when first asked for.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from padlab.errors import RunError
from padlab.marks import Mark
from padlab.records.pad import Pad
from padlab.records.rig_record import RigRecord

if TYPE_CHECKING:
    import pandas as pd

KINDS = ("pad", "touch", "blank", "check", "wear", "gauge", "calibration")
STATES = ("recording", "complete", "interrupted")


@dataclass(frozen=True)
class Gap:
    """A stretch without samples, on the run's own axis [s]."""

    from_s: float
    to_s: float
    reason: str


@dataclass(frozen=True)
class GaugeBatch:
    """Whose thickness a gauge read, and under which foot; ``foot_diameter_mm`` None: the whole pad.

    ``is_standard``: a ring of steel, read again and again so that the gauge's own drift is seen.
    """

    material: str
    lot: str
    foot_force_n: float
    foot_diameter_mm: float | None
    is_standard: bool = False


@dataclass(frozen=True)
class Run:
    """One run as the rest of padlab sees it.

    ``samples`` has the columns ``time_s`` and, where recorded, ``force_n``, ``displacement_mm``
    (+ = pad thinner), ``temperature_c``, ``step``, ``cycle``; of a wear run ``strokes`` or ``days``,
    ``thickness_mm`` and what else was read.
    """

    id: str
    folder: Path
    kind: str
    state: str
    start_utc: str                                   # ISO 8601
    pad: Pad | None = None
    procedure: dict[str, Any] | None = None          # the whole procedure as recorded, name included
    rig: RigRecord | None = None                     # None: recorded elsewhere
    calibrations: tuple[str, ...] = ()
    blank: str | None = None
    environment: dict[str, Any] = field(default_factory=dict)   # temperature_c, humidity_percent ...
    gaps: tuple[Gap, ...] = ()
    note: str | None = None
    set_aside: str | None = None                     # the reason, when a person set it aside
    marks: tuple[Mark, ...] = ()
    steps: tuple[dict[str, Any], ...] = ()           # attempts at the procedure's steps, as they were seen
    column_doubt: dict[str, float] = field(default_factory=dict)  # imported tables: stated doubts, if any
    amendments: tuple[dict[str, Any], ...] = ()      # dated corrections, oldest first
    raw_sha256: dict[str, str] = field(default_factory=dict)   # of each file in raw/, once recorded
    samples_sha256: dict[str, str] = field(default_factory=dict)   # of samples.csv, by a newer padlab
    gauge: GaugeBatch | None = None                  # kind gauge: whose readings, under which foot
    table: dict[str, Any] | None = None              # imported tables: how the original was read
    stop: str | None = None                          # wear: which stop the pad served, up | down
    is_control: bool = False                         # wear: an unloaded pad beside the others
    endurance: dict[str, Any] | None = None          # wear: recorded stroke by stroke, see strokes/
    _samples: pd.DataFrame | None = field(default=None, repr=False, compare=False)

    @property
    def was_cut_off(self) -> bool:
        """Whether its recording was cut off (killed, no power): it does not say itself why it ended."""
        return self.state == "interrupted" and any(
            m.code == "interrupted" and m.about == self.id for m in self.marks)

    @property
    def samples(self) -> pd.DataFrame:
        """The samples; a run opened by the shelf carries them or knows how to read them.

        Raises
        ------
        RunError
            There are none yet (still recording, or derived data were deleted): remake them;
            or the file is damaged.
        """
        if self._samples is not None:
            return self._samples
        from padlab.records.samples import read_samples

        table = read_samples(self.folder, self.samples_sha256)
        if table is not None:
            object.__setattr__(self, "_samples", table)
            return table
        raise RunError(
            f"run {self.id} has no samples.csv", expected="samples made from the raw readings",
            seen="none", remedy=f"padlab remake {self.id}", where={"run": self.id},
        )

    def need(self, *, kinds: tuple[str, ...], columns: tuple[str, ...], by: str) -> None:
        """Refuse, by name, a run that cannot serve ``by``.

        Raises
        ------
        RunError
            Wrong kind, or a column that was not recorded.
        """
        if self.kind not in kinds:
            raise RunError(
                f"{by} cannot use run {self.id}", expected=f"a run of kind {' or '.join(kinds)}",
                seen=f"kind {self.kind}", where={"run": self.id},
            )
        missing = [c for c in columns if c not in self.samples.columns]
        if missing:
            raise RunError(
                f"{by} cannot use run {self.id}", expected=f"columns {', '.join(columns)}",
                seen=f"no {', '.join(missing)}", where={"run": self.id},
            )
