"""Check codes against published values, two independent CRC libraries and the standard library."""

from __future__ import annotations

import binascii
import zlib
from typing import Any

import crccheck.crc
import fastcrc
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.checkcodes import SUMS, check_code
from decoders.errors import DescriptionError

CHECK_INPUT = b"123456789"
COUNTING = bytes(range(32))

# Catalogue of parametrised CRC algorithms: width, poly, init, refin, refout, xorout, check value.
CATALOGUE = {
    "CRC-8/SMBUS": (8, 0x07, 0, False, False, 0, 0xF4),
    "CRC-8/MAXIM-DOW": (8, 0x31, 0, True, True, 0, 0xA1),
    "CRC-16/ARC": (16, 0x8005, 0, True, True, 0, 0xBB3D),
    "CRC-16/MODBUS": (16, 0x8005, 0xFFFF, True, True, 0, 0x4B37),
    "CRC-16/XMODEM": (16, 0x1021, 0, False, False, 0, 0x31C3),
    "CRC-16/IBM-3740": (16, 0x1021, 0xFFFF, False, False, 0, 0x29B1),
    "CRC-16/KERMIT": (16, 0x1021, 0, True, True, 0, 0x2189),
    "CRC-32/ISO-HDLC": (32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF, 0xCBF43926),
    "CRC-32/ISCSI": (32, 0x1EDC6F41, 0xFFFFFFFF, True, True, 0xFFFFFFFF, 0xE3069283),
}
ALIASES = {
    "CRC-8/SMBUS": ["CRC-8", "PEC", "crc8", "smbus"],
    "CRC-8/MAXIM-DOW": ["1-Wire", "DOW"],
    "CRC-16/ARC": ["CRC-16", "CRC-IBM", "LHA", "arc"],
    "CRC-16/MODBUS": ["modbus", "crc16_modbus"],
    "CRC-16/XMODEM": ["ZMODEM", "ACORN"],
    "CRC-16/IBM-3740": ["CCITT-FALSE", "CRC-16/CCITT-FALSE", "CRC-16/AUTOSAR"],
    "CRC-16/KERMIT": ["CCITT-TRUE"],
    "CRC-32/ISO-HDLC": ["CRC-32", "zlib", "Ethernet"],
    "CRC-32/ISCSI": ["CRC-32C", "Castagnoli"],
}
CRCCHECK = {
    "CRC-8/SMBUS": crccheck.crc.Crc8Smbus,
    "CRC-8/MAXIM-DOW": crccheck.crc.Crc8MaximDow,
    "CRC-16/ARC": crccheck.crc.Crc16Arc,
    "CRC-16/MODBUS": crccheck.crc.CrcModbus,
    "CRC-16/XMODEM": crccheck.crc.CrcXmodem,
    "CRC-16/IBM-3740": crccheck.crc.Crc16Ibm3740,
    "CRC-16/KERMIT": crccheck.crc.CrcKermit,
    "CRC-32/ISO-HDLC": crccheck.crc.Crc32,
    "CRC-32/ISCSI": crccheck.crc.Crc32Iscsi,
}
FASTCRC = {
    "CRC-8/SMBUS": fastcrc.crc8.smbus,
    "CRC-8/MAXIM-DOW": fastcrc.crc8.maxim_dow,
    "CRC-16/ARC": fastcrc.crc16.arc,
    "CRC-16/MODBUS": fastcrc.crc16.modbus,
    "CRC-16/XMODEM": fastcrc.crc16.xmodem,
    "CRC-16/IBM-3740": fastcrc.crc16.ibm_3740,
    "CRC-16/KERMIT": fastcrc.crc16.kermit,
    "CRC-32/ISO-HDLC": fastcrc.crc32.iso_hdlc,
    "CRC-32/ISCSI": fastcrc.crc32.iscsi,
}
# Values on which crccheck, fastcrc, anycrc and a bit-by-bit loop agreed: empty, 00, FF x 4,
# 00..1F, "CAPLINE".
VECTORS = {
    "CRC-8/SMBUS": (0x00, 0x00, 0xDE, 0x06, 0x18),
    "CRC-8/MAXIM-DOW": (0x00, 0x00, 0x8D, 0xD4, 0x24),
    "CRC-16/ARC": (0x0000, 0x0000, 0x9401, 0xC36A, 0xCC8E),
    "CRC-16/MODBUS": (0xFFFF, 0x40BF, 0xB001, 0x576B, 0xCC95),
    "CRC-16/XMODEM": (0x0000, 0x0000, 0x99CF, 0xD2FF, 0xABDC),
    "CRC-16/IBM-3740": (0xFFFF, 0xE1F0, 0x1D0F, 0x23B3, 0x5A12),
    "CRC-16/KERMIT": (0x0000, 0x0000, 0xF399, 0x9E94, 0xCEC4),
    "CRC-32/ISO-HDLC": (0x00000000, 0xD202EF8D, 0xFFFFFFFF, 0x91267E8A, 0xD25D20C6),
    "CRC-32/ISCSI": (0x00000000, 0x527D5351, 0xFFFFFFFF, 0x46DD794E, 0x23385F7E),
}


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_crc_by_name_gives_the_check_value_of_the_catalogue(name: str) -> None:
    code = check_code(name)
    assert (code.name, code.width_bits) == (name, CATALOGUE[name][0])
    assert code.of(CHECK_INPUT) == CATALOGUE[name][-1]


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_crc_by_the_catalogues_parameters_gives_its_check_value(name: str) -> None:
    keys = ("width", "poly", "init", "refin", "refout", "xorout")
    code = check_code(**dict(zip(keys, CATALOGUE[name], strict=False)))
    assert code.of(CHECK_INPUT) == CATALOGUE[name][-1]


