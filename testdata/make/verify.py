"""Checks a fixture against its own answers before it is kept.

The extents of the answers are read from the image and compared with what the driver (or mtools) reads by itself, and
the clusters of all live files together are compared with the allocation map.
"""

import os

from run import Failed


def check_ownership(answers):
    """No cluster has two owners, and owned is allocated: both ways, but for clusters marked bad."""
    cluster = answers["cluster_bytes"]
    first = answers["first_cluster_byte"]
    owner = {}
    for file in answers["files"]:
        if file["deleted"]:
            continue
        for start, length in file["extents"]:
            if start < first:
                continue  # the fixed root folder of FAT12 and FAT16
            for number in range((start - first) // cluster, (start - first + length) // cluster):
                if number in owner:
                    raise Failed(f"cluster {number} belongs to {owner[number]} and {file['path']}")
                owner[number] = file["path"]
    base = 0 if answers["kind"] == "ntfs" else 2
    allocated = {n - base for start, count in answers["allocated"] for n in range(start, start + count)}
    allocated -= {number - base for number in answers.get("bad_clusters", [])}
    if allocated != set(owner):
        extra, missing = sorted(allocated - set(owner)), sorted(set(owner) - allocated)
        raise Failed(f"allocated, owned by none: {extra[:9]}; owned, not allocated: {missing[:9]}")


def check_contents(answers, image, read):
    """Compares every live, non-resident, hole-free file with `read(file)`; returns how many there were."""
    compared = 0
    with open(image, "rb") as source:
        for file in answers["files"]:
            if file["deleted"]:
                continue
            length = sum(part for _, part in file["extents"])
            if (
                file["attribute"]
                or (file["kind"] == "folder" and not file["stream"])
                or file["size"] == 0
                or length < file["size"]
                or file["path"].startswith("/$") and "Recycle" not in file["path"]
                or file.get("compressed")
            ):
                continue
            stored = bytearray()
            for start, part in file["extents"]:
                source.seek(answers["volume_start"] + start)
                stored += source.read(part)
            # Past its valid size a file reads as zeros, whatever the clusters hold.
            valid = file.get("valid_size", file["size"])
            if bytes(stored[:valid]) + bytes(file["size"] - valid) != read(file):
                raise Failed(f"{file['path']}: the extents do not hold the content of the file")
            compared += 1
    if compared == 0:
        raise Failed("no content was compared")
    return compared


def reader(mount):
    """Reads a file or stream of the answers through a mounted volume (streams_interface=windows)."""

    def read(file):
        path = mount + file["path"] + (f":{file['stream']}" if file["stream"] else "")
        with open(os.fsencode(path), "rb") as content:
            return content.read()

    return read
