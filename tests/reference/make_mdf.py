#!/usr/bin/env python3
"""Makes small ASAM MDF 4 files, and says what asammdf reads from them.

    venv/bin/python make_mdf.py            # write ../fixtures/mdf/*.mf4 and expected.json, and
                                           # the logs of ../fixtures/logs/mdf4
    venv/bin/python make_mdf.py --check    # write nothing; fail if a file would change

Ordinary files are written by asammdf. What it does not write (records of several kinds mixed, bit
fields at odd places, virtual channels, files that were not finalised) is put together here block by
block, and counts only because asammdf reads it. All values are made up.

expected.json has, per file and channel group with records, each channel's name, unit and physical
values as asammdf reads them: numbers, texts, or bytes in hex; null where a value is invalid or is not
a number, and instead of all values where a channel is made of others. A file with the values of
another has that one's name.
"""

import io
import json
import struct
import sys
import zlib
from datetime import datetime, timezone
from pathlib import Path

import asammdf
import numpy as np
from asammdf import MDF, Signal
from asammdf.blocks.source_utils import Source

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures" / "mdf"
# From there.
LOGS_FOLDER = "../logs/mdf4/"
START = datetime(2026, 5, 1, 9, 30, tzinfo=timezone.utc)
START_NS = int(START.timestamp()) * 10**9
# A file may not be larger: they are kept in the repository.
LARGEST = 20_000

# --------------------------------------------------------------------------- written by asammdf


# asammdf gives most integers inside a range the default, by comparing with the wrong bound; of texts
# for ranges it takes an integer at either end as inside, as the standard has it. So the values of
# this one channel are worked out here.
INTEGER_IN_RANGES = "in ranges"
RANGES = [(0, 9, 1.5), (10, 19, 2.5), (30, 49.5, 9.0)]
RANGES_DEFAULT = -1.0


def every_conversion(version, compression, fragment=None):
    """Two groups at 50 Hz and 10 Hz: every conversion that is read, number type, and invalid values."""
    mdf = MDF(version=version)
    mdf.header.start_time = START
    if fragment:
        mdf.configure(write_fragment_size=fragment)
    n = np.arange(120)
    t = n * 0.02

    def signal(name, samples, unit="", conversion=None, **more):
        return Signal(samples, t, unit=unit, name=name, conversion=conversion, **more)

    tables = {f"raw_{i}": raw for i, raw in enumerate([0, 10, 20, 40])}
    tables |= {f"phys_{i}": value for i, value in enumerate([-5.0, 12.5, 30.0, 100.0])}
    ranges = {f"lower_{i}": low for i, (low, _, _) in enumerate(RANGES)}
    ranges |= {f"upper_{i}": high for i, (_, high, _) in enumerate(RANGES)}
    numbers = ranges | {f"phys_{i}": value for i, (_, _, value) in enumerate(RANGES)} | {"default": RANGES_DEFAULT}
    fast = [
        signal("engine speed", (4000 + 37 * n).astype("<u2"), "rpm", {"a": 0.25, "b": 0.0}, comment="crank & cam"),
        signal("oil temperature", (n - 60).astype("i1"), "°C", {"a": 0.5, "b": -40.0}),
        signal("lambda", (0.85 + 0.003 * n).astype("<f4")),
        signal("pulse width", np.sin(n / 9.0) + 3.0, "ms"),
        signal("half", (n / 7.0 - 4.0).astype("<f2")),
        signal("counter", (n.astype("<u8") << 40) + 5),
        signal("ratio", (n + 1).astype("<u2"), "", {"P1": 0.25, "P2": 3.0, "P3": 2.0, "P4": 0.5, "P5": 0.125, "P6": 1.0}),
        signal("interpolated", (n - 20).astype("<i2"), "%", tables | {"interpolation": True}),
        signal("nearest", (n - 20).astype("<i2"), "%", dict(tables)),
        signal(INTEGER_IN_RANGES, (n % 60).astype("u1"), "", dict(numbers)),
        signal("in ranges, finer", (n / 2.0), "", dict(numbers)),
        signal("gear", (n % 5).astype("u1"), "", {"val_0": 0, "text_0": "neutral", "val_1": 1, "text_1": "first", "val_2": 2, "text_2": "second", "default_addr": "unknown"}),
        signal("load", n.astype("u1"), "", ranges | {"text_0": "low", "text_1": "middle", "text_2": "hoch ü", "default_addr": "none"}),
        signal("either", n.astype("u1"), "", {"val_0": 0, "text_0": "off", "val_1": 1, "text_1": "fault", "default_addr": {"a": 2.0, "b": 1.0}}),
        signal("sometimes invalid", (100 + n).astype("<i4"), "", {"a": 0.1, "b": 0.0}, invalidation_bits=(n % 7 == 3)),
    ]
    mdf.append(fast, acq_name="fast", comment="made up", common_timebase=True, acq_source=Source("unit A", "bus 1", "", 1, 2))
    slow_t = np.arange(24) * 0.1 + 0.005
    words = np.array([f"note {i} é" if i % 4 else "" for i in range(24)]).astype("U")
    slow = [
        Signal((300 + 2 * np.arange(24)).astype(">u2"), slow_t, unit="kPa", name="fuel pressure"),
        Signal((-3.5 * np.arange(24)).astype(">f8"), slow_t, name="angle"),
        Signal(np.char.encode(words, "utf-8"), slow_t, name="words", encoding="utf-8"),
    ]
    mdf.append(slow, acq_name="slow", common_timebase=True)
    out = io.BytesIO()
    mdf.save(out, compression=compression)
    mdf.close()
    return without_the_clock(out.getvalue())


