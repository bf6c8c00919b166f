"""The cap line of a small cider works: the demo's bench.

A controller board polls a vision camera (caps on the belt) once a second and an ultrasonic sensor
(caps in the hopper) every five, over one I2C bus; it moves a diverter on command and tells what it
knows by MQTT. After 2,047 replies the camera stops acknowledging its address.
"""

from __future__ import annotations

from typing import Any

import msgspec

from captures_demo.simulator.bus import Bus
from captures_demo.simulator.camera import COLOURS, CapCamera, ask, reply_length
from captures_demo.simulator.cap_line_plan import DEMO, SECOND, Plan
from captures_demo.simulator.capture import Instrument
from captures_demo.simulator.checksums import sum16
from captures_demo.simulator.clocks import Clock
from captures_demo.simulator.controller import Controller, Outcome, length_of
from captures_demo.simulator.devices import RegisterFile, pec
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.firmware import Board, Tick
from captures_demo.simulator.ledger import FaultTruth
from captures_demo.simulator.lines import Trace
from captures_demo.simulator.manners import Deaf, Manner
from captures_demo.simulator.network import FROM_BROKER, Broker, Hop, Message
from captures_demo.simulator.run import Run, Truth, clock_rows
from captures_demo.simulator.schedule import Lock, Mailbox, Program, Schedule

CAMERA, HOPPER = 0x2E, 0x29
DISTANCE = 0x10  # the hopper sensor's register: mm to the caps, low byte first
HOPPER_DEPTH_MM = 1_200
LOW_CM = 20
MILLI = 1_000_000
BLOCKS_TOPIC = "capline/cam/blocks"
LEVEL_TOPIC = "capline/hopper/level"
COMMAND_TOPIC = "capline/diverter/command"
STATE_TOPIC = "capline/diverter/state"
BOARD_TOPIC = "capline/board/state"


