"""Client identifiers and the connections that claim them: take-overs and duels.

A broker drops the connection of a client when another one connects with its identifier (MQTT 3.1.1
[MQTT-3.1.4-2], 5.0 [MQTT-3.1.4-3]). Two programs that were given one identifier so drop each other
for as long as both reconnect.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from decoders.messages.mqtt_connection import MqttConnection
from decoders.messages.mqtt_happenings import ConnectionEvent, Happening, seconds

DUEL_TAKEOVERS = 3  # in a row
DUEL_NS = 60_000_000_000  # each so soon after the last
_MOST = 4096  # identifiers remembered


@dataclass(slots=True)
class _Streak:
    """Take-overs of one identifier in a row."""

    first_ns: int
    last_ns: int
    count: int = 0
    ends: dict[str, None] = field(default_factory=dict)  # addresses, in order of appearance


class Clients:
    """Who claims which identifier."""

    def __init__(self) -> None:
        self._claims: dict[str, MqttConnection] = {}
        self._streaks: dict[str, _Streak] = {}

    def claim(self, connection: MqttConnection) -> None:
        """A CONNECT with an identifier came."""
        before = self._claims.get(connection.client)
        if before is not None and not before.is_over:
            connection.rival = before
        self._claims[connection.client] = connection

    def refuse(self, connection: MqttConnection) -> None:
        """The broker did not let it in: the identifier is the other one's as before."""
        if self._claims.get(connection.client) is connection:
            self._leave(connection)
            if connection.rival is not None and not connection.rival.is_over:
                self._claims[connection.client] = connection.rival
        connection.rival = None

    def successor(self, connection: MqttConnection) -> MqttConnection | None:
        """The newer connection that claims its identifier; None when there is none."""
        other = self._claims.get(connection.client)
        is_newer = other is not None and other.tcp.serial > connection.tcp.serial
        return other if is_newer else None

    def over(self, connection: MqttConnection) -> None:
        """It ended."""
        connection.rival = None
        if self._claims.get(connection.client) is connection:
            self._leave(connection)

    def taken_over(
        self, old: MqttConnection, new: MqttConnection | None, number: int, t_ns: int
    ) -> list[ConnectionEvent]:
        """One connection was dropped for another; None: one that was not captured."""
        old.is_taken_over = True
        by = "a connection that was not captured" if new is None else f"one from {new.client_end}"
        what = f"the connection from {old.client_end} is taken over by {by}"
        rows = [ConnectionEvent(number, t_ns, Happening.TAKEN_OVER, old.label, what)]
        if new is None or not old.client:
            return rows
        streak = self._streaks.pop(old.client, None)
        if streak is None or t_ns - streak.last_ns > DUEL_NS:
            streak = _Streak(t_ns, t_ns)
        self._streaks[old.client] = streak
        if len(self._streaks) > _MOST:
            del self._streaks[next(iter(self._streaks))]
        streak.count, streak.last_ns = streak.count + 1, t_ns
        for connection in (old, new):
            if len(streak.ends) < 4:
                streak.ends[str(connection.client_end).rpartition(":")[0]] = None
        if streak.count == DUEL_TAKEOVERS:
            what = f"{streak.count} take-overs in {seconds(t_ns - streak.first_ns)}: "
            what += f"two with one client identifier, on {' and '.join(streak.ends)}"
            rows.append(ConnectionEvent(number, t_ns, Happening.DUEL, old.label, what))
        return rows

    def _leave(self, connection: MqttConnection) -> None:
        del self._claims[connection.client]
