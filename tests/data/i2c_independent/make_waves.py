"""Make the waves of this folder and their truth; see README.md. Not run by the tests."""

import json
import os
import random
import sys
from pathlib import Path

import cocotb
from cocotb.triggers import FallingEdge, Timer
from cocotb.utils import get_sim_time
from cocotbext.i2c import I2cDevice, I2cMaster, I2cMemory

HERE = Path(__file__).resolve().parent
# name of the wave: (SCL frequency, simulator's unit and precision)
WAVES = {
    "writes_100k": (100e3, ("1ns", "1ns")),
    "memory_reads_400k": (400e3, ("1ns", "1ps")),
    "nacks_100k": (100e3, ("1us", "100ns")),
    "stretched_1m": (1e6, ("1ns", "10ps")),
    "mixed_50k": (50e3, ("10ns", "10ns")),
    "switched_off_400k": (400e3, ("1ns", "1ns")),
}


class Controller(I2cMaster):
    """The controller model; writes down what was asked of it and what it observed."""

    def __init__(self, dut, speed):
        self.set_ps = 0
        super().__init__(dut.sda, dut.controller_sda, dut.scl, dut.controller_scl, speed)
        self.dut, self.rows = dut, []

    def _set_sda(self, val):
        self.set_ps = int(get_sim_time("ps"))
        super()._set_sda(val)

    async def begin(self, address, read):
        restart = self.bus_active
        await self.send_start()  # the last it does to SDA is to pull it low: the START
        at_ns = self.set_ps // 1000
        if restart:
            self.rows[-1] |= {"end_ns": at_ns, "ended_by": "restart"}
        nack = await self.send_byte(address << 1 | read)
        self.rows.append(
            {
                "start_ns": at_ns,
                "started_by": "restart" if restart else "start",
                "address": address,
                "read": bool(read),
                "address_acked": not nack,
                "data": "",
                "acks": "",
            }
        )
        return not nack

    async def put(self, data):
        for byte in data:
            nack = await self.send_byte(byte)
            self.rows[-1]["data"] += f"{byte:02x}"
            self.rows[-1]["acks"] += "N" if nack else "A"
            if nack:
                break

    async def get(self, count):
        data = bytearray()
        for k in range(count):
            last = k == count - 1
            data.append(await self.recv_byte(last))
            self.rows[-1]["acks"] += "N" if last else "A"
        self.rows[-1]["data"] = data.hex()
        return bytes(data)

    async def end(self):
        await self.send_stop()
        self.rows[-1] |= {"end_ns": self.set_ps // 1000, "ended_by": "stop"}
        self.dut.transfers.value = len(self.rows)

    async def write(self, address, data):
        if await self.begin(address, 0):
            await self.put(data)

    async def read(self, address, count):
        return await self.get(count) if await self.begin(address, 1) else b""


class Sensor(I2cDevice):
    """A target made of the device model: slow, and with room for a few bytes only."""

    def __init__(self, dut, address, room=1000, busy_ns=0):
        self.addr, self.room, self.busy_ns, self.taken, self.given = address, room, busy_ns, 0, 0
        super().__init__(dut.sda, dut.sensor_sda, dut.scl, dut.sensor_scl)

    def handle_start(self):
        self.taken = 0

    async def _recv_byte_ack(self, ack):
        byte = await self._recv_byte()
        if not isinstance(byte, str):
            self.taken += 1
            await self._send_bit(self.taken > self.room)
        return byte

    async def handle_write(self, data):
        if self.busy_ns:
            await Timer(self.busy_ns, "ns")

    async def handle_read(self):
        self.given = (self.given * 5 + 89) % 256
        return self.given

    async def _send_byte_ack(self, byte):
        # The model would stretch from the rise of the clock before, with a pulse of no width, and
        # its controller reads SDA before a stretched clock rises: so hold the clock from its fall
        # on, with SDA valid.
        if self.busy_ns:
            if int(self.scl.value):
                await FallingEdge(self.scl)
            self._set_scl(0)
            self._set_sda(byte >> 7)
            await Timer(self.busy_ns, "ns")
            self._set_scl(1)
        return await super()._send_byte_ack(byte)


def memory(dut, address, size):
    return I2cMemory(dut.sda, dut.memory_sda, dut.scl, dut.memory_scl, address, size)


async def writes_100k(dut, controller):
    memory(dut, 0x50, 256)
    for length in (1, 2, 3, 9):
        await controller.write(0x50, bytes(range(0xA5, 0xA5 + length)))
        await controller.end()
        await Timer(200, "us")
    await controller.write(0x50, b"\x00\x00\xff\xff\x55\xaa")
    await controller.end()


async def memory_reads_400k(dut, controller):
    store = memory(dut, 0x54, 4096)  # two address bytes
    store.write_mem(0x0102, bytes(random.randbytes(64)))
    for place, count in ((0x0102, 1), (0x0110, 4), (0x0120, 16)):
        await controller.write(0x54, place.to_bytes(2, "big"))
        found = await controller.read(0x54, count)
        await controller.end()
        assert found == store.read_mem(place, count)
        await Timer(50, "us")
    await controller.write(0x54, b"\x08\x00" + b"cider")
    await controller.end()
    await controller.write(0x54, b"\x08\x00")
    assert await controller.read(0x54, 5) == b"cider"
    await controller.end()


async def nacks_100k(dut, controller):
    memory(dut, 0x50, 256)
    Sensor(dut, 0x2A, room=2)
    await controller.write(0x51, b"\x00")  # nobody there
    await controller.end()
    await controller.read(0x2B, 2)
    await controller.end()
    await controller.write(0x2A, b"\x10\x20\x30\x40")  # takes two bytes, refuses the third
    await controller.end()
    await controller.write(0x50, b"")  # zero-length write
    await controller.end()
    await controller.write(0x51, b"")
    await controller.write(0x50, b"\x07\x77")  # repeated START after a NACK
    await controller.end()


async def stretched_1m(dut, controller):
    Sensor(dut, 0x33, busy_ns=7_300)
    memory(dut, 0x50, 256)
    await controller.write(0x33, b"\x01\x02\x03")
    await controller.end()
    await controller.read(0x33, 5)
    await controller.end()
    await controller.write(0x33, b"\x09")
    await controller.read(0x33, 2)
    await controller.write(0x50, b"\x09\x99")
    await controller.end()


async def mixed_50k(dut, controller):
    memory(dut, 0x50, 256)
    Sensor(dut, 0x0B, room=3, busy_ns=30_000)
    for _ in range(12):
        for _ in range(random.choice((1, 1, 2, 3))):
            address = random.choice((0x50, 0x50, 0x0B, 0x0B, 0x77))
            if random.random() < 0.5:
                await controller.read(address, random.randint(1, 4))
            else:
                await controller.write(address, random.randbytes(random.randint(0, 5)))
        await controller.end()
        await Timer(random.randrange(100, 5000), "us")


async def switched_off_400k(dut, controller):
    memory(dut, 0x50, 256)
    await controller.write(0x50, b"\x01\x11")
    await controller.end()
    await Timer(20, "us")
    dut.off.value = 1
    await Timer(20, "us")
    asked = len(controller.rows)
    await controller.write(0x50, b"\x02\x22")  # nobody records this one
    await controller.end()
    del controller.rows[asked:]
    await Timer(20, "us")
    dut.off.value = 0
    await Timer(20, "us")
    await controller.write(0x50, b"\x03\x33")
    await controller.end()


@cocotb.test()
async def wave(dut):
    name = os.environ["WAVE"]
    random.seed(name)
    controller = Controller(dut, WAVES[name][0])
    await Timer(30, "us")
    await globals()[name](dut, controller)
    await Timer(30, "us")
    (HERE / f"{name}.json").write_text(
        "[\n" + ",\n".join(json.dumps(row) for row in controller.rows) + "\n]\n"
    )


def main():
    from cocotb.runner import get_runner

    sys.path.insert(0, str(HERE))
    for name, (_, timescale) in WAVES.items():
        runner = get_runner("icarus")
        folder = Path("build") / name
        runner.build(
            sources=[HERE / "open_drain_bus.v"],
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
