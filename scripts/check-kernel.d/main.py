#!/usr/bin/env python3
"""Runs the scenarios in two virtual machines side by side; scripts/check-kernel calls this."""

import argparse
import concurrent.futures
import os
import shutil
import signal
import sys
import tempfile
import time

import scenarios
from drives import ENODATA, DebugDrive, Drive, TargetDrive
from fixtures import Fixture
from machine import Machine, MachineError, make_initial_ram_disk
from measure import measure

def bad_sectors(fixture):
    """In a file of each volume; outside the volumes three in a row and one close by."""
    gap = fixture.volumes[1]["volume_start"] // fixture.sector - 800
    files = ["/Users/ida/Documents/report draft.odt", "/Photos/mosaic.raw"]
    return sorted([fixture.first_sector_of(path) for path in files] + [gap, gap + 1, gap + 2, gap + 170])


def physical(sectors, logical_in_physical):
    """All logical sectors of the physical ones that hold these."""
    first = {sector // logical_in_physical * logical_in_physical for sector in sectors}
    return sorted(start + number for start in first for number in range(logical_in_physical))


class InternalDrives:
    """AHCI and NVMe."""

    name = "internal"
    controllers = []

    def __init__(self, folder):
        fixture = Fixture("drive-gpt")
        bad = bad_sectors(fixture)
        self.ahci = Drive("ahci", fixture, folder, "ide-hd", bad, bus="ide.0")
        self.ahci_512e = Drive("ahci-512e", fixture, folder, "ide-hd", physical(bad, 8), bus="ide.1", physical_block_size=4096)
        self.ahci_silent = Drive("ahci-silent", fixture, folder, "ide-hd", bus="ide.2", can_be_silent=True)
        self.nvme = Drive("nvme", fixture, folder, "nvme", bad)
        self.target = TargetDrive("target", fixture, folder, "ide-hd", bus="ide.3")
        self.drives = [self.ahci, self.ahci_512e, self.ahci_silent, self.nvme, self.target]

    def scenarios(self):
        # The kernel sends a command again five times when the drive aborts it, on AHCI, and whenever it fails, on NVMe.
        yield "bad sectors, AHCI", scenarios.medium_errors, self.ahci, {"commands": 6}
        yield "bad sectors, NVMe", scenarios.medium_errors, self.nvme, {"commands": 6}
        yield "4096-byte sectors shown as 512, AHCI", scenarios.medium_errors, self.ahci_512e, {"commands": 6}
        yield "silent for a while, AHCI", scenarios.silent_drive, self.ahci_silent, {}
        yield "serial number, AHCI", scenarios.serial_number, self.ahci, {}
        yield "serial number, NVMe", scenarios.serial_number, self.nvme, {}
        yield "listed, AHCI", scenarios.listed, self.ahci, {"bus": "ata"}
        yield "listed, NVMe", scenarios.listed, self.nvme, {"bus": "nvme"}
        yield "handed over, AHCI", scenarios.handed_over, self.nvme, {"target": self.target}
        yield "settings, AHCI", scenarios.settings, self.ahci, {"attached": "ata"}
        yield "settings, NVMe", scenarios.settings, self.nvme, {"attached": "nvme", "sensor": True}


class OtherDrives:
    """USB, and the drive that the kernel's own module imitates."""

    name = "other"
    controllers = ["-device", "qemu-xhci,id=usb,p2=8,p3=8"]

    def __init__(self, folder):
        small, large = Fixture("drive-gpt"), Fixture("drive-gpt-4kn")
        self.usb = Drive("usb", small, folder, "usb-storage", bad_sectors(small), ENODATA, bus="usb.0")
        self.usb_4kn = Drive(
            "usb-4kn", large, folder, "scsi-hd", bad_sectors(large), ENODATA,
            bridge={"driver": "usb-bot", "bus": "usb.0"}, logical_block_size=4096, physical_block_size=4096,
        )
        self.usb_pulled = Drive("usb-pulled", small, folder, "usb-storage", can_be_silent=True, bus="usb.0")
        self.debug = DebugDrive("debug", small, small.first_sector_of("/Photos/a.raw"), 8)
        self.drives = [self.usb, self.usb_4kn, self.usb_pulled, self.debug]

    def scenarios(self):
        yield "bad sectors, USB", scenarios.medium_errors, self.usb, {}
        yield "4096-byte sectors, USB", scenarios.medium_errors, self.usb_4kn, {}
        yield "plug pulled, USB", scenarios.pulled_plug, self.usb_pulled, {}
        yield "plug pulled while waiting", scenarios.pulled_plug_waiting, self.usb_pulled, {}
        yield "serial number behind USB", scenarios.serial_number, self.usb, {}
        yield "settings, USB", scenarios.settings, self.usb, {"attached": "usb"}
        yield "bad sectors, scsi_debug", scenarios.medium_errors, self.debug, {}
        yield "silent for good, scsi_debug", scenarios.silent_for_good, self.debug, {}


def run_machine(kind, folder, ram_disk, only, report):
    """Starts a machine and runs its scenarios; returns the names of those that went wrong."""
    setting = kind(folder)
    wanted = [scenario for scenario in setting.scenarios() if only in scenario[0]]
    if not wanted:
        return []
    wrong = []
    try:
        arguments = setting.controllers + [word for drive in setting.drives for word in drive.arguments()]
        started = time.monotonic()
        with Machine(kind.name, folder, ram_disk, arguments) as machine:
            for drive in setting.drives:
                drive.set_up(machine)
            report(f"machine `{kind.name}` is up", time.monotonic() - started)
            for name, scenario, drive, options in wanted:
                started = time.monotonic()
                try:
                    said, passed = scenario(machine, drive, **options), True
                except (scenarios.Wrong, MachineError) as error:
                    said, passed = str(error), False
                except (LookupError, TypeError, ValueError) as error:
                    said, passed = f"an answer has another form than expected: {error!r}", False
                report(f"{'ok   ' if passed else 'WRONG'} {name}: {said}", time.monotonic() - started)
                if not passed:
                    wrong.append(name)
        for drive in setting.drives:
            if not drive.is_unchanged(machine):
                wrong.append(f"drive {drive.name} was written to")
    finally:
        for drive in setting.drives:
            drive.end()
    return wrong


def stop(*_):
    """A time limit from outside ends the machines as well, and with them the threads that wait for them."""
    for machine in Machine.running:
        machine.process.kill()
    sys.exit("scripts/check-kernel: stopped from outside")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("program", help="the gleaner to check")
    parser.add_argument("--only", default="", help="only scenarios with this in their name")
    parser.add_argument("--measure", action="store_true", help="measure what the kernel does on a failed read, for docs/kernel.md")
    arguments = parser.parse_args()
    signal.signal(signal.SIGTERM, stop)
    began = time.monotonic()

    def report(text, seconds):
        print(f"{time.monotonic() - began:6.1f} s  {text} ({seconds:.1f} s)", flush=True)

    folder = tempfile.mkdtemp(prefix="check-kernel.")
    try:
        ram_disk = os.path.join(folder, "system")
        make_initial_ram_disk(arguments.program, ram_disk)
        if arguments.measure:
            return measure(folder, ram_disk, report)
        kinds = [InternalDrives, OtherDrives]
        with concurrent.futures.ThreadPoolExecutor() as pool:
            running = [pool.submit(run_machine, kind, folder, ram_disk, arguments.only, report) for kind in kinds]
            wrong = [name for machine in running for name in machine.result()]
    except MachineError as error:
        wrong = [str(error)]
    finally:
        shutil.rmtree(folder)
    if wrong:
        sys.exit("scripts/check-kernel: wrong: " + "; ".join(wrong))


main()
