"""Make the waves of this folder and their truth; see README.md. Not run by the tests."""

import json
import os
import random
import sys
from pathlib import Path

import cocotb
from cocotb.triggers import Edge, Timer
from cocotb.utils import get_sim_time
from cocotbext.spi import SpiBus, SpiConfig, SpiMaster
from cocotbext.spi.devices.generic import SpiSlaveLoopback

HERE = Path(__file__).resolve().parent
# name of the wave: (mode, bits a word, most significant bit first, clock in Hz, words to a select)
WAVES = {
    "mode0_8_msb": (0, 8, True, 1_000_000, 1),
    "mode1_8_msb": (1, 8, True, 1_000_000, 1),
    "mode2_8_msb": (2, 8, True, 1_000_000, 1),
    "mode3_8_msb": (3, 8, True, 1_000_000, 1),
    "mode0_8_lsb": (0, 8, False, 4_000_000, 1),
    "mode1_12_lsb": (1, 12, False, 2_000_000, 3),
    "mode2_4_msb": (2, 4, True, 500_000, 1),
    "mode3_16_msb": (3, 16, True, 10_000_000, 4),
    "mode0_32_msb": (0, 32, True, 8_000_000, 2),
    "mode3_8_two": (3, 8, True, 1_000_000, 5),
}


async def sample_edges(dut, rises, times):
    while True:
        await Edge(dut.sclk)
        if int(dut.sclk.value) == rises:
            times.append(int(get_sim_time("ps")) // 1000)


def bus_of(dut, select, miso):
    return SpiBus.from_entity(dut, cs_name=select, miso_name=miso)


@cocotb.test()
async def wave(dut):
    name = os.environ["WAVE"]
    random.seed(name)
    mode, bits, msb_first, hz, words = WAVES[name]
    cpol, cpha = bool(mode >> 1), bool(mode & 1)

    def config(*, low=True):
        return SpiConfig(
            word_width=bits,
            sclk_freq=hz,
            cpol=cpol,
            cpha=cpha,
            msb_first=msb_first,
            frame_spacing_ns=400,
            cs_active_low=low,
        )

    dut.echo.value = int(words > 1)
    masters = {"cs_a": SpiMaster(bus_of(dut, "cs_a", "miso"), config())}
    if name.endswith("two"):
        masters["cs_b"] = SpiMaster(bus_of(dut, "cs_b", "miso"), config(low=False))
    if words == 1:
        SpiSlaveLoopback(bus_of(dut, "cs_a", "loop"), config())
    await Timer(3_000, "ns")
    times = []
    cocotb.start_soon(sample_edges(dut, int(cpol == cpha), times))
    transfers = []
    for k in range(24 if words == 1 else 12):
        select = random.choice(sorted(masters))
        values = [random.randrange(1 << bits) for _ in range(words)]
        before = len(times)
        await masters[select].write(values, burst=words > 1)
        await Timer(random.randrange(1_000, 9_000), "ns")
        back = list(masters[select].read_nowait())
        starts = times[before::bits]
        assert len(starts) == len(back) == words, (starts, back)
        transfers.append({"select": select, "at_ns": starts, "mosi": values, "miso": back})
        dut.sent.value = k + 1
    frame = {"mode": mode, "bits": bits, "msb_first": msb_first, "clock_hz": hz}
    rows = [json.dumps(row) for row in [frame, *transfers]]
    (HERE / f"{name}.json").write_text("[\n" + ",\n".join(rows) + "\n]\n")


def main():
    from cocotb.runner import get_runner

    sys.path.insert(0, str(HERE))
    for name in WAVES:
        runner = get_runner("icarus")
        folder = Path("build") / name
        runner.build(
            sources=[HERE / "spi_lines.v"],
            hdl_toplevel="bench",
            timescale=("1ns", "1ps"),
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
