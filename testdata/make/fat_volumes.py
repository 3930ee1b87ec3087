"""FAT12, FAT16 and FAT32 fixtures: formatted by mkfs.fat, filled by mtools."""

import os
import shutil
import struct

from content import pattern
from run import Failed, blank, patch, tool

STAMP = 1556870400  # the time of every staged file
# mtools cannot write a character outside the basic plane. These two private ones stand in its place and are then
# replaced by the surrogate pair of a fern-green herb; both are in one entry of the long name.
STAND_IN, HERB, REST = "\ue000\ue001", "\U0001f33f", " herb.txt"


class Stage:
    """A folder whose files go into an image by mcopy, so that their times are fixed."""

    def __init__(self, image, scratch):
        self.image = image
        self.folder = os.path.join(scratch, "stage")
        self.made = {"/"}
        self.clear()

    def clear(self):
        shutil.rmtree(self.folder, ignore_errors=True)
        os.makedirs(self.folder)

    def add(self, path, size, block_bytes):
        full = self.folder + path
        os.makedirs(os.path.dirname(full), exist_ok=True)
        with open(full, "wb") as file:
            file.write(pattern(path, size, block_bytes))

    def copy(self):
        """Puts everything staged so far into the image, in a fixed order, and clears the stage.

        Folder by folder: mcopy -s would take the entries in whatever order the scratch file system lists them.
        """
        for root, folders, files in os.walk(self.folder):
            folders.sort()
            inside = root[len(self.folder) :] or "/"
            if inside not in self.made:
                self.made.add(inside)
                tool("mmd", "-i", self.image, f"::{inside}")
            # Long names first: mtools makes a folder larger by one cluster at a time, too little in a folder that
            # is nearly full of 512-byte clusters when a name needs 21 entries.
            sources = [os.path.join(root, name) for name in sorted(files, key=lambda name: (-len(name), name))]
            for source in sources:
                os.utime(source, (STAMP, STAMP))
            if sources:
                tool("mcopy", "-m", "-i", self.image, *sources, f"::{inside.rstrip('/')}/")
        self.clear()

    def delete(self, *paths):
        tool("mdel", "-i", self.image, *(f"::{path}" for path in paths))

    def delete_folder(self, path):
        tool("mdeltree", "-i", self.image, f"::{path}")


def format_fat(image, size, bits, serial, label, sectors_per_cluster, sector=512, bad_blocks=(), options=()):
    """Formats an image; `bad_blocks` are numbers of 1,024-byte blocks, mkfs.fat's unit."""
    blank(image, size)
    words = ["mkfs.fat", "--invariant", "-F", bits, "-i", serial, "-n", label, "-S", sector, "-s", sectors_per_cluster]
    if bad_blocks:
        with open(f"{image}.bad", "w", encoding="ascii") as file:
            file.writelines(f"{block}\n" for block in bad_blocks)
        words += ["-l", f"{image}.bad"]
    tool(*words, *options, image)


def fill(image, scratch, cluster, many, pads, root_files=0):
    """The office's files, then the awkward ones; `many` entries in one folder, `pads` files to chop up free space."""
    stage = Stage(image, scratch)
    ordinary(stage, cluster)
    names(stage, image, cluster)
    for index in range(root_files):
        stage.add(f"/PLOT{index:04d}.TXT", index % 3 * 100, cluster)
    for index in range(many):
        stage.add(f"/Specimens/specimen {index:05d}.txt", 0 if index % 5 else 40, cluster)
    stage.copy()
    withdrawn(stage, cluster)
    fragmented(stage, image, cluster, pads)


def ordinary(stage, cluster):
    for name, size in {
        "/Surveys/2019 Meadow/plot list.csv": 3 * cluster + 17,
        "/Surveys/2019 Meadow/north edge.csv": cluster,
        "/Surveys/2020 Fen/water levels.csv": 9 * cluster + 1,
        "/Photos/2019/orchid 0001.jpg": 21 * cluster - 5,
        "/Photos/2020/sedge 0001.jpg": 12 * cluster,
        "/Users/ida/Documents/report draft.odt": 5 * cluster + 100,
        "/Users/tom/Documents/empty.txt": 0,
        "/Users/tom/Documents/EMPTY2.TXT": 0,
    }.items():
        stage.add(name, size, cluster)
    stage.add("/" + "/".join(f"level {depth:02d}" for depth in range(1, 16)) + "/bottom.txt", cluster + 1, cluster)


