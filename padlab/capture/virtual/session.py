r"""What a virtual rig says from the moment its ports are opened: every instrument on one rig clock.

Every opening tells the same story: counters and clocks begin at 0, the hand comes after 2 s, plays the
procedure on a fresh piece, waits 5 s and plays it again on the same, now worked-in piece.

>>> rig = VirtualRig(read_rig("bench"), pad_kind="blank", hand="still")
>>> next(rig.blocks()).lines[0].split(b",")[:2]
[b'0', b'0']
"""

from __future__ import annotations

import copy
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from padlab.capture.procedure import Procedure, read_procedure
from padlab.capture.rig import LinesFile, RigFile, read_rig
from padlab.capture.virtual import faults as fault_kinds
from padlab.capture.virtual.faults import Fault, befalling
from padlab.capture.virtual.hand import Hand, Motion, play, play_finger
from padlab.capture.virtual.physics import Spring, Squeezed, bare_anvils
from padlab.capture.virtual.readings import draw_errors, simulate_readings
from padlab.capture.virtual.simulate import prepared
from padlab.capture.virtual.stocks import make_pad
from padlab.capture.virtual.voices import Voice
from padlab.errors import InputError
from padlab.signals.merge import lead_of

__all__ = ["Block", "Times", "VirtualRig", "read_rig"]

Array = NDArray[np.float64]

HAND_COMES_S = 2.0
BETWEEN_PASSES_S = 5.0
QUIET_BLOCK_S = 10.0
PROCEDURE_OF = {"pad": "standard", "spring": "check", "blank": "blank", "player": "touch"}
ROOM_TEMPERATURE_C = 21.0
MOTION_RATE_HZ = 250.0
"""Where several instruments look at one motion, each at times of its own."""


@dataclass(frozen=True)
class Times:
    """What is wrong with the time of one instrument.

    ``lag_s``: it shows what was so long ago. ``clock_ppm``: its crystal runs fast by so much.
    """

    lag_s: float = 0.0
    clock_ppm: float = 0.0


@dataclass(frozen=True)
class Block:
    """Some seconds of one instrument: when it measured since the opening [s], and what.

    ``values`` has a column for each channel, in the order of the rig file. ``lines`` are whole lines,
    one for each reading; none where the instrument only answers.
    """

    time_s: Array
    lines: list[bytes]
    motion: Motion
    ends_pass: bool = False
    values: Array = field(default_factory=lambda: np.zeros((0, 0)))


@dataclass
class _Playing:
    """Where the hand, the piece, the noise and every instrument stand between two passes."""

    piece: Squeezed
    rng: np.random.Generator
    others: list[np.random.Generator]          # of every instrument but the first
    sent: list[int]                            # readings of each so far
    now_s: float = 0.0