def two_rates(speed, mixture, oil, oil_unit, oil_values):
    """A log of two channels at 10 Hz and one at 5 Hz between them, with these titles."""
    mdf = MDF(version="4.10")
    mdf.header.start_time = START
    fast_t, slow_t = np.arange(4) * 0.1, np.array([0.05, 0.25])
    fast = [
        Signal((3000 + 10 * np.arange(4)).astype("<u2"), fast_t, unit="rpm", name=speed),
        Signal(np.array([0.95, 0.96, 0.97, 0.98]), fast_t, name=mixture),
    ]
    mdf.append(fast, acq_name="fast", common_timebase=True)
    mdf.append([Signal(np.array(oil_values), slow_t, unit=oil_unit, name=oil)], acq_name="slow", common_timebase=True)
    out = io.BytesIO()
    mdf.save(out)
    mdf.close()
    return without_the_clock(out.getvalue())


def without_the_clock(data):
    """asammdf writes when it wrote into the file history; the same bytes shall come out each time."""
    data = bytearray(data)
    at = struct.unpack_from("<Q", data, 64 + 24 + 8)[0]
    while at:
        links = struct.unpack_from("<Q", data, at + 16)[0]
        struct.pack_into("<Q", data, at + 24 + 8 * links, START_NS)
        at = struct.unpack_from("<Q", data, at + 24)[0]
    return bytes(data)


# --------------------------------------------------------------------------- put together here