def names(stage, image, cluster):
    """Names short and long; those in one case throughout have no long entry but flag bits."""
    for name in (
        "README.TXT",
        "lower.txt",
        "NAMEUP.txt",
        "extup.TXT",
        "noext",
        "Mixed.Txt",
        "two.dots.txt",
        "Été à la prairie.txt",
        "植物調査 春.txt",
        "Полевой журнал.txt",
        STAND_IN + REST,
        "thirteen char",
        "exactly twenty six chars  z",
        "q" * 251 + ".txt",
    ):
        stage.add(f"/Surveys/Names/{name}", 60, cluster)
    stage.copy()
    exchange(image, STAND_IN, HERB)


def exchange(image, old, new):
    """Replaces the first two units of the name by two others; the name's first five stand together."""
    with open(image, "rb") as file:
        at = file.read().find((old + REST[:3]).encode("utf-16-le"))
    if at < 0:
        raise Failed(f"{image}: no long name starts with {old!r}")
    patch(image, at, new.encode("utf-16-le"))


def put_stand_in_back(image):
    """Makes the image one that mtools can read out whole."""
    exchange(image, HERB, STAND_IN)


def stand_in_path(path):
    return path.replace(HERB, STAND_IN)


def withdrawn(stage, cluster):
    """A deleted folder with files below it."""
    for index in range(4):
        stage.add(f"/Withdrawn sheets/inner/sheet {index}.csv", 2 * cluster, cluster)
    stage.add("/Withdrawn sheets/NOTE.TXT", 30, cluster)
    stage.copy()
    stage.delete_folder("/Withdrawn sheets")


def fragmented(stage, image, cluster, pads):
    """Every other pad is deleted, then one file takes most of the holes: about one run for each."""
    for index in range(pads):
        stage.add(f"/Pads/pad {index:04d}.tmp", cluster, cluster)
    stage.copy()
    stage.delete(*(f"/Pads/pad {index:04d}.tmp" for index in range(1, pads, 2)))
    search_from_start(image)
    stage.add("/Photos/mosaic.raw", (pads // 2 * 4 // 5) * cluster - 7, cluster)
    stage.copy()


def search_from_start(image):
    """On FAT32, forgets where the last search for a free cluster ended, in both copies of the FSInfo sector."""
    with open(image, "rb") as file:
        boot = file.read(512)
        sector = struct.unpack_from("<H", boot, 11)[0]
        if struct.unpack_from("<H", boot, 22)[0] != 0:
            return
        info, backup = struct.unpack_from("<HH", boot, 48)
    for at in (info, backup + info):
        patch(image, at * sector + 492, b"\xff\xff\xff\xff")


def fat12_floppy(image, scratch):
    format_fat(image, 1440 << 10, 12, "0f3e1201", "FERN FLOPPY", 1)
    fill(image, scratch, 512, 120, 160)


def fat12_clusters_4k(image, scratch):
    format_fat(image, 8 << 20, 12, "0f3e1202", "FERN 12 4K", 8, bad_blocks=[4000, 4001, 6000])
    fill(image, scratch, 4096, 100, 200)


def fat16(image, scratch):
    format_fat(image, 24 << 20, 16, "0f3e1601", "FERN 16", 4, bad_blocks=[12_000, 12_001, 12_002, 20_000])
    fill(image, scratch, 2048, 1200, 1000, root_files=150)


def fat16_sector_4096(image, scratch):
    format_fat(image, 24 << 20, 16, "0f3e1602", "FERN 16 4KN", 1, sector=4096)
    fill(image, scratch, 4096, 300, 300, root_files=60)


def fat32_clusters_512(image, scratch):
    format_fat(image, 40 << 20, 32, "0f3e3201", "FERN 32", 1, bad_blocks=[30_000])
    fill(image, scratch, 512, 1000, 1500)


def fat32_clusters_4k(image, scratch):
    # 65,525 clusters at the least, so a little over 256 MiB; nearly all of it is zeros.
    format_fat(image, 272 << 20, 32, "0f3e3202", "FERN 32 4K", 8)
    fill(image, scratch, 4096, 1000, 600)


def fat32_sector_4096(image, scratch):
    format_fat(image, 272 << 20, 32, "0f3e3203", "FERN 32 4KN", 1, sector=4096)
    fill(image, scratch, 4096, 300, 300)
