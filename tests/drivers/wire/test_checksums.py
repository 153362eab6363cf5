"""Checksums against published check values, a bit-by-bit model, and the standard library."""

from __future__ import annotations

import binascii

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_drivers.wire.checksums import CRC_BY_NAME, Checksum, CrcParameters, crc
from pydantic import ValidationError
from pymodbus.framer import FramerRTU

# Check values for "123456789", from the public catalogue of parametrised CRC algorithms, written from memory:
# each is confirmed by the bit-by-bit model below, which shares no table and no mirroring with the code.
CHECK_VALUES = {
    "CRC-8/SMBUS": 0xF4,
    "CRC-8/ROHC": 0xD0,
    "CRC-8/I-432-1": 0xA1,
    "CRC-8/DVB-S2": 0xBC,
    "CRC-8/SAE-J1850": 0x4B,
    "CRC-16/ARC": 0xBB3D,
    "CRC-16/MODBUS": 0x4B37,
    "CRC-16/USB": 0xB4C8,
    "CRC-16/UMTS": 0xFEE8,
    "CRC-16/XMODEM": 0x31C3,
    "CRC-16/CCITT-FALSE": 0x29B1,
    "CRC-16/KERMIT": 0x2189,
    "CRC-16/X-25": 0x906E,
    "CRC-16/DNP": 0xEA82,
    "CRC-16/EN-13757": 0xC2B7,
}
# The same, for sets that have no name here: (width, polynomial, initial, in, out, final): check value.
MORE_CHECK_VALUES = {
    (8, 0x31, 0x00, True, True, 0x00): 0xA1,
    (8, 0x2F, 0xFF, False, False, 0xFF): 0xDF,
    (8, 0x39, 0x00, True, True, 0x00): 0x15,
    (8, 0x9B, 0xFF, False, False, 0x00): 0xDA,
    (8, 0x1D, 0xFF, True, True, 0x00): 0x97,
    (8, 0x9B, 0x00, True, True, 0x00): 0x25,
    (16, 0x1021, 0xFFFF, False, False, 0xFFFF): 0xD64E,
    (16, 0x1021, 0xFFFF, True, True, 0x0000): 0x6F91,
    (16, 0x1021, 0x1D0F, False, False, 0x0000): 0xE5CC,
    (16, 0x8005, 0x800D, False, False, 0x0000): 0x9ECF,
    (16, 0x0589, 0x0000, False, False, 0x0001): 0x007E,
    (16, 0x8BB7, 0x0000, False, False, 0x0000): 0xD0DB,
}


def parameters(given_as: tuple[int, int, int, bool, bool, int]) -> CrcParameters:
    width, polynomial, initial, reflect_in, reflect_out, final = given_as
    return CrcParameters.model_validate(
        {
            "width": width,
            "polynomial": polynomial,
            "initial": initial,
            "reflect_in": reflect_in,
            "reflect_out": reflect_out,
            "final_xor": final,
        }
    )


def bit_by_bit(one: CrcParameters, data: bytes) -> int:
    """Long division of the message, bit after bit, as the definition has it."""
    rest = one.initial
    for byte in data:
        order = range(8) if one.reflect_in else range(7, -1, -1)
        for bit in order:
            carry = (rest >> (one.width - 1) & 1) ^ (byte >> bit & 1)
            rest = (rest << 1) & ((1 << one.width) - 1)
            if carry:
                rest ^= one.polynomial
    if one.reflect_out:
        rest = sum((rest >> bit & 1) << (one.width - 1 - bit) for bit in range(one.width))
    return rest ^ one.final_xor


@pytest.mark.parametrize("name", CRC_BY_NAME)
def test_published_check_values_of_all_names(name: str) -> None:
    assert Checksum(method="crc", crc=name).compute()(b"123456789") == CHECK_VALUES[name]


@pytest.mark.parametrize(("given_as", "check"), MORE_CHECK_VALUES.items())
def test_published_check_values_of_parameters(
    given_as: tuple[int, int, int, bool, bool, int], check: int
) -> None:
    assert crc(parameters(given_as))(b"123456789") == check


PARAMETERS = st.builds(
    lambda wide, small, flags: parameters(
        (16 if wide else 8, *((number * 257 if wide else number) for number in small[:2]), *flags, small[2])
    ),
    st.booleans(),
    st.tuples(st.integers(1, 255), st.integers(0, 255), st.integers(0, 255)),
    st.tuples(st.booleans(), st.booleans()),
)


@given(one=PARAMETERS, data=st.binary(max_size=40))
def test_any_parameters_agree_with_long_division(one: CrcParameters, data: bytes) -> None:
    assert crc(one)(data) == bit_by_bit(one, data)


def test_the_model_itself_gives_the_published_values() -> None:
    for given_as, check in MORE_CHECK_VALUES.items():
        assert bit_by_bit(parameters(given_as), b"123456789") == check
    for name, check in CHECK_VALUES.items():
        assert bit_by_bit(Checksum(method="crc", crc=name).parameters(), b"123456789") == check


@given(st.binary(max_size=200))
def test_against_the_standard_library_and_pymodbus(data: bytes) -> None:
    assert Checksum(method="crc", crc="CRC-16/XMODEM").compute()(data) == binascii.crc_hqx(data, 0)
    assert Checksum(method="crc", crc="CRC-16/CCITT-FALSE").compute()(data) == binascii.crc_hqx(data, 0xFFFF)
    swapped = int.from_bytes(FramerRTU.compute_CRC(data).to_bytes(2, "big"), "little")
    assert Checksum(method="crc", crc="CRC-16/MODBUS").compute()(data) == swapped


@given(data=st.binary(min_size=1, max_size=30), place=st.integers(0, 10_000), flip=st.integers(1, 255))
@pytest.mark.parametrize("method", ["sum", "xor"])
def test_a_single_wrong_byte_never_passes(method: str, data: bytes, place: int, flip: int) -> None:
    compute = Checksum.model_validate({"method": method}).compute()
    wrong = bytearray(data)
    wrong[place % len(data)] ^= flip
    assert compute(bytes(wrong)) != compute(data)


@pytest.mark.parametrize(
    ("keys", "complaint"),
    [
        ({"method": "crc"}, "name one of"),
        ({"method": "crc", "crc": "CRC-16/NOBODY"}, "got 'CRC-16/NOBODY'"),
        ({"method": "crc", "crc": {"width": 8, "polynomial": 0x107}}, "more than 8 bits"),
        ({"method": "xor", "crc": "CRC-16/ARC"}, "method is 'xor'"),
        ({"method": "xor", "bits": 16}, "belong to method 'sum'"),
        ({"method": "parity"}, "'sum', 'xor' or 'crc'"),
    ],
)
def test_a_checksum_that_is_not_told_wholly_is_refused(keys: dict[str, object], complaint: str) -> None:
    with pytest.raises(ValidationError, match=complaint):
        Checksum.model_validate(keys)


@pytest.mark.parametrize("text", [b"", b"4B3", b"4B3G", b" 4B3", b"+4B3", b"04B37", b"0x4B"])
def test_a_checksum_not_written_as_told_is_none(text: bytes) -> None:
    assert Checksum(method="crc", crc="CRC-16/MODBUS").read(text) is None
