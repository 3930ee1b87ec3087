"""NTFS volumes of every cluster and record size, and one whose $MFT needs an attribute list of its own."""

import os

from ntfs_common import (
    fill_up,
    format_ntfs,
    write,
    write_compressed_set,
    write_in_turns,
    write_pattern,
    write_sparse,
)
from run import mounted


# Written in turns; those to be deleted lie between the others.
FRAGMENTED = ("a", "b", "c", "gone 1", "d", "gone 2")
DELETED = ("gone 1", "gone 2")


def geometry(size, cluster, serial, sector=512, blocks=60, entries=400, label="Fernhollow"):
    """A maker of a volume with that geometry: runs, an index, streams, holes, links, deleted entries.

    `blocks` is the number of runs of the fragmented files, `entries` that of a folder.
    """

    def make(image, scratch):
        format_ntfs(image, size, cluster, label, serial, sector)
        with mounted(image, scratch) as mount:
            write_pattern(mount, "/Surveys/2019 Meadow/plot list.csv", cluster * 2 + 17, min(cluster, 4096))
            write_pattern(mount, "/Users/ida/Documents/report draft.odt", min(cluster, 65536) + 1, 4096)
            write_pattern(mount, "/Users/tom/Documents/empty.txt", 0)
            write_pattern(mount, "/Users/tom/Documents/small.txt", 90)
            write_in_turns(mount, [f"/Photos/{name}.raw" for name in FRAGMENTED], blocks, cluster)
            os.makedirs(f"{mount}/Specimens")
            for index in range(entries):
                write_pattern(mount, f"/Specimens/specimen {index:05d}.txt", 70)
            write_pattern(mount, "/Photos/b.raw:thumbnail", cluster + 5, min(cluster, 4096))
            write_sparse(
                mount, "/Surveys/sparse.bin", cluster * 64, [(0, 100), (cluster * 20, 100), (cluster * 40, 100)]
            )
            os.link(f"{mount}/Photos/a.raw", f"{mount}/Users/ida/same as a.raw")
            # Enough long names to need an attribute list.
            for index in range(40 if sector == 4096 else 8):
                name = f"{index} ".ljust(150, "x")
                if index == 0:
                    write_pattern(mount, f"/Surveys/Links/{name}", 300)
                else:
                    os.link(f"{mount}/Surveys/Links/{'0 '.ljust(150, 'x')}", f"{mount}/Surveys/Links/{name}")
            if cluster <= 4096:
                write_compressed_set(mount, "/Surveys/Compressed")
            write_pattern(mount, "/pagefile.sys", cluster * 4, min(cluster, 4096))
            for name in DELETED:
                os.remove(f"{mount}/Photos/{name}.raw")
            for index in range(entries - 20, entries):
                os.remove(f"{mount}/Specimens/specimen {index:05d}.txt")

    return make


def mft_list(image, scratch):
    """A small volume with 512-byte clusters whose $MFT grows while every free stretch is one cluster long."""
    format_ntfs(image, 16 << 20, 512, "Fernhollow Old", 0x0F3E12A4C5B60799)
    with mounted(image, scratch) as mount:
        stripes = [f"/Photos/Stripes/stripe {index:02d}.raw" for index in range(34)]
        write_in_turns(mount, stripes, 280, 512)
        fill_up(mount, "/Photos/ballast.tmp", 65536)
        for path in stripes[1::2]:
            os.remove(mount + path)
        # 17 x 280 free clusters of 512 bytes, one by one: each record takes two.
        for index in range(1800):
            write(mount, f"/Surveys/Grown late/sample {index:04d}.txt", b"late %d\n" % index)
        os.remove(mount + "/Photos/ballast.tmp")
        write_pattern(mount, "/Surveys/written at the end.csv", 30_000, 512)
