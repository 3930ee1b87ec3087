#!/usr/bin/env python3
"""Makes the volume the benchmark measures: NTFS with some 400,000 live files, by mkntfs and the FUSE driver.

What it is like: most files of 1 to 60 kB, an eighth small enough to stay in their records, a few big ones, one in 80 in
some 7 runs, a hundred of 300 runs with attribute lists; folders of 50 to 500 files; 12,000 further files deleted at the
end. The sizes of files and folders are the author's judgement of an office drive (common practice, no source). All
contents are zeros: no parser looks at them, and the image is made sparse at the end, so that it takes little room. The
same seed makes the same tree.
"""

import argparse
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time

BLOCK = memoryview(bytes(1 << 20))
GIB = 1 << 30

# An invented office that counts plants; nothing here is anybody's.
PLACES = ["Meadow", "Ridge", "Brook", "Hollow", "Orchard", "Marsh", "Quarry", "Hedge", "Common", "Glade"]
WORKS = ["Surveys", "Photos", "Letters", "Invoices", "Specimens", "Maps", "Drafts", "Herbarium", "Notes", "Seed lists"]
WORDS = ["sorrel", "yarrow", "vetch", "campion", "sedge", "plantain", "bedstraw", "knapweed", "mallow", "tansy"]
ENDINGS = [".txt", ".csv", ".jpg", ".jpg", ".docx", ".pdf", ".xlsx", ".png", ".log", ".json", ".dat", ".html"]


