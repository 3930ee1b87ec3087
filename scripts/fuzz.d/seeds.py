"""Writes a seed corpus for the fuzz targets of tests/fuzz: seeds.py GLEANER FOLDER

Seeds come from testdata (starts of real volumes and drives), from what gleaner itself writes (plans, a case), and, for the
targets that understand their input as changes to a real volume, from changes of single fields to telling values.
GLEANER is the built program. The same seeds come out every time.
"""

import pathlib
import random
import subprocess
import sys
import tempfile

TESTDATA = pathlib.Path(__file__).resolve().parents[2] / "testdata"
VALUES = [b"\0", b"\xff", b"\x80", b"\x7f", b"\0\0\0\0", b"\xff\xff\xff\xff", b"\xff\xff\xff\x7f", b"\1\0\0\0\0\0\0\0", b"\xff" * 8, b"\xff" * 7 + b"\x7f"]


def start_of(name, count):
    """The first bytes of an image."""
    with subprocess.Popen(["zstd", "-dcq", TESTDATA / f"{name}.img.zst"], stdout=subprocess.PIPE) as unpack:
        start = unpack.stdout.read(count)
        unpack.kill()
    return start


def change(place, value):
    """One change in the form of tests/fuzz/src/patched.rs: kind (here: how many bytes), place, bytes."""
    return bytes([len(value) - 1]) + place.to_bytes(3, "little") + value


def changes(bases, reach, count):
    """Inputs with one to four changes each, most of them within the first bytes of the structure."""
    chance = random.Random(count)
    for number in range(count):
        flags = 1 if number % 3 else 0
        made = b""
        for _ in range(chance.randint(1, 4)):
            place = chance.randrange(chance.choice([512, 4096, 65536, reach]))
            kind = chance.randrange(10)
            if kind < 7:
                made += change(place, chance.choice(VALUES))
            else:
                made += bytes([[200, 220, 240][kind - 7]]) + place.to_bytes(3, "little")
                made += chance.randrange(reach).to_bytes(3, "little") if kind == 9 else b""
        yield bytes([number % bases, flags]) + made


def volumes():
    names = sorted(path.name.removesuffix(".img.zst") for path in TESTDATA.glob("*.img.zst"))
    return {name: start_of(name, 64 << 10) for name in names}


def case_files(gleaner, work):
    """A plan, and the files of a case that was copied for its structure."""
    image = work / "drive.img"
    image.write_bytes(start_of("fat12-floppy", 2 << 20))
    for scope in ["structure", "allocated", "whole"]:
        plan = work / f"{scope}.json"
        subprocess.run([gleaner, "plan", "--quiet", "--scope", scope, "--output", plan, image], check=True, stdout=subprocess.DEVNULL)
        yield "plan", plan.read_bytes()
    case = work / "case"
    subprocess.run([gleaner, "plan", "--quiet", "--scope", "allocated", "--case", case, image], check=True, stdout=subprocess.DEVNULL)
    subprocess.run([gleaner, "copy", "--quiet", "--case", case, image], check=True, stdout=subprocess.DEVNULL)
    for which, name in enumerate(["case.json", "record.jsonl", "journal"]):
        content = (case / name).read_bytes()
        yield "case", bytes([which]) + content
        if name == "journal":
            yield "journal", b"\0" + content
            yield "journal", b"\1" + content
            yield "journal", b"\1" + content[:512]


def seeds(gleaner, work):
    starts = volumes()
    for target, bases, reach in [("layout", 6, 64 << 10), ("ntfs", 4, 2 << 20), ("fat", 5, 256 << 10), ("exfat", 3, 256 << 10), ("ext", 3, 128 << 10), ("hfsplus", 5, 64 << 10), ("apfs", 2, 128 << 10), ("drive", 4, 1 << 20)]:
        for content in changes(bases, reach, 150):
            yield target, content
    for content in changes(2, 512 << 10, 150):
        yield "volume_encryption", b"\3" + content
        yield "volume_encryption", b"\4" + content
    # A recovery password as it is printed; no volume's.
    yield "volume_encryption", b"\2" + b"-".join([b"001419"] * 8)
    for name, start in starts.items():
        yield "raw_volume", b"\0\x20" + start[: 32 << 10]
        for which in [0x7F, 0xFF]:
            yield "boot_sign", bytes([which]) + start[:512]
    for which in range(32):
        yield "signs", bytes([which]) + bytes(70 << 10)
    for name in starts:
        if not name.startswith(("ntfs", "fat", "exfat", "ext", "hfsplus", "drive")):
            yield "signs", b"\x1f" + start_of(name, 72 << 10)
    yield from case_files(gleaner, work)
    chance = random.Random(1)
    for _ in range(60):
        count = chance.randint(1, 3)
        made = b"".join(
            bytes([chance.randrange(6)]) + chance.randrange(4096).to_bytes(2, "little") + bytes([len(value)]) + value
            for value in chance.choices(VALUES, k=count)
        )
        yield "vhdx", b"\1" + made
    # The worked example of a run list in the Linux-NTFS documentation, and a chunk stored plainly.
    yield "packed_runs", bytes.fromhex("2118345600")
    yield "packed_runs", bytes.fromhex("3138738a2532141d7c00")
    yield "packed_runs", bytes.fromhex("0730") + bytes(8)
    yield "packed_runs", bytes.fromhex("07b0004142434445464700")


def main():
    gleaner, folder = sys.argv[1], pathlib.Path(sys.argv[2])
    with tempfile.TemporaryDirectory() as work:
        for number, (target, content) in enumerate(seeds(gleaner, pathlib.Path(work))):
            place = folder / target
            place.mkdir(parents=True, exist_ok=True)
            (place / f"seed-{number:04}").write_bytes(content)


main()
