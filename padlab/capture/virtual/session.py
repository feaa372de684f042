r"""What a virtual rig says from the moment its port is opened: lines, each with its time.

Every opening tells the same story: counter and clock begin at 0, the hand comes after 2 s, plays the
procedure on a fresh piece, waits 5 s and plays it again on the same, now worked-in piece.

>>> rig = VirtualRig(read_rig("bench"), pad_kind="blank", hand="still")
>>> next(rig.blocks()).lines[0].split(b",")[:2]
[b'0', b'0']
"""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from padlab.capture.checksum import add_sum
from padlab.capture.procedure import Procedure, read_procedure
from padlab.capture.rig import LinesFile, RigFile, read_rig
from padlab.capture.virtual import faults as fault_kinds
from padlab.capture.virtual.faults import Fault
from padlab.capture.virtual.hand import Hand, Motion, play, play_finger
from padlab.capture.virtual.physics import Spring, Squeezed, bare_anvils
from padlab.capture.virtual.readings import draw_errors, simulate_readings
from padlab.capture.virtual.simulate import prepared
from padlab.capture.virtual.stocks import make_pad
from padlab.errors import InputError

__all__ = ["Block", "VirtualRig", "read_rig"]

HAND_COMES_S = 2.0
BETWEEN_PASSES_S = 5.0
QUIET_BLOCK_S = 10.0
PROCEDURE_OF = {"pad": "standard", "spring": "check", "blank": "blank", "player": "touch"}
ROOM_TEMPERATURE_C = 21.0


@dataclass(frozen=True)
class Block:
    """Some seconds of what the rig says: times since the opening [s] and whole lines."""

    time_s: NDArray[np.float64]
    lines: list[bytes]
    motion: Motion
    ends_pass: bool = False


@dataclass
class _Playing:
    """Where the hand, the piece and the noise stand between two passes."""

    piece: Squeezed
    rng: np.random.Generator
    sent: int = 0


