"""Wrong feeds of packets and of lines: each wrong option is told with its key, and with what to do about it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pullwatch.channels import unit_named
from pullwatch.decoders.checksums import TableCrc
from pullwatch.decoders.packet import PacketDecoder
from pullwatch.decoders.text import LineDecoder
from pullwatch.errors import Problem, SetupError
from pullwatch.setup import Plan, load
from pullwatch.setup.decoding import decoders_for
from pullwatch.setup.feed_kinds import KINDS

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

PACKETS = """\
[car]
name = "copper hatch"

[[feed]]
name = "box"
kind = "serial-packet"
port = "serial:FT5678"
sync = "A5 5A"
byte_order = "little"
length = 16
fields = [
  { channel = "engine_speed", at = 3, type = "u16", scale = 0.25, not_available = [65535], error = [65534] },
  { channel = "oil_pressure", at = 5, type = "i16", byte_order = "big", scale = 0.01, offset = -1.0, unit = "bar" },
  { channel = "lambda", at = 7, type = "f32" },
  { channel = "gear", at = 11, mask = 0x0F },
]
ready = { at = 11, mask = 0xF0, good = [2, 3] }
checksum = { kind = "CRC-16/MODBUS" }
end = "0D"
"""
TOLD = "length_field = { at = 2, type = 'u8', adds = 6, least = 14, most = 40 }"
OWN = 'checksum = { kind = "crc", width = 16, poly = 0x8005, init = 0xFFFF, reflect_in = true, reflect_out = true }'
LINES = """\
[car]
name = "copper hatch"

