"""Packet descriptions: what they may say, and how everything wrong in them is told."""

from __future__ import annotations

import pytest

from decoders.errors import DescriptionError
from decoders.packets.description import Packet
from decoders.packets.layout import PacketSet, leaf_of
from decoders.packets.resolve import packets_in, read_packets
from decoders.toml_lines import CollectedError, parse

HEAD = '[[packet]]\nname = "p"\n'


def refusal(text: str) -> str:
    """The text of the error of a description that must not be taken."""
    with pytest.raises(DescriptionError) as caught:
        read_packets(text, "p.toml")
    return str(caught.value)


def test_the_example_of_the_documentation_says_what_it_says(camera: PacketSet) -> None:
    ask, blocks = camera.kinds
    assert (ask.name, ask.direction, ask.framing) == ("ask", "write", "transaction")
    assert (blocks.answers, blocks.within_ns, blocks.framing) == ("ask", 20_000_000, "stream")
    assert ask.layout.fixed_size == 8
    assert blocks.layout.paths[4:7] == ("blocks", "blocks.colour", "blocks.x")


def test_inline_packets_have_the_lines_of_the_file_around_them() -> None:
    text = '[[device]]\nname = "a"\n[[device.packet]]\nname = "p"\n[[device.packet.field]]\n'
    document = parse(text + 'name = "x"\ntype = "u16"\n', "bench.toml")
    packets = document.convert(("device", 0, "packet"), list[Packet])
    with pytest.raises(DescriptionError) as caught:
        packets_in(document, ("device", 0, "packet"), packets)
    assert str(caught.value).startswith("bench.toml:5: 'x' has 2 bytes and no byte order\n")


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (
            'field = [{ name = "a", typ = "u8" }]',
            "p.toml:3: unknown key 'typ' in packet.field\nDid you mean 'type'?",
        ),
        (
            '[[packet.field]]\nname = "a"\ntype = "u9"',
            "p.toml:5: unknown type 'u9'\nIntegers have whole bytes, 8 to 64 bits; other widths",
        ),
        (
            '[[packet.field]]\nname = "a"\ntype = "chek"',
            "p.toml:5: unknown type 'chek'\nDid you mean 'check'?",
        ),
        (
            '[[packet.field]]\nname = "a"\ntype = "text"\nscale = 2',
            "p.toml:6: 'scale' does not go with type 'text'\nKnown keys: name, type, constant,",
        ),
        (
            '[[packet.field]]\nname = "a"\ntype = "u8"\nconstant = 256',
            "p.toml:6: 256 does not fit in 8 bits",
        ),
        (
            '[[packet.field]]\nname = "a"\ntype = "u8"\nconstant = -1',
            "p.toml:6: -1 does not fit in 8 bits",
        ),
        (
            '[[packet.field]]\nname = "a"\ntype = "i8"\nconstant = 128',
            "p.toml:6: 128 does not fit in 8 bits",
        ),
        (
            '[[packet.field]]\nname = "a"\ntype = "u8"\nmin = 5\nmax = 4',
            "p.toml:7: max 4 is below min 5",
        ),
        (
            '[[packet.field]]\nname = "a"\ntype = "u8"\nvalues = { on = 1, off = 300 }',
            "p.toml:6: 300 does not fit in 8 bits",
        ),
        (
            '[[packet.field]]\nname = "a"\ntype = "u8"\nlength_of = "blocs"\n'
            '[[packet.field]]\nname = "blocks"\ntype = "bytes"',
            "p.toml:6: no field named 'blocs' in this packet\nDid you mean 'blocks'?",
        ),
        (
            '[[packet.field]]\nname = "a"\ntype = "check"\ncheck = "CCITT"\norder = "big"',
            "p.toml:6: check code 'CCITT' is ambiguous\nIt can mean CRC-16/XMODEM",
        ),
        (
            '[[packet.field]]\nname = "a"\ntype = "check"\ncheck = { width = 8, poly = 0x107 }',
            "p.toml:6: CRC parameter poly = 0x107 does not fit in 8 bits\nLeave out",
        ),
        (
            '[[packet.field]]\nname = "a"\ntype = "check"\ncheck = "sum8"\nover = "a"',
            "p.toml:7: a check code cannot cover itself",
        ),
        (
            '[[packet.field]]\nname = "a"\ntype = "sync"\nbytes = "A5 5"',
            "p.toml:6: 'A5 5' is not bytes in hex",
        ),
        (
            'field = [{ name = "a", type = "u8" }, { name = "a", type = "u8" }]',
            "p.toml:3: field name 'a' is taken",
        ),
        (
            'field = [{ name = "a", type = "bytes" }, { name = "b", type = "text" }]',
            "p.toml:3: nothing tells where 'a' ends\nGive it a length,",
        ),
        (
            'framing = "stream"\nfield = [{ name = "a", type = "u8" }]',
            "p.toml:1: a packet in a stream must begin with a sync field",
        ),
        (
            'framing = "stream"\nfield = [{ name = "s", type = "sync", bytes = "AA" },'
            ' { name = "b", type = "bytes" }]',
            "p.toml:1: a packet in a stream must tell its own end",
        ),
        (
            'field = [{ name = "a", type = "u8" }]\nwithin = "20"',
            "p.toml:4: packet.within must be a number with a unit",
        ),
        (
            'field = [{ name = "a", type = "u8" }]\nanswers = "q"',
            "p.toml:4: no packet named 'q'\nKnown packets: p.",
        ),
        (
            'register = 300\ndirection = "read"\nfield = [{ name = "a", type = "u8" }]',
            "p.toml:3: packet.register does not fit in register_bits",
        ),
        ("", "p.toml:1: packet 'p' has no field"),
        (
            '[[packet.field]]\nname = "a"\ntype = "u8"\nbits = [\n'
            '{ name = "x", at = 0, width = 4 },\n{ name = "y", at = 3 }]',
            "p.toml:8: 'y' overlaps other bits",
        ),
        (
            '[[packet.field]]\nname = "a"\ntype = "repeat"\nfield = [\n'
            '{ name = "b", type = "repeat" }]',
            "p.toml:7: a repeat cannot stand inside a repeat",
        ),
    ],
)
def test_what_is_wrong_is_told_with_its_line_and_mend(body: str, words: str) -> None:
    assert refusal(HEAD + body + "\n").startswith(words)


