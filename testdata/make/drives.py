"""Whole drives: tables written by sfdisk, volumes put into the partitions."""

import json
import os
import shutil

import fat_volumes
import fixture
import verify
import windows_habits
from ntfs_common import format_ntfs, write_in_turns, write_pattern
from run import TESTDATA, blank, mounted, tool

MIB = 1 << 20


def small_ntfs(image, scratch, size, label, serial, sector=512, cluster=4096):
    """A volume with a handful of files, the same names as in the others but its own label."""
    format_ntfs(image, size, cluster, label, serial, sector)
    with mounted(image, os.path.join(scratch, "mount")) as mount:
        write_pattern(mount, "/Surveys/2019 Meadow/plot list.csv", 18_400)
        write_pattern(mount, "/Users/ida/Documents/report draft.odt", 51_200)
        write_pattern(mount, "/Users/tom/Documents/small.txt", 90)
        write_pattern(mount, "/pagefile.sys", 262_144)
        write_in_turns(mount, [f"/Photos/{name}.raw" for name in "abcd"], 20, cluster)
        os.remove(f"{mount}/Photos/d.raw")


def small_fat(image, scratch, size, bits, label, serial, sectors_per_cluster, sector=512):
    fat_volumes.format_fat(image, size, bits, serial, label, sectors_per_cluster, sector=sector)
    stage = fat_volumes.Stage(image, scratch)
    cluster = sectors_per_cluster * sector
    fat_volumes.ordinary(stage, cluster)
    stage.copy()
    fat_volumes.fragmented(stage, image, cluster, 40)


def place(drive, at, volume):
    """Copies a volume into the drive, byte for byte."""
    with open(volume, "rb") as source, open(drive, "r+b") as target:
        target.seek(at)
        shutil.copyfileobj(source, target, MIB)


def write_table(drive, script, sector=512):
    """Applies an sfdisk script. sfdisk itself knows no other sector size for a file: fdisk reads the same scripts."""
    if sector == 512:
        tool("sfdisk", "--quiet", "--no-reread", "--no-tell-kernel", drive, stdin=script)
        return
    with open(f"{drive}.script", "w", encoding="ascii") as file:
        file.write(script)
    tool("fdisk", "-b", sector, "--noauto-pt", drive, stdin=f"I\n{drive}.script\nw\n")


def read_table(drive, sector):
    """sfdisk's own reading of the table, without the path of the scratch folder."""
    if sector == 512:
        table = json.loads(tool("sfdisk", "--json", drive))["partitiontable"]
    else:
        dump = f"{drive}.dump"
        tool("fdisk", "-b", sector, drive, stdin=f"O\n{dump}\nq\n")
        with open(dump, encoding="utf-8") as file:
            table = table_of_dump(file.read())
    name = os.path.basename(drive)
    table["device"] = name
    for partition in table["partitions"]:
        partition["node"] = name + partition["node"].removeprefix(drive)
    return {"partitiontable": table}


JSON_KEYS = {"label-id": "id", "first-lba": "firstlba", "last-lba": "lastlba", "sector-size": "sectorsize"}


def table_of_dump(text):
    """An sfdisk dump in the shape of `sfdisk --json`, which fdisk cannot print."""
    table = {"partitions": []}
    for line in text.splitlines():
        if " : " in line:
            node, rest = line.split(" : ", 1)
            fields = dict(part.strip().split("=", 1) for part in rest.split(",") if "=" in part)
            partition = {"node": node.strip(), "start": int(fields["start"]), "size": int(fields["size"])}
            partition["type"] = fields["type"]
            partition.update((key, fields[key].strip('"')) for key in ("uuid", "name") if key in fields)
            table["partitions"].append(partition)
        elif ": " in line:
            key, value = line.split(": ", 1)
            key = JSON_KEYS.get(key, key)
            table[key] = int(value) if value.isdigit() and key != "id" else value
    return table


