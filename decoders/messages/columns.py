"""MQTT messages as columns."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

DIRECTIONS = ("", "to-broker", "from-broker")  # code -> word; "" when the source cannot tell
QOS_UNKNOWN = -1


@dataclass(frozen=True, slots=True, eq=False)
class Messages:
    """MQTT messages in the order of their recording; every column has n rows, n may be 0.

    Times are as recorded: they may fall where the recorder's clock was set back.
    """

    t_ns: npt.NDArray[np.int64]  # [n] ns on the recorder's clock
    line: npt.NDArray[np.int64]  # [n] line of the recording, from 1
    topic: npt.NDArray[np.int32]  # [n] index into topics
    topics: tuple[str, ...]
    client: npt.NDArray[np.int32]  # [n] index into clients
    clients: tuple[str, ...]  # client identifiers; "" when not recorded
    direction: npt.NDArray[np.uint8]  # [n] index into DIRECTIONS
    first: npt.NDArray[np.int64]  # [n + 1] row i has the payload data[first[i] : first[i + 1]]
    data: npt.NDArray[np.uint8]  # [m] payload bytes of all rows, end to end
    qos: npt.NDArray[np.int8]  # [n] 0, 1, 2; QOS_UNKNOWN when not recorded
    retain: npt.NDArray[np.bool_]  # [n] RETAIN; False when not recorded
    duplicate: npt.NDArray[np.bool_]  # [n] DUP; False when not recorded

    def __len__(self) -> int:
        return len(self.t_ns)

    def payload(self, row: int) -> bytes:
        """The payload of one row, a copy."""
        return self.data[self.first[row] : self.first[row + 1]].tobytes()

    def payloads(self) -> list[bytes]:
        """The payloads of all rows, copies."""
        whole = self.data.tobytes()
        ends = self.first.tolist()
        return [whole[a:b] for a, b in pairwise(ends)]

    def topic_texts(self) -> list[str]:
        """The topic of every row."""
        return [self.topics[code] for code in self.topic.tolist()]

    def client_texts(self) -> list[str]:
        """The client of every row, "" when not recorded."""
        return [self.clients[code] for code in self.client.tolist()]

    def in_order(self, order: npt.NDArray[np.int64]) -> Messages:
        """Rows in another order, or some of them, a copy.

        Args:
            order: which rows, int64[k].
        """
        payloads = self.payloads()
        chosen = [payloads[row] for row in order.tolist()]
        return Messages(
            t_ns=self.t_ns[order],
            line=self.line[order],
            topic=self.topic[order],
            topics=self.topics,
            client=self.client[order],
            clients=self.clients,
            direction=self.direction[order],
            first=offsets([len(payload) for payload in chosen]),
            data=np.frombuffer(b"".join(chosen), dtype=np.uint8),
            qos=self.qos[order],
            retain=self.retain[order],
            duplicate=self.duplicate[order],
        )

    @classmethod
    def concat(cls, parts: Iterable[Messages]) -> Messages:
        """All rows of all parts, in order, topics and clients coded anew."""
        tables = [part for part in parts if len(part)]
        if not tables:
            return NO_MESSAGES
        if len(tables) == 1:
            return tables[0]
        topic, topics = _recoded([(part.topic, part.topics) for part in tables])
        client, clients = _recoded([(part.client, part.clients) for part in tables])
        sizes = np.concatenate([np.diff(part.first) for part in tables])
        return cls(
            t_ns=np.concatenate([part.t_ns for part in tables]),
            line=np.concatenate([part.line for part in tables]),
            topic=topic,
            topics=topics,
            client=client,
            clients=clients,
            direction=np.concatenate([part.direction for part in tables]),
            first=offsets(sizes),
            data=np.concatenate([part.data for part in tables]),
            qos=np.concatenate([part.qos for part in tables]),
            retain=np.concatenate([part.retain for part in tables]),
            duplicate=np.concatenate([part.duplicate for part in tables]),
        )


def offsets(sizes: npt.NDArray[np.int64] | Sequence[int]) -> npt.NDArray[np.int64]:
    """Offsets [n + 1] of n runs of bytes that lie end to end."""
    first = np.zeros(len(sizes) + 1, dtype=np.int64)
    np.cumsum(sizes, out=first[1:])
    return first


def coded(texts: Sequence[str]) -> tuple[npt.NDArray[np.int32], tuple[str, ...]]:
    """Codes [n] and the distinct texts they index, in order of appearance."""
    codes = {text: code for code, text in enumerate(dict.fromkeys(texts))}
    return np.fromiter(map(codes.__getitem__, texts), np.int32, len(texts)), tuple(codes)


def _recoded(
    columns: Sequence[tuple[npt.NDArray[np.int32], tuple[str, ...]]],
) -> tuple[npt.NDArray[np.int32], tuple[str, ...]]:
    codes: dict[str, int] = {}
    parts = []
    for column, texts in columns:
        table = [codes.setdefault(text, len(codes)) for text in texts]
        parts.append(np.array(table, dtype=np.int32)[column])
    return np.concatenate(parts), tuple(codes)


def _empty() -> Messages:
    none = np.zeros(0, dtype=np.int64)
    return Messages(
        t_ns=none,
        line=none,
        topic=np.zeros(0, dtype=np.int32),
        topics=(),
        client=np.zeros(0, dtype=np.int32),
        clients=(),
        direction=np.zeros(0, dtype=np.uint8),
        first=np.zeros(1, dtype=np.int64),
        data=np.zeros(0, dtype=np.uint8),
        qos=np.zeros(0, dtype=np.int8),
        retain=np.zeros(0, dtype=np.bool_),
        duplicate=np.zeros(0, dtype=np.bool_),
    )


NO_MESSAGES = _empty()