class Maker:
    """Fills the mounted volume."""

    def __init__(self, root, files, seed):
        self.root = root
        self.wanted = files
        self.random = random.Random(seed)
        self.live = 0
        self.folders = 0
        self.written = 0
        self.doomed = []

    def name(self, number):
        """Names of 8 to 60 characters, most some 25."""
        word = self.random.choice(WORDS)
        roll = self.random.random()
        if roll < 0.25:
            stem = f"IMG_{number:06d}"
        elif roll < 0.9:
            stem = f"{word} {self.random.choice(PLACES)} {number:06d}"
        else:
            stem = f"{word} counted again at {self.random.choice(PLACES)} by the river, page {number:06d}"
        return stem + self.random.choice(ENDINGS)

    def size(self):
        """In bytes: an eighth fits in the record, the others spread evenly over the orders of magnitude up to 60 kB."""
        if self.random.random() < 0.125:
            return self.random.randrange(600)
        return int(1000 * 60 ** self.random.random())

    def write(self, handle, count):
        self.written += count
        while count > 0:
            count -= os.write(handle, BLOCK[:count])

    def fill_folder(self, path, count, doomed):
        """`count` files in a new folder, and `doomed` more that will be deleted when all is written."""
        os.makedirs(path)
        self.folders += 1
        here = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
        for number in range(count + doomed):
            name = self.name(number)
            handle = os.open(name, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644, dir_fd=here)
            self.write(handle, self.size())
            os.close(handle)
            if doomed and number % (count // doomed) == 1 and number // (count // doomed) < doomed:
                self.doomed.append(os.path.join(path, name))
        os.close(here)
        self.live += count

    def fill_backwards(self, path, count, pieces):
        """`count` files written from the last piece to the first. On a volume with much room the driver keeps together
        what grows at its end, but finds most of these pieces a place of their own: some 7 runs for 8 pieces."""
        os.makedirs(path)
        self.folders += 1
        for number in range(count):
            handle = os.open(os.path.join(path, f"journal {number:03d}.dat"), os.O_WRONLY | os.O_CREAT)
            sizes = [self.random.randrange(1, 9) * 4096 for _ in range(pieces)]
            end = sum(sizes)
            os.ftruncate(handle, end)
            for size in sizes:
                end -= size
                os.lseek(handle, end, os.SEEK_SET)
                self.write(handle, size)
            os.close(handle)
        self.live += count

    def fill_with_holes(self, path, count, runs):
        """`count` files with every other cluster a hole: `runs` runs, attribute lists, extension records."""
        os.makedirs(path)
        self.folders += 1
        for number in range(count):
            handle = os.open(os.path.join(path, f"plots {number:03d}.db"), os.O_WRONLY | os.O_CREAT)
            os.ftruncate(handle, runs * 8192)
            for run in range(runs):
                os.lseek(handle, run * 8192, os.SEEK_SET)
                self.write(handle, 4096)
            os.close(handle)
        self.live += count

    def big_files(self, path, count):
        os.makedirs(path)
        self.folders += 1
        for number in range(count):
            handle = os.open(os.path.join(path, f"flight over {number:03d}.raw"), os.O_WRONLY | os.O_CREAT)
            self.write(handle, self.random.randrange(4 << 20, 40 << 20))
            os.close(handle)
        self.live += count

    def fill(self):
        began = time.monotonic()
        self.big_files(os.path.join(self.root, "Flights"), 40)
        year = 0
        while self.live < self.wanted:
            place = PLACES[self.folders % len(PLACES)]
            work = WORKS[self.random.randrange(len(WORKS))]
            if self.folders % 20 == 0:
                year += 1
            above = os.path.join(self.root, f"{1900 + year} {place}", work)
            folder = os.path.join(above, f"{self.random.choice(WORDS)} {self.folders:05d}")
            if self.folders % 6 == 3:
                self.fill_backwards(folder, min(16, self.wanted - self.live), 8)
            elif self.folders % 60 == 5:
                self.fill_with_holes(folder, min(4, self.wanted - self.live), 300)
            else:
                count = min(self.random.randrange(50, 501), self.wanted - self.live)
                self.fill_folder(folder, count, count * 3 // 100)
            if self.folders % 100 == 0:
                rate = self.live / (time.monotonic() - began)
                done = f"{self.live} files, {self.folders} folders, {self.written / 1e9:.1f} GB"
                print(f"  {done}, {rate:.0f} files/s", file=sys.stderr, flush=True)
        # At the end: the driver would use their records again for the next files.
        for file in self.doomed:
            os.unlink(file)


def run(*words):
    done = subprocess.run(words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False)
    if done.returncode:
        sys.exit(f"{' '.join(words)} ended with {done.returncode}:\n{done.stdout}")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("image", metavar="IMAGE")
    parser.add_argument("--files", type=int, default=400_000)
    parser.add_argument("--size", type=int, default=24, metavar="GIB", help="apparent size of the image")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()

    os.environ["PATH"] += ":/usr/sbin:/sbin"
    folder = os.path.dirname(os.path.abspath(args.image))
    os.makedirs(folder, exist_ok=True)
    room = shutil.disk_usage(folder).free
    if room < 14 * GIB:
        sys.exit(f"{folder} has {room / 1e9:.0f} GB free; making the volume takes up to 12 GB there for a while")

    # Under a name of its own until it is whole: an interrupted run leaves nothing that looks finished.
    making = args.image + ".making"
    with open(making, "wb") as image:
        image.truncate(args.size * GIB)
    run("mkntfs", "-F", "-Q", "-q", "-c", "4096", "-s", "512", "-p", "0", "-H", "255", "-S", "63", "-L", "Bench", making)
    mount = tempfile.mkdtemp(prefix="bench-mount-")
    # In the foreground, so that its end tells that the image is whole.
    driver = subprocess.Popen(["lowntfs-3g", "-o", "no_detach,big_writes,noatime", making, mount])
    try:
        while not os.path.ismount(mount):
            if driver.poll() is not None:
                sys.exit(f"the driver ended with {driver.returncode} instead of mounting {making}")
            time.sleep(0.05)
        maker = Maker(mount, args.files, args.seed)
        maker.fill()
    finally:
        subprocess.run(["fusermount3", "-u", mount], check=False)
        driver.wait()
        os.rmdir(mount)
    run("ntfsfix", "--no-action", making)
    run("fallocate", "--dig-holes", making)
    os.sync()
    os.rename(making, args.image)
    real = os.stat(args.image).st_blocks * 512
    print(f"{args.image}: {maker.live} files, {args.size} GiB apparent, {real / 1e9:.2f} GB on disk")


if __name__ == "__main__":
    main()