@pytest.mark.parametrize(("kind", "constant"), [("u8", 255), ("i8", -128), ("i8", 127)])
def test_constants_may_be_as_large_as_their_integer(kind: str, constant: int) -> None:
    text = f'{HEAD}field = [{{ name = "a", type = "{kind}", constant = {constant} }}]\n'
    leaf = leaf_of(read_packets(text, "p.toml").kinds[0].layout.fields[0])
    assert leaf.number.constant == constant


def test_everything_wrong_is_told_at_once() -> None:
    text = (
        HEAD + '[[packet.field]]\nname = "a"\ntype = "u16"\n[[packet.field]]\nname = "b"\n'
        'type = "u9"\n[[packet]]\nname = "q"\nanswers = "p"\nsame = ["x"]\n'
        '[[packet.field]]\nname = "c"\ntype = "u8"\nmin = 9\nmax = 1\n'
    )
    with pytest.raises(CollectedError) as caught:
        read_packets(text, "p.toml")
    assert [error.place.line for error in caught.value.errors if error.place] == [3, 8, 17]


def test_two_packets_of_one_name_and_two_framings_of_one_direction_are_refused() -> None:
    one = HEAD + 'field = [{ name = "a", type = "sync", bytes = "AA" }]\n'
    text = refusal(one + one + 'framing = "stream"\n')
    assert "p.toml:5: two packets named 'p'" in text
    assert "p.toml:1: packets of direction write have different framings: stream, trans" in text


def test_fields_that_must_be_the_same_must_be_there() -> None:
    text = HEAD + 'field = [{ name = "a", type = "u8" }]\n[[packet]]\nname = "q"\nanswers = "p"\n'
    text += 'same = ["a"]\nfield = [{ name = "b", type = "u8" }]\n'
    assert refusal(text).startswith("p.toml:7: 'a' is not an integer field of this packet and of")


def test_an_empty_file_is_refused() -> None:
    assert refusal("").startswith("p.toml:1: no packet is described")
