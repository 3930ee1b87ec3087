#!/usr/bin/env python3
"""What a small decoder says about an exFAT volume, as one JSON document on standard output.

There is no second author here: the decoder is written from the "exFAT file system specification" 1.00 (Microsoft) for
this project, independently of gleaner's code and in another way (everything at hand at once, nothing tolerated, no recovery).
What others say about the same volume is compared where the fixtures are made: fsck.exfat and dump.exfat of exfatprogs,
and the contents of all files as the FUSE driver reads them. See testdata/README.md for the document's shape.
"""

import datetime
import struct

from common import Disagreement, Window, merged_in_file_order, run, set_bit_runs

END_OF_CHAIN, BAD = 0xFFFFFFFF, 0xFFFFFFF7


def rotated_sum(data, bits, skipped=()):
    """Figures 1 to 3 of the specification: rotate right by one, add the byte."""
    total, mask, top = 0, (1 << bits) - 1, 1 << (bits - 1)
    for index, byte in enumerate(data):
        if index not in skipped:
            total = ((top if total & 1 else 0) + (total >> 1) + byte) & mask
    return total


def demand(holds, what):
    if not holds:
        raise Disagreement(what)


class Volume:
    """A sound volume."""

    def __init__(self, window):
        self.data = window.mapped()
        boot = self.data[:512]
        demand(boot[3:11] == b"EXFAT   " and boot[510:512] == b"\x55\xaa", "no exFAT boot sector")
        (self.total, fat_offset, fat_length, heap, self.count, self.root, self.serial) = struct.unpack_from(
            "<QIIIIII", boot, 72
        )
        self.flags, sector_shift, cluster_shift, self.fat_count = struct.unpack_from("<HBBB", boot, 106)
        self.sector = 1 << sector_shift
        self.cluster = self.sector << cluster_shift
        self.first_byte = heap * self.sector
        self.fats = [[(fat_offset + n * fat_length) * self.sector, fat_length * self.sector] for n in range(self.fat_count)]
        for region in (0, 12):
            start = region * self.sector
            total = rotated_sum(self.data[start : start + 11 * self.sector], 32, (106, 107, 112))
            stored = self.data[start + 11 * self.sector : start + 12 * self.sector]
            demand(stored == struct.pack("<I", total) * (self.sector // 4), f"checksum of boot region at {region}")
        fat = self.fats[self.flags & 1 if self.fat_count == 2 else 0][0]
        self.fat = struct.unpack_from(f"<{self.count + 2}I", self.data, fat)

    def chain(self, cluster):
        """The clusters of a chain."""
        clusters = []
        while cluster != END_OF_CHAIN:
            demand(2 <= cluster < self.count + 2 and len(clusters) < self.count, f"chain comes to {cluster}")
            clusters.append(cluster)
            cluster = self.fat[cluster]
        return clusters

    def clusters(self, first, length, contiguous):
        needed = -(-length // self.cluster)
        if first == 0:
            demand(length == 0, "content without a first cluster")
            return []
        clusters = list(range(first, first + needed)) if contiguous else self.chain(first)
        demand(len(clusters) == needed, f"{len(clusters)} clusters from {first}, where {needed} are needed")
        return clusters

    def content(self, clusters):
        parts = (self.first_byte + (number - 2) * self.cluster for number in clusters)
        return b"".join(self.data[start : start + self.cluster] for start in parts)

    def extents(self, clusters):
        return merged_in_file_order([self.first_byte + (n - 2) * self.cluster, self.cluster] for n in clusters)


def unix_time(stamp, hundredths, offset):
    """Seconds since 1970 of an exFAT time, by Python's calendar."""
    date, clock = stamp >> 16, stamp & 0xFFFF
    local = datetime.datetime(
        1980 + (date >> 9), date >> 5 & 15, date & 31, clock >> 11, clock >> 5 & 63, (clock & 31) * 2,
        tzinfo=datetime.timezone.utc,
    )
    quarters = (offset & 0x7F) - (0x80 if offset & 0x40 else 0) if offset & 0x80 else 0
    return int(local.timestamp() + hundredths // 100 - quarters * 900)


def entry_sets(data):
    """The sets of a folder up to its end mark: lists of 32-byte entries, first the primary one."""
    at = 0
    while at < len(data) and data[at] != 0:
        primary = data[at : at + 32]
        count = 0
        if primary[0] in (0x85, 0x05):
            following = [data[at + 32 * n] for n in range(1, primary[1] + 1) if at + 32 * n < len(data)]
            fitting = all(kind & 0xC0 == (0xC0 if primary[0] == 0x85 else 0x40) for kind in following)
            count = primary[1] if fitting and len(following) == primary[1] else 0
        yield [data[at + 32 * n : at + 32 * n + 32] for n in range(count + 1)]
        at += 32 * (count + 1)


def described(path, name, kind, size, valid, first, contiguous, extents, deleted=False, attribute=None, modified=None):
    return {
        "path": path,
        "paths": [path],
        "name": name,
        "kind": kind,
        "record": None,
        "deleted": deleted,
        "attribute": attribute,
        "stream": None,
        "size": size,
        "valid_size": valid,
        "first_cluster": first,
        "contiguous": contiguous,
        "modified": modified,
        "extents": extents,
    }


def file_of(volume, entries, above):
    """A file or folder out of its set, or None for a deleted one that is no longer whole."""
    live = entries[0][0] == 0x85
    whole = b"".join(bytes([entry[0] | 0x80]) + entry[1:] for entry in entries)
    (stored,) = struct.unpack_from("<H", whole, 2)
    sound = len(entries) > 2 and rotated_sum(whole, 16, (2, 3)) == stored
    if not live and not sound:
        return None
    demand(sound, f"set checksum of an entry in {above or '/'}")
    (attributes,) = struct.unpack_from("<H", whole, 4)
    (stamp,) = struct.unpack_from("<I", whole, 12)
    stream = whole[32:64]
    demand(stream[0] == 0xC0, "no stream extension")
    valid, first, size = struct.unpack_from("<Q4xIQ", stream, 8)
    contiguous = bool(stream[1] & 2)
    units = b"".join(whole[at + 2 : at + 32] for at in range(64, len(whole), 32) if whole[at] == 0xC1)
    name = units[: stream[3] * 2].decode("utf-16-le")
    kind = "folder" if attributes & 0x10 else "file"
    clusters = volume.clusters(first, size, contiguous) if live else None
    item = described(
        f"{above}/{name}", name, kind, size, valid, first, contiguous,
        volume.extents(clusters) if live else None,
        not live,
        modified=unix_time(stamp, whole[21], whole[23]),
    )
    return item, clusters


def walk(volume, data, above, objects):
    for entries in entry_sets(data):
        if entries[0][0] not in (0x85, 0x05):
            continue
        found = file_of(volume, entries, above)
        if found is None:
            continue
        item, clusters = found
        objects.append(item)
        if item["kind"] == "folder" and not item["deleted"]:
            walk(volume, volume.content(clusters)[: item["size"]], item["path"], objects)


def answer(args):
    volume = Volume(Window(args.image, args.offset, args.size))
    root_clusters = volume.chain(volume.root)
    root = volume.content(root_clusters)
    size = len(root)
    objects = [described("/", "", "folder", size, size, volume.root, False, volume.extents(root_clusters))]
    label, bitmap = None, None
    for entries in entry_sets(root):
        raw = entries[0]
        first, size = struct.unpack_from("<IQ", raw, 20)
        if raw[0] == 0x83:
            label = raw[2 : 2 + 2 * raw[1]].decode("utf-16-le")
        elif raw[0] in (0x81, 0x82):
            clusters = volume.clusters(first, size, False)
            name = "<allocation bitmap>" if raw[0] == 0x81 else "<up-case table>"
            data = volume.content(clusters)[:size]
            if raw[0] == 0x81 and raw[1] & 1 == volume.flags & 1:
                bitmap = data
            if raw[0] == 0x82:
                demand(rotated_sum(data, 32) == struct.unpack_from("<I", raw, 4)[0], "up-case checksum")
            extents = volume.extents(clusters)
            objects.append(described(f"/{name}", name, "file", size, size, first, False, extents, attribute=name))
    demand(bitmap is not None and len(bitmap) == -(-volume.count // 8), "no bitmap of the right size")
    walk(volume, root, "", objects)
    objects.sort(key=lambda item: (item["path"], item["deleted"], item["first_cluster"]))
    allocated = [[first + 2, count] for first, count in set_bit_runs(bitmap, volume.count)]
    head = {
        "parser": "exfat_answers.py (own decoder)",
        "kind": "exfat",
        "volume_start": args.offset,
        "cluster_bytes": volume.cluster,
        "cluster_count": volume.count,
        "first_cluster_byte": volume.first_byte,
        "sector_bytes": volume.sector,
        "volume_bytes": volume.total * volume.sector,
        "fats": volume.fats,
        "boot_regions": [[0, 12 * volume.sector], [12 * volume.sector, 12 * volume.sector]],
        "root_cluster": volume.root,
        "serial": f"{volume.serial >> 16:04X}-{volume.serial & 0xFFFF:04X}",
        "label": label,
        "allocated": allocated,
        "bad_clusters": [],
    }
    return head, objects


if __name__ == "__main__":
    run(__doc__, answer)
