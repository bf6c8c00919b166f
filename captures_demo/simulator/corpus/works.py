"""The bench of the corpus: a few sensors of the cap line on one bus, a board, a broker.

A cause is a function that is given `Works` before anything runs. It sets up what it needs (also in
the healthy twin) and says what happens instead of a poll: `at_place` once, `afterwards` from then
on. Neither is used in the twin, so both runs are the same up to the first thing that goes wrong.
"""

from __future__ import annotations

from collections.abc import Callable

from captures_demo.simulator.bus import Bus
from captures_demo.simulator.capture import Instrument
from captures_demo.simulator.clocks import Clock
from captures_demo.simulator.controller import Controller, Outcome, length_of
from captures_demo.simulator.corpus.bench_text import bench_toml
from captures_demo.simulator.corpus.diverter import Diverter
from captures_demo.simulator.corpus.labels import HEALTHY, CauseTruth, LabelledRun
from captures_demo.simulator.corpus.parts import Sensor
from captures_demo.simulator.corpus.reporting import Reporter
from captures_demo.simulator.corpus.variant import MILLI, SECOND, Part, Variant
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.firmware import Board, Tick
from captures_demo.simulator.lines import Line, Trace
from captures_demo.simulator.network import Broker, Hop
from captures_demo.simulator.run import Run, Truth, clock_rows
from captures_demo.simulator.schedule import Lock, Program, Schedule

MORNING_NS = 1_795_597_920 * SECOND  # 2026-11-25 09:12:00 UTC
BOOT_NS = 40 * MILLI
LAST_NS = 12 * MILLI  # no poll begins so late that the run's end would cut it

Step = Callable[[], Program[Outcome]]
NEVER_GIVES_UP_NS = 10**15  # a driver without a limit
TIMEOUT = Outcome("timeout")  # the driver gave up without having moved a line


