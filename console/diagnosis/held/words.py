"""What is said of a held line: sentences for people, the most needed first."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

from console.diagnosis.held.attempts import Attempt
from console.diagnosis.held.held import Held
from console.diagnosis.held.standing import Standing
from decoders.durations import in_words

_LINES = {"sda": "SDA", "scl": "SCL", "both": "SCL, and SDA with it,"}


def held_words(held: Held) -> tuple[str, ...]:
    """Where it is held, what frees it, what must not be done, and what was tried."""
    return (_where(held), *_turn(held), *_freeing(held), *_tried(held), *_end(held))


def _where(held: Held) -> str:
    lasted = in_words(held.until_ns - held.from_ns)
    said = f"{_LINES[held.line]} was held low for {lasted}"
    standing = held.standing
    if standing is None:
        return f"{said}, not inside a transaction that is known."
    if standing.slot < 0:
        return f"{said} from a START on that no clock followed."
    return f"{said} in {slot_words(standing)} of {_whose(standing)}."


def slot_words(standing: Standing) -> str:
    """`bit 5 of data byte 2`, `the acknowledge of the address`."""
    slot = "the acknowledge" if standing.is_acknowledge else f"bit {7 - standing.slot}"
    if standing.in_address is None:
        return f"{slot} of a byte"
    if not standing.in_address:
        return f"{slot} of data byte {standing.data_byte + 1}"
    second = "the second byte of " if standing.byte else ""
    return f"{slot} of {second}the address"


def _whose(standing: Standing) -> str:
    way = "a transaction" if standing.read is None else "a read" if standing.read else "a write"
    if standing.address is None:
        return way
    digits = 3 if standing.address_bits == 10 else 2
    to = "from" if standing.read else "to"
    return f"{way} {to} 0x{standing.address:0{digits}X}"


def _turn(held: Held) -> Iterator[str]:
    standing = held.standing
    if standing is None:
        return
    if standing.bits and not standing.is_acknowledge:
        yield f"Of that byte {standing.value_words} is known, the held bit included."
    if standing.turn == "cannot say":
        yield "Whose turn it was to drive SDA cannot be said."
    else:
        yield f"It was the {standing.turn}'s turn to drive SDA."
    if standing.known_from == "transactions":
        yield "The edges were not kept: this is told by the transactions and the held line alone."


def _freeing(held: Held) -> Iterator[str]:
    if held.line != "sda":
        yield "While SCL is low no clock and no STOP can be given: only its holder can let go."
        return
    clocks = held.clocks_to_free
    if clocks is None:
        yield (
            "No number of clocks can be foretold: a target in step had no reason to hold SDA here. "
            "The line, the controller, a missed clock or another part may."
        )
        return
    yield f"Predicted to free it, SDA released: {clocks.words} ({clocks.why})."
    if held.as_before is not None:
        before = held.as_before
        yield (
            f"If it sends 0x{before.octet:02X} there, as in {before.replies} of the last "
            f"{before.of} same replies, exactly {_counted(before.clocks)}."
        )
    if not clocks.exact:
        yield f"If all bits to come are 0, {_counted(clocks.most)}."
    yield (
        "A STOP cannot be made as the lines stand. It can in the clock that frees SDA, pulled "
        "while SCL is low and let go while it is high; in a later clock the target may send a 0."
    )
    if held.could_write is not None:
        yield held.could_write.words


def _tried(held: Held) -> Iterator[str]:
    if held.line == "sda" and held.edges_kept and not held.attempts:
        yield "No clocks were given to free it."
    number = 1
    for said, alike in groupby("; ".join(attempt_words(each)) for each in held.attempts):
        count = len(list(alike))
        yield f"{_tries(number, count)}: {said}."
        number += count
    if held.is_zero_stream:
        yield (
            "In the acknowledge of a read a target lets go. SDA was low there: the clocks were "
            "given with SDA pulled, so that the target read an ACK and sent its next byte (with "
            "zeros in it no number of such clocks frees it), or no target in the middle of a byte "
            "holds SDA. Clocks with SDA released tell which."
        )


def _tries(first: int, count: int) -> str:
    return f"Try {first}" if count == 1 else f"Tries {first} to {first + count - 1}"


def attempt_words(attempt: Attempt) -> list[str]:
    """What a burst of clocks was, and its grades."""
    words = [_counted(attempt.clocks)]
    if attempt.freed_at:
        words.append(f"SDA was high in clock {attempt.freed_at}")
    elif attempt.ended == "stop":
        words.append("and the clock of the STOP, which freed it")
    elif attempt.enough is False:
        words.append("fewer than it may need")
    if attempt.released is False:
        words.append("SDA was low in the acknowledge of a read too")
    if attempt.beyond:
        words.append(f"{_counted(attempt.beyond)} more after SDA had risen")
    if attempt.low_again_at:
        words.append(f"SDA was low again in clock {attempt.low_again_at}")
    for register, octet in attempt.written:
        where = "as the register byte" if register is None else f"to register 0x{register:02X}"
        words.append(f"danger: they may have written 0x{octet:02X} {where}")
    if attempt.at_risk and not attempt.written:
        words.append("more than one on an open write, too few for a whole byte")
    ends = {"stop": "ended with STOP", "start": "ended with START", "high": "no STOP after it"}
    return [*words, ends.get(attempt.ended, "SDA low after it")]


def _end(held: Held) -> Iterator[str]:
    if held.clocks_needed is not None and held.as_predicted is not None:
        why = "as predicted for a target in the middle of its byte"
        if not held.as_predicted:
            why = "more than predicted: the target was out of step, or was given clocks before"
        yield f"SDA first rose after {_counted(held.clocks_needed)}, {why}."
    ends = {
        "clocks": "Clocks freed it.",
        "stop": "A STOP freed it.",
        "by itself": "It was let go without a clock: by its holder, a reset of it or its power.",
        "not known": "It was let go; by what is not known, as the edges were not kept.",
        "": "It was held to the end of what is known.",
    }
    yield ends[held.let_go]


def _counted(clocks: int) -> str:
    return f"{clocks} clock{'s' * (clocks != 1)}"
