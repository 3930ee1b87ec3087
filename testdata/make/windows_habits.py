"""Changes a volume so that it looks as Windows leaves one, where the formatters here leave something else."""

import struct

from dissect.ntfs import NTFS

from run import patch

DATA, BITMAP, FILE_NAME = 0x80, 0xB0, 0x30
IN_USE = 1
MIRRORED_RECORDS = 4
FSINFO_UNSET = 0xFFFFFFFF  # FAT specification 1.03, FSInfo: "not known"


def stream_places(ntfs, number, kind):
    """Byte positions on the volume of an unnamed attribute's content, one for each byte."""
    attribute = ntfs.mft.get(number).attributes.find("", kind)
    places = []
    for lcn, count in attribute.header.dataruns():
        start = lcn * ntfs.cluster_size
        places.extend(range(start, start + count * ntfs.cluster_size))
    return places


def has_been_used(ntfs, raw):
    """Whether a file has, or had, this record."""
    flags = struct.unpack_from("<H", raw, 0x16)[0]
    at = struct.unpack_from("<H", raw, 0x14)[0]
    kinds = set()
    while at + 8 <= len(raw):
        kind, length = struct.unpack_from("<II", raw, at)
        if kind == 0xFFFFFFFF or length == 0:
            break
        kinds.add(kind)
        at += length
    return bool(flags & IN_USE or kinds & {DATA, FILE_NAME})


def ntfs(image):
    """Records that no file has used yet become zero, with their bits in $MFT's bitmap clear; behind the fourth record the
    mirror's cluster keeps something old."""
    with open(image, "r+b") as file:
        volume = NTFS(file)
        record_bytes = volume._record_size
        table = stream_places(volume, 0, DATA)
        bits = stream_places(volume, 0, BITMAP)
        content = open(image, "rb").read()
        zeroed = 0
        for number in range(volume.mft.get(0).size() // record_bytes):
            places = table[number * record_bytes : (number + 1) * record_bytes]
            raw = bytes(content[place] for place in places)
            if has_been_used(volume, raw):
                continue
            for place in range(0, record_bytes, 512):
                patch(image, places[place], bytes(512))
            at = bits[number // 8]
            with open(image, "rb") as now:
                now.seek(at)
                mark = now.read(1)[0]
            patch(image, at, bytes([mark & ~(1 << number % 8)]))
            zeroed += 1
        mirror = stream_places(volume, 1, DATA)
        stale = mirror[MIRRORED_RECORDS * record_bytes :]
        if stale:
            # Record 5 as it was once: sound, and of another time.
            old = bytearray(content[place] for place in table[5 * record_bytes : 6 * record_bytes])
            old[0x08:0x10] = bytes(8)
            patch(image, stale[record_bytes], bytes(old))
    return zeroed


def fat32(image):
    """The information sector gives neither free clusters nor a hint: Windows XP leaves it so."""
    with open(image, "rb") as file:
        boot = file.read(512)
    sector = struct.unpack_from("<H", boot, 0x0B)[0]
    at = struct.unpack_from("<H", boot, 0x30)[0] * sector
    patch(image, at + 488, struct.pack("<II", FSINFO_UNSET, FSINFO_UNSET))