class Blocks:
    """An MDF file that grows block by block; links are offsets of blocks that are there already."""

    def __init__(self, version):
        self.data = bytearray(f"MDF     {version // 100}.{version % 100:02d}    made up ".encode().ljust(28, b"\0"))
        self.data += struct.pack("<H", version)
        self.data = self.data.ljust(64, b"\0")
        # The header, whose links are not known yet.
        self.add(b"HD", [0] * 6, struct.pack("<QhhBBBxdd", START_NS, 0, 0, 0, 0, 0, 0.0, 0.0))

    def add(self, name, links, data=b""):
        at = len(self.data)
        length = 24 + 8 * len(links) + len(data)
        self.data += b"##" + name + struct.pack(f"<4xQQ{len(links)}Q", length, len(links), *links) + data
        self.data += bytes(-len(self.data) % 8)
        return at

    def text(self, text):
        return self.add(b"TX", [], text.encode() + b"\0") if text else 0

    def linear(self, offset, factor):
        return self.add(b"CC", [0] * 4, struct.pack("<BBHHHdddd", 1, 0, 0, 0, 2, 0, 0, offset, factor))

    def channel(self, following, name, kind, coded, byte, bit, bits, unit="", conversion=0, data=0, sync=0, flags=0, invalid_bit=0, parts=0):
        links = [following, parts, self.text(name), 0, conversion, data, self.text(unit), 0]
        rest = struct.pack("<BBBBIIIIBBHdddddd", kind, sync, coded, bit, byte, bits, flags, invalid_bit, 0, 0, 0, *[0.0] * 6)
        return self.add(b"CN", links, rest)

    def group(self, following, first_channel, name, record_id, records, size, invalid=0, flags=0):
        links = [following, first_channel, self.text(name), 0, 0, 0]
        return self.add(b"CG", links, struct.pack("<QQHHIII", record_id, records, flags, 0, 0, size, invalid))

    def data_group(self, following, first_group, data, id_bytes):
        return self.add(b"DG", [following, first_group, data, 0], struct.pack("<B7x", id_bytes))

    def packed(self, data, columns=0):
        plain = data
        if columns:
            rows = len(data) // columns
            whole = rows * columns
            plain = np.frombuffer(data[:whole], "u1").reshape(rows, columns).T.tobytes() + data[whole:]
        deflated = zlib.compress(plain)
        return self.add(b"DZ", [], struct.pack("<2sBxIQQ", b"DT", 1 if columns else 0, columns, len(data), len(deflated)) + deflated)

    def finish(self, first_data_group):
        struct.pack_into("<Q", self.data, 64 + 24, first_data_group)
        return bytes(self.data)


ALL_INVALID, INVALIDATION_BIT = 1, 2
# What a file that was not finalised still needs: counts, the length of the last data block, links
# in the last list, sizes of groups of variable length, offsets into them.
COUNTS, LAST_LENGTH, LAST_LIST, SIZES, OFFSETS = 1, 4, 16, 32, 64
MASTER, VIRTUAL_MASTER, VARIABLE, VIRTUAL = 2, 3, 1, 6
UNSIGNED, UNSIGNED_BIG, SIGNED, SIGNED_BIG, FLOAT, FLOAT_BIG, LATIN1, UTF8, UTF16, UTF16_BIG, BYTES = range(11)


def odd_bits(packing=None):
    """One group, sorted: integers at odd bits in both orders, invalidation bits, a virtual channel.

    `packing` is "list" for two lists of blocks, "unlisted" for a file that was not finalised, whose
    last list lacks the links to the blocks behind it.
    """
    blocks = Blocks(410)
    records = bytearray()
    for i in range(60):
        three = (i * 5) % 8
        eleven = (i * 37) % 2048
        word = three << 2 | eleven << 5
        big = ((i * 113) % 4096 - 2048) & 0xFFF
        records += struct.pack("<dI", i * 0.05, word)
        records += struct.pack(">H", big << 3) + struct.pack(">f", 1.5 * i) + struct.pack("<q", -i)[:3] + struct.pack(">q", 7 - i)[5:]
        records += bytes([(i % 3 == 0) << 1 | (i % 5 == 0) << 2, 0])
    channel = blocks.channel(0, "always invalid", 0, UNSIGNED, 8, 0, 8, flags=ALL_INVALID)
    channel = blocks.channel(channel, "count", VIRTUAL, UNSIGNED, 0, 0, 0, conversion=blocks.linear(10.0, 0.5))
    channel = blocks.channel(channel, "three bytes, big", 0, SIGNED_BIG, 21, 0, 24)
    channel = blocks.channel(channel, "three bytes", 0, SIGNED, 18, 0, 24)
    channel = blocks.channel(channel, "float, big", 0, FLOAT_BIG, 14, 0, 32, flags=INVALIDATION_BIT, invalid_bit=1)
    channel = blocks.channel(channel, "twelve bits, big", 0, SIGNED_BIG, 12, 3, 12, unit="V", conversion=blocks.linear(1.0, 0.01))
    channel = blocks.channel(channel, "eleven bits", 0, UNSIGNED, 8, 5, 11, flags=INVALIDATION_BIT, invalid_bit=2)
    channel = blocks.channel(channel, "three bits", 0, UNSIGNED, 8, 2, 3)
    channel = blocks.channel(channel, "t", MASTER, FLOAT, 0, 0, 64, unit="s", sync=1)
    size = 24
    if packing == "list":
        # Two lists, blocks that cut records in two, both kinds of compression.
        cuts = [bytes(records[:301]), bytes(records[301:700]), bytes(records[700:1111]), bytes(records[1111:])]
        second = [blocks.packed(cuts[2], size + 2), blocks.add(b"DT", [], cuts[3])]
        first = [blocks.add(b"DT", [], cuts[0]), blocks.packed(cuts[1])]
        offsets = [0, 301, 700, 1111]
        later = blocks.add(b"DL", [0, *second], struct.pack("<B3xI2Q", 0, 2, *offsets[2:]))
        lists = blocks.add(b"DL", [later, *first], struct.pack("<B3xI2Q", 0, 2, *offsets[:2]))
        data = blocks.add(b"HL", [lists], struct.pack("<HB5x", 0, 1))
    elif packing == "unlisted":
        group = blocks.group(0, channel, "odd bits", 0, 0, size, 2)
        data = len(blocks.data) + 64
        group = blocks.data_group(0, group, data, 0)
        first = data + 24 + 8 * 5 + 16
        blocks.add(b"DL", [0, first, 0, 0, 0], struct.pack("<B3xIQ", 1, 4, 500))
        assert len(blocks.data) == first
        for i in range(0, len(records), 500):
            blocks.add(b"DT", [], bytes(records[i : i + 500]))
        return unfinalised(blocks.finish(group), COUNTS | LAST_LIST)
    else:
        data = blocks.add(b"DT", [], bytes(records))
    group = blocks.group(0, channel, "odd bits", 0, 60, size, 2)
    return blocks.finish(blocks.data_group(0, group, data, 0))