[[feed]]
name = "box"
kind = "serial-line"
port = "serial:FT5678"
separator = ","
fields = [{ channel = "lambda", key = "lambda" }, { channel = "oil_pressure", key = "oil", suffix = "bar" }]
ready = { key = "state", good = ["ok"] }
"""


def problems(path: Path) -> tuple[Problem, ...]:
    """Return what is told about a wrong setup."""
    with pytest.raises(SetupError) as found:
        load(path)
    return found.value.problems


def replaced(text: str, *pairs: tuple[str, str]) -> str:
    for old, new in pairs:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


@pytest.mark.parametrize(
    "changes",
    [
        (),
        (("length = 16", TOLD),),
        (
            ("length = 16", TOLD.replace("'u8'", "'u16', byte_order = 'big'").replace("14", "15")),
            ("at = 3,", "at = 6,"),
        ),
        (('checksum = { kind = "CRC-16/MODBUS" }', OWN),),
        (('checksum = { kind = "CRC-16/MODBUS" }', ""),),
        (('checksum = { kind = "CRC-16/MODBUS" }', 'checksum = { kind = "crc-8", at = 12, covers = [2, 12] }'),),
        (('checksum = { kind = "CRC-16/MODBUS" }', 'checksum = { kind = "sum8", at = 2, covers = [3, 0] }'),),
        (('end = "0D"', ""), ('sync = "A5 5A"', 'sync = "A55A"')),
    ],
)
def test_what_is_right_loads_and_becomes_a_decoder(
    write: Callable[[str], Path], changes: tuple[tuple[str, str], ...]
) -> None:
    """Every form an option can have is taken, survives being recorded, and makes a decoder."""
    plan = load(write(replaced(PACKETS, *changes)))
    again = Plan.from_dict(plan.to_dict())
    assert again.feeds == plan.feeds
    (decoder,) = decoders_for(again).values()
    assert isinstance(decoder, PacketDecoder)


def test_every_option_reaches_the_decoder(write: Callable[[str], Path]) -> None:
    """Sync, length, places, scales, units, reasons, readiness, checksum and end are those of the file."""
    plan = load(write(replaced(PACKETS, ('checksum = { kind = "CRC-16/MODBUS" }', OWN))))
    (decoder,) = decoders_for(plan).values()
    assert isinstance(decoder, PacketDecoder)
    # Engine speed 4,000 quarters, oil 500 hundredths of a bar less 1 bar, lambda 0.75 (binary32), gear 4, state 2.
    head = bytes.fromhex("A55A 00 A00F 01F4 0000403F 24 00".replace(" ", ""))
    crc = decoder._framing.checked
    assert crc is not None
    assert isinstance(crc.checksum, TableCrc)
    assert crc.checksum.one(b"123456789") == 0x4B37  # CRC-16/MODBUS in the CRC catalogue (from memory)
    packet = head + crc.checksum.one(head).to_bytes(2, "little") + b"\x0d"
    out: list[tuple[int, int, float, int]] = []
    decoder.few(0, packet, out)
    assert {plan.channels[number].name: (value, why) for _, number, value, why in out} == {
        "engine_speed": (1_000.0, 0),
        "oil_pressure": (pytest.approx(unit_named("bar").factor * 4.0), 0),
        "lambda": (0.75, 0),
        "gear": (4.0, 0),
    }
    assert decoder.ledger.decoded == len(packet)


@pytest.mark.parametrize(
    ("old", "new", "key", "what"),
    [
        ('sync = "A5 5A"', 'sync = "A5 5"', "sync", "not made of bytes in hexadecimal"),
        ('sync = "A5 5A"', 'sync = ""', "sync", "is empty"),
        ('sync = "A5 5A"', f'sync = "{"A5" * 17}"', "sync", "17 bytes are too many"),
        ('sync = "A5 5A"', "", "sync", "is missing"),
        ('end = "0D"', 'end = "CR"', "end", "not made of bytes in hexadecimal"),
        ('port = "serial:FT5678"', 'port = "serial:"', "port", "serial"),
        ('byte_order = "little"\n', "", "byte_order", "is missing"),
        ('byte_order = "little"\n', 'byte_order = "lsb"\n', "byte_order", "is not a choice"),
        ("length = 16", "", "length", "is missing"),
        ("length = 16", 'length = "16"', "length", "not a whole number"),
        ("length = 16", "length = 3", "length", "no room between sync and end"),
        ("length = 16", "length = 5000", "length", "too many"),
        ("length = 16", "length = 16\n" + TOLD, "length", "has one length, or tells it"),
        ("length = 16", TOLD.replace("at = 2", "at = 1"), "length_field at", "bytes 1 to 1 are not among"),
        ("length = 16", TOLD.replace("least = 14", "least = 41"), "length_field least", "there is no length"),
        ("length = 16", TOLD.replace("most = 40", "most = 5000"), "length_field most", "too many"),
        ("length = 16", TOLD.replace("adds = 6", "adds = 41"), "length_field adds", "never gives a length"),
        ("length = 16", TOLD.replace("adds = 6", "adds = -300"), "length_field adds", "never gives a length"),
        ("length = 16", TOLD.replace("adds", "add"), "length_field.add", "this key is not known"),
        ("at = 3,", "at = 13,", "fields[1] at", "bytes 13 to 14 are not among bytes 2 to 12"),
        ("at = 3,", "at = 1,", "fields[1] at", "not among"),
        ("at = 3,", "at = 11, mask = 0x1FFFF,", "fields[1] mask", "has bits that u16 has not"),
        ("at = 3,", "at = -1,", "fields[1].at", "at least 0"),
        ('type = "u16"', 'type = "u12"', "fields[1].type", "is not a choice"),
        ("[65535]", "[65536]", "fields[1] not_available", "u16 is a whole number from 0 to 65,535"),
        ("[65534]", "[-1]", "fields[1] error", "is never sent"),
        ("[65534]", "[0.5]", "fields[1] error", "is never sent"),
        ("scale = 0.25", "scale = 0", "fields[1] scale", "every number the same"),
        ("scale = 0.25", "scale = 0.25, id = 3", "fields[1] id", "the packets have no id"),
        ('unit = "bar"', 'unit = "bars"', "fields[2] unit", "is not known"),
        ('unit = "bar"', 'unit = "rpm"', "fields[2] unit", "is not a unit of oil_pressure"),
        ('type = "f32"', 'type = "f32", mask = 1', "fields[3] mask", "bits are taken of unsigned numbers"),
        ("mask = 0x0F }", "mask = 0x0F, not_available = [16] }", "fields[4] not_available", "0 to 15"),
        ('"gear", at = 11, mask = 0x0F', '"gear", at = 3, type = "u16"', "fields[4]", "the same place (byte 3)"),
        ("ready = { at = 11,", "ready = { at = 14,", "ready at", "not among"),
        ("good = [2, 3]", "good = [2, 16]", "ready good", "16 is never sent"),
        ("good = [2, 3]", "good = []", "ready.good", "at least 1"),
        ("good = [2, 3]", "good = [2], id = 1", "ready id", "the packets have no id"),
        ('"CRC-16/MODBUS"', '"CRC-16/MODBUSS"', "checksum kind", 'did you mean "CRC-16/MODBUS"'),
        ('"CRC-16/MODBUS"', '"crc16"', "checksum kind", "is no checksum"),
        ('"CRC-16/MODBUS"', '"crc", poly = 7', "checksum width", "is missing"),
        ('"CRC-16/MODBUS"', '"crc", width = 8', "checksum poly", "is missing"),
        ('"CRC-16/MODBUS"', '"crc", width = 12, poly = 7', "checksum.width", "is not a choice"),
        ('"CRC-16/MODBUS"', '"crc", width = 8, poly = 0x107', "checksum poly", "0x107 is not a number of 8 bits"),
        ('"CRC-16/MODBUS"', '"crc", width = 8, poly = 0', "checksum poly", "0x0 is not a number of 8 bits"),
        ('"CRC-16/MODBUS"', '"crc", width = 8, poly = 7, init = -1', "checksum init", "-0x1 is not a number of 8 bits"),
        ('"CRC-16/MODBUS"', '"CRC-16/MODBUS", init = 1', "checksum init", "says what the name says already"),
        ('"CRC-16/MODBUS"', '"CRC-16/MODBUS", at = 15', "checksum at", "do not stand between sync and end"),
        ('"CRC-16/MODBUS"', '"CRC-16/MODBUS", at = -2', "checksum at", "do not stand between sync and end"),
        ('"CRC-16/MODBUS"', '"CRC-16/MODBUS", at = 4, covers = [6, 0]', "fields[1] at", "overlap the checksum"),
        ('"CRC-16/MODBUS"', '"CRC-16/MODBUS", covers = [0, -2]', "checksum covers", "is covered by itself"),
        ('"CRC-16/MODBUS"', '"CRC-16/MODBUS", covers = [4, 4]', "checksum covers", "are none of a packet"),
        ('"CRC-16/MODBUS"', '"CRC-16/MODBUS", covers = [0]', "checksum.covers", "at least 2"),
        ('end = "0D"', 'id = { at = 2 }\nend = "0D"', "fields[1]", "does not say which packets hold it"),
        ('end = "0D"', 'id = { at = "2" }\nend = "0D"', "id.at", "not a whole number"),
    ],
)  # fmt: skip
def test_a_wrong_packet_option(write: Callable[[str], Path], old: str, new: str, key: str, what: str) -> None:
    """Each wrong option is refused at its own key, in words, before anything is opened."""
    found = problems(write(replaced(PACKETS, (old, new))))
    (problem, *others) = [problem for problem in found if problem.key == f'feed "box" {key}']
    assert what in str(problem)
    assert not others
    if "which packets" not in what and "overlap" not in what:
        assert len(found) == 1, "one wrong option is one problem"
    assert problem.line


def test_one_wrong_id_is_one_problem(write: Callable[[str], Path]) -> None:
    """Where the packets' id is wrong, the fields that name one are not told to be wrong too."""
    text = replaced(PACKETS, ('end = "0D"', 'id = { at = "2" }\nend = "0D"'), ("scale = 0.25", "scale = 0.25, id = 3"))
    assert [problem.key for problem in problems(write(text))] == ['feed "box" id.at']


