"""HFS+ volumes that were not unmounted: their newest allocation map stands in the journal.

No program in Debian writes such a journal, so it is laid here over volumes of hfsplus_volumes.py, by libyal/libfshfs, "Hierarchical File
System (HFS)", and Technical Note TN1150; from memory: how many bytes a checksum covers, checksums of blocks, sequence numbers. What is
in use is what libfshfs says of the volume below, and the journal itself.
"""

import json
import os
import struct

from fixture import compress
from run import TESTDATA, tool

SECTOR = 512
HEADER = 1024
# A block that was taken out of its transaction.
TAKEN_OUT = (1 << 64) - 1

# Name: volume below, byte order, bytes of a block list, bytes before the journal's end at which it starts (0: behind its header), words:
# "checksums" of blocks and sequence numbers, "empty", "behind" a transaction behind the end, "cut" the end within a transaction,
# "stale" an old list where the end is.
VOLUMES = {
    "hfsplus-journal": ("hfsplus-4k", "<", 4096, 0, ("checksums", "stale")),
    "hfsplus-journal-wrap": ("hfsplus-512", "<", 1024, 2048, ("checksums",)),
    "hfsplus-journal-old": ("hfsplus-pieces", ">", 1024, 512, ()),
    "hfsplus-journal-empty": ("hfsplus-x", "<", 4096, 0, ("checksums", "empty", "stale")),
    "hfsplus-journal-behind": ("hfsplus-512", "<", 1024, 0, ("checksums", "behind")),
    "hfsplus-journal-cut": ("hfsplus-512", ">", 1024, 0, ("checksums", "cut")),
}


def checksum(data):
    total = 0
    for byte in data:
        total = (total << 8 ^ total + byte) & 0xFFFFFFFF
    return total ^ 0xFFFFFFFF


def runs_of(raw):
    for at in range(16, 80, 8):
        start, count = struct.unpack(">II", raw[at : at + 8])
        if count:
            yield start, count