@dataclass
class VirtualRig:
    """A rig with something between its anvils and a hand beside it.

    Parameters
    ----------
    rig : RigFile
        Its description; what is said is what this file says.
    pad_kind : {"pad", "spring", "blank", "player"}
        A pad, a steel spring of 20 N/mm, bare anvils, or a player's finger on a force cap.
    material, lot, pad, lot_softness
        Which pad.
    seed : int
        Draws everything; the rig's own errors depend on it and on the rig only.
    procedure : str or Procedure, optional
        What the hand plays; by default the one that suits the kind.
    hand : {"loop", "still"}
        Whether anybody presses.
    faults : tuple of Fault
        What goes wrong.
    lags_s, ppm : mapping, optional
        By the name of an instrument how late it is [s], and how fast its clock runs [parts in a million];
        what is not given is drawn by the seed.

    Raises
    ------
    InputError
        A rig that cannot be played, or an instrument that it does not have.
    """

    rig: RigFile
    pad_kind: Literal["pad", "spring", "blank", "player"] = "pad"
    material: str = "wool felt"
    lot: int = 1
    pad: int = 1
    lot_softness: float = 1.0
    seed: int = 0
    procedure: str | Procedure | None = None
    hand: Literal["loop", "still"] = "loop"
    faults: tuple[Fault, ...] = ()
    lags_s: Mapping[str, float] = field(default_factory=dict)
    ppm: Mapping[str, float] = field(default_factory=dict)
    _first: tuple[tuple[Block, ...], _Playing] | None = field(default=None, init=False, repr=False)

    def __post_init__(self) -> None:
        if self.seed < 0:
            raise InputError("a seed is a whole number from 0", seen=str(self.seed))
        quantities = {c.quantity for i in self.rig.instrument for c in i.channel}
        if not quantities & {"force", "displacement"}:
            raise InputError(f"the virtual rig cannot play rig {self.rig.name}", remedy="--rig bench",
                             expected="a channel of force or displacement", seen=", ".join(quantities))
        self.voices = tuple(Voice(i) for i in self.rig.instrument)
        named = [*self.lags_s, *self.ppm, *(f.instrument for f in self.faults if f.instrument is not None)]
        strange = sorted(set(named) - {v.name for v in self.voices})
        if strange:
            raise InputError(f"rig {self.rig.name} has no instrument {strange[0][:40]!r}",
                             expected=", ".join(v.name for v in self.voices), seen=strange[0][:40])
        usual = PROCEDURE_OF[self.pad_kind] if "force" in quantities else "dead-weight"
        name = self.procedure or usual
        self.plan = read_procedure(name) if isinstance(name, str) else name
        key = [self.seed, *self.rig.name.encode("utf-8")]
        self.errors = draw_errors(self.rig.to_record(), np.random.default_rng([*key, 1]))
        self.times = self._times(np.random.default_rng([*key, 2]))
        alone = len(self.voices) == 1 and self.voices[0].streams
        self.rate_hz = self.voices[0].rate_hz if alone else MOTION_RATE_HZ

    @property
    def may_be_quick(self) -> bool:
        """Whether its time may run faster than the host's: one instrument that streams its own clock."""
        return self.rate_hz == self.voices[0].rate_hz and self.voices[0].clock is not None

    def prepare(self) -> None:
        """Work out the first pass, so that nothing is waited for when the ports are opened."""
        if self.hand == "loop" and self._first is None:
            playing = self._begin()
            self._first = self._pass(playing), playing

    def passes(self, *, once: bool = False) -> Iterator[tuple[Block, ...]]:
        """What every instrument says after one opening, without end, in blocks of the same seconds.

        With ``once`` nobody presses after the first pass.
        """
        self.prepare()
        playing = self._begin()
        if self._first is not None:
            blocks, after = self._first
            yield blocks
            playing = copy.deepcopy(after)
            while not once:
                yield self._pass(playing)
        yield from self._quiet(playing)

    def blocks(self, *, once: bool = False) -> Iterator[Block]:
        """What the first instrument says; see :meth:`passes`."""
        for blocks in self.passes(once=once):
            yield blocks[0]

    @property
    def _key(self) -> list[int]:
        return [self.seed, *self.material.encode("utf-8"), self.lot, self.pad,
                *self.plan.name.encode("utf-8")]

    def _times(self, rng: np.random.Generator) -> dict[str, Times]:
        """Lag and clock of every instrument; what is not given is drawn."""
        lead = lead_of(v.record for v in self.voices).name
        found = {}
        for voice in self.voices:
            lag_s, ppm = float(rng.uniform(0.010, 0.040)), float(30.0 * rng.standard_normal())
            if voice.name == lead:
                lag_s, ppm = 0.0, self.errors.clock_ppm
            found[voice.name] = Times(self.lags_s.get(voice.name, lag_s), self.ppm.get(voice.name, ppm))
        return found

    def _begin(self) -> _Playing:
        seeds = np.random.SeedSequence(self._key).spawn(len(self.voices) - 1)
        return _Playing(self._piece(), np.random.default_rng(np.random.SeedSequence(self._key)),
                        [np.random.default_rng(s) for s in seeds], [0] * len(self.voices))

    def _pass(self, playing: _Playing) -> tuple[Block, ...]:
        """One playing of the procedure."""
        wait_s = HAND_COMES_S if playing.now_s == 0 else BETWEEN_PASSES_S
        if self.pad_kind == "player":
            motion = play_finger(self.plan, rate_hz=self.rate_hz, rng=playing.rng, idle_s=wait_s)
        else:
            slips = (at_s - playing.now_s for at_s in fault_kinds.times(self.faults, "slip"))
            motion = play(playing.piece, self.plan, hand=Hand(), rate_hz=self.rate_hz, rng=playing.rng,
                          idle_s=wait_s, slips_at_s=tuple(at_s for at_s in slips if at_s >= 0))
        return self._blocks(motion, playing, ends_pass=True)

    def _quiet(self, playing: _Playing) -> Iterator[tuple[Block, ...]]:
        """Nobody presses: the anvil stands in air."""
        playing.rng = np.random.default_rng(np.random.SeedSequence([self.seed, 3]))
        count = round(QUIET_BLOCK_S * self.rate_hz)
        while True:
            yield self._blocks(Motion(
                time_s=np.arange(1, count + 1) / self.rate_hz, force_n=np.zeros(count),
                travel_mm=np.full(count, -0.4), events=(),
                free_height_mm=playing.piece.free_height_mm), playing)

    def _piece(self) -> Squeezed:
        if self.pad_kind == "pad":
            pad = make_pad(self.material, lot=self.lot, pad=self.pad, seed=self.seed,
                           lot_softness=self.lot_softness)
            return prepared(pad, self.plan)
        return Spring() if self.pad_kind == "spring" else bare_anvils()

    def _blocks(self, motion: Motion, playing: _Playing, *, ends_pass: bool = False) -> tuple[Block, ...]:
        """What every instrument sees of a motion that begins now."""
        rngs = [playing.rng, *playing.others]
        until_s = playing.now_s + len(motion.time_s) / self.rate_hz
        blocks = []
        for k, voice in enumerate(self.voices):
            times, sent = self.times[voice.name], playing.sent[k]
            if voice.rate_hz == self.rate_hz and len(self.voices) == 1:
                seen = motion                                  # sampled at this instrument's own times
                time_s = np.arange(sent, sent + len(motion.time_s)) / voice.rate_hz
            else:
                rate_hz = voice.rate_hz * (1.0 + 1e-6 * times.clock_ppm)
                time_s = np.arange(sent, max(sent, math.ceil(until_s * rate_hz - 1e-9))) / rate_hz
                seen = _seen_at(motion, time_s - playing.now_s, times.lag_s)
            blocks.append(self._block(voice, seen, time_s, playing.now_s, sent, rngs[k], ends_pass=ends_pass))
            playing.sent[k] += len(time_s)
        playing.now_s = until_s
        return tuple(blocks)

    def _block(
        self, voice: Voice, motion: Motion, time_s: Array, from_s: float, sent: int, rng: np.random.Generator,
        *, ends_pass: bool,
    ) -> Block:
        """Lines or readings of one instrument after ``sent`` others."""
        faults = befalling(self.faults, voice.name)
        stuck = [(t - from_s, t - from_s + fault_kinds.STUCK_S)
                 for t in fault_kinds.times(faults, "saturation")]
        drift = None
        if drifts := fault_kinds.times(faults, "drift"):
            # a drift that began in an earlier pass is over and stays
            begins_s = drifts[0] - from_s
            drift = (begins_s if begins_s >= 0 else -1e9, fault_kinds.DRIFT_N)
        readings = simulate_readings(motion, self.errors, rng, instrument=voice.record, drift_n=drift,
                                     stuck_s=stuck)
        said: dict[str, Array] = {}
        for c in voice.record.channels:
            counts = {"force": readings.force_counts, "displacement": readings.displacement_counts}.get(
                c.quantity, np.full(len(time_s), round((ROOM_TEMPERATURE_C / c.sign - c.offset) / c.scale)))
            said[c.name] = np.asarray(counts, dtype=np.float64)
        values = np.column_stack([said[c.name] for c in voice.record.channels])
        lines: list[bytes] = []
        if voice.streams:
            said |= self._own_columns(voice, time_s, sent)
            lines = fault_kinds.spoil(voice.lines(said), time_s, faults, rng)
        return Block(time_s, lines, motion, ends_pass, values)

    def _own_columns(self, voice: Voice, time_s: Array, sent: int) -> dict[str, Array]:
        """Count and clock of an instrument that has them."""
        instrument, own = voice.instrument, {}
        assert isinstance(instrument, LinesFile)
        if instrument.counter is not None:
            count = np.arange(sent, sent + len(time_s), dtype=np.int64) % instrument.counter.modulus
            own[instrument.counter.column] = count.astype(np.float64)
        if instrument.clock is not None:
            tick = voice.record.clock_s_per_tick or 1e-6
            ticks = np.round(time_s * (1.0 + 1e-6 * self.times[voice.name].clock_ppm) / tick).astype(np.int64)
            own[instrument.clock.column] = (ticks % instrument.clock.modulus).astype(np.float64)
        return own


def _seen_at(motion: Motion, at_s: Array, lag_s: float) -> Motion:
    """What an instrument sees of a motion at times of its own, by so much too late."""
    late = at_s - lag_s
    return Motion(
        time_s=at_s, force_n=np.interp(late, motion.time_s, motion.force_n),
        travel_mm=np.interp(late, motion.time_s, motion.travel_mm), events=motion.events,
        free_height_mm=motion.free_height_mm)
