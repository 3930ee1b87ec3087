"""ntfs-rich: one volume with everything an office's disk may hold, and the awkward things besides."""

import os
import struct

from content import pattern
from ntfs_common import (
    fill_up,
    format_ntfs,
    write,
    write_compressed_set,
    write_in_turns,
    write_pattern,
    write_sparse,
)
from run import mounted, tool

SIZE = 64 << 20
CLUSTER = 4096
PREALLOCATED = "/Surveys/preallocated.dat"
# Files whose attribute list stays in the record: (names of 150 characters, clusters of data).
RESIDENT_LISTS = ((2, 9), (3, 16), (4, 24), (5, 200), (6, 40))
LONG_NAME = "Quadrat notes " + "æ" * (255 - 14 - 4) + ".txt"


def make(image, scratch):
    format_ntfs(image, SIZE, CLUSTER, "Fernhollow Data", 0x0F3E12A4C5B60718)
    with mounted(image, scratch) as mount:
        ordinary(mount)
        deleted_before_reuse(mount)
        awkward(mount)
        chopped(mount)
        many_small(mount)
        write_pattern(mount, PREALLOCATED, 10_000)
    # 400,000 bytes long with clusters for all, 10,000 of them valid.
    tool("ntfsfallocate", "-l", 400_000, image, PREALLOCATED[1:])
    with mounted(image, scratch) as mount:
        deleted_last(mount)


def ordinary(mount):
    """What an office has."""
    for name, size in {
        "/Surveys/2019 Meadow/plot list.csv": 18_400,
        "/Surveys/2019 Meadow/transects/north edge.csv": 4096,
        "/Surveys/2019 Meadow/transects/south edge.csv": 4097,
        "/Surveys/2020 Fen/water levels.csv": 90_000,
        "/Surveys/2020 Fen/readme.txt": 40,
        "/Photos/2019/orchid 0001.jpg": 210_000,
        "/Photos/2019/orchid 0002.jpg": 198_765,
        "/Photos/2020/sedge 0001.jpg": 333_333,
        "/Users/ida/Documents/report draft.odt": 51_200,
        "/Users/ida/Documents/invoice 17.pdf": 8191,
        "/Users/ida/Desktop/to do.txt": 512,
        "/Users/tom/Documents/species key.txt": 700,
        "/Users/tom/Documents/empty.txt": 0,
        "/$Recycle.Bin/S-1-5-21-1-2-3-1001/$R4K2L9.csv": 12_345,
        "/$Recycle.Bin/S-1-5-21-1-2-3-1001/$I4K2L9.csv": 88,
        "/pagefile.sys": 1_048_576,
        "/hiberfil.sys": 786_432,
        "/swapfile.sys": 262_144,
    }.items():
        write_pattern(mount, name, size)
    write_pattern(mount, "/" + "/".join(f"level {depth:02d}" for depth in range(1, 31)) + "/bottom.txt", 9000)
    os.makedirs(f"{mount}/Surveys/2021 empty folder")


def deleted_before_reuse(mount):
    """Deleted files whose clusters and records later files may take."""
    for index in range(12):
        write_pattern(mount, f"/Surveys/2018 withdrawn/sheet {index:02d}.csv", 40_000)
    for index in range(12):
        os.remove(f"{mount}/Surveys/2018 withdrawn/sheet {index:02d}.csv")
    os.rmdir(f"{mount}/Surveys/2018 withdrawn")