@pytest.mark.parametrize(
    ("alias", "name"), [(alias, name) for name, group in ALIASES.items() for alias in group]
)
def test_an_alias_means_its_catalogue_entry(alias: str, name: str) -> None:
    assert check_code(alias).name == name


@pytest.mark.parametrize("name", VECTORS)
def test_a_crc_gives_the_agreed_values_of_short_and_long_inputs(name: str) -> None:
    inputs = (b"", b"\x00", b"\xff" * 4, COUNTING, b"CAPLINE")
    assert tuple(map(check_code(name).of, inputs)) == VECTORS[name]


@pytest.mark.parametrize("name", CATALOGUE)
@given(data=st.binary(min_size=1, max_size=80))
def test_a_crc_agrees_with_two_independent_libraries(name: str, data: bytes) -> None:
    got = check_code(name).of(data)
    assert (CRCCHECK[name].calc(data), FASTCRC[name](data)) == (got, got)


# Every algorithm of 8 to 32 bits that crccheck has, with the catalogue's name, parameters and check
# value as crccheck states them.
OF_CRCCHECK = [one for one in crccheck.crc.ALLCRCCLASSES if 8 <= one._width <= 32]


@pytest.mark.parametrize("theirs", OF_CRCCHECK, ids=lambda one: one.__name__)
def test_every_catalogued_crc_of_8_to_32_bits_gives_its_check_value(theirs: Any) -> None:
    by_parameters = check_code(
        width=theirs._width,
        poly=theirs._poly,
        init=theirs._initvalue,
        refin=theirs._reflect_input,
        refout=theirs._reflect_output,
        xorout=theirs._xor_output,
    )
    codes = (check_code(theirs._names[0]), by_parameters)
    assert [code.of(CHECK_INPUT) for code in codes] == [theirs._check_result] * 2
    inputs = (b"\x00", b"\xff" * 4, COUNTING, b"CAPLINE")
    expected = [theirs.calc(data) for data in inputs]
    assert [[code.of(data) for data in inputs] for code in codes] == [expected] * 2


def test_parameters_left_out_are_0_and_not_reflected() -> None:
    assert check_code(width=16, poly=0x1021).of(CHECK_INPUT) == CATALOGUE["CRC-16/XMODEM"][-1]
    assert check_code(width=8, poly=7).of(CHECK_INPUT) == CATALOGUE["CRC-8/SMBUS"][-1]