@dataclass
class VirtualRig:
    """A rig of one streaming instrument with something between its anvils and a hand beside it.

    Parameters
    ----------
    rig : RigFile
        Its description; the lines are the ones that this file says.
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

    Raises
    ------
    InputError
        A rig that cannot be played: more instruments than one, or lines that are not joined by commas.
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
    _first: tuple[Block, _Playing] | None = field(default=None, init=False, repr=False)

    def __post_init__(self) -> None:
        self.instrument = _playable(self.rig)
        if self.seed < 0:
            raise InputError("a seed is a whole number from 0", seen=str(self.seed))
        self.rate_hz = self.instrument.lines_per_s or 50.0
        name = self.procedure or PROCEDURE_OF[self.pad_kind]
        self.plan = read_procedure(name) if isinstance(name, str) else name
        key = [self.seed, *self.rig.name.encode("utf-8")]
        self.errors = draw_errors(self.rig.to_record(), np.random.default_rng([*key, 1]))
        self.answer = _literal_answer(self.instrument)
        self.has_clock = self.instrument.clock is not None

    @property
    def greeting(self) -> bytes:
        """What it says by itself when it is opened."""
        if not self.answer:
            return b""
        whole = self.answer + b" virtual, invented data"
        identity = self.instrument.identity
        fits = identity is not None and re.fullmatch(identity.answer.encode("ascii"), whole)
        return (whole if fits else self.answer) + self.line_end

    @property
    def line_end(self) -> bytes:
        """The end mark of a line."""
        return self.instrument.line_end.encode("ascii")

    def reply(self, asked: bytes) -> bytes:
        """The answer to one line from the program, without its end mark."""
        identity = self.instrument.identity
        if identity is None or identity.ask is None or asked.strip() != identity.ask.encode("ascii").strip():
            return b""
        return self.answer + self.line_end

    def prepare(self) -> None:
        """Work out the first pass, so that nothing is waited for when the port is opened."""
        if self.hand == "loop" and self._first is None:
            playing = _Playing(self._piece(), np.random.default_rng(np.random.SeedSequence(self._key)))
            self._first = self._pass(playing), playing

    def blocks(self, *, once: bool = False) -> Iterator[Block]:
        """What the rig says after one opening, without end, block by block in time.

        With ``once`` nobody presses after the first pass.
        """
        self.prepare()
        sent = 0
        if self._first is not None:
            block, after = self._first
            yield block
            sent, playing = len(block.lines), copy.deepcopy(after)
            while not once:
                block = self._pass(playing)
                yield block
        yield from self._quiet(sent)

    @property
    def _key(self) -> list[int]:
        return [self.seed, *self.material.encode("utf-8"), self.lot, self.pad,
                *self.plan.name.encode("utf-8")]

    def _pass(self, playing: _Playing) -> Block:
        """One playing of the procedure."""
        offset_s = playing.sent / self.rate_hz
        wait_s = HAND_COMES_S if playing.sent == 0 else BETWEEN_PASSES_S
        if self.pad_kind == "player":
            motion = play_finger(self.plan, rate_hz=self.rate_hz, rng=playing.rng, idle_s=wait_s)
        else:
            slips = (at_s - offset_s for at_s in fault_kinds.times(self.faults, "slip"))
            motion = play(playing.piece, self.plan, hand=Hand(), rate_hz=self.rate_hz, rng=playing.rng,
                          idle_s=wait_s, slips_at_s=tuple(at_s for at_s in slips if at_s >= 0))
        block = self._block(motion, playing.sent, playing.rng, ends_pass=True)
        playing.sent += len(block.lines)
        return block

    def _quiet(self, sent: int) -> Iterator[Block]:
        """Nobody presses: the anvil stands in air."""
        rng = np.random.default_rng(np.random.SeedSequence([self.seed, 3]))
        height = self._piece().free_height_mm
        count = round(QUIET_BLOCK_S * self.rate_hz)
        while True:
            motion = Motion(
                time_s=np.arange(1, count + 1) / self.rate_hz, force_n=np.zeros(count),
                travel_mm=np.full(count, -0.4), events=(), free_height_mm=height)
            block = self._block(motion, sent, rng)
            sent += count
            yield block

    def _piece(self) -> Squeezed:
        if self.pad_kind == "pad":
            pad = make_pad(self.material, lot=self.lot, pad=self.pad, seed=self.seed,
                           lot_softness=self.lot_softness)
            return prepared(pad, self.plan)
        return Spring() if self.pad_kind == "spring" else bare_anvils()

    def _block(
        self, motion: Motion, sent: int, rng: np.random.Generator, *, ends_pass: bool = False,
    ) -> Block:
        """Lines of a motion that begins after ``sent`` lines."""
        offset_s, count = sent / self.rate_hz, len(motion.time_s)
        stuck = [(t - offset_s, t - offset_s + fault_kinds.STUCK_S)
                 for t in fault_kinds.times(self.faults, "saturation")]
        drift = None
        if drifts := fault_kinds.times(self.faults, "drift"):
            # a drift that began in an earlier pass is over and stays
            from_s = drifts[0] - offset_s
            drift = (from_s if from_s >= 0 else -1e9, fault_kinds.DRIFT_N)
        readings = simulate_readings(
            motion, self.errors, rng, instrument=self.rig.to_record().instruments[0],
            drift_n=drift, stuck_s=stuck)
        time_s = np.arange(sent, sent + count) / self.rate_hz
        columns = {"force": readings.force_counts, "displacement": readings.displacement_counts}
        texts = []
        for name in self.instrument.line_pattern.columns:
            texts.append([str(n) for n in self._column(name, columns, time_s, sent).tolist()])
        lines = [",".join(row).encode("ascii") for row in zip(*texts, strict=True)]
        if self.instrument.checksum is not None:
            lines = [add_sum(line, self.instrument.checksum) for line in lines]
        lines = [line + self.line_end for line in lines]
        lines = fault_kinds.spoil(lines, time_s, self.faults, rng)
        return Block(time_s, lines, motion, ends_pass)

    def _column(
        self, name: str, measured: dict[str, NDArray[np.int64]], time_s: NDArray[np.float64], sent: int,
    ) -> NDArray[np.int64]:
        instrument, count = self.instrument, len(time_s)
        if instrument.counter and name == instrument.counter.column:
            return np.arange(sent, sent + count, dtype=np.int64) % instrument.counter.modulus
        if instrument.clock and name == instrument.clock.column:
            tick = self.rig.to_record().instruments[0].clock_s_per_tick or 1e-6
            ticks = np.round(time_s * (1.0 + 1e-6 * self.errors.clock_ppm) / tick).astype(np.int64)
            return np.asarray(ticks % instrument.clock.modulus)
        channel = next(c for c in instrument.channel if c.column == name)
        if channel.quantity in measured:
            return measured[channel.quantity]
        raw = (ROOM_TEMPERATURE_C / channel.sign - channel.offset) / channel.scale
        return np.full(count, round(raw), dtype=np.int64)


def _playable(rig: RigFile) -> LinesFile:
    """The one instrument of a rig that can be played.

    Raises
    ------
    InputError
        With all that stands against it.
    """
    instrument = rig.instrument[0]
    against = []
    if not isinstance(instrument, LinesFile) or instrument.is_asked:
        raise InputError(f"the virtual rig cannot play rig {rig.name}",
                         seen="it speaks only when it is asked",
                         expected="one streaming instrument with a force channel, columns joined by commas",
                         remedy="--rig bench")
    if len(rig.instrument) != 1:
        against.append(f"it has {len(rig.instrument)} instruments")
    if not instrument.line_pattern.is_csv:
        against.append("its lines are not columns joined by commas")
    if not any(c.quantity == "force" for c in instrument.channel):
        against.append("it has no force channel")
    known = {c.column for c in instrument.channel}
    known |= {x.column for x in (instrument.counter, instrument.clock) if x is not None}
    unknown = [c for c in instrument.line_pattern.columns if c not in known]
    if unknown:
        against.append("nothing says what stands in column " + ", ".join(unknown))
    if against:
        raise InputError(f"the virtual rig cannot play rig {rig.name}", seen="; ".join(against),
                         expected="one streaming instrument with a force channel, columns joined by commas",
                         remedy="--rig bench")
    return instrument


def _literal_answer(instrument: LinesFile) -> bytes:
    """An answer that fits the identity: the fixed text at the start of its pattern."""
    if instrument.identity is None:
        return b""
    pattern = instrument.identity.answer
    fixed = re.match(r"(?:[\w #:;,/@=<>%&!~'\"-]|\\[^\w])*", pattern, re.ASCII)
    text = re.sub(r"\\(.)", r"\1", fixed.group(0)) if fixed else ""
    for candidate in (text, text[:-1]):
        if re.fullmatch(pattern.encode("ascii"), candidate.encode("ascii")):
            return candidate.encode("ascii")
    raise InputError("the virtual rig cannot invent an answer to its identity check", seen=pattern,
                     expected="a pattern that begins with fixed text which is enough by itself")
