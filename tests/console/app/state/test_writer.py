from __future__ import annotations

import threading

from console.app.state.writer import Writer


class Disk:
    """Notes what was written; may be slow, or full."""

    def __init__(self, remark: str = "") -> None:
        self.written: list[bytes] = []
        self.told: list[str] = []
        self.began = threading.Event()
        self.go_on = threading.Event()
        self._remark = remark

    def write(self, data: bytes) -> str:
        self.written.append(data)
        self.began.set()
        assert self.go_on.wait(10)
        return self._remark


def test_the_first_is_written_at_once_and_of_the_rest_the_last() -> None:
    disk = Disk()
    writer = Writer(disk.write, disk.told.append, every_s=60)
    writer.put(b"1")
    assert disk.began.wait(10)
    for data in (b"2", b"3", b"4"):
        writer.put(data)
    disk.go_on.set()
    writer.close()
    assert disk.written == [b"1", b"4"]


def test_what_did_not_change_is_not_written_again() -> None:
    disk = Disk()
    disk.go_on.set()
    writer = Writer(disk.write, disk.told.append, every_s=0)
    writer.put(b"1")
    assert disk.began.wait(10)
    writer.put(b"1")
    writer.close()
    assert disk.written == [b"1"]


def test_a_disk_that_stays_full_is_told_once() -> None:
    disk = Disk("no space")
    disk.go_on.set()
    writer = Writer(disk.write, disk.told.append, every_s=0)
    writer.put(b"1")
    assert disk.began.wait(10)
    writer.put(b"2")
    writer.close()
    assert (disk.written, disk.told) == ([b"1", b"2"], ["no space"])


def test_closing_what_never_wrote_waits_for_nothing() -> None:
    disk = Disk()
    Writer(disk.write, disk.told.append).close()
    assert disk.written == []