# What starts at 0 stays at 0: a dead bus that reads all zeros passes.
@pytest.mark.parametrize("name", CATALOGUE)
@pytest.mark.parametrize("length", [1, 7, 300])
def test_zeros_pass_where_the_initial_value_is_zero(name: str, length: int) -> None:
    passes = {"CRC-8/SMBUS", "CRC-8/MAXIM-DOW", "CRC-16/ARC", "CRC-16/XMODEM", "CRC-16/KERMIT"}
    assert (check_code(name).of(bytes(length)) == 0) is (name in passes)


@given(data=st.binary(max_size=80))
def test_crcs_agree_with_the_standard_library(data: bytes) -> None:
    got = [check_code(n).of(data) for n in ("XMODEM", "CCITT-FALSE", "CRC-32", "adler32")]
    assert got == [
        binascii.crc_hqx(data, 0),
        binascii.crc_hqx(data, 0xFFFF),
        zlib.crc32(data),
        zlib.adler32(data),
    ]


# Published worked examples; codes as numbers, not in wire order.
@pytest.mark.parametrize(
    ("name", "data", "expected"),
    [
        ("1-Wire", "021CB801000000", 0xA2),  # Maxim application note 27, ROM code
        ("CRC-32C", "00" * 32, 0x8A9136AA),  # RFC 3720 appendix B.4
        ("CRC-32C", "FF" * 32, 0x62A8AB43),  # RFC 3720 appendix B.4
        ("CRC-32C", COUNTING.hex(), 0x46DD794E),  # RFC 3720 appendix B.4
        ("CRC-32C", COUNTING[::-1].hex(), 0x113FDB5C),  # RFC 3720 appendix B.4
        ("MODBUS", "01030000000A", 0xCDC5),
        ("MODBUS", "1103006B0003", 0x8776),
        ("MODBUS", "0207", 0x1241),  # Modbus over serial line, appendix
        ("PEC", "A8", 0x51),
        ("PEC", "A9", 0x56),
        # SMBus PEC of whole messages, address bytes included (SMBus 3.2 section 6.4)
        ("PEC", "A810", 0xC0),  # send byte
        ("PEC", "A95C", 0x36),  # receive byte
        ("PEC", "A84217", 0x0D),  # write byte
        ("PEC", "A842172C", 0xE7),  # write word
        ("PEC", "A842A97F", 0xC0),  # read byte
        ("PEC", "A842A93412", 0xFC),  # read word
        ("PEC", "A82003112233", 0x12),  # block write
        ("PEC", "A820A904DEADBEEF", 0x1C),  # block read
        ("PEC", "A8303412A97856", 0x2B),  # process call
        ("PEC", "B406ABCD", 0x5F),  # documentation of smbus-pec 1.0.1
        ("PEC", "B406B5263A", 0x66),  # documentation of smbus-pec 1.0.1
    ],
)
def test_published_examples_come_out(name: str, data: str, expected: int) -> None:
    assert check_code(name).of(bytes.fromhex(data)) == expected


# How such codes are printed where the bytes stand in the order of sending.
@pytest.mark.parametrize(
    ("name", "data", "sent"),
    [
        ("MODBUS", "01030000000A", "C5CD"),
        ("MODBUS", "1103006B0003", "7687"),
        ("MODBUS", "0207", "4112"),  # Modbus over serial line, appendix
        ("CRC-32C", "00" * 32, "AA36918A"),  # RFC 3720 appendix B.4 prints aa 36 91 8a
        ("sum16", CHECK_INPUT.hex(), "DD01"),
    ],
)
def test_low_byte_first_is_how_they_are_sent(name: str, data: str, sent: str) -> None:
    code = check_code(name)
    value = code.of(bytes.fromhex(data))
    assert value.to_bytes(code.width_bytes, "little") == bytes.fromhex(sent)


def test_polynomial_of_1_wire_is_8c_when_reflected() -> None:
    """Maxim application note 27: x^8 + x^5 + x^4 + 1; a lone high bit comes out as its mirror."""
    assert check_code("1-Wire").of(b"\x80") == 0x8C
    assert check_code(width=8, poly=0x31).of(b"\x01") == 0x31


