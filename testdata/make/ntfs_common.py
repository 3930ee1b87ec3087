"""Formatting NTFS images and the operations several fixtures share."""

import os
import struct

from content import block, noise, pattern
from run import blank, patch, tool

FILE_ATTRIBUTE_COMPRESSED = 0x800


def format_ntfs(image, size, cluster, label, serial, sector=512):
    """Formats with mkntfs, then gives both boot sectors a fixed serial number, which mkntfs draws at random."""
    blank(image, size)
    tool("mkntfs", "-F", "-Q", "-s", sector, "-c", cluster, "-L", label, "-p", 0, "-H", 0, "-S", 0, image)
    with open(image, "rb") as file:
        total_sectors = struct.unpack_from("<Q", file.read(512), 0x28)[0]
    for at in (0, total_sectors * sector):
        patch(image, at + 0x48, struct.pack("<Q", serial))


def write(mount, path, data):
    """Writes a whole file, with its folders."""
    full = mount + path
    os.makedirs(os.path.dirname(full), exist_ok=True)
    with open(full, "wb") as file:
        file.write(data)


def write_pattern(mount, path, size, block_bytes=4096):
    write(mount, path, pattern(path, size, block_bytes))


def set_compressed(mount, path):
    """Marks a folder or file so that the driver compresses what is written to it from now on."""
    os.setxattr(mount + path, "system.ntfs_attrib", struct.pack("<I", FILE_ATTRIBUTE_COMPRESSED))


def write_in_turns(mount, paths, blocks, block_bytes):
    """Appends one block to each file in turn, so that every file's blocks alternate with the others'.

    The driver spreads new files over three regions of the volume, so it takes more than three files, and it keeps
    this up for about 300 runs a file; past that it finds the files longer free stretches.
    """
    for path in paths:
        os.makedirs(os.path.dirname(mount + path), exist_ok=True)
    files = [open(mount + path, "wb", buffering=0) for path in paths]
    for index in range(blocks):
        for path, file in zip(paths, files, strict=True):
            # A cluster of 2 MiB needs only its start written: what is asked for is the cluster, not two megabytes.
            file.seek(index * block_bytes)
            file.write(block(path, index, min(block_bytes, 65536)))
    for file in files:
        file.close()


def fill_up(mount, path, block_bytes=1 << 20):
    """Writes a file until the volume is full; returns its size."""
    size = 0
    with open(mount + path, "wb", buffering=0) as file:
        while block_bytes >= 512:
            try:
                size += file.write(b"\xbb" * block_bytes)
            except OSError:
                block_bytes //= 2
    return size


def write_compressed_set(mount, folder):
    """Files of every shape that compression by units of 16 clusters gives."""
    os.makedirs(mount + folder, exist_ok=True)
    set_compressed(mount, folder)
    write_pattern(mount, f"{folder}/transect all compressible.txt", 300_000)
    write(mount, f"{folder}/transect incompressible.bin", noise("incompressible", 140_000))
    mixed = b"".join(
        noise(f"mixed {unit}", 65536) if unit % 2 else pattern(f"mixed {unit}", 65536) for unit in range(4)
    )
    write(mount, f"{folder}/transect every other unit.bin", mixed)
    write_pattern(mount, f"{folder}/tail of one byte.txt", 65537)
    write_pattern(mount, f"{folder}/one byte short of a unit.txt", 65535)
    write_pattern(mount, f"{folder}/exactly two units.txt", 131072)
    write(mount, f"{folder}/zeros.bin", bytes(200_000))
    write(mount, f"{folder}/zeros between.bin", pattern("before", 70_000) + bytes(200_000) + pattern("after", 70_000))
    write_pattern(mount, f"{folder}/resident.txt", 120)


def write_sparse(mount, path, size, islands):
    """A file of `size` bytes where only the (offset, length) islands are written; the rest are holes."""
    full = mount + path
    os.makedirs(os.path.dirname(full), exist_ok=True)
    with open(full, "wb") as file:
        for offset, length in islands:
            file.seek(offset)
            file.write(pattern(f"{path} at {offset}", length))
        file.truncate(size)