def unfinalised(data, flags):
    return b"UnFinMF " + data[8:60] + struct.pack("<H", flags) + data[62:]


def texts():
    """Texts in each encoding, and tables from texts to numbers and to other texts."""
    blocks = Blocks(410)

    def table(kind, words, numbers=()):
        links = [0] * 4 + [blocks.text(word) for word in words]
        counts = struct.pack("<BBHHHdd", kind, 0, 0, len(words), len(numbers), 0, 0)
        return blocks.add(b"CC", links, counts + struct.pack(f"<{len(numbers)}d", *numbers))

    to_numbers = table(9, ["rich", "lean", "even"], [-1.0, 1.0, 0.0, 99.0])
    to_texts = table(10, ["rich", "fett", "lean", "mager", "sonst"])
    records = bytearray()
    for i in range(30):
        word = ["rich", "lean", "even", "ü"][i % 4]
        records += struct.pack("<d", i * 0.2) + word.encode("latin-1").ljust(8, b"\0") + word.encode("utf-8").ljust(8, b"\0")
        records += word.encode("utf-16-le").ljust(10, b"\0") + word.encode("utf-16-be").ljust(10, b"\0") + bytes([i, 255 - i, 7])
    channel = blocks.channel(0, "bytes", 0, BYTES, 44, 0, 24)
    channel = blocks.channel(channel, "in German", 0, UTF8, 16, 0, 64, conversion=to_texts)
    channel = blocks.channel(channel, "as numbers", 0, LATIN1, 8, 0, 64, conversion=to_numbers)
    channel = blocks.channel(channel, "utf-16, big", 0, UTF16_BIG, 34, 0, 80)
    channel = blocks.channel(channel, "utf-16", 0, UTF16, 24, 0, 80)
    channel = blocks.channel(channel, "utf-8", 0, UTF8, 16, 0, 64)
    channel = blocks.channel(channel, "latin-1", 0, LATIN1, 8, 0, 64)
    channel = blocks.channel(channel, "t", MASTER, FLOAT, 0, 0, 64, unit="s", sync=1)
    data = blocks.packed(bytes(records), 47)
    group = blocks.group(0, channel, "texts", 0, 30, 47)
    return blocks.finish(blocks.data_group(0, group, data, 0))


