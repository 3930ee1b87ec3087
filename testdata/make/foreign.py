"""Volumes and drives that are recognised and not read: each made by its own formatter, the answers by `blkid`."""

import json
import os
import struct
import subprocess

from fixture import compress
from run import ENVIRONMENT, Failed, TESTDATA, blank, patch, tool

MIB = 1 << 20
UUID = "0f3e0000-5eed-4a11-8b0b-00000000{:04x}"


def files(scratch):
    """A folder with a little in it, for formats that are made from a folder."""
    folder = os.path.join(scratch, "Fernhollow")
    os.makedirs(folder, exist_ok=True)
    for name in ("plots.csv", "readme.txt"):
        with open(os.path.join(folder, name), "w", encoding="utf-8") as file:
            file.write(f"{name}: an invented survey of plants\n" * 40)
    return folder


def looped(image, work):
    """Does `work` on a loop device over the image."""
    device = tool("losetup", "--show", "--find", image).strip()
    try:
        work(device)
    finally:
        tool("losetup", "--detach", device)


def formatter(size, *words):
    """A maker that runs one program on an empty image."""

    def make(image, scratch):
        blank(image, size)
        tool(*[image if word == "IMAGE" else word for word in words])

    return make


def lvm(image, scratch):
    blank(image, 8 * MIB)

    def work(device):
        devices = 'devices { filter=["a|^%s$|","r|.*|"] use_devicesfile=0 } global { locking_type=1 } activation { udev_sync=0 udev_rules=0 }' % device
        quiet = ("--config", devices, "--quiet")
        tool("pvcreate", *quiet, device)
        tool("vgcreate", *quiet, "fernhollow", device)

    looped(image, work)


def bcache(image, scratch):
    blank(image, 4 * MIB)
    looped(image, lambda device: tool("make-bcache", "-B", "--writeback", device))


def luks(version):
    def make(image, scratch):
        blank(image, (20 if version == 2 else 4) * MIB)
        words = ["cryptsetup", "luksFormat", "--batch-mode", "--type", f"luks{version}", "--key-size", "256"]
        words += ["--pbkdf", "pbkdf2", "--pbkdf-force-iterations", "1000", "--uuid", UUID.format(0x10 + version)]
        if version == 2:
            words += ["--label", "fernhollow"]
        tool(*words, image, "-", stdin="an invented pass phrase")
        # Key slots and the room between them are filled with noise that would not compress; only the headers are kept.
        kept = 32 << 10 if version == 2 else 4096
        patch(image, kept, bytes(os.path.getsize(image) - kept))

    return make


def luks2_second_header(image, scratch):
    luks(2)(image, scratch)
    patch(image, 0, bytes(16 << 10))


def squashfs(image, scratch):
    tool("mksquashfs", files(scratch), image, "-quiet", "-no-progress")


def iso(*words):
    def make(image, scratch):
        tool("genisoimage", "-quiet", "-V", "FERNHOLLOW", *words, "-o", image, files(scratch))

    return make


def iso_with_mbr(image, scratch):
    """A disc that is also meant for a memory stick: a table in front whose entry begins at sector 0."""
    iso("-R", "-J")(image, scratch)
    sectors = os.path.getsize(image) // 512
    entry = struct.pack("<B3sB3sII", 0x80, b"\0\x01\0", 0x17, b"\xfe\xff\xff", 0, sectors)
    patch(image, 446, entry + bytes(48) + b"\x55\xaa")


def hfs_plus(image, scratch):
    """The HFS+ half of a disc, cut out of it."""
    disc = os.path.join(scratch, "disc")
    tool("xorriso", "-as", "mkisofs", "-quiet", "-hfsplus", "-V", "FERNHOLLOW", "-o", disc, files(scratch))
    with open(disc, "rb") as file:
        whole = file.read()
    # The partition map of the disc says where: entries of 512 bytes (2048 in a disc without MBR), type at byte 48.
    for step in (512, 2048):
        for n in range(1, 16):
            entry = whole[n * step : n * step + 512]
            if entry[:2] == b"PM" and entry[48:57] == b"Apple_HFS":
                start, count = struct.unpack(">II", entry[8:16])
                unit = struct.unpack(">H", whole[2:4])[0]
                with open(image, "wb") as file:
                    file.write(whole[start * unit : (start + count) * unit])
                return
    raise Failed("no HFS+ in the disc")


def disc_with_map(image, scratch):
    """ISO 9660 and HFS+ in one, under an Apple partition map."""
    tool("xorriso", "-as", "mkisofs", "-quiet", "-hfsplus", "-V", "FERNHOLLOW", "-o", image, files(scratch))


def hfs(image, scratch):
    blank(image, 2 * MIB)
    env = {**ENVIRONMENT, "HOME": scratch}
    subprocess.run(["hformat", "-l", "Fernhollow", image], check=True, capture_output=True, env=env)


