"""Volumes formatted twice with different cluster sizes, so that structures of the first formatting stand among those of
the second: what a search for lost geometry must not be misled by. Run by itself; the answers are those of the boot sector
that the formatter wrote, so none are kept.
"""

import os
import tempfile

from fixture import keep_image
from ntfs_common import format_ntfs
from run import blank, mounted, tool


def twice_ntfs(image, mount):
    """64 KiB clusters, then 4 KiB: the first $MFT and its mirror stay whole."""
    size = 48 << 20
    format_ntfs(image, size, 65536, "first", 0x1111_2222_3333_4444)
    # mkntfs keeps what it does not write: formatting in place, without blanking.
    tool("mkntfs", "-F", "-Q", "-c", 4096, "-L", "second", "-p", 0, "-H", 0, "-S", 0, image)
    with mounted(image, mount) as folder:
        for number in range(40):
            os.makedirs(os.path.join(folder, f"box {number % 4}"), exist_ok=True)
            with open(os.path.join(folder, f"box {number % 4}", f"label {number:02d}.txt"), "wb") as file:
                file.write(b"sedge\n" * (number * 700))


def twice_fat(image, scratch):
    """FAT16 with clusters of 4 KiB and files, then with 1 KiB and fewer files."""
    blank(image, 24 << 20)
    for sectors, label, files in ((8, "FIRST", 60), (2, "SECOND", 25)):
        tool("mkfs.fat", "--invariant", "-F", 16, "-i", "A1B2C3D4", "-n", label, "-s", sectors, image)
        for number in range(files):
            if number < 6:
                tool("mmd", "-i", image, f"::{label}{number}")
            path = os.path.join(scratch, f"f{number}")
            with open(path, "wb") as file:
                file.write(b"reed\n" * (number * 531))
            target = f"::{label}{number % 6}/" if number >= 12 else "::"
            tool("mcopy", "-i", image, path, f"{target}FILE{number:03d}.TXT")


def main():
    with tempfile.TemporaryDirectory() as scratch:
        for name, make in (("ntfs-formatted-twice", twice_ntfs), ("fat16-formatted-twice", twice_fat)):
            image = os.path.join(scratch, f"{name}.img")
            make(image, os.path.join(scratch, "mount") if make is twice_ntfs else scratch)
            keep_image(name, image)


if __name__ == "__main__":
    main()
