"""The board: tick, prints, serial port, and the adapter of the host that listens."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from captures_demo.simulator.firmware import Board, SerialAdapter, SerialPort, Tick
from captures_demo.simulator.schedule import Program, Schedule


def test_tick_rolls_over_in_the_prints() -> None:
    schedule = Schedule()
    board = Board(schedule, "board", boot_ns=5_000, tick=Tick(first=2**32 - 2))
    for at_us in range(4):
        schedule.at(5_000 + 1_000 * at_us, lambda _: board.print("I", "here"))
    schedule.run_out()
    assert [line.tick for line in board.prints] == [2**32 - 2, 2**32 - 1, 0, 1]
    assert board.port.sent[0][1] == b"[4294967294] I here\r\n"
    assert board.port.sent[2][1] == b"[         0] I here\r\n"


def test_sixteen_bit_tick_of_milliseconds_wraps_after_65_536_ms() -> None:
    schedule = Schedule()
    board = Board(schedule, "board", tick=Tick(bits=16, unit_ns=1_000_000, pattern="{}"))
    schedule.at(65_535_999_999, lambda _: board.print("I", "before"))
    schedule.at(65_536_000_000, lambda _: board.print("I", "after"))
    schedule.run_out()
    assert [line.tick for line in board.prints] == [65_535, 0]


def test_task_sleeps_by_the_oscillator_of_its_board() -> None:
    schedule = Schedule()
    board = Board(schedule, "board", boot_ns=1_000, rate_ppb=100_000)
    woken: list[int] = []

    def task() -> Program[None]:
        for second in (1, 2):
            yield board.until(second * 10**9)
            woken.append(schedule.now_ns)

    schedule.start(task(), at_ns=1_000)
    schedule.run_out()
    # 100 ppm too fast: a second of the board takes 1 / 1.0001 s
    assert woken == [1_000 + 999_900_010, 1_000 + 1_999_800_020]
    assert board.uptime_ns() == 2 * 10**9


def test_serial_line_takes_ten_bits_a_byte_and_keeps_the_order() -> None:
    port = SerialPort(schedule := Schedule(), baud=100_000)
    schedule.at(1_000, lambda _: port.send(b"ab"))
    schedule.at(1_000, lambda _: port.send(b"c"))
    schedule.at(900_000, lambda _: port.send(b"d"))
    schedule.run_out()
    assert port.sent == [(201_000, b"ab"), (301_000, b"c"), (1_000_000, b"d")]


@given(st.lists(st.tuples(st.integers(1, 40_000_000), st.binary(min_size=1, max_size=150))))
def test_adapter_hands_on_every_byte_in_order_and_in_time(lines: list[tuple[int, bytes]]) -> None:
    schedule = Schedule()
    port, at_ns = SerialPort(schedule), 0
    for gap_ns, text in lines:
        at_ns += gap_ns
        schedule.at(at_ns, port.send, text)
    schedule.run_out()
    pieces = list(SerialAdapter().deliveries(port.sent))
    assert b"".join(piece for _, piece in pieces) == b"".join(text for _, text in lines)
    assert all(len(piece) <= 62 for _, piece in pieces)
    arrivals = [t_ns for t_ns, _ in pieces]
    assert arrivals == sorted(arrivals)
    left = [end_ns for end_ns, text in port.sent for _ in text]
    last_of_piece = 0
    for arrival_ns, piece in pieces:
        last_of_piece += len(piece)
        # left[] is the end of its line: the byte itself left up to a line (150 bytes) earlier
        assert arrival_ns - left[last_of_piece - 1] <= 16_000_000
