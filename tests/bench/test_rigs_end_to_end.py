"""Every rig file, from its served instruments over real ports through the commands to a run on a shelf.

A rig file without a way to be served here fails: the list of rigs is read from rigs/, not kept by hand.
Devices with registers are served twice, by the virtual rig and by a Modbus server of another make.
"""

from __future__ import annotations

import asyncio
import json
import math
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from padlab.capture.procedure import procedure_from_table
from padlab.capture.rig import read_rig, rig_names
from padlab.capture.virtual.faults import parse_fault
from padlab.capture.virtual.ports import PtyPort, ServedPort, TcpPort
from padlab.capture.virtual.server import Service
from padlab.capture.virtual.session import VirtualRig
from padlab.cli.main import main
from padlab.records.shelf import open_run

pytestmark = pytest.mark.real_time

HAS_PTY = hasattr(os, "openpty")
HERE = Path(__file__).parent
SPRING = {"name": "spring", "kind": "check", "title": "one stroke on a spring", "peak_net_n": 6.0,
          "step": [{"do": "stroke", "label": "recorded", "to_n": 6.0}]}
PLAYING = {"name": "playing", "kind": "touch", "step": [{"do": "free", "label": "playing", "seconds": 2}]}
WEIGHTS = {"name": "weights", "kind": "check", "step": [
    {"do": "weight", "label": "up", "mass_kg": 0.5, "seconds": 4}]}
RIGS = rig_names()


def quantities(rig) -> set[str]:
    return {c.quantity for i in rig.instrument for c in i.channel}


def plan_for(rig) -> tuple[dict, str]:
    """What is done on a rig, and what lies between its anvils."""
    if "force" not in quantities(rig):
        return WEIGHTS, "spring"
    return (SPRING, "spring") if "displacement" in quantities(rig) else (PLAYING, "player")


@contextmanager
def served(virtual: VirtualRig, *, tcp: bool = False, speed: float = 1.0) -> Iterator[dict[str, str]]:
    """A virtual rig on real ports; gives the URL of each instrument."""
    ports: dict[str, ServedPort] = {
        v.name: TcpPort(0) if tcp else PtyPort(keeps_name=True) for v in virtual.voices}
    urls = {name: port.url for name, port in ports.items()}
    service = Service(virtual, ports, speed=speed, once=False)
    thread = threading.Thread(target=service.run)
    thread.start()
    try:
        yield urls
    finally:
        service.stop()
        thread.join(20)
        assert not thread.is_alive()


def typed(urls: dict[str, str]) -> list[str]:
    return [word for name, url in urls.items() for word in ("--url", f"{name}={url}")]


def padlab(capsys, *arguments: str) -> tuple[int, dict, str]:
    """A command in this process: its exit code, its JSON, its words."""
    with pytest.raises(SystemExit) as end:
        main([*arguments, "--json"])
    out, err = capsys.readouterr()
    return int(end.value.code or 0), json.loads(out) if out else {}, err


def procedure_file(folder: Path, table: dict) -> str:
    lines = [f'{k} = {json.dumps(v)}' for k, v in table.items() if k != "step"]
    for step in table["step"]:
        lines += ["[[step]]", *(f"{k} = {json.dumps(v)}" for k, v in step.items())]
    path = folder / f"{table['name']}.toml"
    path.write_text("\n".join(lines), "utf-8")
    return str(path)