class Volume:
    """A volume, with its allocation map as a set of blocks."""

    def __init__(self, data, answers):
        self.data = bytearray(data)
        self.block, self.blocks, self.free = struct.unpack(">III", self.data[HEADER + 40 : HEADER + 52])
        self.used = {number for first, count in answers["allocated"] for number in range(first, first + count)}
        fork = self.data[HEADER + 112 : HEADER + 192]
        self.map_runs = list(runs_of(fork))
        self.leaf = None
        if sum(count for _, count in self.map_runs) < struct.unpack(">I", fork[12:16])[0]:
            # The one record of the one leaf of the extents overflow file.
            self.leaf = next(runs_of(self.data[HEADER + 192 : HEADER + 272]))[0] * self.block + 4096
            self.map_runs += runs_of(bytes(16) + self.data[self.leaf + 26 : self.leaf + 90])

    def map_of(self, used):
        """The allocation file's blocks by their number on the volume."""
        bits = bytearray(sum(count for _, count in self.map_runs) * self.block)
        for number in used:
            bits[number // 8] |= 0x80 >> number % 8
        numbers = [number for first, count in self.map_runs for number in range(first, first + count)]
        return {number: bytes(bits[at * self.block : (at + 1) * self.block]) for at, number in enumerate(numbers)}

    def header_of(self, used):
        header = self.data[HEADER : HEADER + 512]
        header[48:52] = struct.pack(">I", self.blocks - len(used))
        return bytes(header)


class Log:
    """The journal's bytes, which go round behind its header."""

    def __init__(self, size, order, list_bytes, start, has_checksums):
        self.bytes = bytearray(size)
        self.order, self.list_bytes, self.has_checksums = order, list_bytes, has_checksums
        self.at = start

    def write(self, data):
        for byte in data:
            self.bytes[self.at] = byte
            self.at = self.at + 1 if self.at + 1 < len(self.bytes) else SECTOR

    def block_list(self, entries, next_word):
        """Writes a list and its blocks, pairs of target sector and bytes; says where the list and each block begin."""
        used = self.list_bytes + sum(len(data) for _, data in entries)
        body = struct.pack(f"{self.order}QII", 0, 0, next_word)
        for target, data in entries:
            body += struct.pack(f"{self.order}QII", target, len(data), checksum(data) if self.has_checksums else 0)
        most = (self.list_bytes - 16) // 16

        def head(total):
            return struct.pack(f"{self.order}HHIII", most, 1 + len(entries), used, total, 1 if self.has_checksums else 0)

        raw = head(checksum((head(0) + body)[:32])) + body
        places = [self.at]
        self.write(raw + bytes(self.list_bytes - len(raw)))
        for _, data in entries:
            places.append(self.at)
            self.write(data)
        return places

    def seal(self, start, end):
        def head(total):
            return struct.pack(f"{self.order}IIQQQIII", 0x4A4E4C78, 0x12345678, start, end, len(self.bytes), self.list_bytes, total, SECTOR)

        raw = head(checksum(head(0))) + struct.pack(f"{self.order}I", 100 if self.has_checksums else 0)
        self.bytes[: len(raw)] = raw


def lay(data, answers, order, list_bytes, before_end, words):
    """The volume with a journal, and its answers."""
    volume = Volume(data, answers)
    count = -(-65536 // volume.block)
    info = next(first for first in range(volume.blocks * 3 // 4, volume.blocks) if not volume.used & set(range(first, first + count + 1)))
    volume.used |= set(range(info, info + count + 1))
    base, size = (info + 1) * volume.block, count * volume.block
    volume.data[HEADER + 4 : HEADER + 16] = struct.pack(">I4sI", 0x2800, b"HFSJ", info)
    alternate = len(volume.data) - 1024
    volume.data[alternate + 4 : alternate + 16] = struct.pack(">I4sI", 0x2100, b"HFSJ", info)
    volume.data[info * volume.block : info * volume.block + 52] = struct.pack(">I32sQQ", 1, b"", base, size)
    # Three transactions, each with a file more; the second also removes one.
    files = [range(first, first + length) for first, length in answers["allocated"][5:-1:14]][:3]
    removed = range(info + count + 11, info + count + 21)
    assert not volume.used & set(removed) and all(volume.used >= set(file) for file in files)
    states = [volume.used.difference(*files) | set(removed)]
    for number, file in enumerate(files):
        states.append(states[-1] | set(file) if number != 1 else states[-1].difference(removed) | set(file))
    assert states[-1] == volume.used
    log = Log(size, order, list_bytes, size - before_end if before_end else SECTOR, "checksums" in words)
    start, ends, places = log.at, [], {}
    if "empty" in words:
        files = []
    for number in range(1, len(files) + 1):
        old, new = volume.map_of(states[number - 1]), volume.map_of(states[number])
        touched = [block for block in new if old[block] != new[block]]
        first, last = (min(touched), max(touched)) if volume.leaf is None else (0, -1)
        entries = [(HEADER // SECTOR, volume.header_of(states[number]))]
        # Neighbours in one entry.
        map_entries = [(first, b"".join(new[block] for block in range(first, last + 1)))] if last >= first else [(block, new[block]) for block in touched]
        entries += [(block * volume.block // SECTOR, content) for block, content in map_entries]
        if number == 2:
            entries.insert(1, (TAKEN_OUT, bytes([0xEE]) * SECTOR))
        if number == 1 and volume.leaf is not None:
            entries.append((volume.leaf // SECTOR, bytes(volume.data[volume.leaf : volume.leaf + 4096])))
        sequence = 100 + number if "checksums" in words else 0
        if number == 3 and len(entries) > 1 and not sequence:
            # One transaction in two lists.
            log.block_list(entries[:1], 1)
            entries = entries[1:]
        where = log.block_list(entries, sequence)
        places = {"newest block list": (where[0], 32), "newest map in the journal": (where[-1], SECTOR)}
        ends.append(log.at)
    end = log.at
    if "stale" in words:
        log.block_list([(volume.map_runs[0][0] * volume.block // SECTOR, bytes(volume.block))], 57)
    if "behind" in words:
        end = ends[1]
    if "cut" in words:
        end = ends[1] + list_bytes
    log.seal(start, end)
    volume.data[base : base + size] = log.bytes
    # At home stands what stood there before the first of them.
    at_home = states[0] if files else states[-1]
    volume.data[HEADER : HEADER + 512] = volume.header_of(at_home)
    for number, content in volume.map_of(at_home).items():
        volume.data[number * volume.block : (number + 1) * volume.block] = content
    if volume.leaf is not None and files:
        volume.data[volume.leaf : volume.leaf + 4096] = bytes(4096)
    runs = []
    for number in sorted(volume.used):
        if runs and sum(runs[-1]) == number:
            runs[-1][1] += 1
        else:
            runs.append([number, 1])
    answers = dict(answers, allocated=runs)
    answers["places"]["journal info block"] = [[info * volume.block, SECTOR]]
    answers["places"]["journal header"] = [[base, SECTOR]]
    for name, (at, length) in places.items():
        answers["places"][name] = [[base + at, length]]
    return bytes(volume.data), answers


def make(name, scratch):
    below, order, list_bytes, before_end, words = VOLUMES[name]
    image = os.path.join(scratch, f"{name}.img")
    tool("zstd", "--decompress", "--quiet", "--force", os.path.join(TESTDATA, f"{below}.img.zst"), "-o", image)
    with open(image, "rb") as file:
        data = file.read()
    with open(os.path.join(TESTDATA, f"{below}.answers.json"), encoding="utf-8") as file:
        answers = json.load(file)
    data, answers = lay(data, answers, order, list_bytes, before_end, words)
    with open(image, "wb") as file:
        file.write(data)
    with open(os.path.join(TESTDATA, f"{name}.answers.json"), "w", encoding="utf-8") as file:
        file.write(json.dumps(answers) + "\n")
    compress(image, os.path.join(TESTDATA, f"{name}.img.zst"))
    print(f"{name}: {len(data) >> 10} KiB", flush=True)


FIXTURES = {name: make for name in VOLUMES}
