from __future__ import annotations

from decoders.captures.tcp_connections import Connection, End
from decoders.messages.mqtt_clients import DUEL_NS, DUEL_TAKEOVERS, Clients
from decoders.messages.mqtt_connection import MqttConnection
from decoders.messages.mqtt_handshakes import InFlight
from decoders.messages.mqtt_happenings import ConnectionEvent, Happening

SECOND_NS = 1_000_000_000


def claiming(clients: Clients, serial: int, name: str = "capline-01") -> MqttConnection:
    """A connection that sends a CONNECT: odd serials from 10.0.0.1, even ones from 10.0.0.2."""
    address = bytes(10) + b"\xff\xff" + bytes([10, 0, 0, 2 - serial % 2])
    ends = End(address, 50_000 + serial), End(bytes(16), 1883)
    found = MqttConnection(Connection(serial, ends), 0, InFlight())
    found.name(name, serial)
    clients.claim(found)
    return found


def chain(clients: Clients, times_ns: list[int]) -> list[ConnectionEvent]:
    """Connections that take one identifier over from each other at some times."""
    rows, last = [], claiming(clients, 1)
    for k, t_ns in enumerate(times_ns):
        new = claiming(clients, k + 2)
        rows += clients.taken_over(last, new, k, t_ns)
        last = new
    return rows


def test_a_connect_comes_upon_the_open_connection_with_its_identifier() -> None:
    clients = Clients()
    one, other, two = claiming(clients, 1), claiming(clients, 2, "else"), claiming(clients, 3)
    assert (one.rival, other.rival, two.rival) == (None, None, one)
    assert clients.successor(one) is two
    assert clients.successor(two) is None


def test_one_that_is_over_has_no_rival_and_no_successor() -> None:
    clients = Clients()
    one = claiming(clients, 1)
    one.is_over = True
    clients.over(one)
    two = claiming(clients, 2)
    assert (two.rival, clients.successor(two)) == (None, None)


def test_whoever_is_refused_leaves_the_identifier_to_the_one_who_had_it() -> None:
    clients = Clients()
    one, refused = claiming(clients, 1), claiming(clients, 2)
    clients.refuse(refused)
    assert (refused.rival, clients.successor(one)) == (None, None)
    assert claiming(clients, 3).rival is one


def test_a_refused_one_that_claims_nothing_any_more_changes_nothing() -> None:
    clients = Clients()
    one, two = claiming(clients, 1), claiming(clients, 2)
    clients.refuse(one)
    assert clients.successor(one) is two


def test_a_take_over_is_told_with_both_addresses() -> None:
    clients = Clients()
    one, two = claiming(clients, 1), claiming(clients, 2)
    (row,) = clients.taken_over(one, two, 9, SECOND_NS)
    what = "the connection from 10.0.0.1:50001 is taken over by one from 10.0.0.2:50002"
    assert row == ConnectionEvent(9, SECOND_NS, Happening.TAKEN_OVER, "capline-01", what)
    assert one.is_taken_over


def test_a_rival_that_was_not_captured_is_told_as_such_and_makes_no_duel() -> None:
    clients = Clients()
    rows = [
        row
        for k in range(DUEL_TAKEOVERS)
        for row in clients.taken_over(claiming(clients, k + 1), None, k, k)
    ]
    assert [row.what for row in rows] == [Happening.TAKEN_OVER] * DUEL_TAKEOVERS
    assert rows[0].detail.endswith("is taken over by a connection that was not captured")


def test_take_overs_in_a_row_are_told_as_a_duel_once() -> None:
    rows = chain(Clients(), [k * SECOND_NS for k in range(DUEL_TAKEOVERS + 3)])
    duels = [row for row in rows if row.what is Happening.DUEL]
    assert [row.detail for row in duels] == [
        "3 take-overs in 2 s: two with one client identifier, on 10.0.0.1 and 10.0.0.2"
    ]


def test_a_pause_longer_than_a_minute_begins_the_row_anew() -> None:
    close = [0, DUEL_NS, 2 * DUEL_NS]
    far = [0, DUEL_NS, 2 * DUEL_NS + 1]
    told = [any(row.what is Happening.DUEL for row in chain(Clients(), t)) for t in (close, far)]
    assert told == [True, False]