def test_an_id_that_is_never_sent(write: Callable[[str], Path]) -> None:
    """A field of packets that cannot come is refused."""
    text = PACKETS.replace('channel = "', 'id = 300, channel = "').replace('end = "0D"', 'id = { at = 2 }\nend = "0D"')
    assert {problem.key for problem in problems(write(text))} == {f'feed "box" fields[{n}] id' for n in range(1, 5)}


@pytest.mark.parametrize(
    ("old", "new", "key", "what"),
    [
        ('separator = ","', 'separator = ""', "separator", "is empty"),
        ('separator = ","', 'separator = ","\nassign = ""', "assign", "is empty"),
        ('separator = ","', 'separator = ","\nassign = ","', "assign", "could not be told from two fields"),
        ('separator = ","', 'separator = " "\nassign = " "', "assign", "could not be told from two fields"),
        ('separator = ","', 'separator = ";"\nassign = ","\ndecimal_comma = true', "assign", "in numbers"),
        ('separator = ","', 'separator = ","\nassign = "."', "assign", "is a part of numbers"),
        ('separator = ","', 'separator = ","\nheader = "yes"', "header", "true or false"),
        ('suffix = "bar"', 'suffix = "10bar"', "fields[2] suffix", "could be a part of the number"),
        ('suffix = "bar"', 'suffix = "bar,g"', "fields[2] suffix", "is cut in two"),
        ('key = "oil"', 'key = "oil,p"', "fields[2] key", "no line can have it"),
        ('key = "oil"', 'key = "oil=p"', "fields[2] key", "no line can have it"),
        ('key = "oil"', 'key = " oil"', "fields[2] key", "white space"),
        ('key = "state"', 'key = "a,b"', "ready key", "no line can have it"),
    ],
)
def test_a_wrong_line_option(write: Callable[[str], Path], old: str, new: str, key: str, what: str) -> None:
    """Marks that cannot be told from each other or from numbers are refused at their own key."""
    (problem,) = problems(write(replaced(LINES, (old, new))))
    assert problem.key == f'feed "box" {key}'
    assert what in str(problem)