def keep(name, drive, sector, volumes):
    """Writes table, answers for every volume (a list, in drive order) and the image."""
    table = read_table(drive, sector)
    with open(os.path.join(TESTDATA, f"{name}.table.json"), "w", encoding="utf-8") as file:
        json.dump(table, file, indent=2)
        file.write("\n")
    documents = []
    for kind, at, size in volumes:
        text = fixture.answers_of(drive, kind, at, size)
        verify.check_ownership(json.loads(text))
        documents.append(text.strip())
    fixture.keep_answers(name, '{"volumes":[\n' + ",\n".join(documents) + "\n]}\n")
    fixture.keep_image(name, drive)
    print(f"{name}: {os.path.getsize(drive) >> 20} MiB, {len(volumes)} volumes, table in {sector}-byte sectors")


GPT_HEAD = "label: gpt\nlabel-id: 0F3E12A4-0000-4000-8000-0000000000{:02X}\n"
MICROSOFT_RESERVED = "E3C9E316-0B5C-4DB8-817D-F92DF00215AE"
BASIC_DATA = "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7"  # UEFI / Microsoft basic data partition


def gpt(name, scratch):
    """GPT, 512-byte sectors: NTFS, a gap, FAT32, unused space at the end."""
    drive = os.path.join(scratch, f"{name}.img")
    blank(drive, 96 * MIB)
    write_table(
        drive,
        GPT_HEAD.format(1)
        + f'start=2048, size={24 * 2048}, type={BASIC_DATA}, uuid=0F3E12A4-0000-4000-8000-000000000011, name="Office"\n'
        + f'start={33 * 2048}, size={40 * 2048}, type={BASIC_DATA}, uuid=0F3E12A4-0000-4000-8000-000000000012, '
        + 'name="Exchange"\n',
    )
    ntfs, fat = os.path.join(scratch, "ntfs.img"), os.path.join(scratch, "fat.img")
    small_ntfs(ntfs, scratch, 24 * MIB, "Office", 0x0F3E_D001)
    small_fat(fat, scratch, 40 * MIB, 32, "EXCHANGE", "0f3ed002", 1)
    place(drive, MIB, ntfs)
    place(drive, 33 * MIB, fat)
    keep(name, drive, 512, [("ntfs", MIB, 24 * MIB), ("fat", 33 * MIB, 40 * MIB)])


def mbr_extended(name, scratch):
    """MBR: two primaries, an extended partition with three logicals, gaps before, between and after."""
    drive = os.path.join(scratch, f"{name}.img")
    blank(drive, 80 * MIB)
    parts = [
        ("fat", 1, 8, "06", ("FERN PRIM 1", "0f3ed101", 16, 2)),
        ("ntfs", 10, 16, "07", ("Fern Second", 0x0F3E_D102)),
        (None, 28, 48, "05", None),
        ("fat", 29, 4, "01", ("FERN LOG 5", "0f3ed105", 12, 8)),
        ("ntfs", 36, 16, "07", ("Fern Logical", 0x0F3E_D106)),
        ("fat", 56, 10, "06", ("FERN LOG 7", "0f3ed107", 16, 2)),
    ]
    script = "label: dos\nlabel-id: 0x0f3ed100\n"
    script += "".join(f"start={at * 2048}, size={size * 2048}, type={code}\n" for _, at, size, code, _ in parts)
    write_table(drive, script)
    volume = os.path.join(scratch, "volume.img")
    volumes = []
    for kind, at, size, _, what in parts:
        if kind == "ntfs":
            small_ntfs(volume, scratch, size * MIB, *what)
        elif kind == "fat":
            label, serial, bits, sectors = what
            small_fat(volume, scratch, size * MIB, bits, label, serial, sectors)
        else:
            continue
        place(drive, at * MIB, volume)
        volumes.append((kind, at * MIB, size * MIB))
    keep(name, drive, 512, volumes)


def gpt_4kn(name, scratch):
    """GPT as a drive with 4096-byte logical sectors has it, volumes with such sectors."""
    drive = os.path.join(scratch, f"{name}.img")
    blank(drive, 64 * MIB)
    write_table(
        drive,
        GPT_HEAD.format(2)
        + f'start=256, size={24 * 256}, type={BASIC_DATA}, uuid=0F3E12A4-0000-4000-8000-000000000021, name="Office"\n'
        + f'start={30 * 256}, size={24 * 256}, type={BASIC_DATA}, uuid=0F3E12A4-0000-4000-8000-000000000022, '
        + 'name="Exchange"\n',
        4096,
    )
    ntfs, fat = os.path.join(scratch, "ntfs.img"), os.path.join(scratch, "fat.img")
    small_ntfs(ntfs, scratch, 24 * MIB, "Office 4K", 0x0F3E_D201, sector=4096)
    small_fat(fat, scratch, 24 * MIB, 16, "EXCH4K", "0f3ed202", 1, sector=4096)
    place(drive, MIB, ntfs)
    place(drive, 30 * MIB, fat)
    keep(name, drive, 4096, [("ntfs", MIB, 24 * MIB), ("fat", 30 * MIB, 24 * MIB)])