@pytest.mark.parametrize("name", RIGS)
def test_a_rig_is_listened_to_and_captured_from(name, tmp_path, capsys):
    rig = read_rig(name)
    machine = "motor" if rig.motor is not None else \
        "endurance" if any(i.to_record().strokes for i in rig.instrument) else None
    if machine is not None:
        own = [p.name for p in HERE.glob(f"test_{machine}*.py") if name in p.read_text("utf-8")]
        assert own, f"rig {name} is a machine: a test_{machine}*.py must serve it"
        pytest.skip(f"its machine is served by {', '.join(own)}")
    table, kind = plan_for(rig)
    plan = procedure_from_table(table, source="a test")
    virtual = VirtualRig(rig, pad_kind=kind, procedure=plan)
    tcp = not HAS_PTY or len(rig.instrument) == 1 and rig.instrument[0].counter is None
    with served(virtual, tcp=tcp, speed=10.0 if virtual.may_be_quick else 1.0) as urls:
        # An asked instrument must answer within 0.15 s; a machine busy with other tests may not manage it
        # at once, which is no fault of the rig file: one clean spell of three shows that it fits.
        for _ in range(3):
            code, heard, words = padlab(capsys, "rigs", name, "--listen", "--seconds", "2", *typed(urls))
            assert code == 0, words
            if all(told["bad_lines"] == 0 for told in heard["instruments"]):
                break
        for told, instrument in zip(heard["instruments"], rig.instrument, strict=True):
            assert told["instrument"] == instrument.name
            assert told["trouble"] is None
            assert (told["bad_lines"], told["lost_lines"], told["last_bad"]) == (0, 0, None)
            at_least = 0.5 * float(instrument.lines_per_s or 10)
            assert told["lines_per_s"] > at_least
            for channel in told["channels"]:
                assert math.isfinite(channel["value"])
                assert channel["noise"] is not None
        by_itself = ["--yes-after", "1s"] if table is WEIGHTS else []       # nobody is here to press Enter
        code, told, words = padlab(capsys, "capture", name, procedure_file(tmp_path, table), "--out",
                                   str(tmp_path / "shelf"), *typed(urls), *by_itself)
        assert code == 0, words
        run = open_run(told["folder"])
    assert run.state == "complete"
    assert {m.code for m in run.marks} & {"bad_lines", "lost_lines", "gap", "interrupted"} == set()
    samples = run.samples
    assert (np.diff(samples["time_s"]) > 0).all()
    if "force_n" in samples:
        # A recording that begins within a pass, or ends a turn later, sees some of the next ones.
        motions = [blocks[0].motion for blocks in islice(virtual.passes(), 4)]

        def seen_n(force_n):
            return force_n * (1 + virtual.errors.force_scale) + virtual.errors.force_offset_n

        highest = seen_n(max(m.force_n.max() for m in motions))
        assert samples["force_n"].max() <= highest * 1.01 + 0.05
        # An instrument that is asked can be asked just before and just after the peak: what it has surely
        # seen is a force that stood for longer than the longest time between two answers.
        slowest = min(float(i.lines_per_s or 10) for i in rig.instrument)
        longest_s = 0.0 if virtual.may_be_quick else max(float(np.diff(samples["time_s"]).max()), 2 / slowest)
        width = max(round(longest_s * virtual.rate_hz), 1)
        windows = (np.lib.stride_tricks.sliding_window_view(m.force_n, width) for m in motions)
        stood = min(w.min(axis=1).max() for w in windows)
        assert samples["force_n"].max() >= seen_n(stood) * 0.99 - 0.05
    if "displacement_mm" in samples and table is SPRING:
        pressed = samples[samples["force_n"] > 0.5]
        slope = np.polyfit(pressed["displacement_mm"], pressed["force_n"], 1)[0]
        soft = 1 / (1 / 20.0 + virtual.errors.frame_mm_per_n)        # a spring of 20 N/mm, and the frame
        scales = (1 + virtual.errors.force_scale) / (1 + virtual.errors.displacement_scale)
        assert slope == pytest.approx(soft * scales, rel=0.02)


def test_a_run_whose_zero_drifted_says_so_at_its_end_with_a_remedy(tmp_path, capsys):
    virtual = VirtualRig(read_rig("bench"), pad_kind="spring", faults=(parse_fault("drift@3"),))
    with served(virtual, tcp=not HAS_PTY, speed=20.0) as urls:
        code, told, words = padlab(capsys, "capture", "bench", "check", "--out", str(tmp_path / "shelf"),
                                   *typed(urls))
    assert code == 0
    assert "zero_drifted" in {m["code"] for m in told["marks"]}
    assert "zero_drifted" in {m.code for m in open_run(told["folder"]).marks}
    assert "let the cell warm up for ten minutes" in words
    assert "stop: force: the force zero moved during the run" in words


