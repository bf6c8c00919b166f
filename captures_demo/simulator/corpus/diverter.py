"""The diverter: somebody's commands from the desk, and the board's task that carries them out."""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from captures_demo.simulator.corpus.reporting import Reporter
from captures_demo.simulator.corpus.variant import MILLI
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.firmware import Board
from captures_demo.simulator.network import Broker, Hop, Message
from captures_demo.simulator.schedule import Mailbox, Program

COMMAND = "capline/diverter/command"
STATE = "capline/diverter/state"


class Diverter:
    """Desk and gate; driven by messages, not by a timer.

    Args:
        board: prints what it does.
        broker: between desk and board.
        says: publishes for the board.
        dice: makes a stream of randomness by its name.
        awake: whether the board runs.
    """

    def __init__(
        self,
        board: Board,
        broker: Broker,
        says: Reporter,
        dice: Callable[[str], Dice],
        awake: Callable[[], bool],
    ) -> None:
        self.heeds: Callable[[int], bool] = lambda number: True
        self.on_command: Callable[[int], None] = lambda number: None
        self._board, self._broker, self._says = board, broker, says
        self._gate_dice, self._desk_dice = dice("diverter"), dice("desk")
        self._desk_up = Hop(dice("desk hop"))
        self._awake = awake
        self._commands = 0
        self._box: Mailbox[Message] | None = None

    def begin(self, down: Hop) -> None:
        """Subscribe behind a hop, and start both."""
        schedule = self._board.schedule
        self._box = self._broker.subscribe(COMMAND, down, self._board.name)
        schedule.start(self._divert(self._box))
        schedule.start(self._desk())

    def deliver(self, letter: Message) -> None:
        """Hand the board a command that nobody sent just now."""
        if self._box is not None:
            self._box.put(letter)

    def command(self) -> None:
        """One command from the desk, now."""
        number = self._commands = self._commands + 1
        payload = msgspec.json.encode({"n": number, "gate": ("left", "right")[number % 2]})
        self._broker.publish("desk", COMMAND, payload.decode(), self._desk_up, qos=1)

    def _divert(self, box: Mailbox[Message]) -> Program[None]:
        """Move the gate as commanded, and say so."""
        while True:
            letter = yield box
            command = msgspec.json.decode(letter.payload)
            number, gate = command["n"], command["gate"]
            if not self._awake() or not self.heeds(number):
                continue
            self._board.print("I", f"divert: command {number} gate {gate}")
            self.on_command(number)
            moved_ms = self._gate_dice.between(60, 140)
            yield moved_ms * MILLI
            self._board.print("I", f"divert: gate {gate} reached in {moved_ms} ms")
            self._says.publish(STATE, command=number, gate=gate, ms=moved_ms)

    def _desk(self) -> Program[None]:
        """Somebody at the line's desk sends the caps left or right."""
        while True:
            yield int(700 * MILLI * (0.3 + self._desk_dice.exponential(0.7)))
            self.command()