def usb_4k_table(name, scratch):
    """MBR in units of 4096 bytes, as some USB enclosures present a drive; the bare drive reports 512.

    The volume was formatted through the enclosure, so its sectors are 4096 bytes too.
    """
    drive = os.path.join(scratch, f"{name}.img")
    blank(drive, 48 * MIB)
    write_table(
        drive,
        "label: dos\nlabel-id: 0x0f3ed300\n"
        f"start=256, size={24 * 256}, type=07\nstart={30 * 256}, size={16 * 256}, type=07\n",
        4096,
    )
    first, second = os.path.join(scratch, "first.img"), os.path.join(scratch, "second.img")
    small_ntfs(first, scratch, 24 * MIB, "Shelf copy", 0x0F3E_D301, sector=4096)
    small_ntfs(second, scratch, 16 * MIB, "Shelf second", 0x0F3E_D302, sector=4096)
    place(drive, MIB, first)
    place(drive, 30 * MIB, second)
    keep(name, drive, 4096, [("ntfs", MIB, 24 * MIB), ("ntfs", 30 * MIB, 16 * MIB)])


def usb_4k_gpt(name, scratch):
    """GPT in units of 4096 bytes: read with 512 there is only the protective MBR's word for it."""
    drive = os.path.join(scratch, f"{name}.img")
    blank(drive, 40 * MIB)
    write_table(
        drive,
        GPT_HEAD.format(3)
        + f'start=256, size={24 * 256}, type={BASIC_DATA}, uuid=0F3E12A4-0000-4000-8000-000000000031, name="Shelf"\n',
        4096,
    )
    volume = os.path.join(scratch, "volume.img")
    small_ntfs(volume, scratch, 24 * MIB, "Shelf GPT", 0x0F3E_D401, sector=4096)
    place(drive, MIB, volume)
    keep(name, drive, 4096, [("ntfs", MIB, 24 * MIB)])


def windows_gpt(name, scratch):
    """A GPT as Windows sets a data drive up: its reserved partition first, then volumes with what Windows leaves in them."""
    drive = os.path.join(scratch, f"{name}.img")
    blank(drive, 136 * MIB)
    parts = [
        ("ntfs", 17, 24, ("Meadow", 0x0F3E_D501), 4096),
        ("ntfs", 42, 48, ("Meadow large", 0x0F3E_D502), 65536),
        ("fat", 91, 40, ("MEADOW FAT", "0f3ed503", 32, 1), None),
    ]
    script = GPT_HEAD.format(5) + "first-lba: 34\n"
    guid = "uuid=0F3E12A4-0000-4000-8000-0000000000"
    script += f'start=34, size={16 * 2048}, type={MICROSOFT_RESERVED}, {guid}51, name="Reserved"\n'
    for number, (_, at, size, _, _) in enumerate(parts):
        script += f'start={at * 2048}, size={size * 2048}, type={BASIC_DATA}, {guid}{52 + number}, name="Meadow"\n'
    write_table(drive, script)
    volume = os.path.join(scratch, "volume.img")
    volumes = []
    for kind, at, size, what, cluster in parts:
        if kind == "ntfs":
            small_ntfs(volume, scratch, size * MIB, *what, cluster=cluster)
            zeroed = windows_habits.ntfs(volume)
            print(f"{name}: {zeroed} file records zeroed")
        else:
            label, serial, bits, sectors = what
            small_fat(volume, scratch, size * MIB, bits, label, serial, sectors)
            windows_habits.fat32(volume)
        place(drive, at * MIB, volume)
        volumes.append((kind, at * MIB, size * MIB))
    keep(name, drive, 512, volumes)