def columns():
    """Version 4.20's data lists for columns: times in a group of their own, invalidation bytes apart."""
    blocks = Blocks(420)
    times = blocks.channel(0, "t", MASTER, FLOAT, 0, 0, 64, unit="s", sync=1)
    data = blocks.add(b"DV", [], b"".join(struct.pack("<d", t) for t in COLUMN_TIMES))
    master = blocks.group(0, times, "times", 0, len(COLUMN_TIMES), 8)
    channel = blocks.channel(0, "rpm", 0, UNSIGNED, 0, 0, 16, unit="rpm", flags=INVALIDATION_BIT, invalid_bit=3)
    values = [b"".join(struct.pack("<H", v or 0) for v in part) for part in (COLUMN[:15], COLUMN[15:])]
    invalid = [bytes(8 if v is None else 0 for v in part) for part in (COLUMN[:15], COLUMN[15:])]
    links = [blocks.add(b"DV", [], part) for part in values] + [blocks.add(b"DI", [], part) for part in invalid]
    lists = blocks.add(b"LD", [0, *links], struct.pack("<IIQQ", 1 << 31, 2, 0, 15))
    group = blocks.add(b"CG", [0, channel, blocks.text("values"), 0, 0, 0, master], struct.pack("<QQHHIII", 0, len(COLUMN), 8, 0, 0, 2, 1))
    second = blocks.data_group(0, group, lists, 0)
    return blocks.finish(blocks.data_group(second, master, data, 0))


COLUMN_TIMES = [0.5 * i for i in range(25)]
COLUMN = [None if i % 6 == 2 else 900 + 10 * i for i in range(25)]


def virtual_master():
    """A group whose time is counted, not stored."""
    blocks = Blocks(400)
    channel = blocks.channel(0, "spark advance", 0, UNSIGNED, 0, 0, 8, unit="deg", conversion=blocks.linear(-64.0, 0.5))
    channel = blocks.channel(channel, "t", VIRTUAL_MASTER, UNSIGNED, 0, 0, 0, unit="s", sync=1, conversion=blocks.linear(2.0, 0.01))
    data = blocks.add(b"DT", [], bytes(100 + i % 50 for i in range(80)))
    group = blocks.group(0, channel, "counted", 0, 80, 1)
    return blocks.finish(blocks.data_group(0, group, data, 0))


