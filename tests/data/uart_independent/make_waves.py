"""Make the waves of this folder and their truth; see README.md. Not run by the tests."""

import json
import os
import random
import sys
from pathlib import Path

import cocotb
from cocotb.triggers import FallingEdge, Timer
from cocotb.utils import get_sim_time
from cocotbext.uart import UartSink, UartSource

HERE = Path(__file__).resolve().parent
TEXT = b"[%05d] INFO bottle %d filled, level=%d.%d\r\n"
# name of the wave: (baud, data bits of the model, stop bits, parity put into the last of them,
# simulator's unit and precision)
WAVES = {
    "text_115200_8n1": (115_200, 8, 1, "none", ("1ns", "1ns")),
    "text_9600_8n2": (9_600, 8, 2, "none", ("1ns", "100ps")),
    "binary_57600_8e1": (57_600, 9, 1, "even", ("1ns", "1ps")),
    "binary_38400_8o1": (38_400, 9, 1, "odd", ("1ns", "1ns")),
    "text_19200_7e1": (19_200, 8, 1, "even", ("1ns", "10ps")),
    "text_2400_7n1": (2_400, 7, 1, "none", ("100ns", "1ns")),
    "words_250000_9n1": (250_000, 9, 1, "none", ("1ns", "1ns")),
    "letters_1200_5n1h": (1_200, 5, 1.5, "none", ("1us", "1ns")),
    "text_921600_8n1": (921_600, 8, 1, "none", ("1ns", "1ns")),
    "breaks_115200_8n1": (115_200, 8, 1, "none", ("1ns", "1ns")),
}


def data_of(name, bits):
    """What is sent: bursts of values without parity."""
    kind = name.partition("_")[0]
    if kind == "text" or kind == "breaks":
        rows = [TEXT % (97 * k, k, random.randrange(90), random.randrange(10)) for k in range(5)]
        return [list(row) for row in rows]
    sizes = [random.randrange(1, 20) for _ in range(12)]
    return [[random.randrange(1 << bits) for _ in range(size)] for size in sizes]


def with_parity(value, bits, parity):
    if parity == "none":
        return value
    ones = bin(value).count("1") % 2
    return value | (ones ^ (parity == "odd")) << bits


async def unrelated_clock(dut, half_ns):
    while True:
        await Timer(half_ns, "ns")
        dut.other.value = not dut.other.value


async def start_edges(line, times):
    while True:
        await FallingEdge(line)
        times.append(int(get_sim_time("ps")) // 1000)


@cocotb.test()
async def wave(dut):
    name = os.environ["WAVE"]
    random.seed(name)
    baud, model_bits, stop_bits, parity, _ = WAVES[name]
    bits = model_bits - (parity != "none")
    source = UartSource(dut.tx, baud=baud, bits=model_bits, stop_bits=stop_bits)
    sink = UartSink(dut.tx, baud=baud, bits=model_bits, stop_bits=stop_bits)
    falls = []
    cocotb.start_soon(start_edges(dut.tx, falls))
    frame_ns = round(1e9 / baud * (2 + model_bits + stop_bits))
    cocotb.start_soon(unrelated_clock(dut, 13 * frame_ns // 37))
    await Timer(2 * frame_ns, "ns")
    bursts = []
    for k, values in enumerate(data_of(name, bits)):
        before = len(falls)
        await source.write([with_parity(value, bits, parity) for value in values])
        await source.wait()
        await Timer(2 * frame_ns, "ns")
        seen = [value & ((1 << bits) - 1) for value in sink.read_nowait()]
        assert seen == values, (seen, values)
        bursts.append({"start_ns": falls[before], "values": seen})
        dut.sent.value = k + 1
        if name.startswith("breaks") and k % 2 == 0:
            lasts_ns = random.randrange(2 * frame_ns, 20 * frame_ns)
            at_ns = int(get_sim_time("ps")) // 1000
            dut.tx.value = 0
            await Timer(lasts_ns, "ns")
            dut.tx.value = 1
            await Timer(2 * frame_ns, "ns")
            bursts.append({"start_ns": at_ns, "end_ns": at_ns + lasts_ns, "break": True})
            sink.read_nowait()
        await Timer(random.randrange(5 * frame_ns), "ns")
    frame = {"baud": baud, "data_bits": bits, "parity": parity, "stop_bits": stop_bits}
    rows = [json.dumps(row) for row in [frame, *bursts]]
    (HERE / f"{name}.json").write_text("[\n" + ",\n".join(rows) + "\n]\n")


def main():
    from cocotb.runner import get_runner

    sys.path.insert(0, str(HERE))
    for name, (*_, timescale) in WAVES.items():
        runner = get_runner("icarus")
        folder = Path("build") / name
        runner.build(
            sources=[HERE / "serial_lines.v"],
            hdl_toplevel="bench",
            timescale=timescale,
            build_dir=folder,
            always=True,
        )
        runner.test(
            hdl_toplevel="bench",
            test_module="make_waves",
            build_dir=folder,
            extra_env={"WAVE": name, "PYTHONPATH": str(HERE)},
            plusargs=[f"+vcd={HERE / name}.vcd"],
        )


if __name__ == "__main__":
    main()