def test_columns_by_number_under_a_header(write: Callable[[str], Path]) -> None:
    """Under a header columns are named; the message says what to do with a header that is only to be passed over."""
    text = replaced(
        LINES,
        ('separator = ","', 'separator = ","\nheader = true'),
        ('key = "lambda"', "column = 1"),
        ('key = "oil"', "column = 2"),
        ('ready = { key = "state", good = ["ok"] }', ""),
    )
    (problem,) = problems(write(text))
    assert problem.key == 'feed "box" fields'
    assert "comment" in problem.todo


def test_every_line_option_reaches_the_decoder(write: Callable[[str], Path]) -> None:
    """Separator, assignment, suffix, readiness, comment and beginning are those of the file."""
    marks = 'separator = " "\nassign = ":"\ncomment = "%"\nbegins = "B"'
    plan = load(write(replaced(LINES, ('separator = ","', marks))))
    (decoder,) = decoders_for(Plan.from_dict(plan.to_dict())).values()
    assert isinstance(decoder, LineDecoder)
    out: list[tuple[int, int, float, int]] = []
    decoder.few(0, b"%B lambda:1\nlambda:1 state:ok\nB lambda: 0.9 oil:3bar state:ok\nB oil:3 state:no\n", out)
    assert [(number, why) for _, number, _, why in out] == [(0, 0), (1, 0), (1, 5)]
    headed = load(write(replaced(LINES, ('separator = ","', 'separator = "\\t"\nheader = true'))))
    (decoder,) = decoders_for(headed).values()
    out = []
    decoder.few(0, b"oil\tlambda\tstate\n3bar\t0.9\tok\n", out)
    assert [sample[1:] for sample in out] == [(0, 0.9, 0), (1, 3.0, 0)]


def test_what_is_said_of_such_feeds(write: Callable[[str], Path]) -> None:
    """The description names framing and checksum; a feed without one, and a header, come with a caution."""
    options = load(write(PACKETS)).feeds[0].options
    kind = KINDS["serial-packet"]
    first, second = kind.describe(options)
    assert first == "binary packets of 16 bytes after A5 5A, little end first, CRC-16/MODBUS, 115,200 Bd"
    assert second == "believed only while byte 11 says 2 or 3"
    assert not list(kind.cautions(options))
    text = replaced(PACKETS, ('checksum = { kind = "CRC-16/MODBUS" }', ""), ("length = 16", TOLD))
    bare = load(write(text)).feeds[0].options
    assert "14 to 40 bytes" in next(iter(kind.describe(bare)))
    (caution,) = kind.cautions(bare)
    assert "no checksum" in caution
    lines = load(write(replaced(LINES, ('separator = ","', 'separator = ","\nheader = true')))).feeds[0].options
    assert "named by a header line" in next(iter(KINDS["serial-line"].describe(lines)))
    assert list(KINDS["serial-line"].cautions(lines))