def test_an_over_range_cell_stops_the_run_which_is_kept(tmp_path, capsys):
    virtual = VirtualRig(read_rig("bench"), pad_kind="spring", faults=(parse_fault("saturation@6"),))
    with served(virtual, tcp=not HAS_PTY, speed=5.0) as urls:
        code, told, words = padlab(capsys, "capture", "bench", "check", "--out", str(tmp_path / "shelf"),
                                   *typed(urls))
    assert code == 1                                      # the measurement is at fault; the run is kept
    assert told["error"]["where"] == {"run": told["run"]}
    assert "over the limit of 25 N" in told["error"]["message"]
    assert (told["state"], {"over_range", "interrupted"} <= {m["code"] for m in told["marks"]}) == (
        "interrupted", True)
    after = words.partition("STOP, let go: force reached 25.0 N, over the limit of 25 N")[2]
    assert "the run is ended and kept" in after
    assert "see that" in after                                      # what next
    assert "once more" not in after
    assert len(open_run(told["folder"]).samples) > 100


class OtherMake:
    """A Modbus RTU device by pymodbus over TCP: its registers show a press, 3 s after the first reading.

    ``spoil`` may change what is sent, as a bad cable does.
    """

    def __init__(self, spoil: Callable[[bytes], bytes] = lambda data: data) -> None:
        self.began: float | None = None
        self.asked = 0
        self.url = ""
        self._spoil = spoil
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))

    def __enter__(self) -> OtherMake:
        self._thread.start()
        assert self._ready.wait(20)
        return self

    def __exit__(self, *ignored: object) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(20)
        assert not self._thread.is_alive()

    def force_n(self) -> float:
        """Of the press, now."""
        if self.began is None:
            return 0.0
        at = time.monotonic() - self.began
        return float(np.interp(at, [3.0, 5.5, 8.0], [0.0, 6.0, 0.0])) + 0.004 * math.sin(37.0 * at)

    async def _serve(self) -> None:
        from pymodbus import FramerType
        from pymodbus.server import ModbusTcpServer
        from pymodbus.simulator import DataType, SimData, SimDevice

        async def show(function, start, first, count, registers, written):
            if first < 2:                                           # not the model's register
                self.asked += 1
                self.began = time.monotonic() if self.began is None else self.began
            counts = round(1000 * self.force_n()) & 0xFFFFFFFF
            registers[0 - start], registers[1 - start] = counts >> 16, counts & 0xFFFF

        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        words = DataType.REGISTERS
        device = SimDevice(1, [SimData(0, count=16, values=0, datatype=words),
                               SimData(16, values=4711, datatype=words)], action=show)
        server = ModbusTcpServer(
            device, framer=FramerType.RTU, address=("127.0.0.1", 0),
            trace_packet=lambda sending, data: self._spoil(data) if sending else data)
        serving = asyncio.create_task(server.serve_forever())
        while server.transport is None:
            await asyncio.sleep(0.01)
        self.url = f"socket://127.0.0.1:{server.transport.sockets[0].getsockname()[1]}"
        self._ready.set()
        await self._end.wait()
        await server.shutdown()
        serving.cancel()


@contextmanager
def dial_of(device: OtherMake, rig) -> Iterator[None]:
    """The streaming dial beside it: 20 N/mm, ten times a second."""
    ended = threading.Event()

    def stream() -> None:
        while not ended.wait(0.1):
            rig.send(b"%+.3f\r\n" % (1.0 + device.force_n() / 20.0))

    thread = threading.Thread(target=stream)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join(10)


def test_a_modbus_device_of_another_make_is_read(make_rig, tmp_path, capsys):
    dial = make_rig("dial", name=b"")
    with OtherMake() as device, dial_of(device, dial):
        urls = {"cell": device.url, "dial": dial.url}
        code, heard, words = padlab(capsys, "rigs", "modbus-amplifier", "--listen", "--seconds", "2",
                                    *typed(urls))
        assert code == 0, words
        assert heard["instruments"][0]["lines_per_s"] == pytest.approx(20, abs=7)
        assert heard["instruments"][0]["bad_lines"] == 0
        device.began = None
        code, told, words = padlab(capsys, "capture", "modbus-amplifier", procedure_file(tmp_path, SPRING),
                                   "--out", str(tmp_path / "shelf"), *typed(urls))
    assert code == 0, words
    assert told["state"] == "complete"
    assert {m["code"] for m in told["marks"]} & {"bad_lines", "gap"} == set()
    samples = open_run(told["folder"]).samples
    assert samples["force_n"].max() == pytest.approx(6.0, abs=0.2)
    pressed = samples[samples["force_n"] > 0.5]
    assert np.polyfit(pressed["displacement_mm"], pressed["force_n"], 1)[0] == pytest.approx(20.0, rel=0.05)