class Works:
    """All parties of one run.

    Args:
        variant: its numbers.
        healthy: nothing is injected.
        lines: names of further captured lines.
        driver: the class of the board's bus controller.
        sensor: the class of the part that fails.
        filter_ns: spike filter of the failing part.
        records_clients: the recording of messages says whose they are.
    """

    def __init__(
        self,
        variant: Variant,
        *,
        healthy: bool = False,
        lines: tuple[str, ...] = (),
        driver: type[Controller] = Controller,
        sensor: type[Sensor] = Sensor,
        filter_ns: int = 0,
        records_clients: bool = False,
    ) -> None:
        self.variant, self.part, self.healthy = variant, variant.part, healthy
        self.schedule, self.trace = Schedule(), Trace()
        self.bus = Bus(
            self.schedule, self.trace, rise_ns=variant.rise_ns, seed=variant.seed, jitter_ns=20
        )
        self.driver = driver(
            self.bus,
            variant.timing,
            stretch_limit_ns=variant.stretch_limit_ns,
            seed=variant.seed,
            jitter_ns=variant.bit_ns // 250,
        )
        self.lines = {name: Line(self.schedule, self.trace, name, rise_ns=60) for name in lines}
        self.lock = Lock(self.schedule)
        board_ppb, _, host_ppb = variant.rates_ppb
        unit = variant.tick_unit_ns
        tick = Tick(unit_ns=unit, first=variant.tick_first // (unit // 1_000))
        self.board = Board(
            self.schedule, "controller", boot_ns=BOOT_NS, rate_ppb=board_ppb, tick=tick
        )
        hold_ns = variant.timing.hold_data_ns
        self.victim = sensor(
            self.bus, self.part, self.dice("victim"), hold_ns=hold_ns, filter_ns=filter_ns
        )
        self.others = [
            Sensor(self.bus, part, self.dice(part.name), hold_ns=hold_ns)
            for part in variant.neighbours
        ]
        host = Clock("host", MORNING_NS, host_ppb)
        self.broker = Broker(self.schedule, host, records_clients=records_clients)
        self.up, self.down = (Hop(self.dice(name)) for name in ("up", "down"))
        self.usual: Callable[[int], Program[Outcome]] = lambda _: self.read(self.victim)
        self.instead: Callable[[], Program[Outcome]] | None = None  # of every transfer
        self.up_ns = 0  # the firmware runs from then on: a boot takes time
        self.timers_run = True
        self.heap, self.block = 41_232, 22_528
        self.after_fault: Callable[[Outcome], Program[None]] | None = None
        self.polled = 0  # of the failing part, in the whole run
        self.build = 41
        self.says = Reporter(variant, self.board, self.broker, self.up)
        self.diverter = Diverter(self.board, self.broker, self.says, self.dice, self.awake)
        self._at: Step | None = None
        self._afterwards: Step | None = None
        self._first_wrong: tuple[int, str, str] | None = None
        self._busy = self.dice("firmware")

    def dice(self, name: str) -> Dice:
        """A stream of randomness of this run."""
        return Dice(self.variant.seed, name)

    # --- for causes

    def at_place(self, step: Step) -> None:
        """What the poll at the variant's place does instead."""
        self._at = step

    def afterwards(self, step: Step) -> None:
        """What the polls after that do instead of the usual."""
        self._afterwards = step

    def from_place(self, step: Step) -> None:
        """Both of them."""
        self._at = self._afterwards = step

    def wrong(self, note: str = "", where: str = "") -> None:
        """Now is the first thing wrong; later calls say nothing new."""
        if self._first_wrong is None:
            where = where or self.part.name
            self._first_wrong = (self.schedule.now_ns, where, note)
            self.bus.fault(self.variant.cause, where, note)

    def read(self, sensor: Sensor) -> Program[Outcome]:
        """The usual poll: register, then count and value, joined as the driver does it."""
        if self.instead is not None:
            return (yield from self.instead())
        part = sensor.part
        return (yield from self.exchange(part, bytes([part.register]), part.length))

    def exchange(self, part: Part, request: bytes, length: int) -> Program[Outcome]:
        """Write and read with the variant's joint."""
        driver, joint_ns = self.driver, self.variant.joint_ns
        outcome = yield from driver.write(part.address, request, stop=bool(joint_ns))
        if not outcome.ok:
            return outcome
        if joint_ns:
            yield joint_ns
        return (yield from driver.read(part.address, length_of(length)))

    def reset(self, reason: str, *, boot_ns: int = 40 * MILLI) -> None:
        """The board restarts: its lines are let go, its counter begins at 0, it says so later."""
        now_ns = self.schedule.now_ns
        self.up_ns = now_ns + boot_ns
        self.says.begin_anew()
        self.schedule.start(self._boot(reason), at_ns=self.up_ns - boot_ns // 4)

    def _boot(self, reason: str) -> Program[None]:
        clock = self.board.clock
        now_ns = self.schedule.now_ns
        clock.change(now_ns, step_ns=-clock.exact(now_ns))
        self.board.print("I", f"boot: cap line board, build {self.build}, reset by {reason}")
        yield MILLI
        self.board.print("I", self._bus_line())

    # --- the board's tasks

    def _bus_line(self) -> str:
        khz = 1_000_000 // self.variant.bit_ns
        parts = ", ".join(f"{p.name} {p.address:02x}" for p in self._all_parts())
        return f"i2c: bus at {khz} kHz, {parts}"

    def _all_parts(self) -> tuple[Part, ...]:
        return (self.part, *self.variant.neighbours)

    def _main(self) -> Program[None]:
        self.board.print("I", "boot: cap line board, build 41, reset by power-on")
        yield 10 * MILLI
        self.board.print("I", self._bus_line())
        for number, sensor in enumerate((self.victim, *self.others)):
            self.schedule.start(self._poll(sensor, number))
        self.diverter.begin(self.down)
        self.schedule.start(self._alive())

    def awake(self) -> bool:
        """Whether the board runs, not in the middle of a reset."""
        return self.schedule.now_ns >= self.up_ns

    def wait_until(self, due_ns: int) -> int:
        """For a task to yield: to a true time, or to the end of a boot."""
        return max(due_ns, self.up_ns, self.schedule.now_ns) - self.schedule.now_ns

    def _period_ns(self, number: int) -> int:
        """The parts are asked at rates of their own; by the board's oscillator."""
        period_ns = self.variant.period_ns * (1 + number) + number * 7_654_321
        return period_ns - period_ns * self.variant.rates_ppb[0] // SECOND

    def _poll(self, sensor: Sensor, number: int) -> Program[None]:
        period_ns = self._period_ns(number)
        due_ns = self.schedule.now_ns + (number + 1) * 9 * MILLI
        while True:
            yield self.wait_until(due_ns)
            due_ns = max(due_ns, self.schedule.now_ns - period_ns) + period_ns
            yield self.other_work()
            if not self.timers_run or self.schedule.now_ns > self.end_ns - LAST_NS:
                return
            yield self.lock
            if not self.awake():  # a reset while it waited in line
                self.lock.release()
                continue
            self.says.polled(sensor.part)
            outcome = yield from self._asked(sensor)
            self.lock.release()
            yield self.other_work()
            if self.awake():
                self.says.report(sensor.part, outcome)
            if not outcome.ok and self.after_fault is not None:
                yield self.lock
                yield from self.after_fault(outcome)
                self.lock.release()

    def other_work(self) -> int:
        """The time something takes on a board that has other things to do as well."""
        return 20_000 + min(int(self._busy.exponential(25_000)), 2 * MILLI)

    def _asked(self, sensor: Sensor) -> Program[Outcome]:
        if sensor is not self.victim:
            return (yield from self.read(sensor))
        self.polled += 1
        place = self.variant.place
        if not self.healthy and self._at is not None and self.polled == place:
            return (yield from self._at())
        if not self.healthy and self._afterwards is not None and self.polled > place:
            return (yield from self._afterwards())
        return (yield from self.usual(self.polled))

    def _alive(self) -> Program[None]:
        """Every second or so: uptime and heap."""
        while True:
            yield 900 * MILLI + self._busy.below(3 * MILLI)
            if self.timers_run and self.awake():
                seconds = self.board.uptime_ns() // SECOND
                self.board.print("I", f"sys: up {seconds} s heap {self.heap} block {self.block}")

    # --- the whole

    @property
    def end_ns(self) -> int:
        """Long enough for all polls of the variant."""
        return BOOT_NS + 20 * MILLI + (self.variant.polls + 1) * self._period_ns(0)

    def run(self) -> LabelledRun:
        """Let it happen; the labelled run."""
        variant = self.variant
        self.schedule.start(self._main(), at_ns=BOOT_NS)
        self.schedule.run(self.end_ns)
        self.bus.ledger.finish()
        capture = Clock("capture", 0, variant.rates_ppb[1])
        sources = [("controller", self.board.clock), ("broker", self.broker.host)]
        truth = Truth(
            transactions=self.bus.ledger.transactions,
            prints=self.board.prints,
            messages=self.broker.messages,
            holds=self.bus.holds,
            faults=self.bus.faults,
            clocks=clock_rows(sources, capture),
        )
        run = Run(
            f"{variant.cause} {variant.number}",
            self.end_ns,
            self.trace,
            Instrument(capture, variant.sample_rate_hz),
            truth,
            serial=self.board.port.sent,
            host=self.broker.host,
            message_rows=self.broker.rows,
        )
        return LabelledRun(run, bench_toml(variant), self._label(), variant.capture)

    def _label(self) -> CauseTruth:
        if self.healthy:
            return CauseTruth(HEALTHY, "", -1)
        if self._first_wrong is None:
            raise RuntimeError(f"{self.variant.cause} {self.variant.number}: nothing went wrong")
        at_ns, where, note = self._first_wrong
        return CauseTruth(self.variant.cause, where, at_ns, note)