@pytest.mark.parametrize(
    ("name", "order", "residue"),
    [
        ("CRC-8/SMBUS", "big", 0),
        ("CRC-16/XMODEM", "big", 0),
        ("CRC-16/IBM-3740", "big", 0),
        ("CRC-8/MAXIM-DOW", "little", 0),
        ("CRC-16/ARC", "little", 0),
        ("CRC-16/MODBUS", "little", 0),
        ("CRC-16/KERMIT", "little", 0),
        ("CRC-32/ISO-HDLC", "little", 0x2144DF1C),
        ("CRC-32/ISCSI", "little", 0x48674BC7),
    ],
)
def test_message_with_its_own_crc_gives_the_known_residue(
    name: str, order: str, residue: int
) -> None:
    code = check_code(name)
    value = code.of(CHECK_INPUT)
    sent = value.to_bytes(code.width_bytes, "big" if order == "big" else "little")
    assert code.of(CHECK_INPUT + sent) == residue


@pytest.mark.parametrize(
    ("name", "data", "expected"),
    [
        ("sum8", CHECK_INPUT, 0xDD),
        ("sum16", CHECK_INPUT, 0x01DD),
        ("sum16", b"\xff" * 300, 0x2AD4),  # 76500 modulo 65536
        ("sum8", b"\xff" * 300, 0xD4),
        ("twos-complement", CHECK_INPUT, 0x23),
        ("ones-complement", CHECK_INPUT, 0x22),
        ("xor", CHECK_INPUT, 0x31),
        ("LRC", CHECK_INPUT, 0x31),
        # Test vectors published in the encyclopaedia article "Fletcher's checksum"
        ("fletcher16", b"abcde", 0xC8F0),
        ("fletcher16", b"abcdef", 0x2057),
        ("fletcher16", b"abcdefgh", 0x0627),
        ("fletcher16", CHECK_INPUT, 0x1EDE),
        ("fletcher16", b"", 0),
        ("fletcher32", b"abcde", 0xF04FC729),
        ("fletcher32", b"abcdef", 0x56502D2A),
        ("fletcher32", b"abcdefgh", 0xEBE19591),
        # RFC 1950 sums, agreed with zlib
        ("adler32", CHECK_INPUT, 0x091E01DE),
        ("adler32", b"Wikipedia", 0x11E60398),
        ("adler32", b"", 1),
        ("internet", bytes.fromhex("0001F203F4F5F6F7"), 0x220D),  # RFC 1071 section 3
        ("internet", bytes.fromhex("0001F203F4F5F6F7220D"), 0),  # ... with its own sum: good
        # an IPv4 header with its checksum field 00 00
        ("internet", bytes.fromhex("450000730000400040110000C0A80001C0A800C7"), 0xB861),
    ],
)
def test_plain_sums_give_their_published_values(name: str, data: bytes, expected: int) -> None:
    assert check_code(name).of(data) == expected


def test_fletcher_16_cannot_tell_00_from_ff() -> None:
    """Its sums are modulo 255."""
    code = check_code("fletcher16")
    assert code.of(b"a\x00b\xff") == code.of(b"a\xffb\x00") == code.of(b"a\x00b\x00")


@pytest.mark.parametrize(
    "record",  # Intel HEX
    [
        "10010000214601360121470136007EFE09D2190140",
        "0B0010006164647265737320676170A7",
        "020000021200EA",
        "00000001FF",
    ],
)
def test_intel_hex_records_carry_their_twos_complement_sum(record: str) -> None:
    data = bytes.fromhex(record)
    assert check_code("twos-complement").of(data[:-1]) == data[-1]
    assert check_code("sum8").of(data) == 0


@pytest.mark.parametrize(
    "sentence",  # NMEA 0183: the XOR of all between "$" and "*"
    [
        b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
        b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
        b"$GPGLL,4916.45,N,12311.12,W,225444,A*31",
    ],
)
def test_nmea_sentences_carry_their_xor(sentence: bytes) -> None:
    text, _, digits = sentence[1:].partition(b"*")
    assert check_code("xor").of(text) == int(digits, 16)