class CapLine:
    """All parties of the bench and what they do; `run` lets it happen."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.schedule = Schedule()
        self.trace = Trace()
        self.bus = Bus(self.schedule, self.trace, "i2c-1")
        self.controller = Controller(self.bus, seed=plan.seed, jitter_ns=plan.jitter_ns)
        self.lock = Lock(self.schedule)
        self.board = Board(
            self.schedule,
            "controller",
            boot_ns=plan.boot_ns,
            rate_ppb=plan.board_ppb,
            tick=Tick(first=plan.tick_first),
        )
        self.camera = CapCamera(
            self.bus,
            CAMERA,
            Dice(plan.seed, "belt"),
            mischief=plan.mischief,
            answers=plan.answers,
        )
        self.hopper = RegisterFile(self.bus, "hopper", HOPPER, with_pec=True)
        self.hopper.on_read = self._measure
        self.broker = Broker(self.schedule, Clock("host", plan.host_ns, plan.host_ppb))
        self.up = self._hop("board to broker", loses={BLOCKS_TOPIC: plan.lost_blocks})
        self.down = self._hop("broker to board", loses={COMMAND_TOPIC: (plan.lost_command,)})
        self.line_up = self._hop("line to broker")
        self.published: dict[str, int] = {}
        self._view = Dice(plan.seed, "hopper")
        self._busy = Dice(plan.seed, "firmware")

    def _hop(self, name: str, **more: Any) -> Hop:
        return Hop(Dice(self.plan.seed, name), slow_rate=self.plan.hop_slow_rate, **more)

    def _other_work(self, least_ns: int) -> int:
        """The time something takes on a board that has other things to do as well."""
        return least_ns + min(int(self._busy.exponential(25_000)), 2 * MILLI)

    def _publish(self, topic: str, **members: object) -> None:
        """The board sends a message; `n` counts those of the topic."""
        number = self.published[topic] = self.published.get(topic, 0) + 1
        payload = msgspec.json.encode({"n": number, **members}).decode()
        self.broker.publish(self.board.name, topic, payload, self.up)

    # --- the board's tasks

    def boot(self) -> Program[None]:
        """The banner, and the tasks are started."""
        board = self.board
        board.print("I", "boot: cap line board, build 41, reset by power-on")
        board.print("I", f"boot: tick preset to {board.tick.first} us (bench build)")
        yield board.until(120 * MILLI)
        board.print("I", f"i2c: bus at 100 kHz, camera {CAMERA:02x}, hopper {HOPPER:02x}")
        box = self.broker.subscribe(COMMAND_TOPIC, self.down)
        yield board.until(400 * MILLI)
        board.print("I", "net: broker connected")
        self.broker.publish(
            board.name, BOARD_TOPIC, '{"up":true,"build":41}', self.up, qos=1, retain=True
        )
        self.schedule.start(self.poll_camera())
        self.schedule.start(self.poll_hopper())
        self.schedule.start(self.divert(box))
        self.schedule.start(self.command())

    def poll_camera(self) -> Program[None]:
        """Once a second, if not planned otherwise, by the board's oscillator."""
        board, due_ns, silent = self.board, 620 * MILLI, 0
        for poll in range(1, self.plan.polls + 1):
            yield board.until(due_ns)
            due_ns += self.plan.poll_ns
            yield self._other_work(0)
            yield self.lock
            begun = board.ticks()
            outcome = yield from self.controller.write(CAMERA, ask())
            if outcome.ok:
                yield self._other_work(400_000)  # the camera needs less to answer
                outcome = yield from self.controller.read(CAMERA, reply_length)
            self.lock.release()
            taken_us = board.ticks() - begun
            yield self._other_work(70_000)
            silent = 0 if outcome.ok else silent + 1
            if silent:
                board.print("W", f"camera: no ack, poll {poll}, {silent} in a row")
            else:
                self._report_blocks(poll, taken_us, outcome.data)

    def _report_blocks(self, poll: int, taken_us: int, reply: bytes) -> None:
        payload, got = reply[4:-2], reply[-2:]
        if got != sum16(payload):
            wanted = sum16(payload).hex()
            self.board.print("W", f"camera: poll {poll} sum {got.hex()} should be {wanted}")
            return
        sequence = int.from_bytes(payload[:2], "little")
        colours = [COLOURS[code - 1] for code in payload[2::7]]
        seen = f"poll {poll} seq {sequence} blocks {len(colours)} us {taken_us}"
        self.board.print("I", f"camera: {seen}")
        self._publish(
            BLOCKS_TOPIC, poll=poll, seq=sequence, blocks=len(colours), us=taken_us, caps=colours
        )

    def poll_hopper(self) -> Program[None]:
        """Every five seconds, in between."""
        board, due_ns, was_low, poll = self.board, 2_150 * MILLI, False, 0
        while True:
            yield board.until(due_ns)
            due_ns += 5 * SECOND
            poll += 1
            yield self.lock
            outcome = yield from self.controller.write_read(HOPPER, bytes([DISTANCE]), length_of(3))
            self.lock.release()
            yield self._other_work(50_000)
            level_cm = self._level_cm(outcome)
            if level_cm is None:
                board.print("W", f"hopper: poll {poll} {outcome.kind}")
                continue
            low = level_cm < LOW_CM + (2 if was_low else 0)  # it must rise by 2 cm to be well again
            board.print("I", f"hopper: poll {poll} level {level_cm:.1f} cm")
            if low and not was_low:
                board.print("W", f"hopper: low, below {LOW_CM} cm")
            self._publish(LEVEL_TOPIC, poll=poll, cm=level_cm, low=low)
            was_low = low

    @staticmethod
    def _level_cm(outcome: Outcome) -> float | None:
        if not outcome.ok:
            return None
        word, code = outcome.data[:2], outcome.data[2]
        covered = bytes([HOPPER << 1, DISTANCE, HOPPER << 1 | 1]) + word
        if code != pec(covered):
            return None
        return (HOPPER_DEPTH_MM - int.from_bytes(word, "little")) / 10

    def divert(self, box: Mailbox[Message]) -> Program[None]:
        """Move the diverter as commanded, and say so."""
        dice = Dice(self.plan.seed, "diverter")
        while True:
            letter = yield box
            command = msgspec.json.decode(letter.payload)
            self.board.print("I", f"divert: command {command['n']} gate {command['gate']}")
            moved_ms = dice.between(160, 240)
            yield moved_ms * MILLI
            self.board.print("I", f"divert: gate {command['gate']} reached in {moved_ms} ms")
            self._publish(STATE_TOPIC, command=command["n"], gate=command["gate"], ms=moved_ms)

    # --- the others

    def command(self) -> Program[None]:
        """Somebody at the line's desk sends the caps left or right."""
        dice, number = Dice(self.plan.seed, "desk"), 0
        gates = ("left", "right")
        while True:
            yield int(self.plan.command_gap_ns * (0.4 + dice.exponential(0.6)))
            number += 1
            payload = msgspec.json.encode({"n": number, "gate": gates[number % 2]}).decode()
            self.broker.publish("desk", COMMAND_TOPIC, payload, self.line_up, qos=1)

    def _measure(self, register: int) -> None:
        """Put the distance into the hopper sensor's registers when it is asked for."""
        if register != DISTANCE:
            return
        plan, now = self.plan, self.schedule.now_ns / self.plan.length_ns
        past = now / plan.refill_at if now < plan.refill_at else (now - plan.refill_at) / 2
        distance = plan.hopper_from_mm + (plan.hopper_to_mm - plan.hopper_from_mm) * past
        mm = round(distance) + self._view.between(-3, 3)
        self.hopper.registers[DISTANCE : DISTANCE + 2] = mm.to_bytes(2, "little")

    def pause_camera(self) -> Program[None]:
        """The camera is busy for a few polls, once, and comes back."""
        while self.camera.sequence < self.plan.nack_run_after:
            yield SECOND // 4
        self.camera.manner = Deaf()
        self.bus.fault("nack-run", self.camera.name, f"{self.plan.nack_run} polls")
        yield self.plan.nack_run * SECOND
        self.camera.manner = Manner()

    # --- the whole

    def run(self) -> Run:
        """Let it happen; what it leaves behind."""
        plan = self.plan
        self.schedule.start(self.boot(), at_ns=plan.boot_ns)
        self.schedule.start(self.pause_camera(), at_ns=plan.boot_ns)
        self.schedule.run(plan.length_ns)
        self.bus.ledger.finish()
        capture = Clock("capture", 0, plan.capture_ppb)
        sources = [("controller", self.board.clock), ("broker", self.broker.host)]
        truth = Truth(
            transactions=self.bus.ledger.transactions,
            packets=self.camera.packets,
            prints=self.board.prints,
            messages=self.broker.messages,
            holds=self.bus.holds,
            faults=self.bus.faults + self._lost(),
            clocks=clock_rows(sources, capture),
        )
        truth.faults.sort(key=lambda fault: fault.t_ns)
        return Run(
            "cap line",
            plan.length_ns,
            self.trace,
            Instrument(capture, plan.sample_rate_hz),
            truth,
            serial=self.board.port.sent,
            host=self.broker.host,
            message_rows=self.broker.rows,
        )

    def _lost(self) -> list[FaultTruth]:
        kinds = {FROM_BROKER: "lost-command"}
        return [
            FaultTruth(m.sent_ns, kinds.get(m.lost, "lost-message"), m.topic, m.payload)
            for m in self.broker.messages
            if m.lost
        ]


def cap_line(plan: Plan = DEMO) -> Run:
    """Simulate the cap line."""
    return CapLine(plan).run()