def awkward(mount):
    """One of each thing that a simple reader gets wrong."""
    write_compressed_set(mount, "/Surveys/Compressed")

    sparse = "/Surveys/Sparse"
    write_sparse(mount, f"{sparse}/hole at start.bin", 300_000, [(262_144, 37_856)])
    write_sparse(mount, f"{sparse}/hole in the middle.bin", 400_000, [(0, 50_000), (350_000, 50_000)])
    write_sparse(mount, f"{sparse}/hole at end.bin", 1_000_000, [(0, 65_536)])
    write_sparse(mount, f"{sparse}/nothing but hole.bin", 5_000_000, [])
    write_sparse(mount, f"{sparse}/comb.bin", 2_000_000, [(at, 4096) for at in range(0, 2_000_000, 131_072)])

    write_pattern(mount, "/Photos/with streams.jpg", 30_000)
    write_pattern(mount, "/Photos/with streams.jpg:Zone.Identifier", 60)
    write_pattern(mount, "/Photos/with streams.jpg:thumbnail", 70_000)
    write_pattern(mount, "/Photos/2020:folder note", 20_000)
    write_pattern(mount, "/Photos/resident with large stream.txt", 30)
    write_pattern(mount, "/Photos/resident with large stream.txt:original", 45_000)

    write_pattern(mount, "/Users/ida/Documents/shared key.txt", 25_000)
    os.makedirs(f"{mount}/Users/tom/Links")
    os.link(f"{mount}/Users/ida/Documents/shared key.txt", f"{mount}/Users/tom/Links/key of ida.txt")
    os.link(f"{mount}/Users/ida/Documents/shared key.txt", f"{mount}/Surveys/key.txt")

    # Forty names do not fit one record: a resident attribute list, names in extension records.
    write_pattern(mount, "/Surveys/Many names/name 00 of a much-linked sheet.csv", 10_000)
    for index in range(1, 40):
        os.link(
            f"{mount}/Surveys/Many names/name 00 of a much-linked sheet.csv",
            f"{mount}/Surveys/Many names/name {index:02d} of a much-linked sheet.csv",
        )
    # A few names of 150 characters: the driver then keeps the list resident. Their data is chopped up later.
    for links, _ in RESIDENT_LISTS:
        write_pattern(mount, resident_list_name(links, 0), 10)
        for index in range(1, links):
            os.link(mount + resident_list_name(links, 0), mount + resident_list_name(links, index))
    # Many streams: attribute list with resident and non-resident members.
    write_pattern(mount, "/Surveys/Many streams.dat", 5000)
    for index in range(16):
        write_pattern(mount, f"/Surveys/Many streams.dat:layer {index:02d}", 5000 if index % 2 else 90)

    names = [
        "Été à la prairie.txt",
        "Übersicht Grünfläche.txt",
        "植物調査 春.txt",
        "Полевой журнал.txt",
        "🌿 fern 🍃.txt",
        "e\u0301 decomposed.txt",
        "trailing dots and spaces . x",
        "name with 'quotes' & (brackets) #1;x=y.txt",
        LONG_NAME,
    ]
    for name in names:
        write_pattern(mount, f"/Surveys/Ünïcode 名前/{name}", 6000)
    assert len(LONG_NAME) == 255

    # A name of the 8.3 kind beside the long one: it is no path of its own.
    write_pattern(mount, "/Surveys/Long name with a short one.txt", 5000)
    os.setxattr(f"{mount}/Surveys/Long name with a short one.txt", "system.ntfs_dos_name", b"LONGNA~1.TXT")

    os.symlink("2019 Meadow/plot list.csv", f"{mount}/Surveys/link to plots")
    # A mount point, and a tag of no known owner whose data is too large to be resident.
    os.makedirs(f"{mount}/Surveys/junction")
    os.setxattr(f"{mount}/Surveys/junction", "system.ntfs_reparse_data", junction("\\??\\C:\\Photos", "C:\\Photos"))
    write(mount, "/Surveys/large reparse data.dat", b"")
    large = struct.pack("<IHH", 0x0000_0ABC, 9000, 0) + bytes(range(16)) + pattern("reparse", 9000)
    os.setxattr(f"{mount}/Surveys/large reparse data.dat", "system.ntfs_reparse_data", large)

    write_pattern(mount, "/Surveys/small ea.txt", 100)
    os.setxattr(f"{mount}/Surveys/small ea.txt", "system.ntfs_ea", extended_attributes([("SITE", b"north meadow")]))
    write_pattern(mount, "/Surveys/large ea.txt", 10_000)
    os.setxattr(
        f"{mount}/Surveys/large ea.txt",
        "system.ntfs_ea",
        extended_attributes([(f"PART{index}", pattern(f"ea {index}", 6000)) for index in range(3)]),
    )