def ufs(version):
    def make(image, scratch):
        tool("makefs", "-t", "ffs", "-s", "4m", "-o", f"version={version}", image, files(scratch))

    return make


def apple_map(image, scratch):
    """A partition map by the published layout: the map itself and one partition (Inside Macintosh: Devices, 3-12)."""
    blank(image, 4 * MIB)
    patch(image, 0, struct.pack(">2sHI", b"ER", 512, 4 * MIB // 512))
    parts = [("Apple", "Apple_partition_map", 1, 63), ("Plants", "Apple_HFS", 64, 8000)]
    for n, (name, kind, start, count) in enumerate(parts):
        entry = struct.pack(">2sHIII32s32s", b"PM", 0, len(parts), start, count, name.encode(), kind.encode())
        patch(image, 512 * (n + 1), entry)


def md(version):
    """A member of a mirror by the published layout (Linux `include/uapi/linux/raid/md_p.h`), `mdadm --examine` agreeing."""

    def make(image, scratch):
        size = 8 * MIB
        blank(image, size)
        identifier = bytes.fromhex(UUID.format(0x900).replace("-", ""))
        if version == "0.90":
            at = (size & ~0xFFFF) - 0x10000
            words = [0] * 1024
            words[:12] = [0xA92B4EFC, 0, 90, 0, 0, 0, 0x5E000000, 1, at // 1024, 2, 2, 0]
            words[5], *words[13:16] = struct.unpack("<4I", identifier)
            words[32:40] = [0x5E000000, 1, 2, 2, 0, 0, 0, 1]
            # The two members' descriptors, from word 128 on, and the own one at the end: number, major, minor, place, state.
            words[128:133] = [0, 8, 0, 0, 6]
            words[160:165] = [1, 8, 16, 1, 6]
            words[992:997] = words[128:133]
            total = sum(words)
            words[38] = ((total & 0xFFFFFFFF) + (total >> 32)) & 0xFFFFFFFF
            block = struct.pack("<1024I", *words)
        else:
            at = {"1.0": (size // 512 - 16) // 8 * 8 * 512, "1.1": 0, "1.2": 4096}[version]
            data = 0 if version == "1.0" else 2048
            room = (at if version == "1.0" else size) // 512 - data
            first = struct.pack("<IIII16s32s", 0xA92B4EFC, 1, 0, 0, identifier, b"fernhollow:0")
            first += struct.pack("<QiIQIIi", 0x5E000000, 1, 0, room, 0, 2, 0)
            first = first.ljust(128, b"\0")
            second = struct.pack("<QQQQII16s", data, room, at // 512, 0, 0, 0, identifier[::-1]).ljust(64, b"\0")
            third = struct.pack("<QQQII", 0x5E000000, 1, 2**64 - 1, 0, 2).ljust(64, b"\0")
            block = first + second + third + struct.pack("<HH", 0, 1)
            total = sum(struct.unpack(f"<{len(block) // 4}I", block))
            checksum = ((total & 0xFFFFFFFF) + (total >> 32)) & 0xFFFFFFFF
            block = block[:216] + struct.pack("<I", checksum) + block[220:]
        patch(image, at, block)
        looped(image, lambda device: check_md(device, version))

    return make


def check_md(device, version):
    said = tool("mdadm", "--examine", device)
    if f"Version : {version}" not in said or " - correct" not in said:
        raise Failed(said)


def fat_front(image, scratch):
    """ext4 behind the boot sector of the FAT volume that was there before, which its formatter would have removed."""
    blank(image, 16 * MIB)
    tool("mkfs.fat", "-F", "16", "-i", "0F3E0016", image)
    with open(image, "rb") as file:
        boot = file.read(512)
    tool("mke2fs", "-q", "-F", "-t", "ext4", "-U", UUID.format(0x20), image)
    patch(image, 0, boot)


def ext_over_lvm(image, scratch):
    """ext4 made over a physical volume whose label was left standing."""
    lvm(image, scratch)
    with open(image, "rb") as file:
        label = file.read(1024)[512:]
    tool("mke2fs", "-q", "-F", "-t", "ext4", "-b", "4096", "-U", UUID.format(0x21), image)
    patch(image, 512, label)


def ext_copy_only(image, scratch):
    """ext4 with blocks of 1 KiB whose first 64 KiB are gone."""
    formatter(12 * MIB, "mke2fs", "-q", "-F", "-t", "ext4", "-b", "1024", "-U", UUID.format(0x22), "-L", "fernhollow", "IMAGE")(
        image, scratch
    )
    patch(image, 0, bytes(68 << 10))


def ext(kind, number, *words):
    return formatter(
        12 * MIB, "mke2fs", "-q", "-F", "-t", kind, "-U", UUID.format(number), "-L", "fernhollow", *words, "IMAGE"
    )


def swap(page, *words):
    return formatter(MIB, "mkswap", "-p", str(page), "-L", "fernhollow", "-U", UUID.format(page >> 4), "IMAGE")


def suspended(image, scratch):
    swap(4096)(image, scratch)
    patch(image, 4086, b"S1SUSPEND\0")


MAKERS = {
    "ext2": ext("ext2", 2),
    "ext3": ext("ext3", 3),
    "ext4": ext("ext4", 4),
    "ext-journal": formatter(4 * MIB, "mke2fs", "-q", "-F", "-O", "journal_dev", "-b", "1024", "-U", UUID.format(5), "IMAGE"),
    "ext4-copy-only": ext_copy_only,
    "ext4-behind-fat-front": fat_front,
    "ext4-over-lvm": ext_over_lvm,
    "xfs": formatter(
        20 * MIB, "mkfs.xfs", "-q", "-f", "--unsupported", "-L", "fernhollow", "-m", f"uuid={UUID.format(6)}", "IMAGE"
    ),
    "btrfs": formatter(
        20 * MIB, "mkfs.btrfs", "-q", "-f", "--mixed", "-L", "fernhollow", "-U", UUID.format(7), "IMAGE"
    ),
    "f2fs": formatter(64 * MIB, "mkfs.f2fs", "-q", "-f", "-l", "fernhollow", "IMAGE"),
    "jfs": formatter(16 * MIB, "mkfs.jfs", "-q", "-L", "fernhollow", "IMAGE"),
    "nilfs2": formatter(16 * MIB, "mkfs.nilfs2", "-q", "-f", "-B", "16", "-L", "fernhollow", "IMAGE"),
    "reiserfs": formatter(
        36 * MIB, "mkfs.reiserfs", "-q", "-ff", "-l", "fernhollow", "-u", UUID.format(8), "IMAGE"
    ),
    "squashfs": squashfs,
    "gfs2": formatter(
        64 * MIB, "mkfs.gfs2", "-q", "-O", "-j", "1", "-J", "8", "-p", "lock_nolock", "-t", "fern:hollow", "IMAGE"
    ),
    "ocfs2": formatter(32 * MIB, "mkfs.ocfs2", "-q", "-x", "-F", "-M", "local", "-N", "1", "-J", "size=4M", "-L", "fernhollow", "IMAGE"),
    "swap-4k": swap(4096),
    "swap-64k": swap(65536),
    "swap-suspended": suspended,
    "luks1": luks(1),
    "luks2": luks(2),
    "luks2-second-header": luks2_second_header,
    "lvm": lvm,
    "md-0.90": md("0.90"),
    "md-1.0": md("1.0"),
    "md-1.1": md("1.1"),
    "md-1.2": md("1.2"),
    "bcache": bcache,
    "hfs": hfs,
    "hfsplus": hfs_plus,
    "apfs": formatter(130 * MIB, "mkapfs", "-L", "fernhollow", "-U", UUID.format(9), "IMAGE"),
    "apple-map": apple_map,
    "ufs1": ufs(1),
    "ufs2": ufs(2),
    "iso9660": iso("-R", "-J"),
    "iso9660-mbr": iso_with_mbr,
    "iso9660-hfsplus": disc_with_map,
    "udf-bridge": iso("-udf", "-R"),
    "udf-2048": formatter(4 * MIB, "mkudffs", "--media-type=cdr", "--blocksize=2048", "--label=fernhollow", "IMAGE"),
    "udf-512": formatter(4 * MIB, "mkudffs", "--media-type=hd", "--blocksize=512", "--label=fernhollow", "IMAGE"),
}


def blkid(image):
    """What `blkid` says, by its own names."""
    said = tool("blkid", "--probe", "--output", "export", image, codes=(0, 2, 8))
    pairs = (line.split("=", 1) for line in said.splitlines() if "=" in line)
    return {key: value.replace("\\ ", " ") for key, value in pairs if key != "DEVNAME"}


def keeper(name):
    """The maker of one fixture with its answers."""

    def keep(fixture, scratch):
        image = os.path.join(scratch, f"{name}.img")
        MAKERS[name](image, scratch)
        answers = {"bytes": os.path.getsize(image), "blkid": blkid(image)}
        with open(os.path.join(TESTDATA, f"{fixture}.answers.json"), "w", encoding="utf-8") as file:
            json.dump(answers, file, indent=1, sort_keys=True)
            file.write("\n")
        target = os.path.join(TESTDATA, f"{fixture}.img.zst")
        compress(image, target)
        print(f"{fixture}: {answers['bytes'] >> 10} KiB, {os.path.getsize(target)} compressed, {answers['blkid'].get('TYPE')}", flush=True)

    return keep


FIXTURES = {f"foreign-{name}": keeper(name) for name in MAKERS}
