"""Makes every fixture, or those named on the command line."""

import os
import sys
import tempfile

import drives
import exfat_volumes
import ext_volumes
import fat_volumes
import fixture
import foreign
import hfsplus_journals
import hfsplus_volumes
import ntfs_rich
from ntfs_geometry import geometry, mft_list


def ntfs(make):
    """A maker of an image with one NTFS volume: `make(image, mount folder)`."""

    def whole(name, scratch):
        image = os.path.join(scratch, f"{name}.img")
        make(image, os.path.join(scratch, "mount"))
        fixture.keep_ntfs(name, image, scratch)

    return whole


def fat(make):
    """A maker of an image with one FAT volume: `make(image, scratch folder)`."""

    def whole(name, scratch):
        image = os.path.join(scratch, f"{name}.img")
        make(image, scratch)
        fixture.keep_fat(name, image, scratch)

    return whole


def exfat(make):
    """A maker of an image with one exFAT volume: `make(image, mount folder)`."""

    def whole(name, scratch):
        image = os.path.join(scratch, f"{name}.img")
        make(image, os.path.join(scratch, "mount"))
        fixture.keep_exfat(name, image, make.sector, scratch)

    return whole


FIXTURES = {
    "ntfs-rich": ntfs(ntfs_rich.make),
    "ntfs-mft-list": ntfs(mft_list),
    "ntfs-cluster-512": ntfs(geometry(16 << 20, 512, 0x0F3E000000000200)),
    "ntfs-cluster-1k": ntfs(geometry(16 << 20, 1024, 0x0F3E000000000400)),
    "ntfs-cluster-8k": ntfs(geometry(32 << 20, 8192, 0x0F3E000000002000)),
    "ntfs-cluster-64k": ntfs(geometry(64 << 20, 65536, 0x0F3E000000010000)),
    "ntfs-cluster-2m": ntfs(geometry(200 << 20, 2 << 20, 0x0F3E000000200000, blocks=7, entries=100)),
    "ntfs-sector-4096": ntfs(geometry(32 << 20, 4096, 0x0F3E000000001000, sector=4096)),
    "ntfs-sector-4096-cluster-64k": ntfs(geometry(64 << 20, 65536, 0x0F3E000000011000, sector=4096)),
    "fat12-floppy": fat(fat_volumes.fat12_floppy),
    "fat12-clusters-4k": fat(fat_volumes.fat12_clusters_4k),
    "fat16": fat(fat_volumes.fat16),
    "fat16-sector-4096": fat(fat_volumes.fat16_sector_4096),
    "fat32-clusters-512": fat(fat_volumes.fat32_clusters_512),
    "fat32-clusters-4k": fat(fat_volumes.fat32_clusters_4k),
    "fat32-sector-4096": fat(fat_volumes.fat32_sector_4096),
    "exfat-clusters-512": exfat(exfat_volumes.CLUSTERS_512),
    "exfat-clusters-4k": exfat(exfat_volumes.CLUSTERS_4K),
    "exfat-clusters-128k": exfat(exfat_volumes.CLUSTERS_128K),
    "exfat-sector-4096": exfat(exfat_volumes.SECTOR_4096),
    "drive-gpt": drives.gpt,
    "drive-mbr-extended": drives.mbr_extended,
    "drive-gpt-4kn": drives.gpt_4kn,
    "drive-usb-4k-table": drives.usb_4k_table,
    "drive-usb-4k-gpt": drives.usb_4k_gpt,
    "drive-windows-gpt": drives.windows_gpt,
    **ext_volumes.FIXTURES,
    **hfsplus_volumes.FIXTURES,
    **hfsplus_journals.FIXTURES,
    **foreign.FIXTURES,
}


def main():
    names = sys.argv[1:] or list(FIXTURES)
    unknown = [name for name in names if name not in FIXTURES]
    if unknown:
        sys.exit(f"no such fixture: {', '.join(unknown)}; there are {', '.join(FIXTURES)}")
    for name in names:
        with tempfile.TemporaryDirectory(prefix="gleaner-testdata-") as scratch:
            FIXTURES[name](name, scratch)


if __name__ == "__main__":
    main()