def resident_list_name(links, index):
    return f"/Surveys/Resident lists/{links} names, {index} ".ljust(150 + len("/Surveys/Resident lists/"), "x")


def junction(substitute, shown):
    """The reparse data of a mount point: MS-FSCC 2.1.2.5 (from memory)."""
    substitute, shown = substitute.encode("utf-16-le"), shown.encode("utf-16-le")
    path = substitute + b"\0\0" + shown + b"\0\0"
    buffer = struct.pack("<HHHH", 0, len(substitute), len(substitute) + 2, len(shown)) + path
    return struct.pack("<IHH", 0xA0000003, len(buffer), 0) + buffer


def extended_attributes(pairs):
    """A chain of FILE_FULL_EA_INFORMATION, MS-FSCC 2.4.16 (from memory): each entry padded to 4 bytes.

    On the volume the last entry too says how long it is, and the driver asks for that.
    """
    chain = b""
    for name, value in pairs:
        entry = struct.pack("<BBH", 0, len(name), len(value)) + name.encode() + b"\0" + value
        length = (4 + len(entry) + 3) // 4 * 4
        entry = entry.ljust(length - 4, b"\0")
        chain += struct.pack("<I", length) + entry
    return chain


def chopped(mount):
    """Leaves only single free clusters, then writes what shall be in thousands of runs, then makes room again."""
    stripes = [f"/Photos/Stripes/stripe {index:02d}.raw" for index in range(18)]
    write_in_turns(mount, stripes, 290, CLUSTER)
    fill_up(mount, "/Photos/ballast.tmp")
    for path in stripes[1::2]:
        os.remove(mount + path)
    # 9 x 290 single free clusters. First a few hundred records, so that $MFT itself grows piece by piece.
    for index in range(300):
        write_pattern(mount, f"/Surveys/Grown late/sample {index:04d}.txt", 200)
    for links, clusters in RESIDENT_LISTS:
        write_pattern(mount, resident_list_name(links, 0), clusters * CLUSTER)
    write_pattern(mount, "/Photos/mosaic.raw", 2100 * CLUSTER - 1000)
    os.remove(mount + "/Photos/ballast.tmp")


def many_small(mount):
    """5,000 tiny files in one folder: a large index, resident content."""
    folder = f"{mount}/Users/ida/Specimens"
    os.makedirs(folder)
    for index in range(5000):
        with open(f"{folder}/specimen {index:05d}.txt", "wb") as file:
            file.write(pattern(f"specimen {index:05d}", 60 + index % 97))


def deleted_last(mount):
    """Deleted at the end. Two more files then take the first freed records and some of the freed clusters."""
    for index in range(3):
        write_pattern(mount, f"/Surveys/scratch {index}.tmp", 20_000)
    drafts = "/Users/tom/Old drafts"
    for index in range(5):
        write_pattern(mount, f"{drafts}/draft {index}.odt", 33_000)
    write_pattern(mount, f"{drafts}/inner/figure.png", 64_000)
    write_in_turns(mount, [f"{drafts}/split {name}.dat" for name in "abcdef"], 20, CLUSTER)
    write_in_turns(mount, [f"{drafts}/many runs {name}.dat" for name in "abcdef"], 290, CLUSTER)
    write_pattern(mount, "/Users/tom/Documents/withdrawn letter.txt", 300)
    for index in range(3):
        os.remove(f"{mount}/Surveys/scratch {index}.tmp")
    for root, folders, files in os.walk(mount + drafts, topdown=False):
        for name in sorted(files):
            os.remove(os.path.join(root, name))
        for name in sorted(folders):
            os.rmdir(os.path.join(root, name))
    os.rmdir(mount + drafts)
    os.remove(f"{mount}/Users/tom/Documents/withdrawn letter.txt")
    write_in_turns(mount, ["/Surveys/written after a.dat", "/Surveys/written after b.dat"], 40, CLUSTER)
