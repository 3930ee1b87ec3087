#!/usr/bin/env python3
"""How long a reference parser takes to walk all files of a volume: name, size and extents of each.

Prints the number of files and folders, the number of extents, and the seconds, for the benchmark to compare with.
"""

import argparse
import io
import os
import sys
import time

from common import Window


def walk_ntfs_dissect(window):
    """Every in-use base record of $MFT, the way dissect goes fastest: no path is worked out."""
    from dissect.ntfs import NTFS
    from dissect.ntfs.exceptions import Error

    ntfs = NTFS(window, sds=io.BytesIO(b""), usnjrnl=io.BytesIO(b""))
    files = extents = 0
    for number in range(ntfs.mft.get(0).size() // ntfs._record_size):
        try:
            record = ntfs.mft.get(number)
        except (Error, ValueError, EOFError):
            continue
        base = record.header.BaseFileRecordSegment
        if not record.header.Flags & 1 or base.SegmentNumberLowPart or base.SequenceNumber:
            continue
        record.filename  # noqa: B018  # the name is what is timed
        data = record.attributes.find("", 0x80)
        if data and not data.header.resident:
            data.size()
            extents += len(data.dataruns())
        files += 1
    return files, extents


def walk_ntfs_libfsntfs(window):
    """Every in-use record, by number."""
    import pyfsntfs

    volume = pyfsntfs.volume()
    volume.open_file_object(window)
    files = extents = 0
    for number in range(volume.number_of_file_entries):
        try:
            entry = volume.get_file_entry(number)
        except OSError:
            continue
        if not entry.is_allocated() or entry.base_record_file_reference:
            continue
        for index in range(entry.number_of_attributes):
            if entry.get_attribute(index).attribute_type == 0x30:
                entry.get_name_by_attribute_index(index)
        if entry.has_default_data_stream():
            entry.size  # noqa: B018
            for index in range(entry.number_of_extents):
                entry.get_extent(index)
                extents += 1
        files += 1
    return files, extents


def walk_fat_dissect(window):
    """From the root down. dissect's own run lists are timed, faults and all (see fat_answers.py)."""
    from dissect.fat import FATFS

    count = [0, 0]

    def walk(folder):
        for entry in folder.iterdir():
            if entry.name in (".", "..") or entry.is_volume_id():
                continue
            count[0] += 1
            count[1] += len(entry.dataruns())
            entry.size  # noqa: B018
            if entry.is_directory():
                walk(entry)

    walk(FATFS(window).root)
    return tuple(count)


def walk_fat_libfsfat(window):
    """From the root down."""
    import pyfsfat

    volume = pyfsfat.volume()
    volume.open_file_object(window)
    count = [0, 0]

    def walk(folder):
        for entry in folder.sub_file_entries:
            entry.name, entry.size  # noqa: B018
            count[0] += 1
            for index in range(entry.number_of_extents):
                entry.get_extent(index)
                count[1] += 1
            if entry.file_attribute_flags & 0x10:
                walk(entry)

    walk(volume.root_directory)
    return tuple(count)


WALKS = {
    ("ntfs", "dissect"): walk_ntfs_dissect,
    ("ntfs", "libfsntfs"): walk_ntfs_libfsntfs,
    ("fat", "dissect"): walk_fat_dissect,
    ("fat", "libfsfat"): walk_fat_libfsfat,
}


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("image", metavar="IMAGE")
    parser.add_argument("--offset", type=int, default=0, metavar="BYTES", help="where the volume starts")
    parser.add_argument("--parser", required=True, choices=["dissect", "libfsntfs", "libfsfat"])
    args = parser.parse_args()
    window = Window(args.image, args.offset)
    kind = "ntfs" if window.read(11)[3:7] == b"NTFS" else "fat"
    window.seek(0)
    walk = WALKS.get((kind, args.parser))
    if walk is None:
        parser.error(f"{args.parser} does not read {kind}")
    start = time.perf_counter()
    files, extents = walk(window)
    seconds = time.perf_counter() - start
    print(f"{files} files, {extents} extents, {seconds:.3f} seconds", flush=True)


if __name__ == "__main__":
    main()
    sys.stdout.flush()
    os._exit(0)  # the teardown of a large volume's objects is not part of the walk
