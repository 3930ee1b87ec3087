"""Measures what the kernel does when one read of 4096 bytes fails, and writes the table of docs/kernel.md.

Takes some minutes, because the kernel's usual time limits are waited out. Not part of any check.
"""

import concurrent.futures
import os
import re
import time

from drives import EIO, ENODATA, DebugDrive, Drive
from fixtures import Fixture
from machine import REPOSITORY, Machine

DOCUMENT = os.path.join(REPOSITORY, "docs", "kernel.md")
BEGIN, END = "<!-- measured by scripts/check-kernel --measure -->\n", "<!-- end of what was measured -->\n"
BAD = 60_000
# What libc calls the errors that occur (busybox prints the words).
ERRORS = {
    "Input/output error": "EIO", "No data available": "ENODATA", "Connection timed out": "ETIMEDOUT", "No such device": "ENODEV",
    "No such device or address": "ENXIO",
}
# How the kernel logs a reset, by driver: libata, usb-storage, nvme, scsi_debug.
RESETS = r"(hard|soft) resetting link|reset \S+ USB device|reset controller|Power-on or device reset occurred"


class Case:
    """One row: a drive, what it does, how the kernel is set."""

    def __init__(self, attached, does, drive, short=False, silent=False):
        self.attached, self.does, self.drive, self.short, self.silent = attached, does, drive, short, silent

    def settings(self, device):
        """Shell commands that set a time limit of 7 s and no retry."""
        if not self.short:
            return "true"
        if device.startswith("nvme"):
            return f"echo 7000 >/sys/block/{device}/queue/io_timeout; echo 0 >/sys/module/nvme_core/parameters/max_retries"
        folder = f"/sys/block/{device}/device"
        return f"echo 7 >{folder}/timeout; for f in {folder}/scsi_disk/*/max_retries; do echo 0 >$f; done"

    def measure(self, machine):
        """The cells of the row."""
        drive = self.drive
        device = drive.device(machine)
        machine.run(self.settings(device))
        machine.run("dmesg -c >/dev/null")
        at = BAD * 512
        debug = isinstance(drive, DebugDrive)
        before = drive.commands(machine)[0] if debug or not self.silent else len(drive.reads())
        if self.silent and debug:
            drive.fall_silent(machine)
        elif self.silent:
            drive.fall_silent()
        read = f"dd if=/dev/{device} of=/dev/null bs=4096 skip={at // 4096} count=1 iflag=direct"
        with concurrent.futures.ThreadPoolExecutor(1) as pool:
            timed = f"cut -d' ' -f1 /proc/uptime; {read}; cut -d' ' -f1 /proc/uptime"
            reading = pool.submit(machine.run, timed, seconds=900, ends_with=None)
            arrived, reads = time.monotonic(), before
            while not reading.done():
                if self.silent and not debug:
                    if len(drive.reads()) > reads:
                        arrived, reads = time.monotonic(), len(drive.reads())
                    # qemu takes part in a reset: it stands still until the read below it has ended.
                    late = time.monotonic() - arrived > (6 if self.short else 29)
                    if late and machine.stands_still(0.5):
                        drive.release()
                        machine.catch_up()
                time.sleep(0.05)
            answer = reading.result()
        start, end = map(float, answer.output.split())
        commands = (drive.commands(machine)[0] if debug or not self.silent else len(drive.reads())) - before
        state = machine.output(f"cat /sys/block/{device}/device/state 2>/dev/null || echo gone")
        log = machine.output("dmesg")
        with open(os.path.join(os.path.dirname(machine.share), f"log {self.attached} {self.does} {self.short}.txt"), "w") as file:
            file.write(log)
        found = [name for words, name in ERRORS.items() if answer.errors.strip().endswith(words)]
        resets = sum(1 for _ in re.finditer(RESETS, log))
        seconds = f"{end - start:.1f} s" if end - start >= 0.5 else "at once"
        # A controller says `live`, a device behind a SCSI driver `running`.
        state = {"live": "running"}.get(state, state)
        return [self.attached, self.does, "7 s, no retry" if self.short else "usual", found[0] if found else "none", seconds,
                str(commands), str(resets), state]


def setups(folder):
    """For each machine, its controllers and the rows measured in it, in order."""
    fixture = Fixture("drive-gpt")
    usb = ["-device", "qemu-xhci,id=usb,p2=8,p3=8"]

    def rows(attached, model, does, errno, *, bus=None, controllers=()):
        """A machine for each way of failing and each setting: a drive that went offline would be in the way of the next."""
        for short in (False, True):
            for silent in (False, True):
                if silent and not does[1]:
                    continue
                name = f"{attached}-{does[0][:7]}-{short}-{silent}".lower().replace(" ", "-")
                where = {"bus": bus} if bus else {}
                bad = [] if silent else [BAD]
                drive = Drive(name, fixture, folder, model, bad, errno, can_be_silent=silent, **where)
                yield name, list(controllers), Case(attached, "does not answer" if silent else does[0], drive, short, silent)

    yield from rows("AHCI", "ide-hd", ("aborts the command", True), EIO, bus="ide.0")
    yield from rows("USB", "usb-storage", ("medium error", True), ENODATA, bus="usb.0", controllers=usb)
    yield from rows("USB", "usb-storage", ("aborts the command", False), EIO, bus="usb.0", controllers=usb)
    yield from rows("NVMe", "nvme", ("medium error", True), EIO)
    for short in (False, True):
        for silent in (False, True):
            drive = DebugDrive(f"debug-{short}-{silent}", fixture, BAD, 1)
            does = "does not answer" if silent else "medium error"
            yield drive.name, [], Case("scsi_debug", does, drive, short, silent)


def measure(folder, ram_disk, report):
    """Measures all rows, two machines at a time, and writes them into the document."""
    def one(setup):
        name, controllers, case = setup
        started = time.monotonic()
        try:
            with Machine(name, folder, ram_disk, controllers + case.drive.arguments()) as machine:
                case.drive.set_up(machine)
                row = case.measure(machine)
        finally:
            case.drive.end()
        report(" | ".join(row), time.monotonic() - started)
        return row

    with concurrent.futures.ThreadPoolExecutor(2) as pool:
        rows = list(pool.map(one, setups(folder)))
    head = ["attached by", "the drive", "kernel set to", "error", "after", "commands", "resets", "state then"]
    lines = ["| " + " | ".join(row) + " |\n" for row in [head, ["---"] * len(head)] + rows]
    with open(DOCUMENT) as file:
        text = file.read()
    before, rest = text.split(BEGIN)
    with open(DOCUMENT, "w") as file:
        file.write(before + BEGIN + "\n" + "".join(lines) + "\n" + END + rest.split(END)[1])