def mixed(unfinished=None, cut=0):
    """Three kinds of records in one stretch of data, and the texts of one in records of their own.

    `unfinished` gives the flags of a file that was not finalised: its counts and the length of its
    data are those at the start of the recording.
    """
    blocks = Blocks(411)
    started = unfinished is not None
    records = bytearray()
    texts = counts = fast = 0
    for i in range(100):
        records += struct.pack("<BdHh", 1, i * 0.01, 3000 + 20 * i, -i)
        fast += 1
        if i % 10 == 4:
            text = f"event {i}".encode() + b"!" * (i // 30)
            offset = 0 if started and unfinished & OFFSETS else texts
            records += struct.pack("<BdQ", 4, i * 0.01 + 0.002, offset) + struct.pack("<BI", 9, len(text)) + text
            texts += 4 + len(text)
            counts += 1
        if i % 25 == 0:
            records += struct.pack("<B", 200) + struct.pack("<dB", i * 0.01 + 0.003, i)
    named = blocks.group(0, 0, "", 9, 0 if started else counts, 0 if started else texts, 0, flags=1)
    channel = blocks.channel(0, "what", VARIABLE, UTF8, 8, 0, 64, data=named)
    channel = blocks.channel(channel, "t", MASTER, FLOAT, 0, 0, 64, unit="s", sync=1)
    events = blocks.group(named, channel, "events", 4, 0 if started else counts, 16)
    channel = blocks.channel(0, "battery", 0, UNSIGNED, 8, 0, 8, unit="V", conversion=blocks.linear(5.0, 0.1))
    channel = blocks.channel(channel, "t", MASTER, FLOAT, 0, 0, 64, unit="s", sync=1)
    slow = blocks.group(events, channel, "slow", 200, 0 if started else 4, 9)
    channel = blocks.channel(0, "temperature", 0, SIGNED, 10, 0, 16, unit="°C")
    channel = blocks.channel(channel, "rpm", 0, UNSIGNED, 8, 0, 16, unit="rpm", conversion=blocks.linear(0.0, 0.5))
    channel = blocks.channel(channel, "t", MASTER, FLOAT, 0, 0, 64, unit="s", sync=1)
    first = blocks.group(slow, channel, "fast", 1, 0 if started else fast, 12)
    at = len(blocks.data)
    group = blocks.data_group(0, first, at + 24 + 32 + 8, 1)
    assert group == at
    data = blocks.add(b"DT", [], bytes(records))
    whole = bytearray(blocks.finish(group))
    if started:
        whole = bytearray(unfinalised(bytes(whole), unfinished))
        struct.pack_into("<Q", whole, data + 8, 24)
        whole = whole[: data + 24 + len(records)]
    return bytes(whole[: len(whole) - cut])


def can_frames():
    """Bus logging: an engine control unit is asked for parameters of SAE J1979 and answers."""
    blocks = Blocks(411)
    records = bytearray()
    count = 0
    for i in range(60):
        answers = [
            [4, 0x41, 0x0C, *divmod(4 * (1200 + 50 * i), 256)],
            [6, 0x41, 0x34, *divmod(28000 + 90 * i, 256), 0x80, 0x00],
            [3, 0x41, 0x0B, 40 + i],
            [3, 0x41, 0x06, 118 + i % 20],
        ]
        for j, answer in enumerate(answers):
            frames = [(0x7DF, [2, 1, answer[2]]), (0x7E8, answer), (0x123, [i] * 8)]
            for k, (can_id, data) in enumerate(frames[: 2 + (j == 0)]):
                records += struct.pack("<dIB8s", i * 0.4 + j * 0.1 + k * 0.01, can_id, 8, bytes(data).ljust(8, b"\xaa"))
                count += 1
    parts = blocks.channel(0, "CAN_DataFrame.DataBytes", 0, BYTES, 13, 0, 64)
    parts = blocks.channel(parts, "CAN_DataFrame.DataLength", 0, UNSIGNED, 12, 0, 7)
    parts = blocks.channel(parts, "CAN_DataFrame.IDE", 0, UNSIGNED, 11, 7, 1)
    parts = blocks.channel(parts, "CAN_DataFrame.ID", 0, UNSIGNED, 8, 0, 29)
    channel = blocks.channel(0, "CAN_DataFrame", 0, BYTES, 8, 0, 104, parts=parts)
    channel = blocks.channel(channel, "Timestamp", MASTER, FLOAT, 0, 0, 64, unit="s", sync=1)
    data = blocks.packed(bytes(records), 21)
    group = blocks.group(0, channel, "CAN", 0, count, 21, flags=6)
    return blocks.finish(blocks.data_group(0, group, data, 0))


FILES = {
    "sorted.mf4": lambda: every_conversion("4.00", 0),
    "sorted_4_20.mf4": lambda: every_conversion("4.20", 0),
    "deflate.mf4": lambda: every_conversion("4.10", 1),
    "transposed.mf4": lambda: every_conversion("4.11", 2, fragment=2000),
    "odd_bits.mf4": odd_bits,
    "lists.mf4": lambda: odd_bits("list"),
    "unlisted.mf4": lambda: odd_bits("unlisted"),
    "texts.mf4": texts,
    "virtual_master.mf4": virtual_master,
    "columns.mf4": columns,
    "unsorted.mf4": mixed,
    "unfinalised.mf4": lambda: mixed(COUNTS | LAST_LENGTH | SIZES),
    "unfinalised_cut.mf4": lambda: mixed(COUNTS | LAST_LENGTH | SIZES, cut=7),
    "unfinalised_offsets.mf4": lambda: mixed(COUNTS | LAST_LENGTH | SIZES | OFFSETS),
    "can_frames.mf4": can_frames,
}
# What asammdf 8.8.28 does not read; the values are those that went in.
NOT_ASKED = {
    # Its reader of these lists fails on a misspelt name (`self.self`).
    "columns.mf4": [
        {"name": "times", "times_s": COLUMN_TIMES, "channels": [{"name": "t", "unit": "s", "values": COLUMN_TIMES}]},
        {"name": "values", "times_s": COLUMN_TIMES, "channels": [{"name": "rpm", "unit": "rpm", "values": COLUMN}]},
    ],
    # It reads the one block that the list links.
    "unlisted.mf4": "odd_bits.mf4",
    # It leaves the offsets as they are.
    "unfinalised_offsets.mf4": "unfinalised.mf4",
}

# --------------------------------------------------------------------------- what asammdf reads


ENCODINGS = {LATIN1: "latin-1", UTF8: "utf-8", UTF16: "utf-16-le", UTF16_BIG: "utf-16-be"}


# Logs of tests/fixtures/logs; what is read of them stands beside them.
LOGS = {
    "log.mf4": lambda: two_rates("Engine speed", "Lambda", "Oil", "°F", [194.0, 203.0]),
    "good-own-names.mf4": lambda: two_rates("rpm", "lambda", "engine_temp_c", "°C", [90.0, 95.0]),
}


def plain(value, number, encoding):
    if isinstance(value, bytes):
        # numpy takes zero bytes off the end, also half a UTF-16 character.
        value += b"\0" * (len(value) % 2) if encoding.startswith("utf-16") else b""
        return value.decode(encoding)
    if isinstance(value, str):
        return value
    if not number:
        return bytes(value).hex()
    return float(value) if np.isfinite(value) else None


def values_of(samples, encoding, invalid):
    if samples.dtype.names:
        return None
    if samples.ndim == 1:
        values = [plain(value, samples.dtype.kind in "uifbO", encoding) for value in samples.tolist()]
    else:
        values = [bytes(row).hex() for row in samples]
    return [None if bad else value for value, bad in zip(values, invalid)]


def read(data):
    mdf = MDF(io.BytesIO(data))
    groups = []
    for g, group in enumerate(mdf.groups):
        if not group.channel_group.cycles_nr or not group.channels:
            continue
        channels = []
        for c, channel in enumerate(group.channels):
            everything = mdf.get(group=g, index=c, ignore_invalidation_bits=True)
            # The invalid ones are left out here; every time is there once.
            valid = mdf.get(group=g, index=c, ignore_invalidation_bits=False).timestamps
            values = values_of(everything.samples, ENCODINGS.get(channel.data_type, "utf-8"), ~np.isin(everything.timestamps, valid))
            if channel.flags & ALL_INVALID:
                # asammdf reads such a channel as if it were valid.
                values = [None] * len(values)
            if channel.name == INTEGER_IN_RANGES:
                raw = mdf.get(group=g, index=c, raw=True).samples
                values = [next((v for low, high, v in RANGES if low <= x <= high), RANGES_DEFAULT) for x in raw]
            channels.append({"name": channel.name, "unit": everything.unit, "values": values})
        master = mdf.get_master(g)
        groups.append({"name": group.channel_group.acq_name or "", "times_s": [float(t) for t in master], "channels": channels})
    mdf.close()
    return groups


def main():
    check = "--check" in sys.argv[1:]
    made = {name: make() for name, make in FILES.items()}
    for name, data in made.items():
        assert len(data) <= LARGEST, (name, len(data))
    files = {}
    for name, data in made.items():
        groups = NOT_ASKED.get(name) or read(data)
        # The same values in another file are not written twice.
        files[name] = next((other for other, known in files.items() if known == groups), groups)
    expected = {"asammdf": asammdf.__version__, "files": files}
    made |= {LOGS_FOLDER + name: make() for name, make in LOGS.items()}
    made["expected.json"] = (json.dumps(expected, ensure_ascii=False, separators=(",", ":")) + "\n").encode()
    stale = []
    for name, data in made.items():
        path = FIXTURES / name
        if check:
            stale += [name] if not path.exists() or path.read_bytes() != data else []
        else:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
    print(f"asammdf {asammdf.__version__}: {len(made)} files", *stale)
    return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(main())