def test_damaged_answers_of_a_modbus_device_are_counted_and_shown(make_rig, tmp_path, capsys):
    sent = []

    def spoil(data: bytes) -> bytes:
        sent.append(data)
        return data[:-1] + bytes([data[-1] ^ 1]) if len(sent) % 12 == 6 else data

    dial = make_rig("dial", name=b"")
    with OtherMake(spoil) as device, dial_of(device, dial):
        code, heard, words = padlab(capsys, "rigs", "modbus-amplifier", "--listen", "--seconds", "3",
                                    *typed({"cell": device.url, "dial": dial.url}))
    assert code == 0, words
    cell = heard["instruments"][0]
    assert cell["bad_lines"] >= 1
    assert "checksum" in cell["last_bad"]
    assert cell["channels"][0]["value"] is not None                 # and it reads on


def test_the_virtual_registers_are_read_by_a_client_of_another_make():
    from pymodbus import FramerType
    from pymodbus.client import ModbusTcpClient

    virtual = VirtualRig(read_rig("modbus-amplifier"), pad_kind="spring", hand="still")
    with served(virtual, tcp=True) as urls:
        number = int(urls["cell"].rpartition(":")[2])
        client = ModbusTcpClient("127.0.0.1", port=number, framer=FramerType.RTU, timeout=5)
        try:
            assert client.connect()
            assert client.read_holding_registers(16, count=1, device_id=1).registers == [4711]
            high, low = client.read_holding_registers(0, count=2, device_id=1).registers
            assert abs(int.from_bytes((high << 16 | low).to_bytes(4, "big"), "big", signed=True)) < 100
            assert client.read_input_registers(0, count=2, device_id=1).exception_code == 2
            assert client.write_register(0, 7, device_id=1).exception_code == 1
        finally:
            client.close()


def test_an_asked_instrument_that_answers_badly_is_shown_with_the_reason(capsys):
    """Noise once, no answers for two seconds: each is counted, the reason is shown, reading goes on."""
    virtual = VirtualRig(read_rig("polled-pair"), pad_kind="spring", hand="still",
                         faults=(parse_fault("cell:garbage@0.5"), parse_fault("dial:lost@0")))
    with served(virtual, tcp=not HAS_PTY) as urls:
        code, heard, words = padlab(capsys, "rigs", "polled-pair", "--listen", "--seconds", "4", *typed(urls))
    assert code == 0, words
    cell, dial = heard["instruments"]
    assert cell["bad_lines"] == 1
    assert "does not match" in cell["last_bad"]
    assert dial["bad_lines"] > 1
    assert "no answer" in dial["last_bad"]
    assert cell["channels"][0]["value"] is not None


@pytest.mark.parametrize("name", ["scpi-cell", "modbus-amplifier", "polled-pair", "two-instruments"])
def test_an_instrument_that_was_unplugged_is_found_again(name, capsys):
    """However it is spoken to: the port is lost, opened again, set up again, and readings come on."""
    virtual = VirtualRig(read_rig(name), pad_kind="spring", hand="still",
                         faults=(parse_fault("cell:unplug@1"),))
    with served(virtual, tcp=not HAS_PTY) as urls:
        with pytest.raises(SystemExit) as end:
            main(["rigs", name, "--listen", "--seconds", "7", *typed(urls)])
        looks = capsys.readouterr().out.splitlines()
    assert end.value.code in (0, None)
    cell = [look for look in looks if look.startswith("cell: ")]
    dial = [look for look in looks if look.startswith("dial: ")]
    assert len(cell) == len(dial) == 7
    assert any("was lost" in look for look in cell)
    assert "was lost" not in cell[-1]
    assert float(cell[-1].split()[1]) > 5                           # lines a second
    assert not any("was lost" in look or "no readings" in look for look in dial)