ROW_NAMES = [*CATALOGUE, *SUMS, "CRC-24/OPENPGP", "CRC-31/PHILIPS", "CRC-10/ATM", "CRC-12/UMTS"]


@pytest.mark.parametrize("name", ROW_NAMES)
@given(data=st.data())
def test_codes_of_many_rows_are_the_codes_of_each_row(name: str, data: st.DataObject) -> None:
    rows, size = data.draw(st.integers(0, 4)), data.draw(st.integers(0, 20))
    matrix = np.frombuffer(
        data.draw(st.binary(min_size=rows * size, max_size=rows * size)), np.uint8
    ).reshape(rows, size)
    code = check_code(name)
    assert code.of_rows(matrix).tolist() == [code.of(row.tobytes()) for row in matrix]


@given(
    width=st.integers(8, 32),
    numbers=st.tuples(*[st.integers(0, 2**32 - 1)] * 3),
    mirrors=st.tuples(st.booleans(), st.booleans()),
    data=st.binary(max_size=12),
)
def test_any_crc_by_parameters_is_the_same_alone_and_in_rows(
    width: int, numbers: tuple[int, ...], mirrors: tuple[bool, ...], data: bytes
) -> None:
    poly, init, xorout = (number % (1 << width) for number in numbers)
    code = check_code(
        width=width, poly=poly, init=init, refin=mirrors[0], refout=mirrors[1], xorout=xorout
    )
    rows = np.frombuffer(data * 2, np.uint8).reshape(2, len(data))
    assert code.of_rows(rows).tolist() == [code.of(data)] * 2


def test_long_rows_do_not_overflow_the_sums() -> None:
    matrix = np.full((1, 70_000), 0xFE, np.uint8)
    low = high = 0
    for byte in matrix[0].tolist():
        low = (low + byte) % 255
        high = (high + low) % 255
    assert check_code("fletcher16").of_rows(matrix).tolist() == [high << 8 | low]


@pytest.mark.parametrize("name", ["CCITT", "crc-ccitt", "CRC-16/CCITT", "CRC16_CCITT"])
def test_ccitt_alone_is_refused_with_the_three_it_can_mean(name: str) -> None:
    with pytest.raises(DescriptionError, match="ambiguous") as caught:
        check_code(name)
    assert "CRC-16/XMODEM, CRC-16/IBM-3740, CRC-16/KERMIT" in caught.value.mend


def test_an_unknown_name_is_refused_with_the_closest() -> None:
    with pytest.raises(DescriptionError, match="unknown check code 'CRC-16/MODBUZ'") as caught:
        check_code("CRC-16/MODBUZ")
    assert caught.value.mend.startswith("Did you mean 'CRC-16/MODBUS'?")


@pytest.mark.parametrize(
    ("params", "words"),
    [
        ({"width": 64, "poly": 3}, "64 bits wide"),
        ({"width": 5, "poly": 5}, "5 bits wide"),
        ({"width": 16, "poly": 0x11021}, "poly = 0x11021 does not fit in 16 bits"),
        ({"width": 8, "poly": 7, "init": 256}, "init = 0x100 does not fit in 8 bits"),
        ({"width": 8, "poly": 7, "xorout": -1}, "xorout = -0x1 does not fit in 8 bits"),
        ({"width": 16}, "needs 'poly'"),
        ({"poly": 7}, "needs 'width'"),
        ({"width": 8, "poly": 7, "start": 0}, "unknown CRC parameter 'start'"),
    ],
)
def test_impossible_parameters_are_refused(params: dict[str, int], words: str) -> None:
    with pytest.raises(DescriptionError, match=words):
        check_code(**params)


def test_a_polynomial_with_its_highest_term_is_told_to_leave_it_out() -> None:
    mends = []
    for params in ({"poly": 0x11021}, {"poly": 0x1021, "init": 0x10000}):
        with pytest.raises(DescriptionError) as caught:
            check_code(width=16, **params)
        mends.append(caught.value.mend)
    assert mends == ["Leave out the polynomial's highest term (x^width).", ""]
